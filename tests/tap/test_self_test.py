"""The box tries itself, over the socket of the real tap."""

from __future__ import annotations

from pathlib import Path

from appliance.tap.self_test import NAME, try_card


def test_a_card_that_takes_what_is_written(tmp_path: Path) -> None:
    good, says = try_card(tmp_path)
    assert good
    assert says.startswith("64 kB were written and read back in ")
    assert list(tmp_path.iterdir()) == []


def test_a_card_that_cannot_be_written(tmp_path: Path) -> None:
    (tmp_path / NAME).mkdir()
    good, says = try_card(tmp_path)
    assert not good
    assert says.startswith("It could not be written: ")
