"""A fault with its evidence as plain text: to send, to print, to put beside a work order."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

from appliance.site.losses import WHAT_WORDS
from appliance.site.words import LINE_WORDS, amount, brief, plain_day_clock, seconds

if TYPE_CHECKING:
    from appliance.site.fault_page import Seen

CLIP_WORDS = {"opening": "Around its start", "closing": "Around its end", "whole": "What was on the line"}


def text(seen: Seen) -> str:
    """The whole, rows ended by CR LF as the phone's readers of text like it."""
    return "\r\n".join([*_head(seen), *_causes(seen), *_losses(seen), *_figures(seen), *_bytes(seen), ""])


def _head(seen: Seen) -> Iterator[str]:
    fault = seen.fault
    yield f"linelamp {seen.watch.version}, fault {fault.id} of watch {seen.watch.id}: {fault.kind}"
    yield fault.says
    yield ""
    unsure = "" if seen.watch.dated else " (by the box's own clock, may be wrong)"
    yield f"Machine   {seen.watch.machine}"
    yield f"Needs     {seen.watch.needs_name}"
    yield f"Line      {LINE_WORDS.get(fault.line, fault.line)}"
    if fault.message:
        yield f"Message   {fault.message}"
    yield f"Since     {plain_day_clock(seen.start)} UTC{unsure}"
    lasted = f"{plain_day_clock(seen.end)} UTC, lasted {seconds(seen.lasted_s)}" if seen.end else "still on"
    yield f"Until     {lasted}"
    yield f"Measured  {amount(fault.measured, fault.unit)}"
    yield f"Needed    {amount(fault.needed, fault.unit)}"


def _causes(seen: Seen) -> Iterator[str]:
    for number, one in enumerate(seen.suspects):
        if number == 0:
            yield ""
            yield "LIKELY CAUSES"
        yield f"{number + 1}. {one.cause.says} (weight {one.weight:.2f})"
        yield f"   Because: {one.because_says}"
        yield f"   Try first, about {one.cause.minutes} min: {one.first}"
        yield f"   Proved when: {one.cause.proof}"


def _losses(seen: Seen) -> Iterator[str]:
    if seen.losses:
        yield ""
        yield "WHAT THE CONTROLLER WOULD HAVE LOST MEANWHILE"
    for loss in seen.losses:
        lasted = "still on" if loss.on else f"for {brief(loss.lasted_s)}"
        yield f"{WHAT_WORDS.get(loss.what, loss.what)} from {plain_day_clock(loss.start)} UTC, {lasted}"


def _figures(seen: Seen) -> Iterator[str]:
    for one in seen.around:
        if one.pictures:
            yield ""
            yield f"MEASURED, {one.window.title.upper()}"
        yield from (picture.says for picture in one.pictures)


def _bytes(seen: Seen) -> Iterator[str]:
    if seen.gone:
        yield ""
        yield seen.gone
    for clip, rows in seen.clips:
        yield ""
        yield f"{CLIP_WORDS[clip.label].upper()} ({LINE_WORDS.get(clip.line, clip.line)})"
        yield "Seconds from the start of the fault; bytes that are no letters as \\x and two digits."
        for row in rows:
            yield f"{row.at_s:+10.3f}  {row.text}"
            if row.says:
                yield f"{'':12}! {row.says}"
            if row.meant:
                yield f"{'':12}= {row.meant}"
        if not rows:
            yield "Nothing came in this time."
