"""A sentence taken apart, so that a fault can change what it says and seal it again with a right sum."""

from __future__ import annotations

import math
import re
from collections.abc import Callable
from dataclasses import dataclass
from datetime import date, timedelta

from .drive import SEMI_MAJOR_M
from .receiver import Burst
from .talk import CORRECTED, INVALID_MODES, KNOT_MPS, MODES, latitude, longitude, seal

SENTENCE = re.compile(rb"\$([A-Z]{2})([A-Z]{3}),([^*\r\n]*)\*[0-9A-F]{2}\r\n")

# Places of fields after the address. Of the position it is the first of four: latitude, N, longitude, E.
PLACES = {
    "position": {"GGA": 1, "RMC": 2, "GLL": 0},
    "time": {"GGA": 0, "RMC": 0, "ZDA": 0, "GLL": 4, "GST": 0},
    "status": {"RMC": 1, "GLL": 5},
    "mode": {"RMC": 11, "VTG": 8, "GLL": 6},
    "date": {"RMC": 8},
    "quality": {"GGA": 5},
    "satellites": {"GGA": 6},
    "hdop": {"GGA": 7},
    "altitude": {"GGA": 8},
    "geoid": {"GGA": 10},
    "age": {"GGA": 12},
    "station": {"GGA": 13},
}
SPEEDS = {"RMC": ((6, KNOT_MPS),), "VTG": ((4, KNOT_MPS), (6, 1 / 3.6))}  # place, and metres a second of its unit
COURSES = {"RMC": (7,), "VTG": (0, 2)}


@dataclass(slots=True)
class Said:
    """One sentence, without its sum. due_s: when it is due."""

    talker: str
    message: str
    fields: list[str]
    due_s: float

    def sealed(self) -> bytes:
        """The sentence with its right sum and its line end."""
        return seal(",".join([self.talker + self.message, *self.fields]))

    @property
    def position(self) -> int | None:
        """Place of the latitude, or None where there is no position in it."""
        at = PLACES["position"].get(self.message)
        return at if at is not None and self.fields[at] and self.fields[at + 2] else None


def place(said: Said, field: str) -> int:
    """Where a field stands in this type of sentence; KeyError where it has none."""
    return PLACES[field][said.message]


def replaced(make: Callable[[Said], bytes]) -> Callable[[Burst], Burst]:
    """A change of bursts that puts what `make` gives in the place of each whole sentence; the rest stays as it is."""

    def change(burst: Burst) -> Burst:
        def one(match: re.Match[bytes]) -> bytes:
            talker, message, rest = (part.decode("latin-1") for part in match.groups())
            return make(Said(talker, message, rest.split(","), burst.due_s))

        return Burst(burst.due_s, SENTENCE.sub(one, burst.data))

    return change


def rewritten(edit: Callable[[Said], None]) -> Callable[[Burst], Burst]:
    """A change of bursts that lets `edit` alter each whole sentence, and seals it again."""

    def make(said: Said) -> bytes:
        edit(said)
        return said.sealed()

    return replaced(make)


def has_corrections(said: Said) -> bool:
    """Whether a GGA gives an age of corrections."""
    return bool(said.fields[place(said, "age")])


def set_mode(said: Said, quality: int) -> None:
    """Put a quality number into GGA, and the mode and status that belong to it into the other types."""
    for field, value in (("mode", MODES[quality]), ("status", "V" if MODES[quality] in INVALID_MODES else "A")):
        if said.message in PLACES[field] and place(said, field) < len(said.fields):
            said.fields[place(said, field)] = value
    if said.message == "GGA":
        said.fields[place(said, "quality")] = str(quality)
        if quality not in CORRECTED:
            said.fields[place(said, "age")] = said.fields[place(said, "station")] = ""


