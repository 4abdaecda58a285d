"""The stream of events, and the server that carries it."""

from __future__ import annotations

import http.client
import json
import signal
import threading
from collections.abc import Callable, Mapping
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from appliance.site.board import Board, View, events
from appliance.site.glance import Glance
from appliance.site.picture import PictureFile
from appliance.site.streams import STREAMS_MOST


class Steps(threading.Event):
    """Stands for the end of the streams: each wait moves the clock by a tenth of a second instead."""

    def __init__(self) -> None:
        super().__init__()
        self.now_s = 0.0

    def wait(self, timeout: float | None = None) -> bool:
        self.now_s += timeout or 0.0
        return self.is_set()


class Views:
    """A board that shows what it is told to."""

    def __init__(self) -> None:
        self.now = View(run="r")

    def view(self) -> View:
        return self.now

    def show(self, parts: dict[str, str]) -> None:
        fresh = {name for name, html in parts.items() if self.now.parts.get(name) != html}
        number = self.now.number + bool(fresh)
        self.now = View((), "go", "", parts, number, self.now.changed | dict.fromkeys(fresh, number), "r")


@pytest.fixture
def steps() -> Steps:
    return Steps()


@pytest.fixture
def board(page: Any, steps: Steps) -> Board:
    """A board whose parts are the state, the clock and the number of checks that fail."""

    def render(template: str, known: Mapping[str, Any]) -> str:
        if template == "parts/head.html":
            return str(known["picture"] and known["picture"]["at_utc"])
        return f"{known['state']} {template}" if "verdict" in template else ""

    picture = PictureFile(page.picture_path, monotonic=lambda: steps.now_s)
    glance = Glance(page.history_path, monotonic=lambda: steps.now_s)
    return Board(picture, glance, render, lambda: steps.now_s)


def read(text: str) -> tuple[str, dict[str, Any]]:
    """An event's name and data."""
    fields = dict(row.split(": ", 1) for row in text.strip().splitlines())
    return fields["event"], json.loads(fields["data"])


def test_the_first_event_is_whole_and_later_ones_tell_what_changed(
    page: Any, picture: dict[str, Any], turned: Any, board: Board, steps: Steps
) -> None:
    page.show(picture)
    stream = events(board, steps, lambda: steps.now_s)
    assert next(stream) == "retry: 1000\n\n"
    name, first = read(next(stream))
    assert name == "parts"
    assert first["state"] == "go"
    assert first["parts"]["verdict"].startswith("go")
    page.show(picture | {"at_utc": "2026-05-04T09:17:13.200Z"})
    began_s = steps.now_s
    name, second = read(next(stream))
    assert (second["parts"], second["rows"]) == ({}, {"head": [[0, "2026-05-04T09:17:13.200Z"]]})
    assert steps.now_s - began_s == pytest.approx(1.0, abs=0.11)  # calm: numbers once a second
    page.show(turned(picture, "no-go"))
    began_s = steps.now_s
    name, third = read(next(stream))
    assert third["state"] == "no-go"
    assert steps.now_s - began_s == pytest.approx(0.1)  # the verdict at once
    steps.set()
    assert next(stream, None) is None


def test_a_page_that_comes_again_is_sent_what_changed_since(
    page: Any, picture: dict[str, Any], board: Board, steps: Steps
) -> None:
    page.show(picture)
    seen = board.view(wait=True).id
    page.show(picture | {"at_utc": "2026-05-04T09:17:13.200Z"})
    steps.now_s += 1
    stream = events(board, steps, lambda: steps.now_s, after=seen)
    next(stream)
    assert read(next(stream))[1]["parts"] == {"head": "2026-05-04T09:17:13.200Z"}
    stream = events(board, steps, lambda: steps.now_s, after=board.view().id)
    next(stream)
    assert next(stream) == "event: beat\ndata: {}\n\n"


@pytest.mark.parametrize(
    "strange", ["", "7", "-", "x-1", "{run}-", "{run}-x", "{run}--1", "{run}-²", "{run}-99999", "0-1"]
)
def test_what_a_page_says_that_it_has_seen_may_be_anything(
    page: Any, picture: dict[str, Any], board: Board, steps: Steps, strange: str
) -> None:
    page.show(picture)
    stream = events(board, steps, lambda: steps.now_s, after=strange.format(run=board.view().run))
    next(stream)
    assert read(next(stream))[1]["parts"].keys() == board.view().parts.keys()


