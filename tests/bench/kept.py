"""Results of a long bench, a line of JSON each, so that it can be stopped and gone on with.

Each line carries the digest of the code that made it: results of other code are left aside, not mixed in.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable, Iterator, Sequence
from functools import cache
from multiprocessing import Pool
from os import SEEK_END
from pathlib import Path
from typing import Any, NamedTuple

ROOT = Path(__file__).parents[2]
JUDGING = ("sentence", "measure", "judge", "simulate")
CASES = ("causes_cases.py", "faults_cases.py", "faults_cab.py", "truth_drives.py", "truth_cases.py", "wire_cases.py")
PATTERN = ("circumstances", "exact", "gathered", "goes_with", "period", "permutation", "questions")
DAYS = ("goes_with_days.py",)
OF_DAYS = frozenset({"effects", "nothing", "spell", "even"})
"""Parts that rest on the modules of PATTERN alone; all others but "cab" on everything but them."""

Row = dict[str, Any]


class Job(NamedTuple):
    """One case: of which part of the bench, its name, and its seed."""

    part: str
    name: str
    seed: int


@cache
def digest(part: str) -> str:
    """Of all that judges in this part, and of its cases."""
    rooms = [path for room in JUDGING for path in (ROOT / "appliance" / room).rglob("*")]
    pattern = [path for path in rooms if path.suffix == ".py" and path.stem in PATTERN]
    others = [path for path in rooms if path.suffix in (".py", ".toml") and path not in pattern]
    of_days = part in OF_DAYS
    files = pattern if of_days else [*others, ROOT / "appliance" / "watch.py", *(pattern if part == "cab" else ())]
    files = [*files, *(Path(__file__).parent / name for name in (DAYS if of_days else CASES))]
    total = hashlib.sha256()
    for path in sorted(files):
        total.update(str(path.relative_to(ROOT)).encode() + b"\0" + path.read_bytes())
    return total.hexdigest()[:12]


def results(
    jobs: Sequence[Job], run: Callable[[Job], Row], kept: Path | None, processes: int, told: Callable[[Row], None]
) -> Iterator[Row]:
    """A row for each job, those in the file `kept` first; new ones are added to it, and `told` is called with each."""
    there = {
        Job(row["part"], row["name"], row["seed"]): row for row in _read(kept) if row["code"] == digest(row["part"])
    }
    yield from (there[job] for job in jobs if job in there)
    missing = [job for job in jobs if job not in there]
    with Pool(processes) as pool:
        for job, found in pool.imap_unordered(_Run(run), missing):
            row = {**job._asdict(), **found, "code": digest(job.part)}
            if kept is not None:
                _add(kept, row)
            told(row)
            yield row


class _Run:
    """Runs a job and gives it back with what came of it."""

    def __init__(self, run: Callable[[Job], Row]) -> None:
        self._run = run

    def __call__(self, job: Job) -> tuple[Job, Row]:
        return job, self._run(job)


def _add(kept: Path, row: Row) -> None:
    """In a line of its own, also after one that was cut off."""
    with kept.open("ab+") as file:
        if file.tell():
            file.seek(-1, SEEK_END)
        cut = file.read(1) not in (b"", b"\n")
        file.write(b"\n" * cut + json.dumps(row).encode() + b"\n")


def _read(kept: Path | None) -> Iterator[Row]:
    """A last line that was cut off is left out."""
    if kept is None or not kept.exists():
        return
    with kept.open(encoding="utf-8") as file:
        for line in file:
            try:
                yield json.loads(line)
            except ValueError:
                continue
