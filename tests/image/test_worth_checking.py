"""Which file systems of the card are checked at a start: each that may need it, and none that were left whole."""

from __future__ import annotations

import os
import shutil
import subprocess
from pathlib import Path

import pytest

SCRIPT = Path(__file__).parents[2] / "image-build/card/usr/local/lib/linelamp/worth-checking"
WITH_SBIN = os.environ | {"PATH": f"{os.environ['PATH']}:/usr/sbin:/sbin"}


def run(*words: str | Path) -> int:
    return subprocess.run(words, env=WITH_SBIN, capture_output=True, check=False).returncode


@pytest.fixture
def ext4(tmp_path: Path) -> Path:
    for tool in ("mke2fs", "debugfs", "dumpe2fs", "e2fsck"):
        if shutil.which(tool, path=WITH_SBIN["PATH"]) is None:
            pytest.skip(f"This machine has no {tool}.")
    made = tmp_path / "part"
    assert run("mke2fs", "-q", "-t", "ext4", made, "8M") == 0
    return made


def test_one_that_was_left_whole_is_not_and_a_check_would_have_written(ext4: Path) -> None:
    os.utime(ext4, (0, 0))
    assert run(SCRIPT, ext4) == 1
    assert ext4.stat().st_mtime == 0
    assert run("e2fsck", "-p", ext4) == 0
    assert ext4.stat().st_mtime > 0


@pytest.mark.parametrize("does", ["feature needs_recovery", "ssv state 2", "ssv state 3", "ssv state 0"])
def test_one_that_was_cut_off_or_has_errors_is(ext4: Path, does: str) -> None:
    """State: 1 is whole, 2 has errors (Linux, Documentation/filesystems/ext4: super block, s_state)."""
    assert run("debugfs", "-w", "-R", does, ext4) == 0
    assert run(SCRIPT, ext4) == 0


def test_whatever_cannot_be_read_or_is_no_ext4_is(ext4: Path, tmp_path: Path) -> None:
    ext4.write_bytes(bytes(4096) + ext4.read_bytes()[4096:])
    assert run(SCRIPT, ext4) == 0
    assert run(SCRIPT, tmp_path / "none") == 0
