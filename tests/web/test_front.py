"""The front page as it is without JavaScript."""

from __future__ import annotations

import copy
import html
import json
import os
import re
from collections.abc import Callable
from html.parser import HTMLParser
from typing import Any

import pytest

from appliance.judge.proof import bad_share_most, seconds_to_rule_out

Turned = Callable[[dict[str, Any], str], dict[str, Any]]
EVIL = "<script>alert(1)</script><img src=x onerror=alert(2)>\"'"


class Reading(HTMLParser):
    """Tags and attributes of a page."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))


def words(text: str) -> str:
    """A page's words, without tags."""
    return re.sub(r"\s+", " ", html.unescape(re.sub(r"<[^>]+>", " ", re.sub("</?time[^>]*>", "", text))))


@pytest.mark.parametrize(("state", "word"), [("go", "GO"), ("no-go", "NO-GO"), ("wait", "WAIT")])
def test_the_verdict_is_a_word_a_shape_and_a_reason(
    page: Any, picture: dict[str, Any], turned: Turned, state: str, word: str
) -> None:
    page.show(turned(picture, state))
    text = page.html()
    assert re.search(r'<h1 class="word">([^<]+)</h1>', text)[1] == word  # type: ignore[index]
    assert turned(picture, state)["verdict"]["says"] in words(text)
    assert f"<title>{word} " in text


def test_the_three_verdicts_differ_in_shape(page: Any, picture: dict[str, Any], turned: Turned) -> None:
    shapes = set()
    for state in ("go", "no-go", "wait"):
        page.show(turned(picture, state))
        shapes.add(re.search(r'<svg class="lamp".*?</svg>', page.html(), re.S)[0])  # type: ignore[index]
    assert len(shapes) == 3


CAUSES = [
    {"id": "message-off", "says": "A message is not switched on.", "weight": 0.9, "because": "VTG never came.",
     "try": "Switch it on in the receiver's menu.", "minutes": 3, "proof": "It comes at its rate."},
    {"id": "output-off", "says": "The output is off <b>.", "weight": 0.1, "because": "Little came.",
     "try": "Look at the port.", "minutes": 5, "proof": "Bytes come."},
]  # fmt: skip


def test_the_likely_cause_stands_under_a_no_go_with_what_to_try(
    page: Any, picture: dict[str, Any], turned: Turned
) -> None:
    page.show(turned(picture, "no-go") | {"causes": CAUSES})
    text = page.html()
    told = words(text)
    assert "Likely: A message is not switched on." in told
    assert "Try first (about 3 min): Switch it on in the receiver's menu." in told
    assert told.index("Because of what") < told.index("VTG never came.") < told.index("Or: The output is off")
    assert "off <b>" not in text


@pytest.mark.parametrize(
    ("clean_s", "told"),
    [
        (30.0, ""),
        (600.0, "at most 0.5 % of seconds are bad. A fault that comes once an hour is ruled out after 2 h 49 min more"),
        (12_000.0, "at most 0.025 % of seconds are bad, and rules out a fault that comes once an hour."),
    ],
)
def test_a_go_says_what_it_proves(page: Any, picture: dict[str, Any], clean_s: float, told: str) -> None:
    left_s = max(0.0, seconds_to_rule_out(3600.0) - clean_s)
    proof = {"clean_s": clean_s, "bad_share_at_most": bad_share_most(clean_s), "hourly_ruled_out_in_s": left_s}
    page.show(picture | {"proof": proof})
    assert (told in words(page.html())) if told else ("That proves" not in words(page.html()))


def test_a_go_names_no_cause(page: Any, picture: dict[str, Any]) -> None:
    page.show(picture | {"causes": CAUSES})
    assert "Likely:" not in words(page.html())


def test_a_go_says_for_how_long_it_has_been_clean(page: Any, picture: dict[str, Any]) -> None:
    page.show(picture)
    assert "Clean for 5 min 12 s. Go since 09:12:09 UTC." in words(page.html())


