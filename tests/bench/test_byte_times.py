"""The bench of byte times, over five minutes of traffic: its aim is kept."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest


@pytest.mark.slow
def test_byte_times_keep_to_the_aim() -> None:
    bench = Path(__file__).with_name("byte_times.py")
    done = subprocess.run([sys.executable, bench, "300"], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout + done.stderr
    assert done.stdout.count("adapter each 16 ms") == 4
