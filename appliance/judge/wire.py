"""Rules about the wire: what lies below the text. Each names one trouble, with its figures, how sure, and what to try.

They rest on the hunt (how the line is really set, and whether it carries text at all), on losses of contact, on the
clocks of two talkers, on the last byte before a silence, on the port's own counts, and on the other line. Where one of
them fails and no sentence gets through, nothing is asked of the text: one event is not counted twice.
"""

from __future__ import annotations

from collections.abc import Iterator

from appliance.judge.check import Check
from appliance.judge.wire_heard import GARBLED, Wire
from appliance.measure.belief import Belief
from appliance.measure.errors import NO_START, RECENT_NS
from appliance.measure.garble import SURPLUS_LEAST, SURPLUS_MISSING_MOST
from appliance.measure.sources import TWICE_LEAST
from appliance.sentence.setting import Setting

TWICE_MOST = 0.75
"""Above it the clock stands still, which one receiver can do alone."""
NOISE_LEAST = 3
"""Damaged sentences in 10 s that make noise; fewer are told as what they are. Our choice."""
_CONTACT_SHARE = 0.5
"""Share of the damage that must be losses of contact to be told as such."""
COUNTED_NS = 300_000_000
"""Where the driver counts the bytes that it lost, its word is waited for: it is asked ten times a second while bytes
come, and twice in silence. Our choice."""
_GNSS = frozenset({"GGA", "RMC", "VTG", "ZDA", "GLL", "GSA", "GSV", "GST"})
PASSES = {
    id_: Check(id_, "", "pass")
    for id_ in (
        "tap-overrun", "pins-crossed", "line-held-low", "polarity-inverted", "baud-wrong", "format-wrong", "binary",
        "two-talkers", "contact-loss", "noise",
    )
}  # fmt: skip
WIRE_IDS = frozenset(PASSES)
EXPLAINS_SILENCE = frozenset({"pins-crossed", "line-held-low", "binary"})
EXPLAINS_TEXT = frozenset({
    "pins-crossed", "line-held-low", "polarity-inverted", "baud-wrong", "format-wrong", "binary", "two-talkers",
    "noise",
})  # fmt: skip


def look(wire: Wire) -> Iterator[Check]:
    """Every rule about the wire, in order of importance. Where nothing is odd, which is asked first, all pass."""
    yield _lost_here(wire)
    yield _pins_crossed(wire)
    yield _held_low(wire)
    yield from _setting(wire)
    yield _binary(wire)
    # What the box itself lost looks like a loose contact or like noise: while it may be the cause, neither is told.
    damaged = [] if wire.lost_here else wire.meter.errors.recent(GARBLED, wire.now_ns)
    talkers = _two_talkers(wire, damaged)
    contact = _contact(wire, damaged)
    yield talkers
    yield contact
    explained = "fail" in (talkers.state, contact.state) or wire.lost_here
    noise = _noise(wire, [] if explained else wire.meter.errors.recent((*GARBLED, NO_START), wire.now_ns))
    yield noise if explained or noise.state == "fail" else _drowned(wire)


def _check(
    id_: str, since_ns: int | None, note: str, over_ns: int | None = None, measured: float | None = None
) -> Check:
    if since_ns is None:
        return PASSES[id_]
    return Check(id_, "", "fail", measured, None, since_ns, over_ns, note)


def _lost_here(wire: Wire) -> Check:
    if not wire.lost_here:
        return _check("tap-overrun", None, "")
    at_ns = wire.meter.lost_here_ns
    times = "once" if wire.meter.lost_here == 1 else f"{wire.meter.lost_here} times"
    note = f"This box itself lost bytes, {times} in this watch, because it did not keep up. The line is not to blame."
    return _check("tap-overrun", at_ns, note, at_ns)


