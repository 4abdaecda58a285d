"""A fault with its evidence as plain text: to send, to print, to put beside a work order; in the reader's language."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import TYPE_CHECKING

from appliance.judge.names import NAMES
from appliance.site.losses import WHAT_WORDS
from appliance.site.words import LINE_WORDS, NOTHING, amount, brief, plain_day_clock, seconds

if TYPE_CHECKING:
    from appliance.site.fault_page import Seen
    from appliance.site.languages import Tongue

CLIP_WORDS = {"opening": "Around its start", "closing": "Around its end", "whole": "What was on the line"}
_OWN_CLOCK = "by the box's own clock, may be wrong"
_DEEP = " " * 12


def text(seen: Seen, tongue: Tongue) -> str:
    """The whole, rows ended by CR LF as the phone's readers of text like it. Times are UTC, and say so."""
    parts = (_head, _causes, _losses, _figures, _bytes)
    return "\r\n".join([*(row for part in parts for row in part(seen, tongue)), ""])


def _head(seen: Seen, tongue: Tongue) -> Iterator[str]:
    fault, say = seen.fault, tongue.say
    number, watch = fault.id, seen.watch.id
    about = say(f"fault {number} of watch {watch}")
    yield f"linelamp {seen.watch.version}, {about}: {say(NAMES.get(fault.kind, fault.kind))}"
    yield say(fault.says)
    yield ""
    unsure = "" if seen.watch.dated else f" ({say(_OWN_CLOCK)})"
    lasted = say(f"lasted {seconds(seen.lasted_s)}")
    facts = {
        "Machine": seen.watch.machine,
        "Needs sheet": seen.watch.needs_name,
        "Line": say(LINE_WORDS.get(fault.line, fault.line)),
        "Message": fault.message,
        "Since": f"{say(_utc(plain_day_clock(seen.start)))}{unsure}",
        "Until": f"{say(_utc(plain_day_clock(seen.end)))}, {lasted}" if seen.end else say("still on"),
        "Measured": say(amount(fault.measured, fault.unit)),
        "Needed": say(amount(fault.needed, fault.unit)),
    }
    yield from _beside((say(name), value) for name, value in facts.items() if value)


def _beside(facts: Iterable[tuple[str, str]]) -> list[str]:
    """Names, and what they are called by, in two columns."""
    kept = list(facts)
    wide = max(len(name) for name, _ in kept) + 2
    return [f"{name:{wide}}{value}" for name, value in kept]


def _utc(clock: str) -> str:
    return clock if clock == NOTHING else f"{clock} UTC"


def _causes(seen: Seen, tongue: Tongue) -> Iterator[str]:
    say = tongue.say
    for number, one in enumerate(seen.suspects):
        if number == 0:
            yield ""
            yield say("Likely causes").upper()
        weight = say(f"{one.weight * 100:.0f} %")
        yield f"{number + 1}. {say(one.cause.says)} ({weight})"
        yield f"   {say('Because:')} {say(one.because_says)}"
        minutes = one.cause.minutes
        yield f"   {say(f'Try first, about {minutes} min:')} {say(one.first)}"
        yield f"   {say('Proved when:')} {say(one.cause.proof)}"


def _losses(seen: Seen, tongue: Tongue) -> Iterator[str]:
    say = tongue.say
    if seen.losses:
        yield ""
        yield say("What the controller would have lost meanwhile").upper()
    for loss in seen.losses:
        lasted = "still on" if loss.on else f"for {brief(loss.lasted_s)}"
        since = say(_utc(plain_day_clock(loss.start)))
        yield f"{since}: {say(WHAT_WORDS.get(loss.what, loss.what))}, {say(lasted)}"


def _figures(seen: Seen, tongue: Tongue) -> Iterator[str]:
    say = tongue.say
    for one in seen.around:
        if one.pictures:
            yield ""
            yield f"{say('Measured')}, {say(one.window.title)}".upper()
        yield from (say(picture.says) for picture in one.pictures)


def _bytes(seen: Seen, tongue: Tongue) -> Iterator[str]:
    say = tongue.say
    if seen.gone:
        yield ""
        yield say(seen.gone)
    for clip, rows in seen.clips:
        yield ""
        yield f"{say(CLIP_WORDS[clip.label]).upper()} ({say(LINE_WORDS.get(clip.line, clip.line))})"
        yield say("Seconds from the start of the fault; each byte that is no letter as two hexadecimal digits.")
        for row in rows:
            yield f"{row.at_s:+10.3f}  {row.text}"
            if row.says:
                yield f"{_DEEP}! {say(row.says)}"
            if row.meant:
                yield f"{_DEEP}= {row.meant}"
        if not rows:
            yield say("Nothing came in this time.")
