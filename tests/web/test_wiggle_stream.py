"""The stream behind the wiggle page: at once what changed, and nothing else; and a test that nobody runs any more."""

from __future__ import annotations

import json
import os
import threading
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from appliance.site.picture import PictureFile, Sight
from appliance.site.streams import STREAMS_MOST
from appliance.site.wiggle import CELLS, LOOK_S, STOPPED_AFTER_S, Now, events, stand, strip

TEST: dict[str, Any] = {
    "format": 1, "on": True, "line": "from-receiver", "started_utc": "2026-05-04T09:12:00.000Z", "seconds": 20.0,
    "count": 3, "damaged": 1, "missing": 2, "last_hit_s": 5.0, "silent": False, "silence_s": 0.05, "strip": [0] * 240,
}  # fmt: skip
LISTENING = Sight(1, b"", {"format": 1}, "")


class Steps(threading.Event):
    """Stands for the end of the stream: each wait moves the clock, and calls `then` at its times."""

    def __init__(self) -> None:
        super().__init__()
        self.now_s = 0.0
        self.then: dict[float, Callable[[], object]] = {}

    def wait(self, timeout: float | None = None) -> bool:
        self.now_s = round(self.now_s + (timeout or 0.0), 6)
        for at_s in [one for one in self.then if one <= self.now_s]:
            self.then.pop(at_s)()
        return self.is_set()


class Stream:
    """Events of a page that looks at `test`. told: (when, name, data) of each."""

    def __init__(self) -> None:
        self.steps = Steps()
        self.test: dict[str, Any] = dict(TEST)
        self._events = events(self._look, self._render, self.steps, lambda: self.steps.now_s)
        assert next(self._events) == "retry: 1000\n\n"

    def _look(self) -> Now:
        return stand(Sight(1, b"", self.test, "", self.test), LISTENING)

    @staticmethod
    def _render(template: str, known: Any) -> str:
        return str(known["now"].count if "state" in template else known["strip"].spikes)

    def change(self, at_s: float, **changes: Any) -> None:
        self.steps.then[at_s] = lambda: self.test.update(changes)

    def told(self) -> Iterator[tuple[float, str, dict[str, Any]]]:
        for event in self._events:
            fields = dict(row.split(": ", 1) for row in event.strip().splitlines())
            yield self.steps.now_s, fields["event"], json.loads(fields["data"])


def test_the_first_event_is_whole_and_later_ones_tell_at_once_what_changed() -> None:
    stream = Stream()
    told = stream.told()
    assert next(told) == (
        0.0, "wiggle",
        {"on": True, "count": 3, "title": "STEADY", "parts": {"wiggle_state": "3", "wiggle_strip": "[]"}},
    )  # fmt: skip
    stream.change(0.5, count=4, damaged=2, last_hit_s=0.0)
    at_s, name, data = next(told)
    assert at_s - 0.5 < LOOK_S
    assert (name, data["count"], data["title"], data["parts"]) == ("wiggle", 4, "LOSS", {"wiggle_state": "4"})
    stream.change(0.75, strip=[0] * 239 + [1])
    assert next(told)[2]["parts"] == {"wiggle_strip": "[(237, 3, 24)]"}


def test_a_stream_without_news_gives_a_sign_of_life_each_second() -> None:
    stream = Stream()
    told = stream.told()
    next(told)
    for number in (1, 2, 3):
        at_s, name, _ = next(told)
        assert name == "beat"
        assert at_s == pytest.approx(number, abs=number * 0.05)
    stream.steps.set()
    assert next(told, None) is None


