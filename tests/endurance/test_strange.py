"""A slice of what may be said strangely with a right sum, and that it is as strange as that."""

from __future__ import annotations

from collections.abc import Callable
from types import ModuleType

import pytest

from appliance import picture
from appliance.sentence.chunk import Chunk
from appliance.sentence.frame import Framer
from appliance.sentence.parse import Sentence, parse

Program = Callable[[str], ModuleType]


@pytest.mark.slow
@pytest.mark.parametrize("seed", [1, 15])
def test_a_box_that_hears_strange_things_and_shows_every_page(program: Program, seed: int) -> None:
    strange = program("strange")
    trial = strange.tried(seed, strange.mirror(), 20.0)
    assert trial.found == []
    assert trial.box.faults > 0


def test_what_is_said_is_strange_but_sound(program: Program) -> None:
    talks = [program("strange_talk").Talk(seed, 38_400, 10.0) for seed in range(6)]
    told = [list(talk.pieces()) for talk in talks]
    assert told[0] == list(program("strange_talk").Talk(0, 38_400, 10.0).pieces())
    frames = Framer()
    cut = [frame for pieces in told for _, data in pieces for frame in frames.feed(Chunk(data, 0, 1000))]
    sound = [one for one in map(parse, cut) if isinstance(one, Sentence)]
    assert len(sound) > 0.5 * len(cut)
    assert len({one.talker + one.type for one in sound}) > 12
    for pieces in told:
        assert [at_s for at_s, _ in pieces] == sorted(at_s for at_s, _ in pieces)


def test_what_is_raised_is_told(program: Program, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(picture, "verdict", lambda *_: 1 / 0)
    trial = program("strange").tried(1, None, 5.0)
    assert [found.startswith("live\n") and "ZeroDivisionError" in found for found in trial.found] == [True]
