"""The page wants another Wi-Fi: it comes up, and stays if a phone has joined it within ten minutes.

    python -m appliance.card.change [--tidy]

If none has, the one before comes up again: whoever mistyped, or chose what his phone cannot, has not locked himself
out. Nothing is written to the card before a phone has joined, so a start in between is one with the Wi-Fi before.
"""

from __future__ import annotations

import json
import os
import secrets
import stat
import subprocess
import sys
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from appliance.card import hotspot
from appliance.card.hotspot import Places
from appliance.card.start import settled
from appliance.judge.sheet import SheetError
from appliance.wishes import ANSWER, WANTED

WAIT_S, LOOK_S = 600.0, 5.0
"""Our choice: to find the new name and type a passphrase, with a key that is lost once."""
LEAVE_S = 5.0
"""For so long the page has time to reach the phone before its Wi-Fi goes away. Our choice."""
TROUBLE_S = 60.0
MOST_BYTES = 4096
SAYS = {
    "wifi-changing": ("changing", "The Wi-Fi changes to {name}. Join it with the new passphrase within {minutes} "
                      "minutes, or the one before comes back."),
    "wifi-done": ("done", "A phone has joined {name}. It stays so until linelamp.toml on the card is edited."),
    "wifi-refused": ("refused", "The Wi-Fi was left as it is: {what}."),
    "wifi-nobody": ("fell-back", "Nobody joined {name} within {minutes} minutes, so {before} is back."),
    "wifi-radio": ("fell-back", "{name} could not be put up, so {before} is back: {what}."),
    "wifi-broken-off": ("fell-back", "The change was broken off before a phone had joined, so {before} is back."),
}  # fmt: skip
Run = Callable[..., subprocess.CompletedProcess[str]]


def call(*words: str) -> subprocess.CompletedProcess[str]:
    """Runs a program; what it thinks of it is in what comes back."""
    return subprocess.run(words, capture_output=True, text=True, errors="replace", check=False, timeout=120)


@dataclass
class Change:
    """One change. folder: the page's, in which anything may lie."""

    at: Places = field(default_factory=Places)
    folder: Path = Path("/var/lib/linelamp/wifi")
    run: Run = call
    wait: Callable[[float], None] = time.sleep

    def carry_out(self) -> None:
        """What lies in the folder, if anything does."""
        try:
            wifi = hotspot.wished(self._taken())
        except (SheetError, ValueError, OSError) as trouble:
            problems = trouble.problems if isinstance(trouble, SheetError) else (trouble,)
            self.tell("wifi-refused", what="; ".join(str(problem).rstrip(".") for problem in problems))
            return
        before = settled(self.at)[1]
        told = {"name": wifi["ssid"], "before": before["ssid"], "minutes": f"{WAIT_S / 60:.0f}"}
        self.tell("wifi-changing", **told)
        self.wait(LEAVE_S)
        wrong = self._put_up(wifi | {"on": True})
        if not wrong and self._joined():
            hotspot.keep(self.at, wifi)
            self.tell("wifi-done", **told)
            return
        self._put_up(before)
        self.tell("wifi-radio" if wrong else "wifi-nobody", what=wrong, **told)

    def tidy(self) -> None:
        """After a kill or a cut: the Wi-Fi is again what it was settled to be, and the answer has an end."""
        try:
            with self._opened() as folder:
                told = json.loads(folder.read(ANSWER))
        except (OSError, ValueError):
            return
        if isinstance(told, dict) and told.get("state") == "changing":
            before = settled(self.at)[1]
            self._put_up(before)
            self.tell("wifi-broken-off", before=before["ssid"])

    def tell(self, key: str, **values: str) -> None:
        """The page's answer."""
        state, sentence = SAYS[key]
        told = {
            "state": state, "says": sentence.format(**values), "key": key, "values": values,
            "utc": datetime.now(UTC).isoformat(timespec="seconds"),
        }  # fmt: skip
        print(told["says"], flush=True)
        with self._opened() as folder:
            folder.put(ANSWER, json.dumps(told, ensure_ascii=False).encode())

    def _taken(self) -> Any:
        with self._opened() as folder:
            try:
                return json.loads(folder.read(WANTED))
            finally:
                folder.away(WANTED)

    def _put_up(self, wifi: Mapping[str, Any]) -> str:
        """What went wrong, "" if nothing did."""
        hotspot.lay(self.at, wifi)
        self.run("iw", "reg", "set", wifi["country"])
        self.run("nmcli", "connection", "reload")
        if not wifi["on"] or not wifi["passphrase"]:
            return ""
        done = self.run("nmcli", "connection", "up", "linelamp")
        return "" if done.returncode == 0 else " ".join(done.stderr.split()).rstrip(".") or "it did not say why"

    def _joined(self) -> bool:
        """Whether a phone has come that has the passphrase: it is authorized, as iw tells it, after the handshake."""
        for _ in range(int(WAIT_S / LOOK_S)):
            rows = self.run("iw", "dev", "wlan0", "station", "dump").stdout.splitlines()
            if any(row.split() == ["authorized:", "yes"] for row in rows):
                return True
            self.wait(LOOK_S)
        return False

    def _opened(self) -> _Folder:
        return _Folder(self.folder)


class _Folder:
    """A folder that another user writes: no link in it is followed, nothing but plain files is read."""

    def __init__(self, path: Path) -> None:
        self._folder = os.open(path, os.O_RDONLY | os.O_DIRECTORY | os.O_NOFOLLOW)

    def __enter__(self) -> _Folder:
        return self

    def __exit__(self, *_: object) -> None:
        os.close(self._folder)

    def read(self, name: str) -> bytes:
        flags = os.O_RDONLY | os.O_NOFOLLOW | os.O_NONBLOCK | os.O_NOCTTY
        one = os.open(name, flags, dir_fd=self._folder)
        try:
            if not stat.S_ISREG(os.fstat(one).st_mode):
                raise OSError(f"{name} is not a file")
            return os.read(one, MOST_BYTES)
        finally:
            os.close(one)

    def put(self, name: str, data: bytes) -> None:
        made = f".{secrets.token_hex(8)}"
        flags = os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_NOFOLLOW
        with os.fdopen(os.open(made, flags, 0o644, dir_fd=self._folder), "wb") as file:
            os.fchmod(file.fileno(), 0o644)
            file.write(data)
        os.replace(made, name, src_dir_fd=self._folder, dst_dir_fd=self._folder)

    def away(self, name: str) -> None:
        try:
            os.unlink(name, dir_fd=self._folder)
        except IsADirectoryError:
            os.rename(name, f".{secrets.token_hex(8)}", src_dir_fd=self._folder, dst_dir_fd=self._folder)
        except FileNotFoundError:
            pass


def main(words: list[str]) -> int:
    """1 where the card takes no change: then what lies there would wake us again at once."""
    change = Change()
    try:
        change.tidy()
        if "--tidy" not in words and os.path.lexists(change.folder / WANTED):
            change.carry_out()
    except OSError as trouble:
        print(trouble, file=sys.stderr)
        change.wait(TROUBLE_S)
        return 1
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
