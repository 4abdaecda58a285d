"""How the machine itself is, from the kernel's files and without rights: temperature, supply, card, networks.

What a machine does not tell is None, and shown as not told, never as sound. Sources: Linux kernel documentation,
mmc-dev-attrs; JEDEC JESD84-B51 (eMMC) for life time
and pre-EOL; SD cards have no such figures that Linux shows.
"""

from __future__ import annotations

import os
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from appliance.box_state import SYS, supply_low, temperature_c, text

HOT_C = 80.0
"""From here on a Raspberry Pi slows itself (Raspberry Pi documentation, "Frequency management and thermal control")."""

# JESD84-B51, EXT_CSD 268 and 269: tenths of the life time used; 267: what is left in reserve.
WEAR_WORDS: Mapping[int, str] = {n: f"{(n - 1) * 10} to {n * 10} % of its life used" for n in range(1, 11)} | {
    11: "more than its life used: change it soon"
}
RESERVE_WORDS = {1: "reserve normal", 2: "80 % of its reserve used", 3: "90 % of its reserve used: change it soon"}


@dataclass(slots=True, frozen=True)
class Network:
    """One network interface. state: as the kernel tells it, such as "up"."""

    name: str
    wireless: bool
    state: str


@dataclass(slots=True, frozen=True)
class Hardware:
    """None: this machine does not tell."""

    temperature_c: float | None
    undervoltage: bool | None
    wear: str | None
    networks: tuple[Network, ...]


@dataclass(slots=True, frozen=True)
class Room:
    """On the disk of the history, in bytes. history: its file and log, None where there is none yet."""

    total: int
    free: int
    history: int | None


def look(sys: Path = SYS) -> Hardware:
    """The machine as it is now; never raises. sys: the kernel's folder."""
    return Hardware(temperature_c(sys), supply_low(sys), _wear(sys), tuple(_networks(sys)))


def room(history: Path) -> Room | None:
    """None where the folder of the history cannot be looked at."""
    try:
        disk = os.statvfs(history.parent)
    except OSError:
        return None
    sizes = [path.stat().st_size for path in (history, history.with_name(history.name + "-wal")) if path.exists()]
    return Room(disk.f_blocks * disk.f_frsize, disk.f_bavail * disk.f_frsize, sum(sizes) if sizes else None)


def _wear(sys: Path) -> str | None:
    for device in sorted((sys / "block").glob("mmcblk[0-9]/device")):
        used = max((int(word, 16) for word in text(device / "life_time").split() if _is_hex(word)), default=0)
        reserve = text(device / "pre_eol_info")
        says = [WEAR_WORDS.get(used, ""), RESERVE_WORDS.get(int(reserve, 16), "") if _is_hex(reserve) else ""]
        if any(says):
            return ", ".join(part for part in says if part)
    return None


def _networks(sys: Path) -> list[Network]:
    found = []
    for interface in sorted((sys / "class/net").glob("*")):
        if interface.name != "lo":
            wireless = any((interface / sign).exists() for sign in ("wireless", "phy80211"))
            found.append(Network(interface.name, wireless, text(interface / "operstate") or "not told"))
    return found


def _is_hex(word: str) -> bool:
    try:
        int(word, 16)
    except ValueError:
        return False
    return True
