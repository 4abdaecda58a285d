"""The floor of jitter that a port allows: for how long it holds a byte back before the kernel can hear of it.

    a pty                    0
    a USB adapter            its latency timer, where its driver shows it: 16 ms, or 1 ms in low-latency mode (Linux,
                             drivers/usb/serial/ftdi_sio.c; pyserial issue 287). Where it does not: 1 ms, the frame
                             of full-speed USB, if the low-latency mode could be set, else those 16 ms
    a UART with a FIFO       until the line has been quiet for so long that it gives up a part-filled FIFO: 32 bit
                             times in a PL011 (ARM DDI 0183), 4 characters in a 16550 (PC16550D data sheet; from memory)
    any other                unknown

The delay of the operating system comes on top and has no bound. A floor is not an error of every byte: see clock.
"""

from __future__ import annotations

import contextlib
from pathlib import Path

from appliance.sentence.setting import Setting

USB_S = 0.016
USB_LOW_LATENCY_S = 0.001
PL011_QUIET_BITS = 32
UART_QUIET_CHARACTERS = 4

_USB = ("usb-serial", "usb")
_UART = ("serial-base", "platform", "amba", "pnp", "pci")


def floor_s(path: str, setting: Setting, low_latency: bool, sys: Path = Path("/sys")) -> float | None:
    """Seconds for which the port at path may hold a byte back at this setting; None: unknown.

    low_latency: whether that mode is on. sys: where the kernel shows its devices.
    """
    real = Path(path).resolve()
    if real.parent.name == "pts":
        return 0.0
    device = sys / "class" / "tty" / real.name / "device"
    with contextlib.suppress(OSError, ValueError):
        return int((device / "latency_timer").read_text("ascii")) / 1000
    bus = (device / "subsystem").resolve().name
    if bus in _USB:
        return USB_LOW_LATENCY_S if low_latency else USB_S
    if bus in _UART:
        pl011 = real.name.startswith("ttyAMA")
        bits = PL011_QUIET_BITS if pl011 else UART_QUIET_CHARACTERS * setting.bits_per_character
        return bits / setting.baud
    return None