def test_a_no_go_says_what_and_since_when_and_all_else_that_is_wrong(
    page: Any, picture: dict[str, Any], turned: Turned
) -> None:
    page.show(turned(picture, "no-go"))
    text = words(page.html())
    assert "GGA was away for 3.1 s; a gap of at most 0.6 s is allowed. No-go for 3 s, since 09:17:09 UTC." in text
    assert "GGA comes at 4.1 Hz; at least 4.5 Hz is needed." in text
    assert "2 not met, 6 met" in text


def test_the_table_puts_needed_beside_measured(page: Any, picture: dict[str, Any], turned: Turned) -> None:
    page.show(turned(picture, "no-go"))
    row = re.search(r'<tr class="fail">(.*?)</tr>', page.html(), re.S)[1]  # type: ignore[index]
    assert re.findall(r"<td>(.*?)</td>", row) == ["4.1", "5.0", "3.1", "2", "0.2", "3.1"]
    assert "not met" in row


def test_a_message_that_is_needed_and_never_came_is_in_the_table(page: Any, picture: dict[str, Any]) -> None:
    del picture["lines"][0]["messages"][1]
    page.show(picture)
    assert re.search(r"VTG</b></th> <td[^>]*> ?never came, but is needed", re.sub(r"\s+", " ", page.html()))


def test_fix_line_lamps_and_fields_are_told(page: Any, picture: dict[str, Any]) -> None:
    page.show(picture)
    text = words(page.html())
    for told in (
        "RTK fixed quality 4", "52.0687243° N 1.2044113° W", "Satellites 18", "HDOP 0.7", "Speed 8.6 km/h",
        "Load, mean 21 %", "Bytes a second 820", "Port open /dev/ttyAMA0", "Stray bytes 40 bytes",
        "This machine has no real lamps", "GN GGA: position and fix", "latitude 5204.12345678", "signal empty",
    ):  # fmt: skip
        assert told in text


def test_a_missing_port_is_told_in_plain_words(page: Any, picture: dict[str, Any]) -> None:
    picture["lines"][0] |= {"port_state": "missing", "port_says": "The adapter is not plugged in. Plug it in."}
    page.show(picture)
    text = words(page.html())
    assert "Port not there /dev/ttyAMA0" in text
    assert "The adapter is not plugged in. Plug it in." in text


def test_how_the_line_is_set_stands_beside_what_is_needed(page: Any, picture: dict[str, Any]) -> None:
    page.show(picture)
    text = words(page.html()).replace("\N{NO-BREAK SPACE}", " ")
    assert "Set to, baud 38,400 8N1 sure to over 99 % Controller needs, baud 38,400" in text
    line = picture["lines"][0]
    line["setting"] |= {"baud": 115200, "format": "7E1", "carries": "inverted", "confidence": 0.93}
    page.show(picture)
    text = page.html()
    told = "Set to, baud 115,200 7E1 of inverted polarity, sure to 93 %, not as needed Controller needs, baud 38,400"
    assert told in words(text).replace("\N{NO-BREAK SPACE}", " ")
    assert re.search(r'<td class="fail">115,200', text)


def test_what_the_port_counts_and_holds_back_is_told(page: Any, picture: dict[str, Any]) -> None:
    line = picture["lines"][0]
    for counters, told in (
        (
            {"framing": 0, "parity": 0, "breaks": 0, "lost_here": 0},
            "none framing 0, parity 0, breaks 0, lost by this box 0",
        ),
        (
            {"framing": 3, "parity": 0, "breaks": 1, "lost_here": 2},
            "6 framing 3, parity 0, breaks 1, lost by this box 2",
        ),
        (None, "this port cannot tell"),
    ):
        line["counters"] = counters
        page.show(picture)
        assert f"Errors that the port counts {told}" in words(page.html())
    for floor_s, figure, sentence in (
        (0.016, "up to 16 ms", "This port may hold bytes back for 16 ms, and no jitter can be told finer than that."),
        (0.00083, "up to 0.8 ms", "This port may hold bytes back for 0.8 ms,"),
        (0.0, "no byte", "This port holds no byte back, so jitter is as fine as it is shown."),
        (None, "not known", "For how long this port may hold bytes back is not known"),
    ):
        line["floor_s"] = floor_s
        page.show(picture)
        text = words(page.html()).replace("\N{NO-BREAK SPACE}", " ")
        assert f"Bytes held back by the port {figure}" in text
        assert sentence in text


