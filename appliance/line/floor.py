"""The floor of jitter that a port allows: for how long it holds a byte back before the kernel can hear of it.

    a USB adapter            its latency timer, where its driver shows it: 16 ms, or 1 ms in low-latency mode (Linux,
                             drivers/usb/serial/ftdi_sio.c; pyserial issue 287). Where it does not: 1 ms, the frame
                             of full-speed USB, if the low-latency mode could be set, else those 16 ms
    a UART with a FIFO       until the line has been quiet for so long that it gives up a part-filled FIFO: 32 bit
                             times in a PL011 (ARM DDI 0183), 4 characters in a 16550 (PC16550D data sheet; from memory)
    any other                unknown; a pty holds nothing back

An adapter gives what has come since its last poll. A 16550's driver shows at how many bytes its FIFO is given up; a
PL011's does at half its size, 16 at most (drivers/tty/serial/amba-pl011.c; from memory). The delay of the operating
system comes on top and has no bound. The floor is not the error of every byte: see clock.
"""

from __future__ import annotations

import contextlib
from pathlib import Path
from typing import NamedTuple

from appliance.sentence.setting import Setting

USB_S = 0.016
USB_LOW_LATENCY_S = 0.001
PL011_QUIET_BITS = 32
UART_QUIET_CHARACTERS = 4
FIFO_LOT_BYTES = 16

_USB = ("usb-serial", "usb")
_UART = ("serial-base", "platform", "amba", "pnp", "pci")


class Holding(NamedTuple):
    """floor_s: for how long a byte may be held back; None: unknown. lot_bytes: given at a time at most; 0: unknown."""

    floor_s: float | None
    lot_bytes: int


NOT_HELD = Holding(0.0, 0)
UNKNOWN = Holding(None, 0)


def holding(path: str, setting: Setting, low_latency: bool, sys: Path = Path("/sys")) -> Holding:
    """How the port at path holds bytes back at this setting.

    low_latency: whether that mode is on. sys: where the kernel shows its devices.
    """
    real = Path(path).resolve()
    device = sys / "class" / "tty" / real.name / "device"
    bus = (device / "subsystem").resolve().name
    if bus in _USB:
        held_s = USB_LOW_LATENCY_S if low_latency else USB_S
        with contextlib.suppress(OSError, ValueError):
            held_s = int((device / "latency_timer").read_text("ascii")) / 1000
        return Holding(held_s, int(held_s / setting.character_s) + 1)
    if bus in _UART:
        pl011 = real.name.startswith("ttyAMA")
        bits = PL011_QUIET_BITS if pl011 else UART_QUIET_CHARACTERS * setting.bits_per_character
        lot_bytes = FIFO_LOT_BYTES
        with contextlib.suppress(OSError, ValueError):
            lot_bytes = max(lot_bytes, int((device.parent / "rx_trig_bytes").read_text("ascii")))
        return Holding(bits / setting.baud, lot_bytes)
    return UNKNOWN
