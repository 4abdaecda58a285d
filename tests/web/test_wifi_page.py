"""Another Wi-Fi, asked for on the page: what may stand in each field, what is laid down for the box's unit, and how
one joins again."""

from __future__ import annotations

import json
import re
import stat
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from appliance.card import change, hotspot
from appliance.site.change_pages import BACK_AFTER_MIN
from appliance.site.countries import countries
from appliance.site.wifi_form import FIELDS, cleaned, problems

OWN = {"Origin": "http://localhost"}
PIN = "405162"
GOOD = {"name": "Larkmere box", "country": "GB", "channel": "11", "passphrase": 'seven"rows; of\\maize'}


def folder(page: Any) -> Path:
    path: Path = page.history_path.parent / "wifi"
    return path


def wanted(page: Any) -> Path:
    return folder(page) / "wanted"


def form(page: Any) -> dict[str, str]:
    found = re.search(r'name="token" value="([^"]+)"', page.html("/box/wifi"))
    assert found
    return {"token": found[1], "pin": PIN}


@pytest.mark.parametrize(
    ("name", "value", "says"),
    [("name", "", "Give"), ("name", "x" * 33, "33"), ("name", "Höfe", "plain"), ("name", "a\nb", "plain"),
     ("country", "", "country"), ("country", "UK", "country"), ("country", "GBR", "country"),
     ("channel", "0", "1 to 11"), ("channel", "12", "1 to 11"), ("channel", "six", "1 to 11"),
     ("channel", "٣", "1 to 11"),
     ("passphrase", "1234567", "this has 7"), ("passphrase", "x" * 64, "this has 64"),
     ("passphrase", "Schlüssel1", "accents"),
     ("passphrase", "tab\tstop1", "plain")],
)  # fmt: skip
def test_what_may_not_stand_in_a_field(name: str, value: str, says: str) -> None:
    """IEEE 802.11: an SSID has at most 32 octets; a passphrase 8 to 63 characters of codes 32 to 126 (annex J.4.1)."""
    wrong = problems(cleaned(GOOD | {name: value}))
    assert list(wrong) == [name]
    assert says in wrong[name]


@pytest.mark.parametrize(
    "good", [GOOD, GOOD | {"name": "x" * 32}, GOOD | {"passphrase": " " * 8}, GOOD | {"passphrase": "~" * 63},
             GOOD | {"country": " br ", "channel": "1", "name": " a "}],
)  # fmt: skip
def test_what_may(good: dict[str, str]) -> None:
    assert problems(cleaned(good)) == {}


def test_countries_are_those_of_the_standard() -> None:
    """ISO 3166-1: 249 codes; those of the countries whose languages the page speaks, from memory."""
    assert len(countries().keys() - {"00"}) == 249
    assert {"GB", "IE", "US", "DE", "AT", "CH", "FR", "ES", "BR", "PT"} <= countries().keys()
    assert "UK" not in countries()


def test_without_the_unit_nothing_is_offered(past: Any, listener: Any) -> None:
    listener.answer = {"ok": True, "rows": []}
    for path in ("/box", "/box/wifi", "/box/update"):
        html = past.html(path)
        assert "This installation has no part that may" in html
        assert 'href="/box/wifi"' not in html
        assert 'action="/box/' not in html.partition("<main>")[2] or path == "/box"
    told = past.client.get("/box/changes.json").json
    assert told == {"there": False, "waits": False, "update": None, "wifi": None}
    past.equip()
    fields = form(past) | GOOD
    folder(past).rmdir()
    assert past.client.post("/box/wifi", data=fields, headers=OWN).status_code == 409
    assert not wanted(past).exists()


def test_a_good_wish_is_laid_down_for_the_unit_alone_and_marked(box: Any, listener: Any) -> None:
    answer = box.client.post("/box/wifi", data=form(box) | GOOD, headers=OWN)
    assert answer.status_code == 200
    assert json.loads(wanted(box).read_text()) == GOOD | {"channel": 11}
    assert stat.S_IMODE(wanted(box).stat().st_mode) == 0o600
    assert [path.name for path in folder(box).iterdir()] == ["wanted"]
    assert {"do": "handed-over", "what": "wifi", "of": "Larkmere box"} in listener.heard
    text = answer.text
    for told in ("this phone loses this page", "Larkmere box", "within 10 minutes", "http://localhost/"):
        assert told in text, told
    assert GOOD["passphrase"] not in listener.heard
    assert answer.headers["Cache-Control"] == "no-store"


