"""The needs sheets of this box: which is in use, and those that the user made on the page.

A sheet in use by choice from the page stays so over a restart, until the settings name another. Sheets that come along
and those in the settings' own folder are only read. A file is written whole or not at all.
"""

from __future__ import annotations

import json
import logging
import os
import re
from pathlib import Path

from appliance.judge import needs
from appliance.judge.needs import Needs
from appliance.judge.sheet import SheetError
from appliance.settings import Settings

IN_USE = "needs-in-use.json"
NAME = re.compile(r"[a-z0-9]+(-[a-z0-9]+)*")
NAME_MOST, SHEETS_MOST = 40, 100
SHEET_MOST_BYTES = 16 * 1024
"""Our choice: four times the longest sheet that comes along, with a note on every row."""

log = logging.getLogger("linelamp.tap")


class SheetRefused(Exception):
    """It was not done; the text says why, in plain words."""


class Sheets:
    """One owner at a time."""

    def __init__(self, settings: Settings) -> None:
        self._settings = settings
        self._folder = settings.own_needs_folder
        self._in_use = settings.history.parent / IN_USE

    def at_start(self) -> tuple[Needs, str]:
        """The sheet to begin with, and its text. Raises SheetError where the settings' own cannot be used."""
        chosen = self._chosen()
        if chosen is not None:
            try:
                return self._load(chosen)
            except SheetError as trouble:
                log.error("the sheet chosen on the page cannot be used, so that of the settings is: %s", trouble)
        return self._load(self._settings.needs)

    def keep(self, name: str, toml: str) -> None:
        """Keeps a sheet of the user's own, new or changed. Raises SheetRefused, SheetError or OSError."""
        if not NAME.fullmatch(name) or len(name) > NAME_MOST:
            raise SheetRefused(f"A sheet's name has small letters, digits and hyphens, at most {NAME_MOST}.")
        if self._is_read_only(name):
            raise SheetRefused(f"“{name}” is a sheet that stays as it is. Give yours another title.")
        if len(toml.encode()) > SHEET_MOST_BYTES:
            raise SheetRefused(f"The sheet is too long: at most {SHEET_MOST_BYTES} bytes.")
        path = self._path(name)
        if not path.exists() and len(self._own()) >= SHEETS_MOST:
            raise SheetRefused(f"There are {SHEETS_MOST} sheets already. Delete one first.")
        needs.from_toml(toml, name)
        _write(path, toml)

    def use(self, name: str) -> tuple[Needs, str]:
        """Chooses the sheet to be in use, also after a restart. Raises SheetError or OSError."""
        if "/" in name or name.endswith(".toml"):
            raise SheetRefused("A sheet is chosen by its name.")
        found = self._load(name)
        _write(self._in_use, json.dumps({"sheet": name, "instead_of": self._settings.needs}))
        return found

    def delete(self, name: str) -> None:
        """Deletes a sheet of the user's own. Raises SheetRefused or OSError."""
        if name not in self._own():
            raise SheetRefused("There is no sheet of your own of that name.")
        if name in (self._chosen(), self._settings.needs):
            raise SheetRefused("That sheet is in use. Take another into use first.")
        self._path(name).unlink()

    def _load(self, name: str) -> tuple[Needs, str]:
        folders = self._settings.needs_folders
        text = needs.text(name, folders)
        return needs.load(name, folders), text

    def _chosen(self) -> str | None:
        try:
            kept = json.loads(self._in_use.read_text(encoding="utf-8"))
        except (OSError, ValueError):
            return None
        chosen = isinstance(kept, dict) and kept.get("instead_of") == self._settings.needs and kept.get("sheet")
        return chosen if isinstance(chosen, str) and "/" not in chosen and not chosen.endswith(".toml") else None

    def _is_read_only(self, name: str) -> bool:
        return name in needs.shipped() or (self._settings.needs_folder / f"{name}.toml").exists()

    def _own(self) -> set[str]:
        try:
            return {path.stem for path in self._folder.iterdir() if path.suffix == ".toml"}
        except OSError:  # nobody has made one
            return set()

    def _path(self, name: str) -> Path:
        return self._folder / f"{name}.toml"


def _write(path: Path, text: str) -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    fresh = path.with_name(path.name + ".new")
    with fresh.open("w", encoding="utf-8") as file:
        file.write(text)
        file.flush()
        os.fsync(file.fileno())
    fresh.replace(path)
    folder = os.open(path.parent, os.O_RDONLY)
    try:
        os.fsync(folder)
    finally:
        os.close(folder)
