"""The wiggle page: for the moment when one hand is at the connector and the other holds the phone.

From a damaged sentence to the screen there are three waits: the tap's turn (50 ms at most), the look of the stream
here (40 ms) and the phone. The state stands for at least 0.6 s, so however fast losses come, it flashes less than
twice a second; more than three would be a danger to some (WCAG 2.2, success criterion 2.3.1).
"""

from __future__ import annotations

import json
import threading
import time
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from flask import Flask, Response, render_template, request
from werkzeug.wrappers import Response as AnyResponse

from appliance.asking import ask
from appliance.site.languages import Languages
from appliance.site.orders import carry_out
from appliance.site.picture import PictureFile, Sight
from appliance.site.streams import BEAT_S, Streams

NAME = "wiggle.json"
LOOK_S = 0.04
"""How often a stream looks for news, in s: of 0.3 s from fault to screen, no more than this is spent here."""
LOSS_S = 0.6
"""For so long after a loss the state says so, in s. Our choice."""
STOPPED_AFTER_S = 1.5
"""A test that is on is shown anew twenty times a second; after this without, nobody runs it any more. Our choice."""
PARTS = ("wiggle_state", "wiggle_strip")

CELLS = 240
SPIKE_CELLS = 3
"""Width of a loss in the strip: three quarters of a second, to be seen at arm's length on a phone."""
HEIGHTS = (0, 24, 32, 40)
"""Of 40, for no, one, two, three or more losses in a quarter of a second."""

WORDS = {
    "off": "OFF",
    "steady": "STEADY",
    "loss": "LOSS",
    "silent": "SILENT",
    "deaf": "NOT LISTENING",
}
SHAPES = {"off": "wait", "steady": "go", "loss": "no-go", "silent": "no-go", "deaf": "no-go"}
"""The lamp of each state: as on the front page, so that states differ by shape as well."""

Render = Callable[[str, Mapping[str, Any]], str]


@dataclass(slots=True, frozen=True)
class Now:
    """How the test stands. test: as the tap shows it, None where none was run. says: why nobody listens, or ""."""

    state: str
    test: dict[str, Any] | None
    says: str = ""

    @property
    def on(self) -> bool:
        """Whether a test is on, as far as is known."""
        return self.test is not None and self.test["on"] is True and self.state != "deaf"

    @property
    def count(self) -> int:
        """Losses of the last test."""
        return int(self.test["count"]) if self.test else 0

    @property
    def key(self) -> tuple[object, ...]:
        """What makes a difference to the eye."""
        test = self.test or {}
        figures = [test.get(name) for name in ("started_utc", "count", "damaged", "missing")]
        silence = int(test["silence_s"]) if self.state == "silent" else None
        return (self.state, self.says, self.on, *figures, int(test.get("seconds") or 0), silence, test.get("strip"))


def stand(shown: Sight, sight: Sight) -> Now:
    """The state of the test, from what the tap shows of it and of the whole."""
    test = shown.held
    if sight.picture is None:
        return Now("deaf", test, sight.says)
    if test is None or not test["on"]:
        return Now("off", test)
    if shown.picture is None:
        return Now("deaf", test, "The listening part of the box has stopped. Nothing is heard from the line.")
    if test["silent"]:
        return Now("silent", test)
    lately = test["last_hit_s"] is not None and test["last_hit_s"] < LOSS_S
    return Now("loss" if lately else "steady", test)


@dataclass(slots=True, frozen=True)
class Strip:
    """What the template draws. spikes: (place, width, height), in cells and of 40. begin: the test's start, in cells.

    says: the same in words.
    """

    begin: float
    spikes: list[tuple[int, int, int]] = field(default_factory=list)
    says: str = "No test has been run."


def strip(test: dict[str, Any] | None) -> Strip:
    """The last minute of a test, now at the right."""
    if test is None:
        return Strip(CELLS)
    spikes = [
        (min(max(place - 1, 0), CELLS - SPIKE_CELLS), SPIKE_CELLS, HEIGHTS[min(hits, 3)])
        for place, hits in enumerate(test["strip"])
        if hits
    ]
    number = sum(test["strip"])
    told = f"{number or 'no'} {'loss' if number == 1 else 'losses'}"
    return Strip(max(0.0, CELLS - 4 * test["seconds"]), spikes, f"The last 60 s of the test: {told}.")


def known(now: Now) -> dict[str, Any]:
    """All that the templates need."""
    return {
        "now": now,
        "test": now.test,
        "word": WORDS[now.state],
        "shape": SHAPES[now.state],
        "strip": strip(now.test),
        "cells": CELLS,
    }


def events(
    look: Callable[[], Now],
    render: Render,
    stop: threading.Event,
    monotonic: Callable[[], float] = time.monotonic,
    *,
    put: Callable[[str], str] = str,
) -> Iterator[str]:
    """Server-sent events without end, until stop is set: "wiggle" with what changed, "beat" where nothing did.

    Source: HTML Living Standard, server-sent events.
    """
    shown: dict[str, str] = {}
    key: tuple[object, ...] | None = None
    told_s = float("-inf")
    yield "retry: 1000\n\n"
    while not stop.is_set():
        now = look()
        if now.key != key:
            key, told_s = now.key, monotonic()
            parts = {name: put(render(f"parts/{name}.html", known(now)).strip()) for name in PARTS}
            fresh = {name: html for name, html in parts.items() if shown.get(name) != html}
            shown |= fresh
            told = {"on": now.on, "count": now.count, "title": put(WORDS[now.state]), "parts": fresh}
            yield f"event: wiggle\ndata: {json.dumps(told, separators=(',', ':'))}\n\n"
        elif monotonic() - told_s >= BEAT_S:
            told_s = monotonic()
            yield "event: beat\ndata: {}\n\n"
        stop.wait(LOOK_S)


def install(
    app: Flask,
    picture: PictureFile,
    test_path: Path,
    command_socket: Path,
    *,
    render: Render,
    tongues: Languages,
    streams: Streams,
    ending: threading.Event,
) -> None:
    """Adds the page to app. test_path: of what the tap shows of the test."""
    test = PictureFile(test_path, STOPPED_AFTER_S)

    def look() -> Now:
        return stand(test.look(), picture.look())

    @app.get("/wiggle")
    def wiggle() -> str:
        now = look()
        parts = {name: render(f"parts/{name}.html", known(now)) for name in PARTS}
        return render_template("wiggle.html", parts=parts, **known(now))

    @app.post("/wiggle")
    def ordered() -> AnyResponse:
        on = request.form.get("on") == "true"
        done = "The test is on." if on else "The test has ended."
        return carry_out(lambda: ask(command_socket, {"do": "wiggle", "on": on}), done, "/wiggle")

    @app.get("/wiggle/live")
    def wiggle_live() -> Response:
        return streams.answer(events(look, render, ending, put=tongues.asked().put))
