"""What the checks on the truth of a feed say: time, motion and fix. One table, in order of importance.

`{m}`, `{n}`: measured and needed with their unit; other names: the figures of the trouble. A kind may have other
sentences for what else was found (VARIANTS). `warns`: shown and kept, but no reason for a no-go.
"""

from __future__ import annotations

from typing import NamedTuple

from appliance.measure.units import LIKE


class Says(NamedTuple):
    """The sentences of one check. unit: of measured and needed; digits: how many decimals the figures deserve."""

    unit: str
    digits: int
    failing: str
    passing: str
    unknown: str
    warns: bool = False


NOT_TOLD = "Nothing has come to tell it by."


def _truth(unit: str, digits: int, failing: str, passing: str, warns: bool = False) -> Says:
    return Says(unit, digits, failing, passing, NOT_TOLD, warns)


TRUTH: dict[str, Says] = {
    # motion
    "position-frozen": _truth("s", 1, "The position has stood still for {m} while the speed says the machine moves.",
        "The position moves when the speed says so."),
    "position-jump": _truth("m", 1, "The position jumped by {m}; speed and fix allow {n}.",
        "The position runs on without a jump."),
    "gga-rmc-disagree": _truth("m", 1, "GGA and RMC tell places {m} apart for the same instant.",
        "GGA and RMC tell the same place."),
    "speed-disagrees": _truth("ratio of speeds", 2, "The speed told is {m} times that of the track.",
        "The speed told is that of the track."),
    "speed-negative": _truth("m/s", 1, "The speed told is below zero: {m}.", "No speed is below zero."),
    "speed-impossible": _truth("m/s", 1, "The speed told is {m}; no machine here does over {n}.",
        "No speed is out of reach."),
    "rmc-vtg-disagree": _truth("m/s", 2, "RMC and VTG tell speeds {m} apart for the same instant.",
        "RMC and VTG tell the same speed and course."),
    "course-disagrees": _truth("degrees", 0, "The course told is {m} off that of the track.",
        "The course told is that of the track."),
    "scatter-high": _truth("m", 2, "Parked, the position scatters {m} about its middle; its quality promises {n}.",
        "Parked, the position scatters no more than its quality promises.", warns=True),
    # clock
    "clock-stopped": _truth("s", 1, "The receiver's time has stood still for {m}, while sentences came.",
        "The receiver's time runs."),
    "clock-back": _truth("s", 2, "The receiver's time went back by {m}.", "The receiver's time never went back."),
    "clock-late": _truth("s", 0, "The receiver's time stepped by {m}, a whole number of leap seconds: it had not "
        "learned them yet.", "No step by leap seconds."),
    "clock-jump": _truth("s", 2, "The receiver's time jumped by {m}.", "The receiver's time runs without a jump."),
    "date-rolled-over": _truth("days", 0, "The date is {m} off: the receiver's week counter has rolled over. It says "
        "{says}; that implies {implies}.", "The date shows no roll-over of the week counter."),
    "date-disagrees": _truth("days", 0, "RMC and ZDA tell dates {m} apart.", "RMC and ZDA tell the same date."),
    "late": _truth("s", 2, "Sentences come {m} after their time; at most {n} is allowed.",
        "Sentences come in time."),
    "zone-strange": _truth("h", 2, "ZDA tells a time zone of {m}, which is no zone in use.",
        "The time zone in ZDA can be.", warns=True),
    # fix
    "position-null": _truth("", 0, "{type} claims a fix and gives no position.", "With a fix comes a position."),
    "simulated": _truth("", 0, "The receiver says that its position is simulated.", "The position is not simulated."),
    "manual": _truth("", 0, "The receiver says that its position was put in by hand.",
        "The position is not put in by hand."),
    "status-contradicts": _truth("", 0, "Status, mode and quality contradict each other in {type}.",
        "Status, mode and quality go together."),
    "hemisphere-flips": _truth("", 0, "The hemisphere changed from {before} to {after}, far from any line between "
        "them.",
        "The hemisphere stays."),
    "height-jump": _truth("m", 1, "The height jumped by {m}; the fix allows {n}.",
        "The height runs on without a jump."),
    "corrections-aging": _truth("s", 0, "Corrections no longer arrive: they are {m} old and reach {n} in {in_s:.0f} s.",
        "Corrections are renewed.", warns=True),
    "satellites-falling": _truth("satellites", 0, "Fewer and fewer satellites: {m} now, {n} before.",
        "The number of satellites holds.", warns=True),
    "hdop-rising": _truth("", 1, "HDOP rises: {m} now, {n} before.", "HDOP holds.", warns=True),
    "base-moved": _truth("", 0, "The corrections come from another base station: {after} in place of {before}.",
        "The base station stays.",
        warns=True),
    "geoid-changed": _truth("m", 1, "The geoid separation changed by {m}: heights shift with it.",
        "The geoid separation stays.", warns=True),
    "geoid-missing": _truth("", 0, "GGA gives no geoid separation.", "GGA gives the geoid separation.", warns=True),
    "talker-changed": _truth("", 0, "The talker of {type} changed in the middle of the watch, from {before} to "
        "{after}.", "The talker stays.", warns=True),
    "decimals-changed": _truth("decimals", 0, "The position now has {m} of a minute, before it had {n}.",
        "The number of decimals stays.", warns=True),
    "decimals-padded": _truth("decimals", 0, "The last digits of the position are always 0: it has {m} that mean "
        "something, of {n}.", "The decimals of the position are all used.", warns=True),
}  # fmt: skip

