"""A version on trial: tap and page are started from the other slot by an addition to their units that lies in memory.

So nothing on the card says that the new version is in use until it has proved itself: whatever happens in between, a
cut of the power included, the next start is that of the version before.
"""

from __future__ import annotations

import shutil
from typing import NamedTuple

from updating.box import Box

UNITS = ("linelamp-tap.service", "linelamp-web.service")
WATCHED_S, LOOK_S = 60.0, 2.0
"""For so long each must keep running, its watchdog fed, after it has told that it is ready. Our choice."""
ADDITION = "90-linelamp-trial.conf"
NOW = "/opt/linelamp/now/"


class State(NamedTuple):
    """Of a unit: while these stay the same, and active, it is the same process that runs."""

    active: str
    pid: str
    restarts: str


def run(box: Box, slot: str) -> str:
    """Starts tap and page from a slot and watches them. What went wrong, "" if nothing did; they run on from there."""
    for unit in UNITS:
        command = next(row for row in (box.units / unit).read_text().splitlines() if row.startswith("ExecStart="))
        folder = box.units_in_memory / f"{unit}.d"
        folder.mkdir(parents=True, exist_ok=True)
        words = command.replace(NOW, f"/opt/linelamp/{slot}/")
        (folder / ADDITION).write_text(f"[Service]\nExecStart=\n{words}\n")
    box.run("systemctl", "daemon-reload")
    # Comes back once both have told that they are ready, or one has failed or was too late.
    done = box.run("systemctl", "restart", *UNITS)
    first = {unit: state(box, unit) for unit in UNITS}
    if done.returncode:
        late = [unit.partition(".")[0] for unit in UNITS if first[unit].active != "active"]
        return f"{' and '.join(late) or 'it'} did not tell that it is ready"
    for _ in range(int(WATCHED_S / LOOK_S)):
        for unit in UNITS:
            seen = state(box, unit)
            if seen != first[unit] or seen.active != "active":
                return f"{unit.partition('.')[0]} stopped within a minute"
        box.wait(LOOK_S)
    return ""


def state(box: Box, unit: str) -> State:
    """As systemd sees it now."""
    said = box.run("systemctl", "show", "-p", "ActiveState,MainPID,NRestarts", unit).stdout
    found = dict(row.split("=", 1) for row in said.splitlines() if "=" in row)
    return State(*(found.get(name, "") for name in ("ActiveState", "MainPID", "NRestarts")))


def over(box: Box, restart: bool) -> bool:
    """Takes the additions away; restart: tap and page begin anew from the slot in use. Whether there were any."""
    folders = [box.units_in_memory / f"{unit}.d" for unit in UNITS]
    there = any((folder / ADDITION).exists() for folder in folders)
    if there:
        for folder in folders:
            (folder / ADDITION).unlink(missing_ok=True)
            if folder.is_dir() and not any(folder.iterdir()):
                shutil.rmtree(folder)
        box.run("systemctl", "daemon-reload")
        if restart:
            box.run("systemctl", "restart", *UNITS)
    return there