def _pins_crossed(wire: Wire) -> Check:
    other = wire.other
    if wire.silent_since_ns is None or other is None:
        return _check("pins-crossed", None, "")
    here = sum(
        message.rate.count
        for (_, type_), message in other.messages.items()
        if type_ in _GNSS and wire.now_ns - message.rate.last_ns <= RECENT_NS
    )
    note = (
        f"The receiver's sentences come on the line from the controller ({here} of them), and none on its own: pins 2 "
        "and 3 are crossed. Try a straight cable in place of a null-modem one, or the other way round."
    )
    return _check("pins-crossed", wire.silent_since_ns if here >= 3 else None, note)


def _held_low(wire: Wire) -> Check:
    ending, counters = wire.meter.ending, wire.meter.counters
    broke = ending.broke and (ending.flawed or not _carries_bytes(wire))
    low = broke or (ending.cut_low and wire.reads)
    if not low:
        return _check("line-held-low", None, "")
    sure = "95" if counters is not None and counters.breaks else "70"
    sign = "a break" if broke else "cut off with zeros"
    note = (
        f"The line is held low and carries nothing (sure to {sure} %): its last byte was {sign}. A conductor is "
        "shorted to ground or to another, or the sender has no supply. Unplug one end after the other and see when it "
        "ends."
    )
    return _check("line-held-low", wire.silent_since_ns, note)


def _carries_bytes(wire: Wire) -> bool:
    """Whether what came last was a binary stream, in which a 0 is as good a byte as any."""
    belief, rtcm_ns, last_ns = wire.meter.hunt.belief, wire.meter.rtcm_ns, wire.meter.load.last_ns
    corrects = rtcm_ns is not None and last_ns is not None and last_ns - rtcm_ns <= RECENT_NS
    return corrects or (belief is not None and belief.candidate.kind == "binary")


def _setting(wire: Wire) -> Iterator[Check]:
    belief = None if wire.has_rtcm else wire.belief
    needed = Setting(wire.needs.baud)
    notes: dict[str, str] = {}
    if belief is not None and belief.candidate.kind in ("text", "inverted"):
        setting, sure = belief.candidate.setting, _percent(belief)
        if belief.candidate.kind == "inverted":
            notes["polarity-inverted"] = (
                f"What comes is text upside down, at {setting} ({sure}): the polarity is inverted. Look for a missing "
                "or a doubled RS-232 converter, or a port set to logic level; RS-232 idles negative."
            )
        if setting.baud != needed.baud:
            notes["baud-wrong"] = (
                f"The line talks at {setting.baud:,} baud; the controller needs {needed.baud:,} ({sure}). "
                f"Set the receiver's port to {needed.baud:,}."
            )
        elif setting.name != needed.name and belief.candidate.kind == "text":
            notes["format-wrong"] = (
                f"The line talks {setting.name}; the controller needs {needed.name} ({sure}). "
                f"Set the receiver's port to {needed.name}."
            )
    since_ns = wire.meter.hunt.belief_ns
    for id_ in ("polarity-inverted", "baud-wrong", "format-wrong"):
        yield _check(id_, since_ns if id_ in notes else None, notes.get(id_, ""))


def _binary(wire: Wire) -> Check:
    meter, belief = wire.meter, wire.belief
    if wire.has_rtcm:
        note = (
            f"Corrections come out of this port: {meter.rtcm.count} RTCM 3 messages, known by their CRC (sure). "
            "Switch them off on it, or use the port that is set to sentences."
        )
        return _check("binary", meter.rtcm_ns, note, meter.rtcm_ns)
    blind = belief is not None and belief.candidate.kind == "binary" and wire.unread
    if belief is None or not blind:
        return _check("binary", None, "")
    note = (
        f"What comes is no text at any usual baud ({_percent(belief)}): the port sends a maker's binary stream. Set it "
        "to NMEA 0183 sentences."
    )
    return _check("binary", meter.hunt.belief_ns, note)


