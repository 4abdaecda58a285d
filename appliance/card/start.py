"""At each start of the box: takes its settings, its name and its Wi-Fi from the card's boot partition.

python -m appliance.card.start [--boot FILE] [--run FOLDER] [--share FOLDER] [--own FOLDER] [--dry]
"""

from __future__ import annotations

import argparse
import contextlib
import shutil
import subprocess
import sys
from pathlib import Path
from typing import Any

from appliance.card import hotspot
from appliance.card.boot_file import read, rescued
from appliance.card.hotspot import Places


def places(words: list[str]) -> tuple[Places, bool]:
    """From the command line, with whether host name and radio are to be left as they are."""
    asked = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    usual = Places()
    for name in ("boot", "run", "share", "own"):
        asked.add_argument(f"--{name}", type=Path, default=getattr(usual, name))
    asked.add_argument("--dry", action="store_true", help="leave host name and radio as they are")
    args = asked.parse_args(words)
    return Places(args.boot, args.run, args.share, args.own), args.dry


def settled(at: Places) -> tuple[dict[str, Any], dict[str, Any], str]:
    """Name, Wi-Fi and the rest, as boot file and page want them."""
    try:
        box, wifi, rest = read(at.boot)
    except Exception as trouble:  # whatever it is: a box without settings would be dark and could not say why
        print(trouble, file=sys.stderr)
        box, wifi, rest = rescued(at.boot, trouble)
    return box, hotspot.with_kept(at, wifi), rest


def main(words: list[str]) -> int:
    """0 also where the boot file is faulty, for the box goes on."""
    at, dry = places(words)
    box, wifi, rest = settled(at)
    at.settings.mkdir(parents=True, exist_ok=True)
    target = at.settings / "linelamp.toml"
    hotspot.write(target, rest, 0o640)  # it holds the PIN
    with contextlib.suppress(LookupError, PermissionError):  # no such group, or a trial without rights
        shutil.chown(target, group="linelamp")
    hotspot.write(at.settings / "hosts", f"{hotspot.ADDRESS} {box['name']}.local {box['name']}\n", 0o644)
    hotspot.lay(at, wifi)
    if wifi["on"] and not wifi["passphrase"]:
        print("The Wi-Fi stays off: [wifi] has no passphrase, and there is no default.", file=sys.stderr)
    if not dry:
        Path("/proc/sys/kernel/hostname").write_text(box["name"], encoding="ascii")
        if wifi["on"]:
            subprocess.run(["iw", "reg", "set", wifi["country"]], check=False)
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
