"""The page of the messages: needed beside measured, the last intervals, and what is off in words."""

from __future__ import annotations

import copy
import json
import re
from typing import Any

import pytest

from appliance.measure.rate import Rate
from appliance.site.cards import HEIGHT, cards


def card(picture: dict[str, Any], type_: str) -> Any:
    found = cards(picture["lines"][0], picture["checks"])
    return next(one for one in found if one.title.startswith(type_))


def figures(of: Any) -> dict[str, tuple[str, str, str]]:
    return {figure.title: (figure.measured, figure.needed, figure.state) for figure in of.figures}


def test_needed_stands_beside_measured(picture: dict[str, Any], turned: Any) -> None:
    gga = card(turned(picture, "no-go"), "GGA")
    told = figures(gga)
    assert told["Rate, last 10 s"] == ("4.1 Hz", "at least 4.5 Hz", "fail")
    assert told["Longest gap, this watch"] == ("3.1 s", "at most 0.60 s", "fail")
    assert told["Jitter"] == ("2 ms", "", "")
    assert gga.state == "fail"
    assert [state for state, _ in gga.off] == ["fail", "fail"]


def test_what_is_not_asked_for_is_not_judged(picture: dict[str, Any]) -> None:
    gsv = card(picture, "GSV")
    assert (gsv.state, gsv.off) == ("", [])
    assert {needed for _, needed, _ in figures(gsv).values()} == {""}


def test_what_two_checks_say_alike_is_said_once(picture: dict[str, Any]) -> None:
    says = "The rate of GGA cannot be told yet."
    check = next(one for one in picture["checks"] if one["id"] == "rate-low" and one["message"] == "GGA")
    check |= {"state": "unknown", "says": says}
    picture["checks"].append(check | {"id": "rate-high"})
    assert cards(picture["lines"][0], picture["checks"])[0].off == [("unknown", says)]


def test_what_never_came_stands_first(picture: dict[str, Any]) -> None:
    picture["checks"].append(picture["checks"][1] | {"message": "GST", "state": "fail", "says": "GST has not come."})
    first = cards(picture["lines"][0], picture["checks"])[0]
    assert (first.title, first.state, first.off) == ("GST", "fail", [("fail", "GST has not come.")])
    assert first.rungs is None


def test_intervals_are_as_high_as_they_are_long(picture: dict[str, Any]) -> None:
    picture["lines"][0]["messages"][0]["intervals_ms"] = [200.0, 100.0, 400.0, 5000.0]
    rungs = card(picture, "GGA").rungs
    assert rungs.usual == pytest.approx(2 * rungs.bars[1][0], abs=0.2)
    assert rungs.bars[2][0] == pytest.approx(4 * rungs.bars[1][0], abs=0.3)
    assert rungs.bars[3] == (HEIGHT, True)
    assert rungs.allowed == pytest.approx(3 * rungs.usual, abs=0.3)
    assert rungs.says == "The last 4 intervals, from 0.10 to 5.00 s, needed 0.20 s, at most 0.60 s allowed."


def test_the_last_intervals_of_a_message() -> None:
    rate = Rate()
    assert rate.last_intervals_s(3) == []
    for at_ms in (0, 200, 400, 650, 800):
        rate.add(at_ms * 1_000_000)
    assert rate.last_intervals_s(3) == [0.2, 0.25, 0.15]
    assert rate.last_intervals_s(60) == [0.2, 0.2, 0.25, 0.15]


def test_the_page_tells_each_message_and_renews_itself(page: Any, picture: dict[str, Any], turned: Any) -> None:
    bad = turned(picture, "no-go")
    bad["lines"][0]["messages"][0]["intervals_ms"] = [200.0] * 59 + [3100.0]
    page.show(bad)
    html = page.html("/messages")
    assert html.count('<section class="card ') == 5
    assert html.index("GGA was away for 3.1") < html.index("VTG GN")
    assert html.count('class="over"') == 1
    assert "Not asked for by the needs." in html
    stream = page.client.get("/messages/live", buffered=False)
    lines = iter(stream.response)
    told = next(json.loads(text.split("data: ")[1]) for text in map(str, map(_text, lines)) if "event: parts" in text)
    stream.close()
    assert set(told["parts"]) == {"head", "cards"}


def _text(piece: bytes | str) -> str:
    return piece.decode() if isinstance(piece, bytes) else piece


def test_a_box_that_does_not_listen_says_so(page: Any) -> None:
    assert "no message is heard" in page.html("/messages")


def test_what_the_line_says_is_escaped(page: Any, picture: dict[str, Any]) -> None:
    evil = copy.deepcopy(picture)
    evil["lines"][0]["messages"][0] |= {"words": "<b>x</b>", "talker": '"><i>'}
    page.show(evil)
    html = page.html("/messages")
    assert "<b>x" not in html
    assert "<i>" not in html
    assert re.search(r"&lt;b&gt;x", html)
