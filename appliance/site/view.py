"""From the live picture to what the templates need: which checks belong to which message, in which order, how shown."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import timedelta
from typing import Any

from appliance.history.schema import RECEIVER
from appliance.judge.words import SAYS
from appliance.site.cards import WORST_FIRST, cards, worst
from appliance.site.day import strip
from appliance.site.glance import Past, last_faults, row_of
from appliance.site.lines import rows as side_by_side
from appliance.site.losses import WHAT_WORDS, saw
from appliance.site.picture import Sight
from appliance.site.truth import Figure, figures
from appliance.site.words import LINE_WORDS, PATTERN_WORDS, PINS_WORDS, SOURCE_WORDS, STATE_WORDS, from_iso, span, stamp

PROOF_FROM_S = 60.0
"""Before a minute a clean run proves too little to be told. Our choice."""

PARTS = (
    "head", "verdict", "wiggle", "messages", "fix", "truth", "wire", "controller", "checks", "fields",
    "losses", "faults", "day", "marks", "box",
)  # fmt: skip
"""The parts of the front page that live on their own, in the order of the templates in parts/."""

CAME_BACK_S = 3600.0
"""For so long after a no-go the page goes on telling of it. Our choice."""
ALL_RIGHT = "controller"
"""The cause that stands where nothing was found on the line."""


@dataclass(slots=True, frozen=True)
class MessageRow:
    """A message of one line as the table shows it. state: the worst of its checks, "" where nothing is asked of it.

    heard: None for a message that is needed and has never come. damaged_ratio: share of all that came.
    """

    type: str
    state: str
    heard: dict[str, Any] | None
    needed_hz: float | None
    damaged_ratio: float | None


def context(sight: Sight, past: Past) -> dict[str, Any]:
    """All that the parts need."""
    picture = sight.picture
    words = {
        "line_words": LINE_WORDS,
        "source_words": SOURCE_WORDS,
        "state_words": STATE_WORDS,
        "what_words": WHAT_WORDS,
    }
    known = {"says": sight.says, "past": past, "day": strip(past.cells), "faults": last_faults(past, picture)}
    if picture is None:
        return {**words, **known, "state": "no-go", "picture": None, "lines": {}}
    return {
        **words,
        **known,
        "picture": picture,
        "state": picture["verdict"]["state"],
        "now": from_iso(picture["at_utc"]),
        "since": _since(picture),
        "came_back": (came_back := _came_back(picture)),
        "suspects": _suspects(picture, came_back is not None),
        "proof": _proof(picture),
        "failing": [check for check in picture["checks"] if check["state"] == "fail"],
        "warned": [check for check in picture["checks"] if check["state"] == "warn"],
        "tally": _tally(picture["checks"]),
        "lines": {line["name"]: line for line in picture["lines"]},
        "side_by_side": side_by_side(picture["lines"]),
        "saw": saw(picture),
        "truth": _truth(picture),
        "rows": {line["name"]: rows(line, picture["checks"]) for line in picture["lines"]},
        "cards": {line["name"]: cards(line, picture["checks"]) for line in picture["lines"]},
        "troubles": _troubles(picture["box"], past),
        "lamps_say": PINS_WORDS.get(picture["lamps"]["pins"], ""),
        "pattern_says": PATTERN_WORDS.get(picture["lamps"]["pattern"], ""),
    }


def rows(line: dict[str, Any], checks: Iterable[dict[str, Any]]) -> list[MessageRow]:
    """The messages of a line: first those that are needed, in the order they came in, those that never came too."""
    asked: dict[str, list[dict[str, Any]]] = {}
    for check in checks:
        if check["message"] and check["line"] == line["name"]:
            asked.setdefault(check["message"], []).append(check)
    heard = []
    for message in line["messages"]:
        sent = message["count"] + message["bad"]
        ratio = message["bad"] / sent if sent else None
        state = worst(asked.get(message["type"], ())) if message["needed_hz"] is not None else ""
        heard.append(MessageRow(message["type"], state, message, message["needed_hz"], ratio))
    came = {message["type"] for message in line["messages"]}
    never = [MessageRow(type_, worst(told), None, None, None) for type_, told in asked.items() if type_ not in came]
    needed = [row for row in heard if row.needed_hz is not None]
    return [*never, *needed, *(row for row in heard if row.needed_hz is None)]


def _truth(picture: dict[str, Any]) -> dict[str, list[Figure]]:
    """Motion and clock, which are those of the line from the receiver."""
    heard = [line for line in picture["lines"] if line["name"] == RECEIVER]
    return figures(heard[0], picture["watch"]["started_utc"]) if heard else {}


def _tally(checks: list[dict[str, Any]]) -> str:
    counts = {state: sum(check["state"] == state for check in checks) for state in WORST_FIRST}
    told = {"fail": "not met", "warn": "to look at", "unknown": "not known yet", "pass": "met"}
    return ", ".join(f"{count} {told[state]}" for state, count in counts.items() if count)


def _troubles(box: dict[str, Any], past: Past) -> list[str]:
    """The box's own troubles, each told once."""
    return list(dict.fromkeys(said for said in (*box["says"], box["history_says"], past.says) if said))


def _proof(picture: dict[str, Any]) -> str:
    """What the clean run proves, and until when to leave the box in; empty where too little was heard to say."""
    proof, now = picture.get("proof"), from_iso(picture["at_utc"])
    if not proof or proof["clean_s"] < PROOF_FROM_S:
        return ""
    says = f"That proves, at 95 %, that at most {proof['bad_share_at_most'] * 100:.2g} % of seconds are bad"
    left_s = proof["hourly_ruled_out_in_s"]
    if left_s == 0:
        return f"{says}, and rules out a fault that comes once an hour."
    until = f" (at {stamp(now + timedelta(seconds=left_s))})" if now else ""
    return f"{says}. A fault that comes once an hour is ruled out after {span(left_s)} more{until}."


def _came_back(picture: dict[str, Any]) -> dict[str, Any] | None:
    """The last no-go of this watch, while a go has come back from it for less than an hour: as rows of faults are."""
    if picture["verdict"]["state"] != "go" or (picture["verdict"]["clean_s"] or 0.0) > CAME_BACK_S:
        return None
    failed = (one for one in picture["faults_recent"] if not SAYS[one["kind"]].warns)
    last = next(failed, None)
    return None if last is None else row_of(last, picture["watch"]["seconds"])


def _suspects(picture: dict[str, Any], came_back: bool) -> list[dict[str, Any]]:
    """The likely causes that are worth telling: while it is no go, and where it was none of late."""
    told = picture["verdict"]["state"] == "no-go" or came_back
    return [cause for cause in picture.get("causes", ()) if told and cause["id"] != ALL_RIGHT]


def _since(picture: dict[str, Any]) -> dict[str, Any]:
    """Since when the verdict stands: how long, and at what time where UTC is known."""
    since_s, now = picture["verdict"]["since_s"], from_iso(picture["at_utc"])
    lasted = "under 1 s" if since_s is not None and since_s < 1 else span(since_s)
    return {"lasted": lasted, "at": now - timedelta(seconds=since_s) if now and since_s is not None else None}
