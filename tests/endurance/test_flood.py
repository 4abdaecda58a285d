"""A page that is flooded, stuck or dead costs the tap no byte. How little it costs in time, flood.py measures."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from types import ModuleType

import pytest


@pytest.mark.slow
def test_no_byte_is_lost_to_those_who_look_at_the_page(program: Callable[[str], ModuleType], tmp_path: Path) -> None:
    flood = program("flood")
    off, clients = flood.run(tmp_path, 3.0, 0.1)  # it sees to it that each byte sent is in history
    assert {name: len(errors) > 500 for name, errors in off.items()} == dict.fromkeys(flood.PARTS, True)
    assert clients.answers[200] > 3
    assert {path for _, path in flood.requests()} > {"/", "/picture", "/live", "/mark", "/take/text", "/fault/1"}