@given(
    st.lists(
        st.lists(st.lists(st.sampled_from(["a", "b", "", "<i>"]), min_size=1, max_size=4), min_size=2, max_size=2),
        max_size=6,
    )
)
def test_what_a_phone_holds_is_what_the_box_shows(texts: list[list[list[str]]]) -> None:
    """However the parts change, with as many rows or not."""
    board, steps = Views(), Steps()
    stream = events(board, steps, lambda: steps.now_s)  # type: ignore[arg-type]
    next(stream)
    held: dict[str, list[str]] = {}
    for text in texts:
        board.show({name: "\n".join(rows) for name, rows in zip(("one", "two"), text, strict=True)})
        event = next(stream)
        if event.startswith("id: "):
            data = json.loads(event.split("data: ", 1)[1])
            held |= {name: html.split("\n") for name, html in data["parts"].items()}
            for name, rows in data["rows"].items():
                for at, row in rows:
                    held[name][at] = row
        assert {name: "\n".join(rows) for name, rows in held.items()} == board.now.parts


def test_a_quiet_stream_gives_a_sign_of_life_each_second(
    page: Any, picture: dict[str, Any], board: Board, steps: Steps
) -> None:
    page.show(picture)
    stream = events(board, steps, lambda: steps.now_s)
    next(stream)
    next(stream)
    for _ in range(3):
        began_s = steps.now_s
        assert next(stream) == "event: beat\ndata: {}\n\n"
        assert steps.now_s - began_s == pytest.approx(1.0, abs=0.11)
    stream.close()  # type: ignore[attr-defined]


def test_a_page_is_made_once_for_everybody(page: Any, picture: dict[str, Any], board: Board, steps: Steps) -> None:
    page.show(picture)
    assert board.view() is board.view()
    steps.now_s += 1.0
    assert board.view() is not board.view(wait=True)


def test_no_more_streams_than_the_box_can_serve(page: Any, picture: dict[str, Any]) -> None:
    page.show(picture)
    streams = [page.client.get("/live", buffered=False) for _ in range(STREAMS_MOST)]
    answer = page.client.get("/live")
    assert answer.status_code == 503
    assert "24 phones are watching already" in answer.text
    streams.pop().close()
    again = page.client.get("/live", buffered=False)
    assert again.status_code == 200
    assert again.mimetype == "text/event-stream"
    for stream in (*streams, again):
        stream.close()


@pytest.mark.slow
def test_sixteen_phones_are_served_and_sigterm_ends_it_promptly(
    server: Any, soon: Callable[[Callable[[], bool]], float]
) -> None:
    port, process = server.port, server.process
    phones = [http.client.HTTPConnection("127.0.0.1", port, timeout=10) for _ in range(16)]
    answers = []
    for phone in phones:
        phone.request("GET", "/live")
        answers.append(phone.getresponse())
    for answer in answers:
        assert answer.getheader("Server") is None
        assert answer.readline() == b"retry: 1000\n"
    other = http.client.HTTPConnection("127.0.0.1", port, timeout=10)
    other.request("GET", "/")
    assert other.getresponse().status == 200
    process.send_signal(signal.SIGTERM)
    assert soon(lambda: process.poll() is not None) < 3
    assert process.returncode == 0
    for connection in (*phones, other):
        connection.close()
    for answer in answers:
        answer.close()


@pytest.mark.slow
def test_phones_that_went_away_hold_no_stream(server: Any, soon: Callable[[Callable[[], bool]], float]) -> None:
    port = server.port

    def watch() -> tuple[http.client.HTTPConnection, http.client.HTTPResponse]:
        phone = http.client.HTTPConnection("127.0.0.1", port, timeout=10)
        phone.request("GET", "/live")
        return phone, phone.getresponse()

    watching = [watch() for _ in range(STREAMS_MOST)]
    phone, refused = watch()
    assert refused.status == 503
    refused.read()
    phone.close()
    for phone, answer in watching:
        answer.close()
        phone.close()

    def served_again() -> bool:
        phone, answer = watch()
        served = answer.status == 200
        answer.close()
        phone.close()
        return served

    assert soon(served_again) < 5