def move(said: Said, north_m: float, east_m: float) -> None:
    """Shift the position, if there is one, and keep its decimals."""
    at = said.position
    if at is None:
        return
    decimals = _decimals(said.fields[at])
    latitude_deg = _degrees(said.fields[at], said.fields[at + 1])
    longitude_deg = _degrees(said.fields[at + 2], said.fields[at + 3])
    parallel_m = SEMI_MAJOR_M * math.cos(math.radians(latitude_deg))
    said.fields[at : at + 4] = [
        *latitude(latitude_deg + math.degrees(north_m / SEMI_MAJOR_M), decimals),
        *longitude(longitude_deg + math.degrees(east_m / parallel_m), decimals),
    ]


def shorten_position(said: Said, decimals: int) -> None:
    """Cut the decimals of a minute to at most so many, as a receiver set to fewer does."""
    at = said.position
    if at is not None:
        for field in (at, at + 2):
            keep = 1 + decimals if decimals else 0
            whole, point, fraction = said.fields[field].partition(".")
            said.fields[field] = whole + (point + fraction)[:keep]


def pad_position(said: Said, characters: int) -> None:
    """Add zeros to the decimals of a minute until the sentence has so many characters, all in."""
    at = said.position
    if at is None:
        return
    missing = max(0, characters - len(said.sealed()))
    said.fields[at] += "0" * (missing - missing // 2)
    said.fields[at + 2] += "0" * (missing // 2)


def blank_decimals(said: Said, count: int) -> None:
    """Put zeros in the place of the last so many decimals of a minute, as many as there are at most."""
    at = said.position
    if at is not None:
        for field in (at, at + 2):
            text = said.fields[field]
            zeros = min(count, _decimals(text))
            said.fields[field] = text[: len(text) - zeros] + "0" * zeros


def change_speed(said: Said, change: Callable[[float], float]) -> None:
    """Put another speed, in metres a second, in the place of each in RMC and VTG."""
    for at, unit_mps in SPEEDS.get(said.message, ()):
        if said.fields[at]:
            said.fields[at] = f"{change(float(said.fields[at]) * unit_mps) / unit_mps:.3f}"


def turn_course(said: Said, degrees: float) -> None:
    """Turn the courses of RMC and VTG to the right."""
    for at in COURSES.get(said.message, ()):
        if said.fields[at]:
            said.fields[at] = f"{round((float(said.fields[at]) + degrees) * 100) % 36_000 / 100:.2f}"


def shift_time(said: Said, seconds: float) -> None:
    """Put the time of day on, or back where negative, and the date with it over midnight."""
    at = PLACES["time"].get(said.message)
    if at is None or not said.fields[at]:
        return
    text = said.fields[at]
    told = int(text[:2]) * 360_000 + int(text[2:4]) * 6_000 + round(float(text[4:]) * 100)
    days, hundredths = divmod(told + round(seconds * 100), 8_640_000)
    minutes, hundredths = divmod(hundredths, 6_000)
    said.fields[at] = f"{minutes // 60:02d}{minutes % 60:02d}{hundredths // 100:02d}.{hundredths % 100:02d}"
    shift_date(said, days)


def shift_date(said: Said, days: int) -> None:
    """Put the date of RMC or ZDA on by so many days, if there is one."""
    if said.message == "RMC" and (text := said.fields[place(said, "date")]):
        shifted = date(2000 + int(text[4:]), int(text[2:4]), int(text[:2])) + timedelta(days)
        said.fields[place(said, "date")] = f"{shifted:%d%m%y}"
    elif said.message == "ZDA" and said.fields[3]:
        day, month, year = (int(text) for text in said.fields[1:4])
        said.fields[1:4] = f"{date(year, month, day) + timedelta(days):%d,%m,%Y}".split(",")


def _decimals(text: str) -> int:
    return len(text.partition(".")[2])


def _degrees(text: str, side: str) -> float:
    whole = text.partition(".")[0]
    degrees = int(whole[:-2] or 0) + float(text[len(whole) - 2 :]) / 60
    return -degrees if side in "SW" else degrees
