"""What a port's driver counts of its troubles. A value: how it is read is the line's business."""

from __future__ import annotations

from typing import NamedTuple


class Counters(NamedTuple):
    """Counted since some moment. overrun, buffer_overrun: bytes that this box lost, not the line."""

    framing: int
    parity: int
    breaks: int
    overrun: int
    buffer_overrun: int

    def since(self, earlier: Counters) -> Counters:
        """What was counted from an earlier reading to this one; never negative, should a driver start anew."""
        return Counters(*(max(0, now - then) for now, then in zip(self, earlier, strict=True)))

    @property
    def lost_here(self) -> int:
        """Times that this box itself lost bytes."""
        return self.overrun + self.buffer_overrun