@pytest.mark.parametrize(
    ("test", "fresh", "sight", "state"),
    [
        (None, False, LISTENING, "off"),
        (TEST, True, LISTENING, "steady"),
        (TEST | {"last_hit_s": 0.59}, True, LISTENING, "loss"),
        (TEST | {"last_hit_s": 0.6}, True, LISTENING, "steady"),
        (TEST | {"silent": True, "last_hit_s": 0.1}, True, LISTENING, "silent"),
        (TEST, False, LISTENING, "deaf"),
        (TEST | {"on": False}, False, LISTENING, "off"),
        (TEST, True, Sight(0, b"", None, "It has stopped."), "deaf"),
        (None, False, Sight(0, b"", None, "It has stopped."), "deaf"),
    ],
)
def test_how_the_test_stands(test: dict[str, Any] | None, fresh: bool, sight: Sight, state: str) -> None:
    now = stand(Sight(1, b"", test if fresh else None, "" if fresh else "It has stopped.", test), sight)
    assert now.state == state
    assert now.on is (state in ("steady", "loss", "silent"))


class Watched:
    """A test's file, looked at by a clock of its own."""

    def __init__(self, folder: Path) -> None:
        self.path = folder / "wiggle.json"
        self.wall_s = 1_777_886_000.0
        self.now_s = 100.0
        self.file = PictureFile(self.path, STOPPED_AFTER_S, wall=lambda: self.wall_s, monotonic=lambda: self.now_s)

    def look(self) -> tuple[dict[str, Any] | None, bool]:
        """The test as it was last shown, and whether it was shown just now."""
        sight = self.file.look()
        return sight.held, sight.picture is not None

    def show(self, text: str | None = None, at_s: float | None = None) -> None:
        self.path.write_text(json.dumps(TEST) if text is None else text)
        when_s = self.wall_s if at_s is None else at_s
        os.utime(self.path, (when_s, when_s))

    def later(self, by_s: float) -> None:
        self.wall_s, self.now_s = self.wall_s + by_s, self.now_s + by_s


@pytest.fixture
def watched(tmp_path: Path) -> Watched:
    return Watched(tmp_path)


def test_a_test_that_is_no_longer_shown_is_not_fresh(watched: Watched) -> None:
    assert watched.look() == (None, False)
    watched.show()
    assert watched.look() == (TEST, True)
    watched.later(STOPPED_AFTER_S)
    assert watched.look() == (TEST, True)
    watched.later(0.01)
    assert watched.look() == (TEST, False)
    watched.show()
    assert watched.look() == (TEST, True)
    watched.path.unlink()
    assert watched.look() == (None, False)


def test_a_clock_that_jumps_does_not_end_a_test(watched: Watched) -> None:
    watched.show()
    watched.look()
    watched.later(0.05)
    watched.show(at_s=watched.wall_s)
    watched.wall_s += 5_000_000
    assert watched.look() == (TEST, True)


@pytest.mark.parametrize("text", ["", "{", "[]", '{"format": 2}'])
def test_what_cannot_be_read_is_no_test(watched: Watched, text: str) -> None:
    watched.show(text)
    assert watched.look()[0] is None


@pytest.mark.parametrize(
    ("hits", "spikes", "says"),
    [
        ({}, [], "no losses"),
        ({0: 1}, [(0, 3, 24)], "1 loss"),
        ({100: 2}, [(99, 3, 32)], "2 losses"),
        ({239: 9, 120: 3}, [(119, 3, 40), (237, 3, 40)], "12 losses"),
    ],
)
def test_the_strip_keeps_every_loss_in_sight(
    hits: dict[int, int], spikes: list[tuple[int, int, int]], says: str
) -> None:
    drawn = strip(TEST | {"strip": [hits.get(place, 0) for place in range(CELLS)]})
    assert drawn.spikes == spikes
    assert drawn.begin == CELLS - 4 * 20
    assert drawn.says == f"The last 60 s of the test: {says}."


def test_phones_at_either_page_share_what_the_box_can_serve(page: Any, picture: dict[str, Any]) -> None:
    page.show(picture)
    streams = [page.client.get("/wiggle/live" if n % 2 else "/live", buffered=False) for n in range(STREAMS_MOST)]
    try:
        for path in ("/live", "/wiggle/live"):
            refused = page.client.get(path)
            assert refused.status_code == 503
            assert "phones are watching already" in refused.text
    finally:
        for stream in streams:
            stream.close()
    again = page.client.get("/wiggle/live", buffered=False)
    assert again.status_code == 200
    again.close()
