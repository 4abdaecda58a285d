"""Steps 3, 5 and 7: what only a look inside the box can tell, and what is written to the card."""

from __future__ import annotations

import re
import subprocess
from pathlib import Path

from trial.machine import Machine
from trial.report import Failed, Report, until
from trial.writes import Write, read_log

TABLE = 8
"""Sectors: Linux writes a disk by blocks of 4 KiB, and of the first one only the partition table has changed."""


def system(report: Report, machine: Machine, name: str) -> None:
    """A look inside. name: of the box, as the boot file gives it."""
    with report.step("3 the system is well") as told:
        state = machine.shell("systemctl is-system-running --wait", 900)
        failed = machine.shell("systemctl --failed --plain --no-legend --no-pager")
        told.append(f"is-system-running says {state}" + (f"; failed: {failed}" if failed else ""))
        if "running" not in state.split():
            raise Failed(told[0])
    with report.step("5 the history's partition has grown to the card, the root is read-only") as told:
        size, root = machine.shell("findmnt -bno SIZE /var/lib/linelamp; findmnt -no OPTIONS /").split("\n")[:2]
        told.append(f"{int(size) / 2**20:.0f} MiB; the root is mounted {root.split(',')[0]}")
        if int(size) < 2 * 2**30 or not root.startswith("ro"):
            raise Failed(told[0])
    with report.step("5 host name and passphrase are those of the boot file") as told:
        profile = "/run/NetworkManager/system-connections/linelamp.nmconnection"
        host, rights, psk = machine.shell(f"hostname; stat -c %a {profile}; grep ^psk= {profile}").split("\n")
        told.append(f"host name {host}, the profile has mode {rights.strip()}")
        if host.strip() != name or rights.strip() != "600" or psk.strip() != "psk=plough and harrow":
            raise Failed(f"host name {host}, mode {rights}, {psk}")
    with report.step("3 tap and page run as users without rights") as told:
        pids = "$(systemctl show -P MainPID linelamp-tap linelamp-web)"
        said = machine.shell(f"for p in {pids}; do stat -c %U /proc/$p; grep -E '^Cap(Eff|Bnd)' /proc/$p/status; done")
        told.append(" ".join(said.split()))
        if (
            "linelamp-tap" not in said
            or "linelamp-web" not in said
            or set(re.findall(r"Cap\w+:\s*(\w+)", said)) != {"0" * 16}
        ):
            raise Failed(told[0])
    with report.step("7 where the time of the boot went, in the box's own seconds") as told:
        told.append(machine.shell("systemd-analyze --no-pager | head -1"))
        chain = machine.shell("systemd-analyze --no-pager critical-chain linelamp-tap.service | tail -n +4")
        told.append(" ".join(chain.split()))
        if (anew := machine.shell("systemctl show -P NRestarts linelamp-tap")) != "0":
            why = machine.shell("journalctl -u linelamp-tap -o cat --no-pager | grep -v '^{' | tail -8")
            told.append(f"the tap was started anew {anew} times: {' '.join(why.split())}")


def hung_tap(report: Report, machine: Machine) -> None:
    """A tap that hangs."""
    with report.step("3 a tap that hangs is ended by the watchdog and started again") as told:
        asked = "systemctl show -P MainPID linelamp-tap"
        before = machine.shell(asked)
        machine.shell(f"kill -STOP {before}")
        took_s = until(lambda: machine.shell(asked) not in (before, "0"), 300, "same process", 2.0)
        told.append(f"after {took_s:.0f} s; restarts: {machine.shell('systemctl show -P NRestarts linelamp-tap')}")


def partitions(image: Path) -> list[tuple[int, int]]:
    """(start, size) of each partition, in sectors of 512 bytes."""
    said = subprocess.run(["sfdisk", "--dump", image], capture_output=True, text=True, check=True).stdout
    return [(int(start), int(size)) for start, size in re.findall(r"start=\s*(\d+), size=\s*(\d+)", said)]


def writes_outside(report: Report, machine: Machine, image: Path, name: str) -> None:
    """Of all writes from power-on to power-off, none but one of the partition table lies outside the history."""
    with report.step(f"3 {name}: no write reaches anything but the history's partition") as told:
        start, size = partitions(image)[3]
        writes = [one for one in read_log(machine.writes) if isinstance(one, Write)]
        outside = [one for one in writes if not start <= one.sector < start + size]
        told.append(f"{len(writes)} writes in {machine.up_s() / 60:.0f} min, of them {len(outside)} of the block "
                    "of 4 KiB with the partition table, when it grew")  # fmt: skip
        if not writes or sum(one.sectors for one in outside) > TABLE or any(one.sector >= TABLE for one in outside):
            raise Failed(f"{told[0]}, outside: {[(one.sector, one.sectors) for one in outside[:20]]}")