def test_the_code_is_read_by_another_library_and_joins(box: Any, tmp_path: Path) -> None:
    """Drawn by one library and read by another. The text: ZXing's "Barcode contents", Wi-Fi network configuration."""
    import zxingcpp
    from segno import make
    from segno.helpers import make_wifi_data

    text = box.client.post("/box/wifi", data=form(box) | GOOD, headers=OWN).text
    path = re.search(r'<path transform="[^"]*" class="qrline"[^>]* d="([^"]+)"|class="qrline"[^>]*d="([^"]+)"', text)
    data = make_wifi_data(ssid=GOOD["name"], password=GOOD["passphrase"], security="WPA")
    made = make(data, micro=False)
    drawn = re.search(r'd="([^"]+)"', made.svg_inline(omitsize=True, border=4).partition("qrline")[2])
    assert path
    assert drawn
    assert drawn[1] in path[0]
    made.save(str(tmp_path / "code.png"), scale=8, border=4)
    from PIL import Image

    (read,) = zxingcpp.read_barcodes(Image.open(tmp_path / "code.png"))
    assert read.text == 'WIFI:T:WPA;S:Larkmere box;P:seven\\"rows\\; of\\\\maize;;'


def test_a_bad_wish_is_told_at_its_field_and_what_was_typed_stays(box: Any, listener: Any) -> None:
    answer = box.client.post("/box/wifi", data=form(box) | GOOD | {"passphrase": "short"}, headers=OWN)
    assert answer.status_code == 422
    assert "8 to 63 characters; this has 5." in answer.text
    assert 'value="Larkmere box"' in answer.text
    assert 'value="GB" selected>' in answer.text
    assert 'value="11" selected>' in answer.text
    assert answer.text.count('aria-invalid="true"') == 1
    assert not wanted(box).exists()
    assert not [asked for asked in listener.heard if asked["do"] == "handed-over"]


def test_nobody_changes_it_without_token_pin_and_own_page(box: Any) -> None:
    fields = form(box) | GOOD
    for bad in ({"token": "guessed"}, {"pin": "000000"}):
        assert box.client.post("/box/wifi", data=fields | bad, headers=OWN).status_code == 403
    assert box.client.post("/box/wifi", data=fields).status_code == 403
    elsewhere = {"Origin": "http://elsewhere.example"}
    assert box.client.post("/box/wifi", data=fields, headers=elsewhere).status_code == 403
    assert box.app.test_client().post("/box/wifi", data=fields, headers=OWN).status_code == 403  # replayed elsewhere
    assert not wanted(box).exists()


def test_the_pin_page_carries_the_wish_along(box: Any) -> None:
    fields = form(box) | GOOD
    del fields["pin"]
    asked = box.client.post("/box/wifi", data=fields, headers=OWN)
    assert asked.status_code == 403
    carried = dict(re.findall(r'type="hidden" name="(\w+)" value="([^"]*)"', asked.text))
    assert carried.keys() == {"token", *(field.name for field in FIELDS)}


def test_a_card_that_cannot_be_written_changes_nothing(box: Any) -> None:
    fields = form(box) | GOOD
    wanted(box).mkdir()
    answer = box.client.post("/box/wifi", data=fields, headers=OWN)
    assert answer.status_code == 503
    assert "Nothing was changed." in answer.text


@pytest.mark.parametrize(
    "told", ["{", "[]", '{"state": "<b>"}', '{"state": "done"', "x" * 99_999, '{"state": ["done"]}']
)
def test_an_answer_that_cannot_be_read_is_none(box: Any, told: str) -> None:
    (folder(box) / "answer.json").write_text(told)
    assert box.client.get("/box/changes.json").json["wifi"] is None
    assert "The last change" not in box.html("/box")


def test_what_the_unit_answered_is_told_in_words(box: Any) -> None:
    answer = {"state": "fell-back", "says": "Nobody joined “<b>” in time.", "utc": "2026-05-04T09:30:00Z"}
    (folder(box) / "answer.json").write_text(json.dumps(answer))
    for path in ("/box", "/box/wifi"):
        html = box.html(path)
        assert "taken back." in html
        assert "Nobody joined “&lt;b&gt;” in time." in html
        assert 'datetime="2026-05-04T09:30:00Z"' in html


def test_the_form_begins_with_what_is_set_up(box: Any) -> None:
    html = box.html("/box/wifi")
    for told in ('value="Larkmere 3"', 'value="IE" selected>', 'value="3" selected>'):
        assert told in html, told


@given(
    st.fixed_dictionaries({
        "name": st.text(st.characters(min_codepoint=31, max_codepoint=127), max_size=34),
        "country": st.sampled_from(["00", "GB", "br", "UK"]),
        "channel": st.sampled_from(["1", "6", "11", "12"]),
        "passphrase": st.text(st.characters(min_codepoint=31, max_codepoint=127), min_size=7, max_size=64),
    })
)  # fmt: skip
def test_what_the_page_lets_through_the_unit_takes_as_it_was_meant(typed: dict[str, str]) -> None:
    """The two are built apart: nobody shall be told that it changes, and then that it was refused."""
    wish = cleaned(typed)
    if problems(wish):
        return
    taken = hotspot.wished(json.loads(json.dumps(wish | {"channel": int(wish["channel"])})))
    assert (taken["ssid"], taken["country"], taken["channel"], taken["passphrase"]) == (
        wish["name"], wish["country"], int(wish["channel"]), wish["passphrase"],
    )  # fmt: skip


def test_page_and_unit_wait_for_as_long() -> None:
    assert BACK_AFTER_MIN * 60 == change.WAIT_S
