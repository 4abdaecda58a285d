"""Lamps and button: the tables by themselves, then gpiozero's mock pins as the outside that records what was done."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from itertools import pairwise
from pathlib import Path
from typing import Any

import gpiozero
import pytest
from gpiozero.pins.mock import MockPin
from hypothesis import given
from hypothesis import strategies as st

from appliance.lamp import (
    HELD_NS,
    PATTERNS,
    PERIOD_NS,
    SETTLE_NS,
    TEST_NS,
    TURNS,
    UNSEEN_NS,
    ButtonWatch,
    LampError,
    Lamps,
    lit,
)

MS = 1_000_000
TICK_NS = 50 * MS
GREEN, RED, BUTTON = 17, 27, 22


def second(pattern: str, from_ns: int = 0) -> str:
    """What a second at 20 Hz looks like: a letter for each tick. g, r, b(oth) or . for dark."""
    looks = {(True, False): "g", (False, True): "r", (True, True): "b", (False, False): "."}
    return "".join(looks[lit(pattern, from_ns + tick * TICK_NS)] for tick in range(20))


def test_each_pattern_over_a_second_at_20_hz() -> None:
    assert {pattern: second(pattern) for pattern in PATTERNS} == {
        "go": "gggggggggggggggggggg",
        "no-go": "rrr...rrr...........",
        "wait": "rrrrrrrrrrgggggggggg",
        "dark": "....................",
        "test": "bbbbbbbbbbbbbbbbbbbb",
        "wiggle": "gggggggggggggggggggg",
        "hit": "rrrrrrrrrrrrrrrrrrrr",
    }


@given(st.integers(0, 2**62), st.lists(st.integers(-20 * MS, 20 * MS), min_size=20, max_size=20))
def test_two_winks_are_seen_each_second_wherever_the_ticks_fall(start_ns: int, jitter_ns: list[int]) -> None:
    ticks = [start_ns + tick * TICK_NS + late_ns for tick, late_ns in enumerate(jitter_ns)]
    reds = [lit("no-go", max(0, at_ns))[1] for at_ns in ticks]
    turned_on = sum(after and not before for before, after in pairwise([*reds, reds[0]]))
    assert turned_on == 2


@given(st.sampled_from([*PATTERNS]), st.integers())
def test_green_is_steady_for_a_go_and_a_test_without_loss_alone(pattern: str, at_ns: int) -> None:
    green, red = lit(pattern, at_ns)
    assert green or pattern not in ("go", "wiggle")
    if pattern in ("no-go", "dark", "hit"):
        assert not green
    if green and not red:
        assert pattern in ("go", "wait", "wiggle")
    # Whoever watches a second of it can tell a wait from a go.
    assert pattern != "wait" or any(lit(pattern, at_ns + wait_ns)[1] for wait_ns in (0, PERIOD_NS // 2))


def test_the_tables_are_whole() -> None:
    for steps in PATTERNS.values():
        ends = [step.until_ns for step in steps]
        assert ends == sorted(set(ends))
        assert ends[-1] == PERIOD_NS
    states = {state for state, _ in TURNS}
    assert {turn.state for turn in TURNS.values()} | {"stuck"} == states
    assert {turn.event for turn in TURNS.values()} == {"", "mark", "stop"}


def test_a_pattern_that_is_none_is_refused() -> None:
    with pytest.raises(ValueError, match="no lamp pattern 'maybe'; there are go, no-go, wait, dark, test, wiggle, hit"):
        lit("maybe", 0)


# The button, looked at every 50 ms: a letter for each look, _ for down and ^ for up.


def events(levels: str, tick_ns: int = TICK_NS) -> list[tuple[int, str]]:
    """(number of the look, event)."""
    watch = ButtonWatch()
    return [
        (look, event)
        for look, level in enumerate(levels)
        for event in watch.look(level == "_", 5_000_000_000 + look * tick_ns)
    ]


@pytest.mark.parametrize(
    ("levels", "told"),
    [
        ("^" * 100, []),
        ("^__^^^", [(4, "mark")]),
        ("^_^^^^", [(3, "mark")]),
        ("^__^_^^^", [(6, "mark")]),
        ("^__^^__^^^", [(4, "mark"), (8, "mark")]),
        ("^" + "_" * 60 + "^^^", [(62, "mark")]),
        ("^" + "_" * 61 + "^^^", [(61, "stop")]),
        ("^" + "_" * 500 + "^^^", [(61, "stop")]),
        ("^" + "_" * 30 + "^" + "_" * 40, [(61, "stop")]),
        ("^" + "_" * 70 + "^" + "_" * 70 + "^^^__^^", [(61, "stop"), (148, "mark")]),
        ("_" * 200, []),
        ("_" * 200 + "^^__^^", [(205, "mark")]),
    ],
    ids=[
        "untouched",
        "press",
        "shortest press",
        "bounce within a press",
        "two presses",
        "just short of a stop",
        "stop comes while held",
        "stop comes once",
        "bounce within a hold",
        "bounce after the stop",
        "stuck from the start",
        "stuck, then freed",
    ],
)
def test_a_button_s_levels_and_what_they_mean(levels: str, told: list[tuple[int, str]]) -> None:
    assert events(levels) == told


def test_at_the_slow_tick_the_button_means_the_same() -> None:
    assert events("^_^^", 200 * MS) == [(3, "mark")]
    assert events("^" + "_" * 20 + "^^", 200 * MS) == [(16, "stop")]


def test_two_presses_with_nobody_looking_between_are_no_hold() -> None:
    watch = ButtonWatch()
    assert watch.look(False, 0) == []
    assert watch.look(True, TICK_NS) == []
    late_ns = TICK_NS + HELD_NS + UNSEEN_NS
    assert watch.look(True, late_ns) == []
    assert watch.look(False, late_ns + TICK_NS) == []
    assert watch.look(False, late_ns + TICK_NS + SETTLE_NS) == ["mark"]


@given(st.lists(st.tuples(st.booleans(), st.integers(0, 100))))
def test_a_stop_needs_three_seconds_of_holding_and_no_press_tells_twice(runs: list[tuple[bool, int]]) -> None:
    levels = "^" + "".join(("_" if pressed else "^") * looks for pressed, looks in runs)
    told = events(levels)
    for look, event in told:
        if event == "stop":
            assert "^^" not in levels[look - 60 : look + 1]
            assert levels[look] == "_"
        else:
            assert levels[look - 1 : look + 1] == "^^"
    for (before, _), (after, _) in pairwise(told):
        assert "^^_" in levels[before - 1 : after + 1]  # it was let go and pressed anew between


# On mock pins.


@pytest.fixture
def lamps() -> Iterator[Lamps]:
    with Lamps("mock", GREEN, RED, BUTTON) as lamps:
        yield lamps


def test_the_lamp_test_comes_first_and_then_the_verdict(lamps: Lamps) -> None:
    start_ns = 77_777 * MS
    seen = []
    for tick in range(40):
        lamps.show("go", start_ns + tick * TICK_NS)
        pins = (bool(lamps.factory.pin(GREEN).state), bool(lamps.factory.pin(RED).state))
        assert pins == (lamps.green, lamps.red)
        seen.append((lamps.pattern, *pins))
    ticks_of_test = TEST_NS // TICK_NS
    assert seen == [("test", True, True)] * ticks_of_test + [("go", True, False)] * (40 - ticks_of_test)


@pytest.mark.parametrize("pattern", PATTERNS)
def test_the_pins_follow_the_pattern_and_are_written_on_change_alone(
    pattern: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    with Lamps("mock", GREEN, RED, BUTTON, test_ns=0) as lamps:
        pins = (lamps.factory.pin(GREEN), lamps.factory.pin(RED))
        written: list[tuple[Any, bool]] = []
        real = MockPin._set_state

        def note(pin: Any, level: float) -> None:
            written.append((pin, bool(level)))
            real(pin, level)

        wanted: list[tuple[Any, bool]] = []
        before = (False, False)
        with monkeypatch.context() as patch:
            patch.setattr(MockPin, "_set_state", note)
            for tick in range(60):
                lamps.show(pattern, tick * TICK_NS)
                levels = lit(pattern, tick * TICK_NS)
                assert tuple(bool(pin.state) for pin in pins) == levels
                wanted += [(pin, now) for pin, was, now in zip(pins, before, levels, strict=True) if was is not now]
                before = levels
        assert written == wanted


def test_an_unknown_pattern_leaves_the_lamps_as_they_are(lamps: Lamps) -> None:
    with pytest.raises(ValueError, match="no lamp pattern"):
        lamps.show("green", 0)
    assert (lamps.pattern, lamps.green, lamps.red) == ("dark", False, False)


def test_presses_reach_the_tick(lamps: Lamps) -> None:
    pin = lamps.factory.pin(BUTTON)
    assert pin.pull == "up"
    told = []
    for tick in range(200):
        if tick in (10, 100):
            pin.drive_low()
        if tick in (13, 170):
            pin.drive_high()
        told += [(tick, event) for event in lamps.tick(tick * TICK_NS)]
    assert told == [(14, "mark"), (160, "stop")]


def test_no_threads_and_no_factory_of_gpiozero_s_own_choosing() -> None:
    before = set(threading.enumerate())
    with Lamps("mock", test_ns=0) as lamps:
        lamps.factory.pin(BUTTON).drive_low()
        for tick in range(100):
            lamps.show("no-go", tick * TICK_NS)
            lamps.tick(tick * TICK_NS)
        assert set(threading.enumerate()) == before
        assert gpiozero.Device.pin_factory is None


def test_closing_goes_dark_and_gives_the_pins_back() -> None:
    lamps = Lamps("mock", test_ns=0)
    lamps.show("go", 0)
    pins = [lamps.factory.pin(pin) for pin in (GREEN, RED, BUTTON)]
    lamps.close()
    assert (lamps.pattern, lamps.green, lamps.red) == ("dark", False, False)
    assert [pin.function for pin in pins] == ["input"] * 3
    assert [bool(state.state) for state in pins[0].states][-2:] == [True, False]
    lamps.close()
    gpiozero.OutputDevice(GREEN, pin_factory=lamps.factory).close()  # no one holds it any more


# Trouble is loud.

_MODEL = Path("/proc/device-tree/model")
_ON_A_PI = _MODEL.exists() and "Raspberry" in _MODEL.read_text(errors="replace")


@pytest.mark.skipif(_ON_A_PI, reason="on a Raspberry Pi the pins can be had")
def test_off_the_pi_the_pins_of_a_pi_fail_with_words() -> None:
    with pytest.raises(LampError) as caught:
        Lamps("pi")
    says = str(caught.value)
    assert "python3-lgpio" in says or "no Raspberry Pi" in says
    assert 'pins = "mock"' in says
    assert gpiozero.Device.pin_factory is None


@pytest.mark.parametrize(
    ("how", "words"),
    [
        ({"pins": "native"}, "it may be 'pi' or 'mock'"),
        ({"pins": "mock", "green": 17, "red": 17}, "set to one pin"),
        ({"pins": "mock", "button": 99}, "there is no such pin"),
    ],
)
def test_settings_that_cannot_be_are_told_in_words(how: dict[str, Any], words: str) -> None:
    with pytest.raises(LampError, match=words):
        Lamps(**how)


class PinTrouble(Exception):
    """As lgpio's own error: a class of no family, and a text."""


