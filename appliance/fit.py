"""Whether this program is fit to run here: what can be known before it takes the place of another.

Every module is loaded, a history is made and read, the box's own settings and needs are read, and a page is drawn.
Nothing of the box is touched.
"""

from __future__ import annotations

import os
import pkgutil
import tempfile
from importlib import import_module
from pathlib import Path

import appliance
from appliance.history.reader import History
from appliance.history.rows import MarkRow, WatchStart
from appliance.history.writer import HistoryWriter
from appliance.settings import Settings
from appliance.site.app import create_app

_RUNS_WHEN_LOADED = "appliance.__main__"
_NOTE = "here"


class UnfitError(Exception):
    """What does not work."""


def prove(settings: Settings) -> int:
    """The number of modules that were loaded. Raises whatever goes wrong; SheetError for needs that cannot be read."""
    names = [found.name for found in pkgutil.walk_packages(appliance.__path__, "appliance.")]
    for name in names:
        if name != _RUNS_WHEN_LOADED:
            import_module(name)
    settings.load_needs()
    with tempfile.TemporaryDirectory() as folder:
        if settings.pins == "pi":
            os.environ["LG_WD"] = folder  # it lays a pipe there as it is loaded, and / may be read-only
            import_module("lgpio")
        path = Path(folder) / "history.db"
        _keeps(path)
        _serves(path)
    return len(names)


def _keeps(path: Path) -> None:
    with HistoryWriter(path) as writer:
        writer.begin_watch(WatchStart(0, 0, "rate-section", "", "", appliance.__version__))
        writer.add_mark(MarkRow(1, "box", _NOTE))
    with History(path) as history:
        if [mark.note for mark in history.marks(1)] != [_NOTE]:
            raise UnfitError("A history gave back other things than were written.")


def _serves(history: Path) -> None:
    app = create_app(history.with_name("picture.json"), history, history.with_name("tap.sock"))
    for address in ("/", "/box"):
        status = app.test_client().get(address).status_code
        if status != 200:
            raise UnfitError(f"The page {address} answered {status}.")
