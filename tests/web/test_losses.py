"""What the controller got: on the front page, in the strip of the day and beside a fault."""

from __future__ import annotations

import copy
import html
import re
from typing import Any

import pytest

from appliance.history.rows import Cell, CellState
from appliance.site import day, losses

SPANS = [
    {"what": "position", "start_s": 100.6, "end_s": 130.2},
    {"what": "speed", "start_s": 250.0, "end_s": 250.048},
    {"what": "speed", "start_s": 309.3, "end_s": None},
]


def words(text: str) -> str:
    """Its words, without tags."""
    return re.sub(r"\s+", " ", html.unescape(re.sub(r"<[^>]+>", " ", re.sub("</?time[^>]*>", "", text)))).strip()


def part(text: str, name: str) -> str:
    """One part of the front page."""
    found = re.search(rf'<section id="{name}".*?</section>', text, re.S)
    assert found, name
    return found[0]


@pytest.fixture
def losing(picture: dict[str, Any]) -> dict[str, Any]:
    """A picture in which speed is lost now, and each was lost before."""
    lost = copy.deepcopy(picture)
    lost["controller_saw"] |= {"lost_s": {"position": 29.6, "speed": 3.148}, "spans": copy.deepcopy(SPANS)}
    return lost


def test_what_was_lost_when_and_for_how_long(page: Any, losing: dict[str, Any]) -> None:
    page.show(losing)
    text = part(page.html(), "losses")
    assert "Position lost 30 s in all Speed lost now 3.1 s in all" in words(text)
    rows = re.findall(r'<tr class="(.*?)">(.*?)</tr>', text, re.S)
    # the watch began at 09:12:00 and is 312.4 s old
    assert [(state, words(row)) for state, row in rows] == [
        ("fail", "Speed 2026-05-04 09:17:09 UTC 3.1 s still on"),
        ("", "Speed 2026-05-04 09:16:10 UTC 48 ms"),
        ("", "Position 2026-05-04 09:13:40 UTC 30 s"),
    ]
    assert text.count('class="gap"') == 4  # its own shape beside each, and beside what is lost now


def test_where_nothing_was_lost_it_says_since_when(page: Any, picture: dict[str, Any]) -> None:
    page.show(picture)
    text = words(part(page.html(), "losses"))
    assert "Position never lost Speed never lost This watch began 2026-05-04 09:12:00" in text
    assert "UTC, 5 min 12 s ago. Reckoned from the needs" in text
    assert "not open" not in text
    picture["lines"][0]["port_state"] = "lost"
    page.show(picture)
    assert "While the port is not open, nothing is counted." in words(part(page.html(), "losses"))


def test_what_a_sheet_does_not_ask_cannot_be_lost(page: Any, picture: dict[str, Any]) -> None:
    picture["controller_saw"] = {"asked": ["speed"], "lost_s": {"speed": 0.0}, "spans": []}
    page.show(picture)
    assert "Position" not in words(part(page.html(), "losses"))
    picture["controller_saw"] = {"asked": [], "lost_s": {}, "spans": []}
    page.show(picture)
    assert "asks for neither position nor speed, so neither can be lost" in words(part(page.html(), "losses"))


def test_without_a_picture_nothing_is_claimed(page: Any) -> None:
    assert "Nothing is heard, so it cannot be told." in words(part(page.html(), "losses"))


def test_a_fault_tells_what_was_lost_meanwhile(past: Any) -> None:
    text = past.html("/fault/1")
    assert "What the controller got meanwhile Lost From For Position 2026-05-04 09:17:00 UTC 30 s" in words(text)
    assert "it lost neither position nor speed" in words(past.html("/fault/2"))  # load: nothing was lost by it


Spec = tuple[CellState, int, int, float]


def cells(*spec: Spec) -> list[Cell]:
    return [Cell(n * 300_000_000_000, *one) for n, one in enumerate(spec)]


def test_the_strip_tells_losses_from_faults() -> None:
    quiet: Spec = ("go", 0, 0, 0.0)
    lost: Spec = ("go", 0, 1, 12.0)
    drawn = day.strip(cells(quiet, ("no-go", 2, 0, 0.0), lost, ("go", 0, 0, 3.0), quiet, lost))
    assert drawn
    assert drawn["ticks"] == [1]
    assert drawn["gaps"] == [(2, 2), (5, 1)]
    assert drawn["says"].endswith("2 faults began; position or speed lost twice, for 27 s in all.")
    none = day.strip(cells(quiet, quiet))
    assert none
    assert (none["gaps"], none["lost_says"]) == ([], "nothing lost")


def test_losses_have_a_shape_and_a_word_of_their_own_in_the_strip(past: Any, picture: dict[str, Any]) -> None:
    picture["at_utc"] = "2026-05-04T09:40:00.000Z"
    past.show(picture)
    text = part(past.html(), "day")
    assert len(re.findall(r'<path class="gap" d="M[\d.]+ 61L', text)) == 2  # 09:17 and 09:27, ten minutes apart
    assert "position or speed lost 3 times, for 33 s in all" in words(text).replace("\N{NO-BREAK SPACE}", " ")


@pytest.mark.parametrize("ended", ["2026-05-04T09:17:31.000Z", "2026-05-05T09:16:00.000Z"])
def test_what_lies_at_an_edge_of_the_strip_is_whole(past: Any, picture: dict[str, Any], ended: str) -> None:
    """The first loss is in the last cell, then in the first."""
    picture["at_utc"] = ended
    past.show(picture)
    text = part(past.html(), "day")
    drawn = [[float(x) for x in re.findall(r"[MLH]([-\d.]+)", path)] for path in re.findall(r' d="(M[^"]+)"', text)]
    assert len(drawn) > 1
    for xs in drawn[:-1]:  # the last is that of the legend
        assert xs == sorted(xs)
        assert 0 < xs[0] < xs[-1] < 288
    ticks = [float(x) for x in re.findall(r'<rect class="tick" x="([\d.]+)" y="42"', text)]
    assert all(0 <= x <= 286 for x in ticks)


def test_a_loss_of_history_that_is_still_on_has_no_length(past: Any) -> None:
    from appliance.history.reader import History
    from appliance.history.rows import LossRow

    with History(past.history_path) as history:
        watch = history.watch(1)
    (loss,) = losses.kept([LossRow("speed", watch.started_ns, None)], watch)
    assert (loss.on, loss.lasted_s, loss.start.isoformat()) == (True, None, "2026-05-04T09:12:00+00:00")


def test_losses_and_track_leave_by_the_page(past: Any) -> None:
    for form, mimetype, holds in (
        ("losses", "text/csv; charset=utf-8", b"2026-05-04T09:17:00.600Z,2026-05-04T09:17:30.200Z,29.6,position"),
        ("gpx", "application/gpx+xml", b'<trkpt lat="52.068333333" lon="-1.203333333">'),
        ("geojson", "application/geo+json", b'"type":"LineString","coordinates":[[-1.203333333,52.068333333,127.0]'),
    ):
        assert f'formaction="/take/{form}"' in past.html("/take")
        answer = past.client.get(f"/take/{form}")
        assert answer.headers["Content-Type"] == mimetype
        assert holds in answer.data
