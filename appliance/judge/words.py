"""What each check says, for each state, in plain sentences: one table.

`{message}`: the sentence type. `{m}`, `{n}`: measured and needed with their unit. `{note}`: what else was found.
"""

from __future__ import annotations

import re

from appliance.judge.truth_words import NOT_TOLD, TRUTH, Says

_NEXT_SENTENCE = re.compile(r"(?<=\.)\s+(?=[A-Z])")

DAMAGE_WORDS = {
    "cut-short": "cut short",
    "overlong": "without an end",
    "alphabet-wrong": "with bytes that are no letters",
    "checksum-missing": "without a checksum",
    "checksum-bad": "with a wrong checksum",
    "address-wrong": "with no talker and type",
    "field-count-wrong": "with a wrong number of fields",
    "field-wrong": "with a field that cannot be",
    "start-missing": "without a start",
}
"""Why a sentence is refused, by the reason of the framer and the parser."""

SAYS: dict[str, Says] = {
    "settings-faulty": Says("", 0, "{note}", "This box's settings are in order.", NOT_TOLD),
    "port-lost": Says("", 0, "{note}", "The port is open.", "The port has not been opened yet."),
    "tap-overrun": Says("", 0, "{note}", "This box has kept up with the line.", NOT_TOLD),
    "pins-crossed": Says("", 0, "{note}", "Each line carries its own talker.", NOT_TOLD),
    "line-held-low": Says("", 0, "{note}", "The line is not held low.", NOT_TOLD),
    "silent": Says(
        "s", 2,
        "Nothing {note} from the receiver for {m}; a pause of at most {n} is allowed.",
        "Bytes are coming; the last pause was within {n}.",
        "Whether the line fell silent cannot be told: {note}.",
    ),
    "polarity-inverted": Says("", 0, "{note}", "The polarity is right, or nothing speaks against it.", NOT_TOLD),
    "baud-wrong": Says("", 0, "{note}", "The line talks at the baud needed, or nothing speaks against it.", NOT_TOLD),
    "format-wrong": Says("", 0, "{note}", "The line talks 8N1, or nothing speaks against it.", NOT_TOLD),
    "binary": Says("", 0, "{note}", "What comes is text.", NOT_TOLD),
    "two-talkers": Says("", 0, "{note}", "One talker is on the line.", NOT_TOLD),
    "contact-loss": Says("ms", 0, "{note}", "No loss of contact in the last 10 s.", NOT_TOLD),
    "noise": Says("sentences", 0, "{note}", "No noise in the last 10 s.", NOT_TOLD),
    "checksum-bad": Says(
        "sentences", 0,
        "{m} with a wrong checksum in the last 10 s; {n} allowed.",
        "{m} with a wrong checksum in the last 10 s; {n} allowed.",
        "No sentence has come to be checked.",
    ),
    "checksum-missing": Says(
        "sentences", 0,
        "{m} without a checksum in the last 10 s; the controller requires one.",
        "Every sentence has a checksum.",
        "No sentence has come to be checked.",
    ),
    "sentence-damaged": Says(
        "sentences", 0,
        "{m} cut short or garbled in the last 10 s; {n} allowed ({note}).",
        "{m} cut short or garbled in the last 10 s; {n} allowed.",
        "No sentence has come to be checked.",
    ),
    "message-missing": Says(
        "s", 1,
        "{message} is needed and has never come in {m} of listening.{note}",
        "{message} is coming.",
        "{message} has not been waited for long enough.",
    ),
    "gap": Says(
        "s", 2,
        "{message} {note} away for {m}; a gap of at most {n} is allowed.",
        "{message} has had no gap over {n} of late.",
        "No gap of {message} can be told yet.",
    ),
    "talker-not-accepted": Says(
        "", 0,
        "{message} comes from talker {note}, which the controller does not accept.",
        "{message} comes from a talker that the controller accepts.",
        "Who sends {message} is not known yet.",
    ),
    "rate-low": Says(
        "Hz", 2,
        "{message} comes at {m}; at least {n} is needed.",
        "{message} comes at {m}; at least {n} is needed.",
        "The rate of {message} cannot be told yet.",
    ),
    "rate-high": Says(
        "Hz", 2,
        "{message} comes at {m}; at most {n} is wanted.",
        "{message} comes at {m}; at most {n} is wanted.",
        "The rate of {message} cannot be told yet.",
    ),
    "no-fix": Says(
        "", 0,
        "The receiver has no fix{note}.",
        "The receiver has a fix.",
        "No sentence has told of the fix yet.",
    ),
    "quality-not-accepted": Says(
        "", 0,
        "The fix has quality {m} ({note}), which the controller does not accept.",
        "The fix has quality {m} ({note}), which the controller accepts.",
        "The quality of the fix is not known.",
    ),
    "age-high": Says(
        "s", 0,
        "The corrections are {m} old; at most {n} is allowed.",
        "The corrections are {m} old; at most {n} is allowed.",
        "The receiver tells no age of corrections, which is usual where it uses none.",
    ),
    "satellites-few": Says(
        "satellites", 0,
        "The fix uses {m}; at least {n} are needed.",
        "The fix uses {m}; at least {n} are needed.",
        "How many satellites the fix uses is not known.",
    ),
    "hdop-high": Says(
        "", 1,
        "HDOP is {m}; at most {n} is allowed: the satellites stand badly or are hidden.",
        "HDOP is {m}; at most {n} is allowed.",
        "HDOP is not known.",
    ),
    "decimals-few": Says(
        "decimals", 0,
        "The position has {m} of a minute; at least {n} are needed.",
        "The position has {m} of a minute; at least {n} are needed.",
        "No position has come whose decimals could be counted.",
    ),
    "sentence-long": Says(
        "characters", 0,
        "{note} had {m} lately; the controller reads at most {n}.",
        "The longest sentence had {m}; the controller reads at most {n}.",
        "No sentence has come to be measured.",
    ),
    "load-high": Says(
        "%", 0,
        "The line was {m} full in its fullest second; at most {n} is allowed.",
        "The line was {m} full in its fullest second; at most {n} is allowed.",
        "How full the line is cannot be told: {note}.",
    ),
    "date-missing": Says(
        "", 0,
        "No date has come in the last 10 s (RMC or ZDA carries it); the controller needs one.",
        "The date is coming.",
        "The date has not been waited for long enough.",
    ),
    **TRUTH,
}  # fmt: skip
"""Every check that there is, in order of importance."""


