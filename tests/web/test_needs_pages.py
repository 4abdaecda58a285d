"""The needs pages: what the form holds is what the sheet says, and mistakes are told at their fields."""

from __future__ import annotations

import html
import re
import tomllib
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from appliance.judge import needs
from appliance.judge.needs_keys import TABLES
from appliance.judge.sheet import SheetError
from appliance.site import sheet_form

OWN = {"Origin": "http://localhost"}
PIN = "405162"
MINE = 'title = "Mine"\n[line]\nbaud = 4800\nsilence_most_s = 1\n'


def fields(text: str) -> dict[str, str]:
    """What a browser would send of the form as it stands."""
    found = {}
    for name, value in re.findall(r'<input(?! type="checkbox")[^>]* name="([^"]+)" value="([^"]*)"', text):
        found[name] = html.unescape(value)
    for name, options in re.findall(r'<select[^>]* name="([^"]+)"[^>]*>(.*?)</select>', text, re.S):
        chosen = re.search(r"<option selected>([^<]*)</option>", options)
        found[name] = html.unescape(chosen[1]) if chosen else ""
    return found


@pytest.fixture
def box(page: Any, picture: dict[str, Any]) -> Any:
    page.show(picture)
    return page


def change(box: Any, name: str, **over: str) -> Any:
    form = fields(box.html(f"/needs/{name}/change"))
    form |= {"pin": PIN, "do": "keep"} | over
    return box.client.post(f"/needs/{name}/change", data=form, headers=OWN)


@pytest.mark.parametrize("name", needs.shipped())
def test_a_sheet_survives_the_form(name: str) -> None:
    values = sheet_form.values_of(tomllib.loads(needs.text(name)))
    again = sheet_form.toml(sheet_form.document(values))
    assert needs.from_toml(again, name) == needs.load(name)


def test_the_form_has_a_field_for_every_key_with_its_meaning(box: Any) -> None:
    text = box.html("/needs/rate-section/change")
    for table in TABLES:
        for key in table.keys:
            head = "message.GGA" if table.many else table.name
            assert f"{head}.{key.name}".lstrip(".") in fields(text)
            assert html.escape(key.meaning[1:], quote=True).replace("&#x27;", "&#39;") in text


def test_the_list_tells_which_is_in_use(box: Any) -> None:
    text = box.html("/needs")
    assert "In use: <b>Rate and section controller, usual set</b>" in text
    assert 'href="/needs/alive"' in text


def test_a_sheet_is_read_with_each_value_s_meaning(box: Any) -> None:
    text = box.html("/needs/rate-section")
    assert "Greatest share of the line&#39;s capacity in use" in text
    assert "This sheet is in use." in text
    assert "left out: yes" in box.html("/needs/position-1hz")  # and not "true", as a file has it
    assert "Take it into use" not in text
    assert "Take it into use" in box.html("/needs/alive")
    assert "no such sheet" in box.html("/needs/nothing", 404)


def test_a_copy_is_kept_under_a_name_of_its_own(box: Any, listener: Any) -> None:
    answer = change(box, "rate-section", title="Larkmere, sprayer", **{"message.GGA.rate_hz": "2,5"})
    assert answer.status_code == 303, answer.text
    (asked,) = listener.heard
    assert (asked["do"], asked["name"]) == ("needs-keep", "larkmere-sprayer")
    kept = needs.from_toml(asked["toml"], "x")
    assert (kept.title, kept.messages["GGA"].rate_hz) == ("Larkmere, sprayer", 2.5)
    assert kept.messages.keys() == needs.load("rate-section").messages.keys()


def test_a_title_that_is_taken_gets_a_number(box: Any, listener: Any) -> None:
    folder = box.picture_path.with_name("needs")
    folder.mkdir()
    (folder / "alive.toml").write_text(MINE)
    assert change(box, "rate-section", title="Alive").status_code == 303
    assert listener.heard[0]["name"] == "alive-2"


def test_mistakes_are_told_at_their_fields_and_nothing_is_kept(box: Any, listener: Any) -> None:
    answer = change(
        box, "rate-section", title="", **{"line.baud": "17", "message.GGA.rate_hz": "fast", "fix.qualities": "4 x"}
    )
    assert answer.status_code == 422
    assert listener.heard == []
    wrong = dict(re.findall(r'<p id="([\w-]+)-says" class="small"><b>(.*?)</b>', answer.text))
    assert wrong.keys() == {"title", "line-baud", "message-GGA-rate_hz", "fix-qualities"}
    assert "Found &#34;fast&#34; (text); allowed: a number from 0.01 to 100 Hz." in wrong["message-GGA-rate_hz"]
    assert "4 fields are not right yet" in answer.text
    assert fields(answer.text)["message.GGA.rate_hz"] == "fast"  # what was typed stays
    assert answer.text.count('aria-invalid="true"') == 4