def _two_talkers(wire: Wire, damaged: list[int]) -> Check:
    belief, share = wire.belief, wire.meter.sources.twice_share
    cause = "Two senders are joined on one line. Leave only one of them on it."
    if belief is not None and belief.candidate.kind == "two-talkers":
        note = f"What comes looks like two texts on top of one another ({_percent(belief)}). {cause}"
        return _check("two-talkers", wire.meter.hunt.belief_ns, note)
    if TWICE_LEAST <= share <= TWICE_MOST and not wire.unread:
        note = f"{share * 100:.0f} % of the sentences tell a time that was told before: two clocks speak. {cause}"
        return _check("two-talkers", wire.meter.last_sentence_ns, note)
    if len(damaged) >= NOISE_LEAST and wire.meter.garble.two_talkers(wire.meter.listening):
        note = f"{len(damaged)} sentences in the last 10 s were two texts on top of one another. {cause}"
        return _check("two-talkers", damaged[0], note, damaged[-1])
    garbled = 0 if wire.lost_here else _surplus(wire)
    if garbled:
        note = f"{garbled} sentences in the last 10 s were garbled, and yet none that was due is missing. {cause}"
        return _check("two-talkers", damaged[0], note)
    return _check("two-talkers", None, "")


def _surplus(wire: Wire) -> int:
    """How many sentences were garbled on top of all that were due; 0 where too few, or where they are missing."""
    meter, needed = wire.meter, wire.needs.messages
    found = [
        meter.garble.surplus(talker, type_, message.rate, needed[type_].rate_hz if type_ in needed else 0, wire.now_ns)
        for (talker, type_), message in meter.messages.items()
    ]
    garbled, missing = sum(one for one, _ in found), sum(one for _, one in found)
    return garbled if garbled >= SURPLUS_LEAST and missing <= SURPLUS_MISSING_MOST * garbled else 0


def _contact(wire: Wire, damaged: list[int]) -> Check:
    told_ns = wire.now_ns - (COUNTED_NS if wire.meter.counters is not None else 0)
    losses = [loss for loss in wire.meter.contact.recent(wire.now_ns) if loss.at_ns <= told_ns]
    if wire.lost_here or not wire.reads or not losses or len(losses) < _CONTACT_SHARE * len(damaged):
        return _check("contact-loss", None, "")
    longest_ms = max(loss.length_ns for loss in losses) / 1e6
    times = "once" if len(losses) == 1 else f"{len(losses)} times"
    note = (
        f"Contact was lost {times} in the last 10 s, for up to {longest_ms:.0f} ms: characters are missing and so is "
        "their time. Wiggle plug and cable; look for a loose pin or a chafed wire."
    )
    return _check("contact-loss", losses[0].at_ns, note, losses[-1].at_ns, longest_ms)


def _noise(wire: Wire, damaged: list[int]) -> Check:
    if len(damaged) < max(NOISE_LEAST, wire.needs.damaged_most + 1) or not wire.reads:
        return _check("noise", None, "")
    note = (
        f"{len(damaged)} sentences were garbled in the last 10 s, or came up where the line should rest, with no "
        "character missing: electrical noise, or a bad ground. See what runs when it happens; look at the screen and "
        "ground of the cable."
    )
    return _check("noise", damaged[0], note, damaged[-1], len(damaged))


def _drowned(wire: Wire) -> Check:
    """Noise that leaves next to no sentence, or none."""
    belief = wire.belief
    if belief is None or belief.candidate.kind != "noise" or not wire.reads:
        return _check("noise", None, "")
    note = (
        f"What comes is text that noise has drowned ({_percent(belief)}), and noise where the line should rest. See "
        "what runs when it happens; look at the screen and ground of the cable."
    )
    return _check("noise", wire.meter.hunt.belief_ns, note)


def _percent(belief: Belief) -> str:
    return f"sure to {min(99, int(belief.confidence * 100))} %"  # rounded down: nothing is sure to 100 %
