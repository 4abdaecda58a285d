"""The lamps and the button: the verdict as two LEDs, a press as a mark.

    Lamps("pi", green=17, red=27, button=22)      # numbers of the GPIO, not of the header's pins

Wiring: each LED from its GPIO through a resistor to ground, with a pull-down beside it, since pins float once a
program has let go of them; the button from its GPIO to ground. Dark is as good as no-go: a box without power, or
one that has stopped, must never be taken for a go.

Patterns are a table of what is lit when, looked up at the tick; nothing here starts a thread. For that reason the
button is read at the tick as well, through gpiozero's plain InputDevice: its Button starts a thread for holding and
one for edges. The pin factory is made here and given to the devices; gpiozero's own search, which falls back to
another factory without a word, is never used.

The library behind "pi" (lgpio) makes a pipe named .lgd-nfy* in the working directory when it is loaded: start the
program in a folder of its run, or name one in the environment variable LG_WD.
"""

from __future__ import annotations

import importlib
from collections.abc import Callable
from typing import Any, NamedTuple

from gpiozero import InputDevice, OutputDevice
from gpiozero.pins.mock import MockFactory

_MS = 1_000_000
PERIOD_NS = 1000 * _MS  # every pattern repeats each second
TEST_NS = 1000 * _MS  # the lamp test at start: long enough to see, short enough to wait for
HELD_NS = 3000 * _MS  # a hold that asks for a stop: no slip of the thumb
SETTLE_NS = 30 * _MS  # contacts of small buttons bounce for less (common practice, no source)
UNSEEN_NS = 500 * _MS  # a tick later than this has not watched the button


class Step(NamedTuple):
    """A part of a pattern: which LEDs are lit until so many ns into the second."""

    until_ns: int
    green: bool
    red: bool


# A wink and the pause after it last three ticks of 50 ms, so each is seen even where a tick comes late or early.
PATTERNS: dict[str, tuple[Step, ...]] = {
    "go": (Step(PERIOD_NS, True, False),),
    "no-go": (
        Step(150 * _MS, False, True),
        Step(300 * _MS, False, False),
        Step(450 * _MS, False, True),
        Step(PERIOD_NS, False, False),
    ),
    "wait": (Step(500 * _MS, False, True), Step(PERIOD_NS, True, False)),
    "dark": (Step(PERIOD_NS, False, False),),
    "test": (Step(PERIOD_NS, True, True),),
    # While somebody wiggles at the cable the verdict is not shown: green as long as nothing is lost, red at a loss.
    "wiggle": (Step(PERIOD_NS, True, False),),
    "hit": (Step(PERIOD_NS, False, True),),
}


def lit(pattern: str, at_ns: int) -> tuple[bool, bool]:
    """(green, red) of a pattern at a monotonic time. ValueError: no such pattern."""
    steps = PATTERNS.get(pattern)
    if steps is None:
        raise ValueError(f"There is no lamp pattern {pattern!r}; there are {', '.join(PATTERNS)}.")
    into_ns = at_ns % PERIOD_NS
    return next((step.green, step.red) for step in steps if into_ns < step.until_ns)


class Turn(NamedTuple):
    """A row of the button's table: once the level has stood for after_ns, the state to go to and the event to tell."""

    after_ns: int
    state: str
    event: str


# (state, is the button pressed) -> turn; what is not in the table stays as it is.
TURNS: dict[tuple[str, bool], Turn] = {
    ("stuck", False): Turn(0, "up", ""),
    ("up", True): Turn(0, "down", ""),
    ("down", True): Turn(HELD_NS, "held", "stop"),
    ("down", False): Turn(0, "letting go", ""),
    ("letting go", True): Turn(0, "down", ""),  # a bounce: the same press goes on
    ("letting go", False): Turn(SETTLE_NS, "up", "mark"),
    ("held", False): Turn(0, "letting go after a hold", ""),
    ("letting go after a hold", True): Turn(0, "held", ""),
    ("letting go after a hold", False): Turn(SETTLE_NS, "up", ""),
}


class ButtonWatch:
    """Turns a button's level, looked at now and then, into events. Pure.

    "mark": a press shorter than 3 s, told once it is let go. "stop": a press of 3 s, told once, while it is held.
    A press counts from the first look that finds the button down, and is over when it has been up for 30 ms. A
    button that is down from the first look on, stuck or shorted, counts for nothing until it has been up: else such
    a box would stop itself at every start.
    """

    def __init__(self) -> None:
        self.state = "stuck"
        self._since_ns = {True: 0, False: 0}  # when this press began, when it was let go
        self._looked_ns: int | None = None

    def look(self, pressed: bool, now_ns: int) -> list[str]:
        """The events that a level found at now_ns (monotonic) brings about: at most one."""
        if self._looked_ns is not None and now_ns - self._looked_ns > UNSEEN_NS:
            self._since_ns[True] = now_ns  # nobody watched: what looks like one hold may be two presses
        self._looked_ns = now_ns
        turn = TURNS.get((self.state, pressed))
        if turn is None or now_ns - self._since_ns[pressed] < turn.after_ns:
            return []
        if self.state == "up":
            self._since_ns[True] = now_ns
        elif not pressed and turn.after_ns == 0:
            self._since_ns[False] = now_ns
        self.state = turn.state
        return [turn.event] if turn.event else []


