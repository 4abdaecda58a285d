"""The table of the boot test: each step passed, failed or left out, with what was seen, and nothing else."""

from __future__ import annotations

import contextlib
import json
import time
from collections.abc import Callable, Iterator
from pathlib import Path


class Failed(Exception):
    """A step found what it must not find."""


class LeftOut(Exception):
    """A step cannot be done here; says why."""


class Report:
    """Rows (outcome, step, what was seen), printed as they come and kept in a file."""

    def __init__(self, file: Path) -> None:
        self.rows: list[tuple[str, str, str]] = []
        self._file = file

    @contextlib.contextmanager
    def step(self, name: str) -> Iterator[list[str]]:
        """A step; what is added to the list is told with it."""
        told: list[str] = []
        outcome = "passed"
        try:
            yield told
        except LeftOut as why:
            outcome = "left out"
            told.append(str(why))
        except (Failed, OSError, ValueError, LookupError) as trouble:
            outcome = "FAILED"
            says = str(trouble) if isinstance(trouble, Failed) else f"{type(trouble).__name__}: {trouble}"
            told[:] = [*told, says] if says not in told else told
        self.add(outcome, name, "; ".join(told))

    def add(self, outcome: str, name: str, told: str) -> None:
        """One row."""
        self.rows.append((outcome, name, told))
        print(f"{time.strftime('%T')} {outcome:8}  {name}: {told}", flush=True)
        self._file.write_text(json.dumps(self.rows, indent=1, ensure_ascii=False) + "\n", encoding="utf-8")

    def table(self) -> str:
        """All rows, as a table in Markdown."""
        rows = "\n".join(f"| {name} | {outcome} | {told.replace('|', '/')} |" for outcome, name, told in self.rows)
        return f"| step | outcome | seen |\n|---|---|---|\n{rows}"

    @property
    def failed(self) -> int:
        return sum(outcome == "FAILED" for outcome, _, _ in self.rows)


def until(what: Callable[[], object], within_s: float, says: str, every_s: float = 0.2) -> float:
    """Seconds until it was so. Failed: it was not, in time."""
    start_s = time.monotonic()
    while not what():
        if time.monotonic() - start_s > within_s:
            raise Failed(f"{says}: not within {within_s:.0f} s")
        time.sleep(every_s)
    return time.monotonic() - start_s
