"""Cases for the bench of causes: what is done to a feed or a wire, and which cause should then be named.

Two kinds. A drive is some minutes of text in which a fault of the simulator strikes once, comes and goes, or is there
from the start; the sheet asks what a controller with this trouble would ask. A wire is ten seconds, drawn bit by bit,
as on the bench of the wire. Where two causes look alike to any listener, either may be named first; the table says so.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from random import Random

from appliance.judge import needs as needs_of
from appliance.judge.needs import Needs
from appliance.simulate.drive import Drive
from appliance.simulate.faults import Spell, apply
from appliance.simulate.plans import SHORT
from appliance.simulate.receiver import Burst, Receiver, ReceiverSettings

SECONDS = 150.0
BEGINS_S, LASTS_S = (25.0, 50.0), (40.0, 75.0)
BUFFER_BYTES = 1024  # of a receiver's port, a usual size; what does not fit is cut off

Spells = list[Spell]
Make = Callable[[Random, str], Spells]


@dataclass(slots=True, frozen=True)
class Plan:
    """right: causes of which one should be first. spells: of the simulator. asks: changes of the sheet, old -> new.

    settings: of the receiver. baud: of the line and of the sheet. overflows: the receiver's buffer is finite.
    asked_later_s: when the live causes are asked, after the end of the last spell.
    """

    right: tuple[str, ...]
    spells: Make = field(default=lambda _dice, _fault: [])
    fault: str = ""
    asks: Mapping[str, str] = field(default_factory=dict)
    settings: Mapping[str, object] = field(default_factory=dict)
    baud: int = 38_400
    overflows: bool = False
    plans: tuple[str, ...] = SHORT
    parked_s: tuple[float, float] = (0.0, 20.0)
    port_lost: bool = False
    asked_later_s: float = -0.5


@dataclass(slots=True, frozen=True)
class Case:
    """One drive. asked_s: when the live causes are asked, near the end of the trouble."""

    name: str
    seed: int
    plan: Plan
    spells: tuple[Spell, ...]
    asked_s: float

    @property
    def baud(self) -> int:
        return self.plan.baud

    def sheet(self) -> Needs:
        words = needs_of.text("rate-section").replace("baud = 38400", f"baud = {self.plan.baud}")
        for old, new in self.plan.asks.items():
            if old not in words:
                raise ValueError(f"the sheet has no {old!r}")
            words = re.sub(rf"(?m)^{re.escape(old)}.*$", new, words)
        return needs_of.from_toml(words, "bench")

    def bursts(self) -> Iterator[Burst]:
        dice = Random(f"causes {self.name} {self.seed}")
        usual: dict[str, object] = {
            "delay_s": dice.uniform(0.02, 0.1), "restless": dice.random() < 0.5, "clock_ppm": dice.uniform(-40, 40),
            "age_saw_s": dice.choice((0.0, 1.0, 5.0)), "geoid_m": dice.uniform(-30, 60),
        }  # fmt: skip
        settings = ReceiverSettings(**(usual | dict(self.plan.settings)))  # type: ignore[arg-type]
        drive = Drive(self.seed, plan=dice.choice(self.plan.plans), parked_s=dice.uniform(*self.plan.parked_s))
        said = apply(Receiver(settings, drive, self.seed).epochs(0.0, SECONDS), self.spells, self.seed)
        return _overflowing(said, self.plan.baud) if self.plan.overflows else iter(said)


def _overflowing(bursts: Iterable[Burst], baud: int) -> Iterator[Burst]:
    """What gets out of a port whose buffer is finite: where it is full, the rest of a burst is lost."""
    free_s = 0.0
    for due_s, data in bursts:
        waiting = max(0.0, free_s - due_s) * baud / 10
        kept = data[: max(0, int(BUFFER_BYTES - waiting))]
        free_s = max(free_s, due_s) + len(kept) * 10 / baud
        if kept:
            yield Burst(due_s, kept)


def _once(intensity: tuple[float, float] | None = None, whats: tuple[str, ...] = ("",)) -> Make:
    """One span of a minute or so."""

    def make(dice: Random, fault: str) -> Spells:
        start_s, lasts_s = dice.uniform(*BEGINS_S), dice.uniform(*LASTS_S)
        much = None if intensity is None else dice.uniform(*intensity)
        return [Spell(fault, start_s, start_s + lasts_s, much, dice.choice(whats))]

    return make


def _of(*values: float, whats: tuple[str, ...] = ("",), from_start: bool = False) -> Make:
    """One of these intensities, over one span, or from the start to the middle."""

    def make(dice: Random, fault: str) -> Spells:
        start_s = -1.0 if from_start else dice.uniform(*BEGINS_S)
        end_s = dice.uniform(50, 120) if from_start else start_s + dice.uniform(*LASTS_S)
        return [Spell(fault, start_s, end_s, dice.choice(values) if values else None, dice.choice(whats))]

    return make


def _always(intensity: float | None = None, whats: tuple[str, ...] = ("",)) -> Make:
    return lambda dice, fault: [Spell(fault, -1.0, SECONDS + 1, intensity, dice.choice(whats))]


def _comes_and_goes(
    lasts_s: tuple[float, float], times: tuple[int, int], intensity: tuple[float, float] | None = None
) -> Make:
    """Some short spells."""

    def make(dice: Random, fault: str) -> Spells:
        number = dice.randint(*times)
        step_s = 100 / number
        starts = [25 + n * step_s + dice.uniform(0, step_s / 3) for n in range(number)]
        much = [None if intensity is None else dice.uniform(*intensity) for _ in starts]
        return [Spell(fault, at_s, at_s + dice.uniform(*lasts_s), how) for at_s, how in zip(starts, much, strict=True)]

    return make


def _dips(dice: Random, _fault: str) -> Spells:
    """The supply fails for some seconds, and then the receiver warms up."""
    found, at_s = Spells(), dice.uniform(20, 35)
    for _ in range(dice.randint(1, 2)):
        back_s = at_s + dice.uniform(2, 9)
        warm_s = back_s + dice.uniform(8, 28)
        found += [Spell("silence", at_s, back_s), Spell("no-fix", back_s, warm_s)]
        at_s = warm_s + dice.uniform(5, 20)
    return found


def _to_the_end(dice: Random, fault: str) -> Spells:
    return [Spell(fault, dice.uniform(40, 130), SECONDS + 1)]


MESSAGES = ("GGA", "VTG", "RMC", "ZDA")
ALL_5_HZ = {"rates_hz": dict.fromkeys(MESSAGES, 5.0)}
FIELDS, CLOCK, SKY, FORM = ("receiver-fields",), ("receiver-clock",), ("sky-antenna",), ("position-form",)
TALKERS = "talkers = ["
QUALITIES = "qualities = ["
ACCEPTS_RTK = {QUALITIES: "qualities = [4, 5]"}

DRIVES: dict[str, Plan] = {
    "healthy": Plan(("controller",)),
    "message-off": Plan(("message-off",), _once(None, MESSAGES)),
    "message-off always": Plan(("message-off",), _always(None, MESSAGES), "message-off"),
    "slow": Plan(("message-rate",), _of(2, 5, whats=("GGA", "VTG"))),
    "slow always": Plan(("message-rate",), _always(2, ("GGA", "VTG")), "slow"),
    "too fast": Plan(("message-rate",), settings={"rates_hz": {"GGA": 10, "VTG": 10, "RMC": 1, "ZDA": 1}}),
    "no-checksum": Plan(("checksum-off",), _once()),
    "decimals": Plan(FORM, _of(3, 4, 5, 6)),
    "long": Plan(FORM, _of(102, 110)),
    "over 82": Plan(FORM, asks={"sentence_length_most": "sentence_length_most = 82"}),
    "decimals-padded": Plan(FORM, _of(1, 2, 3)),
    "talker": Plan(("talker-unknown",), _of(whats=("GP", "GL"))),
    "talker refused": Plan(("talker-unknown",), asks={TALKERS: 'talkers = ["GP"]'}),
    "talker refused after a change": Plan(
        ("talker-unknown",), _of(whats=("GP", "GL")), "talker", {TALKERS: 'talkers = ["GN"]'}
    ),
    "RTK refused": Plan(("quality-unknown",), asks={QUALITIES: "qualities = [1, 2]"}),
    "quality 9 refused": Plan(
        ("quality-unknown",), asks={QUALITIES: "qualities = [1, 2, 4, 5]"}, settings={"quality": 9}
    ),
    "RTK comes and is refused": Plan(
        ("quality-unknown",), asks={QUALITIES: "qualities = [1, 2]"},
        settings={"quality": 1, "qualities": ((40.0, 5), (60.0, 4), (130.0, 1))},
    ),
    "quality": Plan(("corrections",), _of(1, 2), asks=ACCEPTS_RTK),
    "quality in spells": Plan(("corrections",), _comes_and_goes((4, 12), (2, 4), (2, 2)), "quality", ACCEPTS_RTK),
    "age-grows": Plan(("corrections",), _of(1.0, 2.0)),
    "base-moved": Plan(("corrections",), _once()),
    "base moved with its position": Plan(
        ("corrections",), lambda dice, _: _with(dice, ("base-moved", None), ("jump", dice.uniform(2, 30)))
    ),
    "no-fix": Plan(SKY, _once()),
    "no-fix from the start": Plan(SKY, _always(), "no-fix"),
    "satellites": Plan(SKY, _of(2, 3)),
    "hdop": Plan(SKY, _once((5, 20))),
    "trees": Plan(SKY, lambda dice, _: _with(dice, ("satellites", 3), ("hdop", dice.uniform(4.5, 9)), ("quality", 1))),
    "satellites-fall": Plan(SKY, _of(-0.35, -0.5), settings={"restless": False}),
    "hdop-rises": Plan(SKY, _of(0.08, 0.12), settings={"restless": False}),
    "scatter": Plan(SKY, lambda _, fault: [Spell(fault, 0, SECONDS, 2.5)], plans=("parked",), parked_s=(160, 200)),
    "jump": Plan((*SKY, "corrections"), _once((3, 40))),  # reflections or a base that moved: the feed does not tell
    "height-jump": Plan((*SKY, "corrections"), _once((5, 30))),
    "simulated": Plan(("receiver-mode",), _once()),
    "manual": Plan(("receiver-mode",), _once()),
    "frozen": Plan(("receiver-mode",), _once(), plans=("field", "road")),
    "speed-zero": Plan(FIELDS, _once(), plans=("field", "road")),
    "speed-scaled": Plan(FIELDS, _of(1.852, 3.6, 0.54), plans=("field", "road")),
    "speed-negative": Plan(FIELDS, _once(), plans=("field", "road")),
    "speed-impossible": Plan(FIELDS, _once((100, 300))),
    "course-reversed": Plan(FIELDS, _once(), plans=("field", "road")),
    "course-offset": Plan(FIELDS, _of(40, -90, 120), plans=("field", "road")),
    "gga-rmc": Plan(FIELDS, _once((5, 40))),
    "rmc-vtg": Plan(FIELDS, _once((0.8, 4))),
    "rmc-vtg-course": Plan(FIELDS, _of(40, 120), plans=("field", "road")),
    "status-contradicts": Plan(FIELDS, _of(whats=("AN", "AE", "AM", "AS"))),
    "geoid-missing": Plan(FIELDS, _once()),
    "geoid-changed": Plan(FIELDS, _of(-20, 12)),
    "position-null": Plan(FIELDS, _once()),
    "hemisphere": Plan(FIELDS, _of(1, 2, whats=("RMC", "GGA"))),
    "dates-disagree": Plan(FIELDS, _of(1, -1, 30, whats=("ZDA", "RMC"))),
    "date-missing": Plan(FIELDS, _once()),
    "zone-strange": Plan(FIELDS, _of(17, -19, 23)),
    "date-rolled-over": Plan(("roll-over",), _once()),
    "date-rolled-over always": Plan(("roll-over",), _always(), "date-rolled-over"),
    "clock-stopped": Plan(CLOCK, _once()),
    "clock-back": Plan(CLOCK, _of(-30, -400)),
    "clock-jump": Plan(CLOCK, _of(100, 900)),
    "leap-seconds": Plan(CLOCK, _of(18, 3, 2, from_start=True), asked_later_s=3.0),
    "late": Plan(("receiver-slow",), _once((1.3, 2.5))),
    "jitter": Plan(("receiver-slow",), _once((1.3, 2.5))),
    "cut": Plan(("line-full",), _once((0.05, 0.3))),
    "line over 100 %": Plan(
        ("line-full",), baud=9600, overflows=True, settings=ALL_5_HZ
    ),
    "line at its limit": Plan(("line-full",), baud=9600, overflows=True),
    "noise": Plan(("noise",), _once((0.003, 0.02))),
    "noise in spells": Plan(("noise",), _comes_and_goes((2, 8), (2, 4), (0.01, 0.03)), "noise"),
    "noise all along": Plan(("noise", "ground-loading"), _always(0.01), "noise"),  # no listener can tell these two
    "flipped": Plan(("noise",), _once((0.003, 0.02))),
    "lost": Plan(("noise", "box"), _once((0.003, 0.02))),
    "binary": Plan(("wrong-stream",), _once((8, 60))),
    "silence": Plan(("contact",), _comes_and_goes((1.5, 12), (1, 4))),
    "silence to the end": Plan(("contact", "output-off", "power-dips"), _to_the_end, "silence"),
    "power dips": Plan(("power-dips",), _dips, "silence"),
    "port lost": Plan(("box",), port_lost=True),
}  # fmt: skip


def _with(dice: Random, *doses: tuple[str, float | None]) -> Spells:
    """Several faults over the same span."""
    start_s, lasts_s = dice.uniform(*BEGINS_S), dice.uniform(*LASTS_S)
    return [Spell(fault, start_s, start_s + lasts_s, much) for fault, much in doses]


WIRES: dict[str, tuple[str, ...]] = {
    "baud-wrong": ("baud-format",),
    "format-wrong": ("baud-format",),
    "polarity-inverted": ("polarity",),
    "binary": ("wrong-stream",),
    "two-talkers": ("outputs-joined",),
    "contact-loss": ("contact",),
    "noise": ("noise",),
    "bursts of noise": ("noise",),
    "line-held-low": ("short",),
    "silent": ("output-off", "pins-crossed"),  # one line alone does not tell
    "silent, the other line talks": ("output-off",),
    "pins-crossed": ("pins-crossed",),
    "overrun of the port": ("box",),
    "overrun of the queue": ("box",),
}


def drive(name: str, seed: int) -> Case:
    """A drive with this trouble."""
    plan = DRIVES[name]
    dice = Random(f"cause {name} {seed}")
    spells = tuple(plan.spells(dice, plan.fault or name))
    ends = [spell.end_s for spell in spells]
    return Case(name, seed, plan, spells, min([SECONDS - 0.5, *(end_s + plan.asked_later_s for end_s in ends[-1:])]))
