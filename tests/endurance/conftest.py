"""Brings the programs of this folder to its tests, and small disks of their own where the machine lets us mount."""

from __future__ import annotations

import importlib
import os
import shutil
import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path
from types import ModuleType

import pytest

HERE = Path(__file__).parent


@pytest.fixture
def program(monkeypatch: pytest.MonkeyPatch) -> Iterator[Callable[[str], ModuleType]]:
    """One of the programs of this folder, by name; all are forgotten at the end."""
    monkeypatch.syspath_prepend(str(HERE))
    before = set(sys.modules)
    yield importlib.import_module
    for name in set(sys.modules) - before:
        if Path(getattr(sys.modules[name], "__file__", None) or "/").parent == HERE:
            del sys.modules[name]


@pytest.fixture
def load(program: Callable[[str], ModuleType]) -> Callable[[str], ModuleType]:
    """The same, for what works below SQLite. Skips where nothing can be put below Python's."""
    try:
        program("disk").library()
    except LookupError as error:
        pytest.skip(str(error))
    return program


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Callable[[int], Path]]:
    """A file system in memory of so many MB, mounted for this test. Skips where that needs rights that we lack."""
    mounted = []

    def mount(megabytes: int) -> Path:
        if os.geteuid() != 0 or shutil.which("mount") is None:
            pytest.skip("only root can mount a small disk")
        place = tmp_path / "disk"
        place.mkdir()
        command = ["mount", "-t", "tmpfs", "-o", f"size={megabytes}m", "none", str(place)]
        done = subprocess.run(command, capture_output=True, text=True, check=False, timeout=20)
        if done.returncode:
            pytest.skip(f"this machine does not let us mount a small disk: {done.stderr.strip()}")
        mounted.append(place)
        return place

    yield mount
    for place in mounted:
        subprocess.run(["umount", str(place)], check=True, timeout=20)
