"""Faults of the fix: what the receiver claims of its quality, its satellites, its corrections and its height."""

from __future__ import annotations

from collections.abc import Callable

from .fault import Change, Dose, Fault
from .said import PLACES, Said, has_corrections, move, place, replaced, rewritten, set_mode
from .talk import COLD, cold, seal
from .wander import ERROR_M, Wander

MODE_STATUS = {"status": 0, "mode": 1}  # of a pair such as AE


def _no_fix(_: Dose) -> Change:
    def make(said: Said) -> bytes:
        if said.message not in COLD:
            return said.sealed()
        status = said.message != "RMC" or len(said.fields) > 12
        return seal(cold(said.talker, said.message, status))

    return replaced(make)


def _quality(dose: Dose) -> Change:
    """Claims another quality, and adds the error that goes with it: it can make a position worse, not better."""
    quality = int(dose.intensity)
    wander, error_m = Wander(f"quality {dose.seed}"), ERROR_M[quality]

    def edit(said: Said) -> None:
        north, east, _ = wander.at(said.due_s)
        move(said, north * error_m, east * error_m)
        set_mode(said, quality)

    return rewritten(edit)


def _age_grows(dose: Dose) -> Change:
    def edit(said: Said) -> None:
        if said.message == "GGA" and has_corrections(said):
            age = place(said, "age")
            grown_s = float(said.fields[age]) + (said.due_s - dose.start_s) * dose.intensity
            said.fields[age] = f"{grown_s:.1f}"

    return rewritten(edit)


def _field(name: str, form: str) -> Callable[[Dose], Change]:
    """A fault that puts its intensity into one field of GGA."""

    def make(dose: Dose) -> Change:
        def edit(said: Said) -> None:
            if said.message == "GGA":
                said.fields[place(said, name)] = format(dose.intensity, form)

        return rewritten(edit)

    return make


def _contradicts(dose: Dose) -> Change:
    """Puts a pair of status and mode letters into RMC and GLL, and leaves GGA as it is."""

    def edit(said: Said) -> None:
        if said.message in PLACES["status"]:
            for field, letter in MODE_STATUS.items():
                if place(said, field) < len(said.fields):
                    said.fields[place(said, field)] = dose.what[letter]

    return rewritten(edit)


def _trend(name: str, form: str, least: float, most: float) -> Callable[[Dose], Change]:
    """A fault that lets a field of GGA drift by its intensity in each second, within bounds."""

    def make(dose: Dose) -> Change:
        def edit(said: Said) -> None:
            if said.message == "GGA" and said.fields[place(said, name)]:
                drift = dose.intensity * (said.due_s - dose.start_s)
                drifted = float(said.fields[place(said, name)]) + drift
                said.fields[place(said, name)] = format(max(least, min(most, drifted)), form)

        return rewritten(edit)

    return make


def _added(name: str) -> Callable[[Dose], Change]:
    """A fault that adds its intensity to a length in GGA."""

    def make(dose: Dose) -> Change:
        def edit(said: Said) -> None:
            if said.message == "GGA" and said.fields[place(said, name)]:
                said.fields[place(said, name)] = f"{float(said.fields[place(said, name)]) + dose.intensity:.3f}"

        return rewritten(edit)

    return make


def _geoid_missing(_: Dose) -> Change:
    def edit(said: Said) -> None:
        if said.message == "GGA":
            at = place(said, "geoid")
            said.fields[at : at + 2] = ["", ""]

    return rewritten(edit)


def _base_moved(dose: Dose) -> Change:
    def edit(said: Said) -> None:
        if said.message == "GGA" and has_corrections(said):
            said.fields[place(said, "station")] = dose.what

    return rewritten(edit)


def _position_null(dose: Dose) -> Change:
    """The position is empty in one type, or in all; what else is claimed stays."""

    def edit(said: Said) -> None:
        at = said.position
        if at is not None and dose.what in ("", said.message):
            said.fields[at : at + 4] = [""] * 4

    return rewritten(edit)


def _hemisphere(dose: Dose) -> Change:
    """East becomes west, or west east (intensity 2: north and south), in one type."""

    def edit(said: Said) -> None:
        at = said.position
        if at is not None and said.message == dose.what:
            side = at + (1 if dose.intensity == 2 else 3)
            said.fields[side] = _OPPOSITE[said.fields[side]]

    return rewritten(edit)


_OPPOSITE = {"N": "S", "S": "N", "E": "W", "W": "E"}


def _claimed(dose: Dose) -> Change:
    """Claims another quality with all that belongs to it; the position stays as good as it was."""
    return rewritten(lambda said: set_mode(said, int(dose.intensity)))


FIX: dict[str, Fault] = {
    "no-fix": Fault("no position yet: empty sentences", "", 1, _no_fix),
    "quality": Fault("the fix falls to another quality", "quality number", 5, _quality),
    "simulated": Fault("the receiver says that it simulates", "quality number", 8, _claimed),
    "manual": Fault("the position is said to be put in by hand", "quality number", 7, _claimed),
    "status-contradicts": Fault("RMC says valid and no fix in one", "", 1, _contradicts, what="AN"),
    "age-grows": Fault("corrections no longer arrive and grow old", "s in each s", 1, _age_grows),
    "satellites": Fault("fewer satellites are used", "satellites", 3, _field("satellites", "02.0f")),
    "hdop": Fault("the satellites stand badly", "HDOP", 6, _field("hdop", ".2f")),
    "satellites-fall": Fault(
        "satellites go one by one", "satellites in each s", -0.3, _trend("satellites", "02.0f", 0, 99)
    ),
    "hdop-rises": Fault("HDOP grows and grows", "HDOP in each s", 0.1, _trend("hdop", ".2f", 0.3, 99)),
    "base-moved": Fault("corrections come from another base", "", 1, _base_moved, what="0999"),
    "height-jump": Fault("the height jumps", "m", 5, _added("altitude")),
    "geoid-missing": Fault("the geoid separation is empty", "", 1, _geoid_missing),
    "geoid-changed": Fault("the geoid separation is another", "m", -20, _added("geoid")),
    "position-null": Fault("the position is empty although a fix is claimed", "", 1, _position_null, what="GGA"),
    "hemisphere": Fault("one type puts the place on the other side", "1 = E/W, 2 = N/S", 1, _hemisphere, what="RMC"),
}