def test_both_lines_stand_side_by_side_with_what_the_controller_says(page: Any, picture: dict[str, Any]) -> None:
    page.show(picture)
    text = words(page.html())
    assert "The two lines" not in text
    assert "What the controller says" not in text
    line = copy.deepcopy(picture["lines"][0]) | {"name": "from-controller", "messages": [], "counters": None}
    picture["lines"].append(line | {"bytes_per_s": 3.0})
    page.show(picture)
    text = words(page.html())
    assert "The two lines From receiver From controller Port open /dev/ttyAMA0 open /dev/ttyAMA0" in text
    assert "Bytes a second 820 3" in text
    assert "The controller has said nothing" in text
    picture["lines"][1]["said"] = [
        {"at_s": 12.1, "at_utc": "2026-05-04T09:12:12.100Z", "text": "$CCGPQ,GGA*2B"},
        {"at_s": 2.0, "at_utc": None, "text": "\\xd3\\x00"},
    ]
    page.show(picture)
    text = words(page.html())
    assert "09:12:12 UTC $CCGPQ,GGA*2B" in text
    assert "2 s in \\xd3\\x00" in text


def test_the_boxs_own_troubles_are_told_once(page: Any, picture: dict[str, Any]) -> None:
    picture["box"] |= {"history_says": "The card is full.", "says": ["The card is full.", "A pin is taken."]}
    page.show(picture)
    text = page.html()
    assert text.count("The card is full.") == 1
    assert "A pin is taken." in text


def test_without_a_picture_the_box_is_not_listening(page: Any) -> None:
    text = words(page.html())
    assert "NO-GO" in text
    assert "The box is not listening. The listening part of the box has not started, or has stopped." in text


def test_an_old_picture_is_never_shown_as_a_go(page: Any, picture: dict[str, Any]) -> None:
    page.show(picture)
    old_s = page.picture_path.stat().st_mtime - 4
    os.utime(page.picture_path, (old_s, old_s))
    text = page.html()
    assert 'data-state="no-go"' in text
    assert "The box is not listening" in text
    assert page.client.get("/picture").status_code == 503


def test_the_picture_is_given_as_it_is(page: Any, picture: dict[str, Any]) -> None:
    page.show(picture)
    answer = page.client.get("/picture")
    assert answer.data == page.picture_path.read_bytes()
    assert answer.mimetype == "application/json"


def test_nothing_is_known_yet(page: Any, picture: dict[str, Any], turned: Turned) -> None:
    """Right after the start most values are null."""
    blank = turned(picture, "wait")
    line = blank["lines"][0]
    line["fix"] = dict.fromkeys(line["fix"]) | {"quality_words": "", "seconds_by_quality": {}}
    for name in ("bytes_per_s", "load_mean", "load_worst", "silence_s", "longest_silence_s"):
        line[name] = None
    for message in line["messages"]:
        for name in ("rate_hz", "longest_gap_s", "jitter_s", "last_s"):
            message[name] = None
        message["fields"] = []
    blank["verdict"] |= {"since_s": 0.0, "clean_s": 0.0}
    blank["clock"] = {"source": "box", "uncertainty_s": None}
    page.show(blank)
    text = words(page.html())
    assert "WAIT" in text
    assert "None" not in text
    assert "the box\N{RIGHT SINGLE QUOTATION MARK}s own, may be wrong" in text