def test_shares_are_shown_and_taken_in_per_cent(box: Any, listener: Any) -> None:
    assert "<dd>80 %</dd>" in box.html("/needs/rate-section")
    form = fields(box.html("/needs/rate-section/change"))
    assert (form["line.load_most"], form["message.GGA.rate_low"]) == ("80", "10")
    assert change(box, "rate-section", title="a").status_code == 303  # what is shown is accepted as it stands
    changed = {"line.load_most": "72,5 %", "message.GGA.rate_low": "7"}
    assert change(box, "rate-section", title="b", **changed).status_code == 303
    shown, kept = (needs.from_toml(asked["toml"], "x") for asked in listener.heard)
    assert replace(shown, name="", title="") == replace(needs.load("rate-section"), name="", title="")
    assert kept.load_most == 0.725
    assert kept.messages["GGA"].rate_least_hz == pytest.approx(4.65)
    answer = change(box, "rate-section", **{"line.load_most": "150", "message.GGA.rate_low": "many"})
    assert answer.status_code == 422
    assert "Found 150 %; allowed: a number from 1 to 100 %." in answer.text
    assert "Found &#34;many&#34; (text); allowed: a number from" in answer.text


def test_a_gap_shorter_than_an_interval_is_told_at_the_gap(box: Any) -> None:
    answer = change(box, "rate-section", **{"message.GGA.gap_most_s": "0.1"})
    assert answer.status_code == 422
    assert "at least one interval of rate_hz" in answer.text


def test_messages_are_added_and_left_out(box: Any, listener: Any) -> None:
    answer = change(box, "rate-section", do="add", more="gst")
    assert answer.status_code == 200
    form = fields(answer.text)
    assert form["message.GST.rate_hz"] == "1"
    assert listener.heard == []
    again = form | {"do": "keep", "without.VTG": "yes"}
    assert box.client.post("/needs/rate-section/change", data=again, headers=OWN).status_code == 303
    assert needs.from_toml(listener.heard[0]["toml"], "x").messages.keys() == {"GGA", "RMC", "ZDA", "GST"}


def test_one_s_own_sheet_keeps_its_name_and_one_in_use_says_what_follows(
    box: Any, listener: Any, picture: dict[str, Any]
) -> None:
    folder = box.picture_path.with_name("needs")
    folder.mkdir()
    (folder / "mine.toml").write_text(MINE)
    box.show(picture | {"needs": {"name": "mine", "title": "Mine"}})
    assert "keeping it ends this watch" in box.html("/needs/mine/change")
    answer = change(box, "mine", title="Mine, better")
    assert answer.headers["Location"] == "/needs?said=used"
    assert listener.heard[0]["name"] == "mine"


def test_taking_into_use_and_deleting_are_orders(box: Any, listener: Any) -> None:
    token = re.search(r'name="token" value="([^"]+)"', box.html("/needs/alive"))
    assert token
    for what in ("use", "delete"):
        form = {"token": token[1], "pin": PIN}
        assert box.client.post(f"/needs/alive/{what}", data=form, headers=OWN).status_code == 303
    assert listener.heard == [{"do": "needs-use", "name": "alive"}, {"do": "needs-delete", "name": "alive"}]
    listener.answer = {"ok": False, "says": "That sheet is in use."}
    answer = box.client.post("/needs/alive/delete", data=form, headers=OWN)
    assert answer.status_code == 503
    assert "That sheet is in use." in answer.text
    assert "A new watch has begun" in box.html("/needs?said=used")
    assert "In use: <b>Anything alive</b>" in box.html("/needs?said=used&taken=alive")  # the picture is of before yet
    assert "In use: <b>Rate and section" in box.html("/needs?said=used&taken=nothing")
    assert "evil" not in box.html("/needs?said=evil")


def test_without_the_pin_nothing_is_asked(box: Any, listener: Any) -> None:
    assert box.client.post("/needs/alive/use", data={}, headers=OWN).status_code == 403
    assert listener.heard == []


def test_a_spoilt_sheet_is_listed_with_its_mistake(box: Any) -> None:
    folder = box.picture_path.with_name("sheets")
    folder.mkdir()
    (folder / "spoilt.toml").write_text("title = \n")
    (folder / "evil.toml").write_text(MINE.replace("Mine", "<b>Mine"))
    assert "cannot be used" in box.html("/needs")
    assert "row 1" in box.html("/needs/spoilt")
    assert box.client.get("/needs/spoilt/change").status_code == 422
    for name, data in (("latin", MINE.encode().replace(b"Mine", b"M\xe4")), ("deep", b"title = " + b"[" * 30_000)):
        (folder / f"{name}.toml").write_bytes(data)
        assert "cannot be used" in box.html(f"/needs/{name}") + box.html("/needs")
        assert box.client.get(f"/needs/{name}/change").status_code == 422
    assert "<b>Mine" not in box.html("/needs/evil") + box.html("/needs/evil/change") + box.html("/needs")


NAMES = st.sampled_from(
    [f"{'message.GGA' if table.many else table.name}.{key.name}".lstrip(".") for table in TABLES for key in table.keys]
)


@given(
    st.dictionaries(NAMES | st.text(max_size=20), st.text(max_size=30) | st.sampled_from(["1", "0.5", "yes", "4 5"]))
)
def test_anything_in_the_form_is_a_sheet_or_told(values: dict[str, str]) -> None:
    """And what is written reads as what was meant."""
    made = sheet_form.document(values)
    try:
        meant = needs.from_document(made, "x")
    except SheetError:
        return
    assert needs.from_toml(sheet_form.toml(made), "x") == meant


def test_no_file_lies_outside(box: Any, tmp_path: Path) -> None:
    (tmp_path / "other.toml").write_text(MINE)
    for path in ("/needs/..%2fother", "/needs/%2e%2e%2fother/change", "/needs/other.toml", "/needs/..%5cother"):
        assert box.client.get(path).status_code == 404
