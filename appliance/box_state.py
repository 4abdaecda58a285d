"""How warm this box is, and whether its supply is too low: from the kernel's files and without rights.

What a machine does not tell is None. Sources: Linux kernel documentation, sysfs-class-thermal and
hwmon/raspberrypi-hwmon (in0_lcrit_alarm: the voltage was too low since the driver last asked, which it does every
two seconds).
"""

from __future__ import annotations

from pathlib import Path

SYS = Path("/sys")


def temperature_c(sys: Path = SYS) -> float | None:
    """Of the processor, in degrees Celsius. sys: the kernel's folder."""
    for zone in sorted((sys / "class/thermal").glob("thermal_zone*")):
        if text(zone / "type").startswith("cpu") and (millis := whole(zone / "temp")) is not None:
            return millis / 1000
    return None


def supply_low(sys: Path = SYS) -> bool | None:
    """Whether the machine warns of its supply."""
    for chip in (sys / "class/hwmon").glob("hwmon*"):
        if text(chip / "name") == "rpi_volt" and (alarm := whole(chip / "in0_lcrit_alarm")) is not None:
            return alarm != 0
    return None


def text(path: Path) -> str:
    """What stands in a file of the kernel's, "" where there is none."""
    try:
        return path.read_text(encoding="ascii", errors="replace").strip()
    except OSError:
        return ""


def whole(path: Path) -> int | None:
    """The whole number that stands in one."""
    try:
        return int(text(path))
    except ValueError:
        return None