def test_whatever_comes_from_the_line_or_a_person_is_escaped(
    page: Any, picture: dict[str, Any], turned: Turned
) -> None:
    evil = turned(picture, "no-go")

    def spoil(value: Any) -> Any:
        """Appends evil to every text of the picture but those that are names of states."""
        if isinstance(value, dict):
            return {key: one if key in KEPT else spoil(one) for key, one in value.items()}
        if isinstance(value, list):
            return [spoil(one) for one in value]
        return f"{value}{EVIL}" if isinstance(value, str) else value

    evil["marks"] = [{"at_s": 1.0, "at_utc": None, "source": "page", "note": "note"}]
    evil["box"]["says"] = ["trouble"]
    evil["lines"].append(copy.deepcopy(evil["lines"][0]) | {"name": "from-controller"})
    evil["lines"][1]["said"] = [{"at_s": 1.0, "at_utc": None, "text": "said"}]
    spoilt = spoil(evil)
    page.show(spoilt)
    first = page.html()
    stream = page.client.get("/live", buffered=False)
    pieces = iter(stream.response)
    next(pieces)
    parts = json.loads(next(pieces).decode().split("data: ", 1)[1])["parts"]
    stream.close()
    for text in (first, "".join(parts.values())):
        assert html.escape(EVIL[:25]) in text
        tags = Reading(text).tags
        assert not [tag for tag, _ in tags if tag == "img"]
        assert all("src" in found for tag, found in tags if tag == "script")
        assert not [name for _, found in tags for name in found if name.startswith("on")]
    for told in ("note", "trouble", "said", "GGA", "latitude", "5204.12345678", "/dev/ttyAMA0", picture["machine"]):
        assert html.escape(told + EVIL).replace("&#x27;", "&#39;").replace("&quot;", "&#34;") in first


KEPT = (
    "what", "asked", "started_utc", "state", "port_state", "pins", "pattern", "source", "id", "kind", "line", "name",
    "at_utc", "unit", "damaged", "seconds_by_quality", "start_utc", "end_utc", "message",
)  # fmt: skip


def test_history_stands_below(past: Any, picture: dict[str, Any]) -> None:
    picture["at_utc"] = "2026-05-04T09:40:00.000Z"
    past.show(picture)
    text = past.html()
    assert '<a href="/fault/1">' in text
    said = re.search(r'<svg class="day".*?aria-label="([^"]+)"', text, re.S)[1]  # type: ignore[index]
    # 20 minutes from 09:12, with 10 s of wait and 30 s of no-go
    assert said == (
        "Last 24 hours: go 19 min 20 s, wait 10 s, no-go 30 s, box off 23 h 40 min; 2 faults began; "
        "position or speed lost 3 times, for 33 s in all."
    )


def test_a_fault_that_is_on_is_shown_before_history_has_it_and_once_after(
    past: Any, picture: dict[str, Any], turned: Turned
) -> None:
    now_on = turned(picture, "no-go")
    now_on["watch"]["id"] = 2
    past.show(now_on)
    assert len(re.findall("<li>", re.search(r'<ol class="rows">(.*?)</ol>', past.html(), re.S)[1])) == 3  # type: ignore[index]
    same = copy.deepcopy(now_on)
    same["watch"]["id"] = 1
    same["faults_open"][0] |= {"start_s": 300.1, "says": "GGA is away."}
    past.show(same)
    rows = re.search(r'<ol class="rows">(.*?)</ol>', past.html(), re.S)[1]  # type: ignore[index]
    assert rows.count("<li>") == 2
    assert re.search(
        r'<a href="/fault/1">\s*<b>GGA is away.</b>\s*<small><time [^>]*>2026-05-04 09:17:09\sUTC</time>, still on',
        rows,
    )


def test_history_that_cannot_be_read_does_not_take_the_verdict_away(page: Any, picture: dict[str, Any]) -> None:
    page.history_path.write_bytes(b"this is no history" * 100)
    page.show(picture)
    text = words(page.html())
    assert "All that the controller needs is coming." in text
    assert "What was cannot be read." in text


def test_the_first_view_is_small_and_comes_from_the_box_alone(past: Any, picture: dict[str, Any]) -> None:
    past.show(picture)
    text = past.html()
    sizes = len(text.encode())
    for tag, found in Reading(text).tags:
        for address in (found.get("src"), found.get("href") if tag == "link" else None):
            if address:
                assert address.startswith("/static/") or address == "/words.js"
                with past.client.get(address) as answer:
                    assert answer.status_code == 200
                    sizes += len(answer.data)
        assert "style" not in found
    assert sizes < 100_000
    assert "<noscript>" in text