def found_and_advice(says: str) -> tuple[str, str]:
    """What a check found, in its first sentence, and what it says to try or to know beside that; "" for nothing."""
    found, *advice = _NEXT_SENTENCE.split(says, maxsplit=1)
    return found, "".join(advice)


def figure(value: float | None, says: Says) -> str:
    """A number with its unit and no more digits than it deserves."""
    if value is None:
        return "nothing"
    if says.unit == "%":
        return f"{value * 100:.0f} %"
    if says.unit == "s" and value >= 120:
        return duration(value)
    if value == 0 and says.unit == "sentences":
        return "no sentences"
    number = f"{value:.{says.digits}f}"
    if says.digits > 1 and "." in number:
        number = number.rstrip("0").rstrip(".")
    unit = "" if says.unit.startswith("ratio") else says.unit
    if value == 1 and unit.endswith("s") and len(unit) > 1:
        unit = unit[:-1]
    return f"{number} {unit}".rstrip()


def duration(seconds: float) -> str:
    """A length of time in the units that suit it: "8.2 s", "20 min 50 s", "3 h 4 min"."""
    if seconds < 120:
        return f"{seconds:.1f} s"
    minutes, rest = divmod(round(seconds), 60)
    if minutes < 60:
        return f"{minutes} min {rest} s"
    return f"{minutes // 60} h {minutes % 60} min"
