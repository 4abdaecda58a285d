"""The units and what lies beside them, as laid on a box."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

TREE = Path(__file__).parents[2] / "systemd"
UNITS_HERE = Path("/usr/lib/systemd/system")


@pytest.fixture
def tree() -> Path:
    """The folder that mirrors a box's root."""
    return TREE


@pytest.fixture
def laid(tmp_path: Path) -> Path:
    """A root with our tree, systemd's own units and programs in the places that ours name."""
    if not UNITS_HERE.is_dir():
        pytest.skip("This machine has no units of systemd to hold ours against.")
    root = tmp_path / "root"
    shutil.copytree(TREE, root, symlinks=True)
    shutil.copytree(UNITS_HERE, root / "usr/lib/systemd/system", symlinks=True, ignore_dangling_symlinks=True)
    programs = root / "opt/linelamp/now/bin"
    programs.mkdir(parents=True)
    for name in ("linelamp", "python"):
        (programs / name).write_text("#!/bin/sh\n")
        (programs / name).chmod(0o755)
    return root
