"""What the page asks of the box as a whole: whole or not at all, and answers that make no sense are none."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from appliance import settings, wishes


def test_a_wish_counts_once_it_is_whole(tmp_path: Path) -> None:
    with wishes.laying(tmp_path, wishes.BUNDLE) as file:
        file.write(b"some")
        assert not wishes.waits(tmp_path, wishes.BUNDLE)
    assert (tmp_path / "bundle").read_bytes() == b"some"
    assert (tmp_path / "bundle").stat().st_mode & 0o777 == 0o600
    assert wishes.waits(tmp_path, wishes.BUNDLE)


def test_an_upload_that_breaks_off_asks_for_nothing(tmp_path: Path) -> None:
    def broken_off() -> None:
        with wishes.laying(tmp_path, wishes.BUNDLE) as file:
            file.write(b"some")
            raise ConnectionError

    with pytest.raises(ConnectionError):
        broken_off()
    assert list(tmp_path.iterdir()) == []
    (tmp_path / "incoming-0123").touch()
    wishes.clear_incoming(tmp_path)
    assert list(tmp_path.iterdir()) == []


def test_no_folder_is_an_error_of_the_system(tmp_path: Path) -> None:
    with pytest.raises(FileNotFoundError), wishes.laying(tmp_path / "none", wishes.BUNDLE):
        pass


def test_an_answer(tmp_path: Path) -> None:
    assert wishes.answer(tmp_path) is None
    told = {"state": "done", "says": "It runs.", "key": "done", "values": {"version": "2"}, "version": "2", "utc": "x"}
    (tmp_path / "answer.json").write_text(json.dumps(told))
    assert wishes.answer(tmp_path) == wishes.Answer("done", "It runs.", "done", {"version": "2"}, "2", "x")


@pytest.mark.parametrize(
    "words", ["", "[]", '{"state": "over"}', '{"state": "done", "says": 3}', "[" * 4000, '"\ud800"']
)
def test_an_answer_that_makes_no_sense_is_none(tmp_path: Path, words: str) -> None:
    (tmp_path / "answer.json").write_text(words, errors="surrogatepass")
    assert wishes.answer(tmp_path) is None


def test_which_versions_lie_there(tmp_path: Path) -> None:
    assert wishes.release("now", tmp_path) is None
    assert wishes.version_before(tmp_path) is None
    for slot, version in (("a", "1.0.0"), ("b", "1.1.0")):
        (tmp_path / slot).mkdir()
        told = {"version": version, "schema": 5, "made": "2026-11-26T00:00:00+00:00"}
        (tmp_path / slot / "release.json").write_text(json.dumps(told))
    (tmp_path / "now").symlink_to("b")
    before, now = wishes.version_before(tmp_path), wishes.release("now", tmp_path)
    assert before is not None
    assert now is not None
    assert (before.version, now.version) == ("1.0.0", "1.1.0")


def test_the_folders_lie_beside_the_history() -> None:
    box = settings.load()
    assert str(box.update_folder) == "/var/lib/linelamp/update"
    assert str(box.wifi_folder) == "/var/lib/linelamp/wifi"
