"""What goes with the faults: found where it is strong, silent where the evidence is thin, and in words with figures."""

from __future__ import annotations

from dataclasses import replace
from random import Random

import pytest

from appliance.judge.circumstances import Onset, Second
from appliance.judge.goes_with import goes_with, separate
from appliance.judge.questions import about_itself

HOURS = 3
FAST = (300, 90)  # of each 300 s the last 90 are fast


def fast_at(at: int) -> bool:
    return at % FAST[0] >= FAST[0] - FAST[1]


def seconds(**known: object) -> list[Second]:
    """A watch of passes: slow, then fast, with nothing else known."""
    dice = Random(7)
    return [
        Second(float(at), speed_mps=round((3.0 if fast_at(at) else 1.5) + dice.uniform(-0.2, 0.2), 2), **known)  # type: ignore[arg-type]
        for at in range(HOURS * 3600)
    ]


def faults(many: int, kind: str = "contact-loss", fast: bool = True) -> list[Onset]:
    """So many faults, one in a cycle, in the middle of what is fast or anywhere."""
    dice = Random(f"faults {many}")
    cycles = dice.sample(range(1, HOURS * 3600 // FAST[0]), many)
    within = (FAST[0] - FAST[1] + 10, FAST[0] - 5) if fast else (0, FAST[0])
    starts = [cycle * FAST[0] + dice.uniform(*within) for cycle in cycles]
    return [Onset(kind, at_s, at_s + 1) for at_s in sorted(starts)]


def test_a_speed_is_found_and_said_with_its_figures() -> None:
    (found,) = goes_with(seconds(), faults(14))
    assert (found["fault"], found["circumstance"], found["hits"], found["of"]) == ("contact-loss", "speed", 14, 14)
    assert 0 < found["p"] <= 0.03
    assert found["share"] == pytest.approx(FAST[1] / FAST[0], abs=0.03)
    assert "14 of 14 losses of contact came within 2 s of a speed of at least" in found["says"]
    assert f"where the watch spent {found['share']:.0%}".replace("%", " %") in found["says"]
    assert "vibration" in found["says"]


def test_the_same_seed_gives_the_same_answer() -> None:
    assert goes_with(seconds(), faults(14), seed=3) == goes_with(seconds(), faults(14), seed=3)


def test_faults_that_come_anywhere_go_with_nothing() -> None:
    assert goes_with(seconds(), faults(20, fast=False)) == []


@pytest.mark.parametrize("many", [0, 1, 3, 5])
def test_thin_evidence_is_not_spoken_of(many: int) -> None:
    assert goes_with(seconds(), faults(many)) == []


def test_a_short_watch_is_not_spoken_of() -> None:
    assert goes_with(seconds()[:500], [Onset("gap", 40.0 * n + 5, 40.0 * n + 6) for n in range(12)]) == []
    assert goes_with([], faults(12)) == []


def test_one_burst_is_one_burst_however_many_faults_it_has() -> None:
    first_s = 10 * FAST[0] + FAST[0] - FAST[1] + 5
    burst = [Onset("contact-loss", first_s + n * 2, first_s + n * 2 + 0.5) for n in range(40)]
    assert goes_with(seconds(), burst) == []


def test_a_fault_in_each_pass_of_one_length_is_told_though_any_whole_pass_later_it_would_fit_as_well() -> None:
    """Passes of 240 s, nearer than faults of two bursts are, so that all are one burst."""
    dice = Random(4)
    watch = [Second(one.at_s, speed_mps=3.0 if one.at_s % 240 < 60 else 1.5) for one in seconds()[:5400]]
    starts = [240 * cycle + dice.uniform(25, 35) for cycle in range(1, 19)]
    told = goes_with(watch, [Onset("contact-loss", at_s, at_s + 1) for at_s in starts])
    assert [one["circumstance"] for one in told] == ["speed"]


def test_a_spell_of_faults_at_an_even_pace_proves_nothing_of_what_lasts_as_long() -> None:
    """Sixteen faults within half an hour, in which the box was warm: both came once."""
    watch = [Second(one.at_s, temperature_c=40.0 if 5000 <= one.at_s < 7600 else 25.0) for one in seconds()]
    spell = [Onset("contact-loss", 5050 + 110.0 * n, 5051 + 110.0 * n) for n in range(16)]
    assert not [one for one in goes_with(watch, spell) if one["circumstance"] == "temperature"]


def test_time_in_a_fault_is_no_exposure() -> None:
    """Between the faults the machine was always fast, and slow only while a fault was on: speed explains nothing."""
    watch = [replace(one, speed_mps=1.5 if one.at_s % 600 >= 300 else 3.0) for one in seconds()]
    long = [Onset("gap", 600.0 * n + 295, 600.0 * n + 599) for n in range(HOURS * 6)]
    assert not [one for one in goes_with(watch, long) if one["circumstance"] == "speed"]


def test_a_figure_is_not_said_to_go_with_faults_that_it_makes_itself() -> None:
    watch = [replace(one, satellites=4 if fast_at(int(one.at_s)) else 12, speed_mps=None) for one in seconds()]
    assert "satellites" not in {one["circumstance"] for one in goes_with(watch, faults(14, "satellites-few"))}
    assert {one["circumstance"] for one in goes_with(watch, faults(14, "gap"))} == {"satellites"}
    assert about_itself("hdop", "hdop-high")


def test_what_only_goes_with_something_stronger_is_left_out() -> None:
    """The line is a little fuller when the machine is fast, and sometimes otherwise: an echo of the speed."""
    dice = Random(3)
    watch = [
        replace(one, load_ratio=0.5 if (dice.random() < 0.9) == fast_at(int(one.at_s)) else 0.3) for one in seconds()
    ]
    assert {one["circumstance"] for one in goes_with(watch, faults(16))} == {"speed"}


def test_a_period_is_found() -> None:
    dice = Random(5)
    beats = [n for n in range(60) if dice.random() < 0.5]
    ticks = [Onset("noise", 100 + 47.3 * n + dice.gauss(0, 0.3), None) for n in beats]
    ticks = [replace(one, end_s=one.start_s + 1) for one in ticks]
    found = [one for one in goes_with(seconds(), ticks) if one["circumstance"] == "period"]
    assert found[0]["period_s"] == pytest.approx(47.3, abs=0.5)
    assert "47." in found[0]["says"]


def test_faults_that_follow_at_once_are_one_and_a_lasting_one_takes_all_after_it() -> None:
    three = [Onset("gap", 10, 12), Onset("gap", 30, 31), Onset("gap", 200, None), Onset("gap", 900, 901)]
    assert [one.start_s for one in separate(three)] == [10, 200]


def test_seconds_that_are_not_there_and_faults_outside_do_no_harm() -> None:
    watch = [one for one in seconds() if not 2000 <= one.at_s < 4000]
    strays = [Onset("contact-loss", at_s, at_s + 1) for at_s in (-5.0, 3000.0, 50_000.0)]
    told = goes_with(watch, sorted([*faults(24), *strays], key=lambda one: one.start_s))
    assert [one["circumstance"] for one in told] == ["speed"]