class LampError(Exception):
    """The lamps cannot be had; the text says what to do."""


def _pi_factory() -> Any:
    return importlib.import_module("gpiozero.pins.lgpio").LGPIOFactory()


FACTORIES: dict[str, Callable[[], Any]] = {"pi": _pi_factory, "mock": MockFactory}

# What a failure's name or text holds, in lower case -> what to do. The first that fits; texts are those of lgpio.
_ADVICE: tuple[tuple[str, str], ...] = (
    (
        "modulenotfounderror",
        "the library lgpio is not to be found. Install the package python3-lgpio, or lgpio in this Python environment",
    ),
    ("pinunknownpi", "this machine is no Raspberry Pi"),
    ("gpio busy", "another program holds one of the pins. Stop it, or set other pins under [lamps]"),
    ("pininvalidpin", "there is no such pin. Set GPIO numbers, not those of the header, under [lamps]"),
    ("pininuse", "two of the lamps and the button are set to one pin. Give each its own under [lamps]"),
    ("can not open gpiochip", "the pins may not be opened. Add this program's user to the group gpio"),
    ("permission", "the pins may not be opened. Add this program's user to the group gpio"),
)


def _error_for(pins: str, trouble: Exception) -> LampError:
    text = f"{type(trouble).__name__}: {trouble}"
    advice = next((advice for sign, advice in _ADVICE if sign in text.lower()), "the pins cannot be used")
    return LampError(
        f'The lamps cannot be reached: {advice}. Without lamps, set pins = "mock" under [lamps]. '
        f'(pins = "{pins}"; {text})'
    )


class Lamps:
    """The two LEDs and the button. One thread owns it; close it, or use it in a with statement.

    pins: "pi" or "mock" (pins that exist in memory alone). green, red, button: GPIO numbers. test_ns: for so long
    from the first show on, both LEDs are lit, whatever is to be shown. LampError: the pins cannot be had.
    """

    def __init__(self, pins: str, green: int = 17, red: int = 27, button: int = 22, *, test_ns: int = TEST_NS) -> None:
        if pins not in FACTORIES:
            raise LampError(f"[lamps] pins is {pins!r}; it may be {' or '.join(map(repr, FACTORIES))}.")
        self.pins = pins
        self.pattern = "dark"
        self.green = self.red = False
        self._test_ns = test_ns
        self._test_until_ns: int | None = None
        self._watch = ButtonWatch()
        self._open: list[Any] = []  # what to close, the last first
        try:
            self.factory = FACTORIES[pins]()
            self._open.append(self.factory)
            self._green = self._add(OutputDevice(green, pin_factory=self.factory))
            self._red = self._add(OutputDevice(red, pin_factory=self.factory))
            self._button = self._add(InputDevice(button, pull_up=True, pin_factory=self.factory))
        except Exception as trouble:  # lgpio has an error class of its own, of no common ancestor
            self._release()
            raise _error_for(pins, trouble) from trouble

    def show(self, pattern: str, at_ns: int) -> None:
        """Light what a pattern lights at a monotonic time; call it at 20 Hz. ValueError: no such pattern."""
        wanted, until_ns = lit(pattern, at_ns), self._test_until_ns
        if until_ns is None:
            until_ns = self._test_until_ns = at_ns + self._test_ns
        self.pattern = pattern
        if at_ns < until_ns:
            self.pattern, wanted = "test", lit("test", at_ns)
        self._set(*wanted)

    def test(self) -> None:
        """Light both LEDs from the next show on, for test_ns; from any thread."""
        self._test_until_ns = None

    def tick(self, now_ns: int) -> list[str]:
        """Look at the button: "mark" for a press that was let go, "stop" for a hold of 3 s; else nothing."""
        return self._watch.look(bool(self._button.is_active), now_ns)

    def close(self) -> None:
        """Lamps dark, which is no-go, then give the pins back. Safe to call again."""
        if not self._open:
            return
        try:
            self._set(False, False)
            self.pattern = "dark"
        finally:
            self._release()

    def __enter__(self) -> Lamps:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def _add(self, device: Any) -> Any:
        self._open.append(device)
        return device

    def _release(self) -> None:
        while self._open:
            self._open.pop().close()

    def _set(self, green: bool, red: bool) -> None:
        """Write to the pins what has changed."""
        if green != self.green:
            self._green.value = green
            self.green = green
        if red != self.red:
            self._red.value = red
            self.red = red
