"""What the commands share: the option that names the box's settings, and how a mistake is told."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING, NoReturn

import click

if TYPE_CHECKING:
    from appliance.settings import Settings

FILE = click.Path(exists=True, dir_okay=False, path_type=Path)
SETTINGS_OPTION = click.option(
    "--settings",
    "settings_file",
    type=FILE,
    help="The box's settings (TOML). Left out: /etc/linelamp/linelamp.toml if there, else what suits a Pi.",
)


def history_of(file: Path | None, settings_file: Path | None) -> Path:
    """What to read: a file, or the history of the settings; up to date where this box is writing it now."""
    from appliance.asking import catch_up  # noqa: PLC0415

    settings = settings_of(settings_file)
    path = file or settings.history
    catch_up(path, settings.run_folder)
    return path


def hidden() -> bool:
    return not sys.stderr.isatty()


def settings_of(file: Path | None, **over: object) -> Settings:
    """The settings of a file, with what the command line puts over them (None: nothing)."""
    from appliance import settings as box  # noqa: PLC0415
    from appliance.judge.sheet import SheetError  # noqa: PLC0415

    if file is None and (box.DEFAULT_FILE.exists() or box.DEFAULT_FILE.is_symlink()):  # a link to nothing is a fault
        file = box.DEFAULT_FILE
    try:
        return box.load(file, {name: value for name, value in over.items() if value is not None})
    except SheetError as trouble:
        fail(str(trouble))


def fail(says: str) -> NoReturn:
    click.echo(says, err=True)
    sys.exit(2)
