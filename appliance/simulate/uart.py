"""A listener's UART: a waveform becomes bytes with framing, parity and break marks, at the listener's own setting.

It samples the line 16 times a bit, on a grid of its own whose phase has nothing to do with the sender. The first low
sample after a high one is count 0 of a start bit. The bit is verified at its middle, or else was a false start; then
each bit is the majority of samples 7, 8 and 9 of its 16. Only the first stop bit is looked at, and as soon as it has
been decided the hunt for the next start edge begins.

What a low stop bit leads to is where real parts differ, so it is a choice:

    resync "mark"    the next start bit needs the line to have been high again. The usual receiver, and the Pi's: "when
                     the receiver is idle (UARTRXD continuously 1) and a LOW is detected" (PL011 manual, ARM DDI 0183)
    resync "start"   the low stop bit is taken for the next start bit (PC16550D data sheet, bit 3 of the line status)

A character that is low throughout, stop bit and all, is a break: byte 0, once, and in both cases the line must go
high before anything else is heard (the same two documents). In both the second stop bit is never looked at.

The model leaps from change to change. A change is seen at the first tick at or after it, so all arithmetic is on
whole ticks; two changes between the same two ticks are not seen at all. The 16 samples cost up to a 16th of a bit: a
start edge is seen late by up to one tick, so the middle sample lies 8 to 9 ticks into the bit. At 8N1 a fast sender
fails from 160/153 = +4.58 % on, a slow one from 144/152 = -5.26 % on; with any phase from +-5.26 and -5.88 % on.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterable, Iterator
from functools import cache
from random import Random
from typing import Literal, NamedTuple

from appliance.sentence.chunk import Chunk
from appliance.sentence.setting import Setting

from .wave import MARK, SECOND_NS, Waveform

OVERSAMPLING = 16
MIDDLE = 8  # ticks into a bit; the samples of a majority are this one and its neighbours

Resync = Literal["mark", "start"]
_Verdict = tuple[int, bool, bool, bool]  # byte, framing, parity, break


class Received(NamedTuple):
    """A character as a UART hands it over.

    end_s: when its (first) stop bit ended by the listener's clock, from the start edge as it saw it: right to half a
    sample for a sender whose clock is right. framing: the stop bit was low. parity: it did not fit. brk: a break;
    then byte is 0 and framing is set as well.
    """

    byte: int
    end_s: float
    framing: bool
    parity: bool
    brk: bool


class Uart:
    """One listener that hears a line piece by piece: feed it waveforms that adjoin.

    phase_seed: draws where its samples lie between those of the rest of the world. It starts to listen with the first
    waveform, in mid-stream if need be: the line must be high before a start bit can begin.
    """

    def __init__(self, setting: Setting, phase_seed: int = 0, *, resync: Resync = "mark") -> None:
        self.setting = setting
        self._resync_at_once = resync == "start"
        # Tick n lies at (n * SECOND_NS + phase) / rate_hz nanoseconds.
        self._rate_hz = OVERSAMPLING * setting.baud
        self._phase = Random(f"uart {phase_seed}").randrange(SECOND_NS)
        self._bits = 1 + setting.bits + (setting.parity != "N") + 1  # up to the first stop bit
        self._ticks: list[int] = []  # changes not yet dealt with; each toggles the level
        self._level = MARK  # before the first of them
        self._start: int | None = None  # tick of a start bit that needs no edge
        self._end_ns: int | None = None

    def feed(self, waveform: Waveform) -> list[Received]:
        """The characters whose stop bit can be decided by the end of this piece, in order.

        ValueError: the waveform does not begin where the last one ended.
        """
        if self._end_ns is None:
            self._level = waveform.level
        elif self._end_ns != waveform.start_ns:
            raise ValueError(f"the line was heard up to {self._end_ns} ns; this piece is from {waveform.start_ns} ns")
        elif self._level ^ (len(self._ticks) & 1) != waveform.level:
            self._see([waveform.start_ns])
        self._end_ns = waveform.end_ns
        self._see(waveform.times_ns)
        return self._decide(self._tick(waveform.end_ns))

    def _tick(self, t_ns: int) -> int:
        """The first tick at or after a time."""
        return -((self._phase - t_ns * self._rate_hz) // SECOND_NS)

    def _see(self, times_ns: list[int]) -> None:
        ticks, rate_hz, phase = self._ticks, self._rate_hz, self._phase
        last = ticks[-1] if ticks else None
        for t_ns in times_ns:
            tick = -((phase - t_ns * rate_hz) // SECOND_NS)
            if tick == last:  # the change and the one before it fall between the same two samples
                ticks.pop()
                last = ticks[-1] if ticks else None
            else:
                ticks.append(tick)
                last = tick

    def _decide(self, limit: int) -> list[Received]:
        """Take characters from the changes; samples before the tick `limit` are known."""
        heard: list[Received] = []
        ticks, count = self._ticks, len(self._ticks)
        ticks += (limit + 10**9, limit + 2 * 10**9)  # so that no look-ahead runs out of the list
        falls = 0 if self._level == MARK else 1  # index parity of the changes from high to low
        to_stop = OVERSAMPLING * (self._bits - 1) + MIDDLE
        masks, verdicts = _tables(self.setting.bits, self.setting.parity)
        rate_hz, half = self._rate_hz, SECOND_NS // 2 - self._phase
        whole = OVERSAMPLING * self._bits * SECOND_NS - half
        start, at = self._start, 0
        while True:
            if start is None:
                at += (at ^ falls) & 1
                if at >= count:
                    break
                first, after = ticks[at], at + 1
            else:
                first, after = start, at
            stop = first + to_stop
            if stop + 1 >= limit:
                break
            word = 0  # the bits as sampled, start bit lowest; the line is low until the first change
            tick = ticks[after]
            while tick <= stop:
                place = tick - first + OVERSAMPLING - MIDDLE - 1
                if place & 15 == 15 and ticks[after + 1] == tick + 1:
                    # Only the middle one of three samples differs: outvoted. After the stop bit, it is still an edge.
                    after += 1 if tick == stop else 2
                else:
                    word ^= masks[place >> 4]
                    after += 1
                tick = ticks[after]
            if word & 1:  # a false start: go on from the middle of what was no start bit
                at, start = bisect_right(ticks, first + MIDDLE, at), None
                continue
            byte, framing, parity, brk = verdicts[word >> 1]
            heard.append(Received(byte, (first * SECOND_NS + whole) / rate_hz / SECOND_NS, framing, parity, brk))
            at = after
            start = stop - MIDDLE if self._resync_at_once and framing and not brk else None
        at = min(at, count)
        while at and ticks[at - 1] >= limit:  # a change that the next piece may still undo within the same sample
            at -= 1
        self._level ^= at & 1
        self._start = start
        del ticks[count:], ticks[:at]
        return heard


@cache
def _tables(data_bits: int, parity: str) -> tuple[list[int], list[_Verdict]]:
    """Masks: the bits turned over by a change that sample k sees first. Verdicts: by the bits after the start bit."""
    checked = parity != "N"
    bits = data_bits + checked + 1
    masks = [(1 << bits + 1) - (1 << k) for k in range(bits + 2)]
    verdicts: list[_Verdict] = []
    for word in range(1 << bits):
        data = word & (1 << data_bits) - 1
        odd = (word & (1 << data_bits + checked) - 1).bit_count() & 1
        wrong = checked and odd != (parity == "O")
        verdicts.append((data, not word >> bits - 1, bool(wrong and word), word == 0))
    return masks, verdicts


def receive(
    waveform: Waveform,
    setting: Setting,
    phase_seed: int = 0,
    from_s: float | None = None,
    to_s: float | None = None,
    *,
    resync: Resync = "mark",
) -> Iterator[Received]:
    """What a listener at this setting hears of a waveform between two times; None: from its start, to its end."""
    from_ns = waveform.start_ns if from_s is None else max(waveform.start_ns, round(from_s * SECOND_NS))
    until_ns = waveform.end_ns if to_s is None else min(waveform.end_ns, round(to_s * SECOND_NS))
    if from_ns < until_ns:
        yield from Uart(setting, phase_seed, resync=resync).feed(waveform.within(from_ns, until_ns))


def to_chunks(
    received: Iterable[Received],
    setting: Setting,
    *,
    origin_ns: int = 0,
    most_bytes: int = 16,
    most_error_ns: int | None = None,
) -> Iterator[Chunk]:
    """The bytes with their true times, marks left out; origin_ns is the time of second 0.

    A chunk ends where the line rested: from one byte to the next within it is at most a quarter more than a character
    at the setting. Every time it says is within most_error_ns of that received; None for a quarter of a bit.
    """
    error_ns = SECOND_NS // setting.baud // 4 if most_error_ns is None else most_error_ns
    most_step_ns = round(1.25 * setting.character_s * SECOND_NS)
    data = bytearray()
    start_ns = low_ns = high_ns = 0  # the steps that would do for the bytes up to now
    for one in received:
        end_ns = origin_ns + round(one.end_s * SECOND_NS)
        if data:
            since_ns, steps = end_ns - start_ns, len(data)
            low = max(low_ns, -((error_ns - since_ns) // steps))
            high = min(high_ns, (since_ns + error_ns) // steps)
            if low <= high and steps < most_bytes:
                data.append(one.byte)
                low_ns, high_ns = low, high
                continue
            yield Chunk(bytes(data), start_ns, (low_ns + high_ns) // 2)
        data = bytearray((one.byte,))
        start_ns, low_ns, high_ns = end_ns, 0, most_step_ns
    if data:
        yield Chunk(bytes(data), start_ns, (low_ns + high_ns) // 2)
