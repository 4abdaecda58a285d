"""Faults of the receiver's clock: times and dates that stand, jump or contradict each other."""

from __future__ import annotations

from .fault import Change, Dose, Fault
from .said import PLACES, Said, place, rewritten, shift_date, shift_time

ROLLED_DAYS = 7168  # 1024 weeks, after which the counter of the satellites begins anew


def _stopped(_: Dose) -> Change:
    """Times and dates stay those of the first sentence in the span."""
    kept: dict[str, str] = {}

    def edit(said: Said) -> None:
        if said.message in PLACES["time"] and said.fields[place(said, "time")]:
            at = place(said, "time")
            said.fields[at] = kept.setdefault("time", said.fields[at])

    return rewritten(edit)


def _shifted(dose: Dose) -> Change:
    return rewritten(lambda said: shift_time(said, dose.intensity))


def _redated(dose: Dose) -> Change:
    def edit(said: Said) -> None:
        if dose.what in ("", said.message):
            shift_date(said, int(dose.intensity))

    return rewritten(edit)


def _date_missing(_: Dose) -> Change:
    def edit(said: Said) -> None:
        if said.message == "ZDA":
            said.fields[1:4] = ["", "", ""]
        elif said.message == "RMC":
            said.fields[place(said, "date")] = ""

    return rewritten(edit)


def _zone(dose: Dose) -> Change:
    def edit(said: Said) -> None:
        if said.message == "ZDA":
            said.fields[4] = f"{dose.intensity:+03.0f}"

    return rewritten(edit)


CLOCK: dict[str, Fault] = {
    "clock-stopped": Fault("the time stands still", "", 1, _stopped),
    "clock-back": Fault("the time goes back", "s", -30, _shifted),
    "clock-jump": Fault("the time leaps on", "s", 100, _shifted),
    "leap-seconds": Fault("the time is ahead by the leap seconds", "s", 18, _shifted),
    "date-rolled-over": Fault("the date is 1024 weeks back", "days", -ROLLED_DAYS, _redated),
    "dates-disagree": Fault("ZDA gives another date than RMC", "days", 1, _redated, what="ZDA"),
    "date-missing": Fault("RMC and ZDA carry no date", "", 1, _date_missing),
    "zone-strange": Fault("ZDA gives a zone that there is not", "h", 17, _zone),
}
