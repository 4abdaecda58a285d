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
MODULES = ("disk", "power_cuts")


@pytest.fixture
def load(monkeypatch: pytest.MonkeyPatch) -> Iterator[Callable[[str], ModuleType]]:
    """One of the programs of this folder, by name. Skips where nothing can be put below Python's SQLite."""
    monkeypatch.syspath_prepend(str(HERE))

    def named(name: str) -> ModuleType:
        try:
            importlib.import_module("disk").library()
        except LookupError as error:
            pytest.skip(str(error))
        return importlib.import_module(name)

    yield named
    for name in MODULES:
        sys.modules.pop(name, None)


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