VARIANTS: dict[tuple[str, str], str] = {
    ("position-frozen", "standing"): "The position has moved for {m} while the speed told is zero.",
    ("position-jump", "fix-changed"): "The position jumped by {m} where the fix changed from quality {before:.0f} to "
    "{after:.0f}; these allow {n}.",
    ("course-disagrees", "reverse"): "The course told is opposite to that of the track ({m} off).",
    ("zone-strange", "changed"): "The time zone that ZDA tells changed, by {m}.",
    ("clock-jump", "days"): "The receiver's date jumped by {m}.",
    ("clock-back", "days"): "The receiver's date went back by {m}.",
    ("height-jump", "fix-changed"): "The height jumped by {m} where the fix changed from quality {before:.0f} to "
    "{after:.0f}; these allow {n}.",
    ("hemisphere-flips", "sentences"): "Sentences of one instant tell different hemispheres: {before} and {after}.",
    ("status-contradicts", "active"): "{type} says A, valid, in mode {mode}, which is not.",
    ("status-contradicts", "void"): "{type} says V, not valid, in a mode that is: {mode}.",
    ("status-contradicts", "none"): "{type} says A, valid, while GGA says that there is no fix.",
    ("status-contradicts", "mode"): "{type} tells mode {mode} beside quality {quality:.0f} in GGA.",
    ("rmc-vtg-disagree", "course"): "RMC and VTG tell different courses for the same instant: {rmc_deg:.0f} and "
    "{vtg_deg:.0f} degrees.",
}
"""(kind, note) -> the failing sentence for what else was found."""

_MIXED_UP = {
    "knots-kmh": ("km/h and knots", "1.852"),
    "mps-kmh": ("m/s and km/h", "3.6"),
    "mph": ("miles and kilometres an hour", "1.609"),
    "knots-mps": ("m/s and knots", "1.944"),
}
for _unit, (_pair, _factor) in _MIXED_UP.items():
    _told = "The speed told is {m} times that of the track"
    VARIANTS["speed-disagrees", _unit] = f"{_told}: {_pair} are mixed up (factor {_factor})."
    VARIANTS["speed-disagrees", LIKE + _unit] = (
        f"{_told}, as if {_pair} were mixed up (factor {_factor}). If so, it is the same at any speed."
    )
