"""A program that says of itself that it is fit to run, before a box is given over to it."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest
from click.testing import CliRunner

from appliance import __version__, fit, settings
from appliance.cli import main
from appliance.judge.sheet import SheetError


def test_this_one_is_fit(tmp_path: Path) -> None:
    box = settings.load(None, {"pins": "mock"})
    assert fit.prove(box) > 150
    assert list(tmp_path.iterdir()) == []


def test_the_command_tells_it(tmp_path: Path) -> None:
    file = tmp_path / "linelamp.toml"
    file.write_text('[lamps]\npins = "mock"\n')
    done = CliRunner().invoke(main, ["self-test", "--settings", str(file)])
    assert done.exit_code == 0, done.output
    assert done.output.startswith(f"linelamp {__version__} is fit to run here")


def test_needs_that_cannot_be_read_are_told(tmp_path: Path) -> None:
    file = tmp_path / "linelamp.toml"
    file.write_text('needs = "none-such"\n[lamps]\npins = "mock"\n')
    with pytest.raises(SheetError):
        fit.prove(settings.load(file))
    done = CliRunner().invoke(main, ["self-test", "--settings", str(file)])
    assert done.exit_code == 2
    assert "none-such" in done.stderr


def test_a_box_with_lamps_must_reach_its_pins(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "lgpio", None)
    monkeypatch.setenv("LG_WD", "")
    with pytest.raises(ImportError, match="lgpio"):
        fit.prove(settings.load())
    done = CliRunner().invoke(main, ["self-test"])
    assert done.exit_code == 2
    assert "lgpio" in done.stderr


def test_the_library_of_the_pins_finds_room_where_nothing_can_be_written(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    """lgpio lays a pipe into LG_WD, or where it is, as it is loaded (lgpio 0.2.2.0), and a card's root is read-only."""
    (tmp_path / "lgpio.py").write_text("import os\nopen(os.path.join(os.environ['LG_WD'], '.pipe'), 'w').close()\n")
    monkeypatch.syspath_prepend(tmp_path)
    monkeypatch.delitem(sys.modules, "lgpio", raising=False)
    monkeypatch.setenv("LG_WD", "")
    monkeypatch.chdir("/proc")
    assert fit.prove(settings.load())
    del sys.modules["lgpio"]  # by hand: undone, it would be put back
