"""The two slots: laying a version into the one not in use, and the one rename by which it comes into use.

A slot counts as whole by its release.json, which is written last and taken away first.
"""

from __future__ import annotations

import json
import os
import shutil
from pathlib import Path

from updating.box import RELEASE, Box
from updating.bundle import Bundle, number, unpack
from updating.said import Refused, named

TRIED = "did-not-run"
"""Sum and version of the bundle that fell back last: a stick that is left in must not try it at every start."""


def refuse_older(box: Box, bundle: Bundle, from_stick: bool) -> None:
    """Raises Refused for what runs already, is older, or came from a stick and did not run before."""
    now = box.release("now")
    version, made = str(now.get("version", "")), str(now.get("made", ""))
    runs, comes = (number(version), made), (number(bundle.version), bundle.made)
    if runs == comes:
        raise Refused("already")
    if comes < runs:
        raise Refused("older", now=named(now))
    tried = box.programs / TRIED
    if from_stick and tried.exists() and tried.read_text().strip() == bundle.sha256:
        raise Refused("tried-before")


def lay(box: Box, bundle: Bundle) -> str:
    """Lays it into the slot not in use, which holds the version before until then. Gives the slot. Raises Refused."""
    slot = box.other()
    place = box.programs / slot
    wheels = unpack(bundle, box.work / "wheels")
    (place / RELEASE).unlink(missing_ok=True)
    box.sync()
    shutil.rmtree(place, ignore_errors=True)
    python = place / "bin/python"
    # Raspberry Pi OS has the pins' library as a package.
    own = box.run("/usr/bin/python3", "-c", "import lgpio").returncode == 0
    for words in (
        ("/usr/bin/python3", "-m", "venv", *(["--system-site-packages"] if own else []), place),
        (python, "-m", "pip", "--isolated", "--disable-pip-version-check", "--no-cache-dir", "install", "--no-index",
         "--no-deps", "--no-compile", "-q", *wheels),
        (python, "-m", "compileall", "-q", "-f", "--invalidation-mode", "unchecked-hash", place / "lib"),
    ):  # fmt: skip
        done = box.run(*words)
        if done.returncode and "compileall" not in words:  # which finds fault with files that are not for this Python
            raise Refused("trouble", what=last_words(done.stderr))
    done = box.run(place / "bin/linelamp", "self-test")
    if done.returncode:
        raise Refused("self-test", what=last_words(done.stderr))
    box.sync()
    told = {"version": bundle.version, "schema": bundle.schema, "made": bundle.made, "sha256": bundle.sha256}
    write(place / RELEASE, json.dumps(told))
    return slot


def switch(box: Box, slot: str) -> None:
    """From now on this slot is the one in use, at this and every start: before the rename the old one, after it the
    new one, and never neither."""
    link = box.programs / "now.new"
    link.unlink(missing_ok=True)
    link.symlink_to(slot)
    link.replace(box.programs / "now")
    sync_folder(box.programs)


def give_up(box: Box, slot: str) -> None:
    """It fell back: what lies there is no version to go back to, and no stick may bring it again."""
    write(box.programs / TRIED, str(box.release(slot).get("sha256", "")))
    (box.programs / slot / RELEASE).unlink(missing_ok=True)
    sync_folder(box.programs / slot)


def write(path: Path, words: str) -> None:
    """A file, whole or not at all, on the card when this returns."""
    made = path.with_name(f"{path.name}.new")
    with made.open("w", encoding="utf-8") as file:
        file.write(words)
        file.flush()
        os.fsync(file.fileno())
    made.replace(path)
    sync_folder(path.parent)


def sync_folder(path: Path) -> None:
    """Renames in it are on the card when this returns."""
    folder = os.open(path, os.O_RDONLY | os.O_DIRECTORY)
    try:
        os.fsync(folder)
    finally:
        os.close(folder)


def last_words(said: str) -> str:
    """The last row of what a program complained of."""
    rows = [row.strip() for row in said.splitlines() if row.strip()]
    return rows[-1].rstrip(".") if rows else "it did not say why"