@pytest.mark.parametrize(
    ("text", "words"),
    [  # the texts are those of lgpio 0.2
        ("'GPIO busy'", "another program holds one of the pins"),
        ("'can not open gpiochip'", "to the group gpio"),
        ("'no permission to perform action'", "to the group gpio"),
        ("'bad gpiochip'", "the pins cannot be used"),
    ],
)
def test_what_the_driver_says_is_put_in_words_and_nothing_stays_held(
    text: str, words: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The driver's failure is played at the lowest seam there is off the Pi: the second mock pin set to output."""
    held: list[Any] = []
    real = MockPin._set_function

    def fail(pin: Any, function: str) -> None:
        if function == "output" and held:
            raise PinTrouble(text)
        held.append(pin)
        real(pin, function)

    with monkeypatch.context() as patch:
        patch.setattr(MockPin, "_set_function", fail)
        with pytest.raises(LampError, match=words) as caught:
            Lamps("mock")
    assert text in str(caught.value)
    assert held[0].function == "input"


def test_a_test_asked_for_in_the_midst_of_a_show_begins_with_the_next() -> None:
    """It is asked for by another thread than that which shows."""

    class Asked(Lamps):
        pattern = property(lambda _: "", lambda self, _: self.test())

    with Asked("mock") as lamps:
        lamps.show("go", 0)
        lamps.show("go", 2 * TEST_NS)
        assert (lamps.green, lamps.red) == (True, True)
