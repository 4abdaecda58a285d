"""The simulation is pure: no clock, no chance but from its seed, nothing but the standard library and sentences."""

from __future__ import annotations

import ast
import random
import sys
from pathlib import Path

import pytest

import appliance.simulate
from appliance.simulate.drive import Drive
from appliance.simulate.receiver import Receiver, ReceiverSettings
from appliance.simulate.story import AFTERNOON, play
from appliance.simulate.wire import pieces

MODULES = sorted(Path(str(appliance.simulate.__file__)).parent.glob("*.py"))
CLOCKS = {"now", "utcnow", "today", "time", "monotonic", "perf_counter", "time_ns", "monotonic_ns"}


@pytest.mark.parametrize("path", MODULES, ids=lambda path: path.name)
def test_imports_and_calls(path: Path) -> None:
    tree = ast.parse(path.read_text(encoding="utf-8"))
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            names = [alias.name for alias in node.names]
        elif isinstance(node, ast.ImportFrom) and node.level == 0:
            names = [node.module or ""]
            if node.module == "random":
                assert [alias.name for alias in node.names] == ["Random"]
        else:
            names = []
        for name in names:
            inside = name.startswith(("appliance.sentence", "appliance.simulate"))
            assert inside or name.partition(".")[0] in sys.stdlib_module_names
            assert name not in {"time", "random", "secrets", "os", "socket"} or isinstance(node, ast.ImportFrom)
            assert name not in {"time", "secrets", "os", "socket"}
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Attribute):
            assert node.func.attr not in CLOCKS


def test_leaves_the_common_dice_alone() -> None:
    before = random.getstate()
    first = list(pieces(play(AFTERNOON, Receiver(ReceiverSettings(), Drive(8), 8), 8, 120), 38400))
    assert random.getstate() == before
    random.random()
    assert list(pieces(play(AFTERNOON, Receiver(ReceiverSettings(), Drive(8), 8), 8, 120), 38400)) == first
