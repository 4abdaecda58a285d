"""The kept corpora, each through its target; and a short slice of the fuzzing itself, where its library is there."""

from __future__ import annotations

import importlib.util
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from types import ModuleType

import pytest

HERE = Path(__file__).parent
CORPUS = HERE / "corpus"
NAMES = sorted(folder.name for folder in CORPUS.iterdir())


@pytest.fixture(scope="module")
def targets() -> Iterator[ModuleType]:
    spec = importlib.util.spec_from_file_location("fuzz_targets", HERE / "targets.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.path.insert(0, str(HERE))  # for its neighbour
    try:
        spec.loader.exec_module(module)
        yield module
        module.forget()
    finally:
        sys.path.remove(str(HERE))
        sys.modules.pop("leaving", None)


def test_each_target_has_a_corpus(targets: ModuleType) -> None:
    assert sorted(targets.TARGETS) == NAMES


@pytest.mark.parametrize("name", NAMES)
def test_what_was_found_once_is_mended(targets: ModuleType, name: str) -> None:
    for kept in sorted((CORPUS / name).iterdir()):
        targets.TARGETS[name](kept.read_bytes())
    targets.TARGETS[name](b"")


@pytest.mark.slow
@pytest.mark.parametrize("name", NAMES)
def test_a_slice_of_the_fuzzing(name: str, tmp_path: Path) -> None:
    if importlib.util.find_spec("atheris") is None:
        pytest.skip("atheris is not to be had for this Python and machine")
    command = [sys.executable, str(HERE / "fuzz.py"), name, "1"]
    done = subprocess.run(command, cwd=tmp_path, capture_output=True, text=True, check=False, timeout=100)
    assert done.returncode == 0, done.stderr[-3000:]
    assert "DONE" in done.stderr
    assert list(tmp_path.iterdir()) == []
