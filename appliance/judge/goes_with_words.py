"""The words for what goes with the faults, and where that says to look: tables.

Where to look is from common practice, no source, but for what is marked.
"""

from __future__ import annotations

from appliance.judge.names import NAMES

NOUNS: dict[str, tuple[str, str]] = {
    "silent": ("silence", "silences"),
    "gap": ("gap", "gaps"),
    "message-missing": ("time a message was missing", "times a message was missing"),
    "contact-loss": ("loss of contact", "losses of contact"),
    "noise": ("burst of noise", "bursts of noise"),
    "checksum-bad": ("run of wrong checksums", "runs of wrong checksums"),
    "sentence-damaged": ("run of damaged sentences", "runs of damaged sentences"),
    "port-lost": ("loss of the port", "losses of the port"),
    "no-fix": ("loss of the fix", "losses of the fix"),
    "quality-not-accepted": ("fall of the fix quality", "falls of the fix quality"),
    "rate-low": ("fall of the rate", "falls of the rate"),
    "late": ("time the feed came late", "times the feed came late"),
    "age-high": ("time the corrections were old", "times the corrections were old"),
    "position-jump": ("jump of the position", "jumps of the position"),
    "position-frozen": ("time the position stood still", "times the position stood still"),
    "satellites-few": ("time with too few satellites", "times with too few satellites"),
    "hdop-high": ("time HDOP was high", "times HDOP was high"),
}

_WIRE = frozenset(
    {"silent", "gap", "contact-loss", "noise", "checksum-bad", "sentence-damaged", "port-lost", "message-missing"}
)

_OF_MOVING = frozenset({"speed", "course", "turning"})
"""Known only while the machine moves."""

_LOOK: dict[tuple[str, bool], str] = {
    ("speed", True): "look for a contact or a wire that vibration opens",
    ("moving", True): "look for a contact or a wire that vibration opens",
    ("turning", True): "look where the harness bends or is pulled when the machine turns or articulates",
    ("load", True): "the line may be too full: fewer sentences, a lower rate or a higher baud",
    ("temperature", True): "look for a joint that opens with warmth, or a box in the sun",
    ("supply", True): "look at the supply: battery, fuse, ground, and what draws much",
    ("place", True): "look for what stands there: a transmitter or a power line, or ground that shakes the machine",
    ("mark", True): "think of what was done at the mark",
    ("since-start", True): "think of what changes after the start: warmth, charge of the battery, the engine",
    ("period", True): "look for what switches at that pace: a pump, a valve, a lamp, a fan, a radio",
    ("standing", True): "think of what is done standing: a door, folding, filling, a switch; or an engine at idle",
    ("speed", False): "think of what rough ground and speed do to antenna and cable",
    ("place", False): "look at the sky from there: trees, sheds, a hollow; or at the radio link for corrections",
    ("course", False): "look for what hides the sky on one side of the antenna: cab, mast, implement",
    ("turning", False): "look at where the antenna stands, and what tilts or hides it in a turn",
    ("satellites", False): "look at the sky and the antenna with its cable",
    ("age", False): "look at where the corrections come from: radio, modem, subscription",
    ("quality", False): "look at the corrections and the sky",
    ("time-of-day", False): "think of what is so at that time: satellites in view, the base, somebody's radio",
    ("period", False): "look for what happens at that pace: a modem or a radio that connects anew, a receiver's output",
}
"""(circumstance, whether the fault is one of the wire) -> where to look."""
_OTHER_SIDE = {
    "machine standing": "standing",
    "straight going": "straight",
    "good supply": "straight",
    "satellites below": "satellites",
    "satellites of": "many",
    "below": "low",
}
"""Words that name the other side of a circumstance, for which there may be another place to look, or none."""


def circumstance_says(
    kind: str,
    circumstance: str,
    words: str,
    *,
    hits: int,
    of: int,
    faults: int,
    share: float,
    p: float,
    within_s: int | None,
) -> str:
    """One finding in words, with its figures. share: of the time. within_s None: the words say when themselves."""
    among = f"{of}" if faults <= of else f"{of} separate"
    when = words if within_s is None else f"within {within_s} s of {words}"
    time = "its time moving" if circumstance in _OF_MOVING else "its time"
    spent, look = _per_cent(share), _look(circumstance, words, kind)
    return f"{hits} of {among} {_noun(kind)} came {when}, where the watch spent {spent} of {time} ({_p(p)}){look}."


def period_says(kind: str, period_s: float, fitting: int, intervals: int, p: float) -> str:
    """A period in words, with its figures."""
    period = f"{period_s:.1f} s" if period_s < 120 else f"{period_s / 60:.1f} min"
    return (
        f"The {_noun(kind)} come with a period of {period}: {fitting} of {intervals} intervals between them are that "
        f"or a multiple of it ({_p(p)}){_look('period', '', kind)}."
    )


def counted(number: int, kind: str) -> str:
    """So many faults of a kind, in words."""
    name = NAMES.get(kind, kind)
    one, more = NOUNS.get(kind, (f"fault of the kind “{name}”", f"faults of the kind “{name}”"))
    return f"{number} {one if number == 1 else more}"


def _noun(kind: str) -> str:
    return NOUNS.get(kind, ("", f"faults of the kind “{NAMES.get(kind, kind)}”"))[1]


def _look(circumstance: str, words: str, kind: str) -> str:
    wire = kind in _WIRE
    name = next((other for part, other in _OTHER_SIDE.items() if part in words), circumstance)
    look = _LOOK.get((name, wire)) or _LOOK.get((name, not wire))
    return f": {look}" if look else ""


def _per_cent(share: float) -> str:
    return f"{share * 100:.0f} %" if share >= 0.02 else f"{share * 100:.2g} %"


def _p(p: float) -> str:
    return f"p = {p:.4f}" if p >= 0.001 else f"p = {p:.1g}" if p >= 1e-4 else "p < 0.0001"
