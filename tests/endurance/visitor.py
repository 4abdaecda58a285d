"""The page of a box in a process of its own, as it is there, with somebody who looks at all of it when told to.

Run by month.py, with the folder of the live picture and the history: each row that it reads is a path to look at, or
empty for a sample; each row that it writes is JSON.
"""

from __future__ import annotations

import gc
import json
import os
import subprocess
import sys
from collections import Counter
from pathlib import Path
from typing import TYPE_CHECKING, Any

from flask import Flask

from appliance.site import create_app
from appliance.site.places import PLACES
from appliance.tap.core import PICTURE

if TYPE_CHECKING:
    from tests.endurance.containers import Lengths, kept, lengths
else:  # as a script it finds its neighbour only
    from containers import Lengths, kept, lengths

PATHS = (*(place.path for place in PLACES), "/day.json", "/picture")
PIN = "405162"  # invented


def memory_kb() -> int:
    """Resident, of this process."""
    return int(Path("/proc/self/statm").read_text().split()[1]) * 4


class Visitor:
    """run: folder of the live picture. history: the file."""

    def __init__(self, run: Path, history: Path) -> None:
        command = [sys.executable, __file__, str(run), str(history)]
        as_its_unit = {**os.environ, "MALLOC_ARENA_MAX": "1"}
        self._process = subprocess.Popen(
            command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True, env=as_its_unit
        )

    def look_at(self, path: str) -> None:
        """Asks for a page, and tries a wrong PIN. AssertionError where the page is none."""
        says = self._ask(path)
        assert not says, says

    def sample(self) -> tuple[int, Lengths]:
        """Its resident memory, and the length of what it keeps."""
        kb, found = self._ask("")
        return kb, Counter(found)

    def close(self) -> None:
        """Ends it."""
        self._process.communicate(timeout=20.0)

    def _ask(self, what: str) -> Any:
        assert self._process.stdin is not None
        assert self._process.stdout is not None
        print(what, file=self._process.stdin, flush=True)
        return json.loads(self._process.stdout.readline())


def _looked(app: Flask, path: str) -> str:
    with app.test_client() as phone:
        answer = phone.get(path)
        phone.post("/unlock", data={"pin": "000000"})
        return "" if answer.status_code < 500 else f"{path}: {answer.status_code}, {answer.text[:500]}"


def _sampled(app: Flask) -> tuple[int, Lengths]:
    """What the views hold: the things in the cells of their closures."""
    gc.collect()
    views = [view for view in app.view_functions.values() if getattr(view, "__closure__", None)]
    held = [cell.cell_contents for view in views for cell in view.__closure__ or ()]
    found: Lengths = Counter(lengths(held, "page"))
    found.update({f"page {name}": size for name, size in kept().items()})
    return memory_kb(), found


def main(run: str, history: str) -> None:
    app = create_app(Path(run) / PICTURE, Path(history), Path(run) / "none.sock", pin=PIN)
    for row in sys.stdin:
        path = row.strip()
        print(json.dumps(_looked(app, path) if path else _sampled(app)), flush=True)


if __name__ == "__main__":
    main(*sys.argv[1:])
