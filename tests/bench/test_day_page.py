"""The bench of the day's page over a short watch: it draws, and sends no more than its aim; speed is not judged."""

from __future__ import annotations

import shutil
from collections.abc import Callable
from types import ModuleType

import pytest


@pytest.mark.slow
@pytest.mark.browser
def test_a_short_watch_is_drawn_and_panned(program: Callable[[str], ModuleType]) -> None:
    if shutil.which("chromium") is None:
        pytest.skip("no chromium on this machine")
    bench = program("day_page")
    told = bench.run(7200, openings=1)
    assert 50_000 < told.sent_bytes < bench.SENT_MOST_BYTES
    assert told.opens_s > 0
    assert told.frames_hz > 1
