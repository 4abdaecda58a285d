"""Whatever thread of the tap is ended or held, the box notices within 10 s, ends, and is back."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from types import ModuleType

import pytest


@pytest.mark.slow
@pytest.mark.timeout(300)
def test_a_thread_that_is_gone_or_stuck_is_noticed_and_the_tap_is_started_again(
    program: Callable[[str], ModuleType], tmp_path: Path
) -> None:
    if why := program("strike").why_not():
        pytest.skip(why)
    threads = program("threads")
    seen = threads.struck(tmp_path, [("core", "held"), ("reader", "ended")])
    assert len(seen) == 2
    assert {case: one.bad for case, one in seen.items() if one.bad} == {}
