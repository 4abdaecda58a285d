"""The box's own Wi-Fi: NetworkManager's profile of it, in memory, and what the page asked for, kept on the card.

What the page asked for holds until the boot file is edited, whatever in it: it is kept with the boot file's sum. Not
with a time, for the box's clock may be wrong.
"""

from __future__ import annotations

import hashlib
import json
import os
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from appliance.card.boot_file import WIFI
from appliance.judge.sheet import SheetError, read_text
from appliance.wishes import WIFI_NOW

ADDRESS = "192.168.77.1"  # as in hotspot.nmconnection
KEPT = "wifi.json"
KEPT_MOST_BYTES = 4096
_NAMES = {"name": "ssid", "country": "country", "channel": "channel", "passphrase": "passphrase"}
"""The page's word -> the boot file's."""


@dataclass(frozen=True)
class Places:
    """Of the boot file, of what lies in memory, of what comes with the box, and of its own folder on the card."""

    boot: Path = Path("/boot/firmware/linelamp.toml")
    run: Path = Path("/run")
    share: Path = Path("/usr/local/share/linelamp")
    own: Path = Path("/var/lib/linelamp/box")

    @property
    def profile(self) -> Path:
        """NetworkManager reads it."""
        return self.run / "NetworkManager/system-connections/linelamp.nmconnection"

    @property
    def settings(self) -> Path:
        """Where tap and page find what was made for them."""
        return self.run / WIFI_NOW.parent.name


def wished(told: Any) -> dict[str, Any]:
    """What the page asked for, as the boot file's [wifi] would hold it. SheetError: it cannot be."""
    words = told if isinstance(told, dict) else {}
    given = {key: words[name] for name, key in _NAMES.items() if type(words.get(name)) in (str, int)}
    rows = [f"{key} = {json.dumps(value)}" for key, value in given.items()]
    reading = read_text("\n".join(["[wifi]", *rows]) + "\n", (WIFI,), "what was asked for")
    for name, key in _NAMES.items():
        if key not in given:
            reading.add(("wifi", key), "nothing", f"the {name} (it must be given)")
    reading.done()
    return reading.values["wifi"]


def with_kept(places: Places, wifi: dict[str, Any]) -> dict[str, Any]:
    """The boot file's Wi-Fi, or what the page asked for since that was edited; what it asked before is thrown away."""
    try:
        with (places.own / KEPT).open("rb") as file:
            told = json.loads(file.read(KEPT_MOST_BYTES))
        kept = wished(told)
        held = told["boot"] in ("", boot_sum(places.boot) or told["boot"])
    except (OSError, ValueError, KeyError, TypeError, SheetError):
        return wifi
    if held:
        return wifi | kept | {"on": True}
    (places.own / KEPT).unlink(missing_ok=True)
    return wifi


def keep(places: Places, wifi: Mapping[str, Any]) -> None:
    """From now on this is the box's Wi-Fi, until the boot file is edited. On the card when this returns."""
    places.own.mkdir(mode=0o700, exist_ok=True)
    made = places.own / f"{KEPT}.new"
    words = {name: wifi[key] for name, key in _NAMES.items()} | {"boot": boot_sum(places.boot)}
    write(made, json.dumps(words), 0o600)
    made.replace(places.own / KEPT)
    folder = os.open(places.own, os.O_RDONLY)
    os.fsync(folder)
    os.close(folder)


def boot_sum(boot: Path) -> str:
    """Of the boot file; "" where it cannot be read, which is no edit."""
    try:
        return hashlib.sha256(boot.read_bytes()).hexdigest()
    except OSError:
        return ""


def lay(places: Places, wifi: Mapping[str, Any]) -> None:
    """The profile, or none without a passphrase; and for the page what it may know."""
    places.profile.unlink(missing_ok=True)
    on = bool(wifi["on"] and wifi["passphrase"])
    if on:
        places.profile.parent.mkdir(parents=True, exist_ok=True)
        template = (places.share / "hotspot.nmconnection").read_text(encoding="utf-8")
        write(places.profile, profile(template, wifi), 0o600)
    told = {name: wifi[key] for name, key in _NAMES.items() if name != "passphrase"} | {"on": on}
    places.settings.mkdir(parents=True, exist_ok=True)
    write(places.settings / WIFI_NOW.name, json.dumps(told), 0o644)


def profile(template: str, wifi: Mapping[str, Any]) -> str:
    """NetworkManager's profile; backslashes and leading spaces as its key files want them (GLib, "Key file parser")."""
    for key in ("ssid", "channel", "passphrase"):
        words = str(wifi[key]).replace("\\", "\\\\").replace(";", "\\;" if key == "ssid" else ";")
        words = "\\s" + words[1:] if words.startswith(" ") else words
        template = template.replace(f"@{key}@", words)
    return template


def write(path: Path, words: str, mode: int) -> None:
    """A file that never has other rights than these."""
    path.unlink(missing_ok=True)
    with os.fdopen(os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, mode), "w", encoding="utf-8") as file:
        os.fchmod(file.fileno(), mode)
        file.write(words)
        file.flush()
        os.fsync(file.fileno())
