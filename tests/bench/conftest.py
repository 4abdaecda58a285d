"""Brings the programs of this folder to their tests, as if each had been started by itself."""

from __future__ import annotations

import importlib.util
import sys
from collections.abc import Callable, Iterator
from pathlib import Path
from types import ModuleType

import pytest

HERE = Path(__file__).parent


@pytest.fixture
def program(monkeypatch: pytest.MonkeyPatch) -> Iterator[Callable[[str], ModuleType]]:
    """One of the programs, by its file's name. It finds its neighbours as when run; all are forgotten."""
    monkeypatch.syspath_prepend(str(HERE))
    before = set(sys.modules)

    def loaded(name: str) -> ModuleType:
        spec = importlib.util.spec_from_file_location(f"bench_{name}", HERE / f"{name}.py")
        assert spec is not None
        assert spec.loader is not None
        module = sys.modules[spec.name] = importlib.util.module_from_spec(spec)
        spec.loader.exec_module(module)
        return module

    yield loaded
    for name in set(sys.modules) - before:
        if Path(getattr(sys.modules[name], "__file__", None) or "/").parent == HERE:
            del sys.modules[name]
