"""The likely causes of a fault that is past, from what was stored of it: the faults of its time, the bytes kept around
it, and sums of the seconds.

The bytes go through the same meter that heard the line, which gives the same facts as live, but for some seconds only;
what takes longer to be known (how much came, for how long there was a fix) is put in from the sums.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field

from appliance.judge.causes import Known, Suspect, rank
from appliance.judge.faults import Fault
from appliance.judge.inquiry import DATED, facts, put_together
from appliance.judge.meter_settings import meter_settings
from appliance.judge.needs import Needs
from appliance.judge.truth_words import VARIANTS
from appliance.measure.meter import LineMeter
from appliance.sentence.chunk import Chunk

BESIDE_NS = 15_000_000_000
"""Faults that were on so long before or after one are weighed with it: a receiver that starts anew has no fix for some
seconds, and rates are counted over ten. Our choice."""


@dataclass(slots=True)
class Sums:
    """What the seconds before and in a fault come to. by_type: good sentences of each type."""

    seconds: int = 0
    bytes: int = 0
    sentences: int = 0
    damaged_seconds: int = 0
    fixed_seconds: int = 0
    by_type: dict[str, int] = field(default_factory=dict)

    def add(self, bytes_: int, damaged: int, quality: int | None, messages: Mapping[str, int]) -> None:
        """One second. messages: good sentences by talker and type."""
        self.seconds += 1
        self.bytes += bytes_
        self.sentences += sum(messages.values())
        self.damaged_seconds += damaged > 0
        self.fixed_seconds += bool(quality)
        for name, count in messages.items():
            self.by_type[name[-3:]] = self.by_type.get(name[-3:], 0) + count


def suspects(
    needs: Needs, fault: Fault, faults: Sequence[Fault], *, chunks: Iterable[Chunk], baud: int, sums: Sums
) -> list[Suspect]:
    """The likely causes of one fault, the likeliest first, at most three.

    Such as explain faults of its kind; where none does, those that explain what was on beside it: a gap in the midst of
    noise comes of the noise. faults: all of its watch that were on within BESIDE_NS of it, with itself. chunks:
    the bytes kept, in order.
    """
    meter = LineMeter(meter_settings(needs, baud))
    for chunk in chunks:
        meter.feed(chunk)
    reasons = " and ".join(meter.errors.reasons)
    noted = [(one, reasons if one.kind == "sentence-damaged" else _note(one)) for one in faults]
    told = facts(needs, meter, None, noted, 0.0)
    troubled = {one.message for one in faults}
    fine = [type_ for type_ in needs.messages if sums.by_type.get(type_) and type_ not in troubled]
    told |= {
        "bytes": sums.bytes, "sentences": sums.sentences, "heard": sums.seconds, "fixed_s": sums.fixed_seconds,
        "errored_share": sums.damaged_seconds / max(1, sums.seconds),
        "date_sentences": sum(sums.by_type.get(type_, 0) for type_ in DATED),
        "fine": " and ".join(fine), "fine_count": len(fine),
    }  # fmt: skip
    known = Known(put_together(noted), told)
    return rank(known, about=fault.kind) or rank(known)


def _note(fault: Fault) -> str:
    """What else was found, read from the sentence that was kept: it is the only trace of it."""
    for (kind, note), template in VARIANTS.items():
        if kind == fault.kind and fault.says.startswith(template.partition("{")[0]) and _ends_as(template, fault.says):
            return note
    return fault.says if fault.kind == "message-missing" else ""


def _ends_as(template: str, says: str) -> bool:
    """Whether each piece of a template between its figures is in a sentence, one after the other."""
    at = 0
    for piece in template.split("{"):
        words = piece.partition("}")[2] if "}" in piece else piece
        found = says.find(words, at)
        if found < 0:
            return False
        at = found + len(words)
    return True
