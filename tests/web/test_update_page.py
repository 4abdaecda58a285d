"""An update that comes in piece by piece: whole or not at all, within its bounds, and only from who may."""

from __future__ import annotations

import hashlib
import io
import json
import os
import re
import stat
from pathlib import Path
from typing import Any

import pytest

from appliance.site import intake as intake_module
from appliance.site.intake import PIECE_BYTES, Intake, NotTaken
from appliance.wishes import BUNDLE_MOST_BYTES

OWN = {"Origin": "http://localhost", "Accept": "application/json"}
PIN = "405162"
BUNDLE = os.urandom(3 * PIECE_BYTES + 517)


class Clock:
    def __init__(self) -> None:
        self.now_s = 0.0

    def __call__(self) -> float:
        return self.now_s


@pytest.fixture
def clock() -> Clock:
    return Clock()


@pytest.fixture
def intake(tmp_path: Path, clock: Clock) -> Intake:
    return Intake(tmp_path, monotonic=clock)


def lying(folder: Path) -> list[str]:
    return sorted(path.name.split("-")[0] for path in folder.iterdir())


def test_only_what_is_whole_takes_the_name_that_is_looked_for(intake: Intake, tmp_path: Path) -> None:
    ticket = intake.begin(10)
    assert lying(tmp_path) == ["incoming"]
    assert intake.add(ticket, 0, b"abcde") == (5, False)
    assert lying(tmp_path) == ["incoming"]
    assert intake.add(ticket, 5, b"fghij") == (10, True)
    assert lying(tmp_path) == ["bundle"]
    assert (tmp_path / "bundle").read_bytes() == b"abcdefghij"
    assert stat.S_IMODE((tmp_path / "bundle").stat().st_mode) == 0o600


def test_a_piece_that_comes_twice_or_too_early_changes_nothing(intake: Intake, tmp_path: Path) -> None:
    ticket = intake.begin(6)
    assert intake.add(ticket, 2, b"cd") == (0, False)
    assert intake.add(ticket, 0, b"ab") == (2, False)
    assert intake.add(ticket, 0, b"XX") == (2, False)
    assert intake.add(ticket, -1, b"XX") == (2, False)
    assert intake.add(ticket, 2, b"cdef") == (6, True)
    assert (tmp_path / "bundle").read_bytes() == b"abcdef"
    with pytest.raises(NotTaken, match="is over"):
        intake.add(ticket, 2, b"cdef")
    assert (tmp_path / "bundle").read_bytes() == b"abcdef"


@pytest.mark.parametrize("size", [0, -1, BUNDLE_MOST_BYTES + 1])
def test_a_size_that_no_update_has_is_refused(intake: Intake, size: int, tmp_path: Path) -> None:
    with pytest.raises(NotTaken, match="another file"):
        intake.begin(size)
    assert lying(tmp_path) == []


def test_more_than_was_told_is_let_go(intake: Intake, tmp_path: Path) -> None:
    ticket = intake.begin(4)
    intake.add(ticket, 0, b"ab")
    with pytest.raises(NotTaken, match="More came"):
        intake.add(ticket, 2, b"cde")
    assert lying(tmp_path) == []


def test_one_at_a_time_and_one_broken_off_is_let_go(intake: Intake, clock: Clock, tmp_path: Path) -> None:
    ticket = intake.begin(4)
    intake.add(ticket, 0, b"ab")
    with pytest.raises(NotTaken, match="already"):
        intake.begin(4)
    clock.now_s += intake_module.SILENT_MOST_S + 1
    with pytest.raises(NotTaken, match="took too long"):
        intake.add(ticket, 2, b"cd")
    assert lying(tmp_path) == []
    assert intake.begin(4) != ticket


def test_one_that_is_fed_a_letter_at_a_time_has_an_end(intake: Intake, clock: Clock) -> None:
    ticket = intake.begin(1000)
    times = int(intake_module.TAKES_MOST_S / (intake_module.SILENT_MOST_S - 1))
    for at in range(times):
        clock.now_s += intake_module.SILENT_MOST_S - 1
        assert intake.add(ticket, at, b"a") == (at + 1, False)
    clock.now_s += intake_module.SILENT_MOST_S - 1
    with pytest.raises(NotTaken, match="took too long"):
        intake.add(ticket, times, b"a")


def test_what_a_process_before_left_half_done_is_swept_away(tmp_path: Path) -> None:
    left = Intake(tmp_path)
    left.add(left.begin(4), 0, b"ab")
    Intake(tmp_path).begin(4)
    assert [path.stat().st_size for path in tmp_path.iterdir()] == [0]


def test_a_full_card_is_told_before_anything_comes(intake: Intake, monkeypatch: Any, tmp_path: Path) -> None:
    monkeypatch.setattr(intake_module, "FREE_LEAST", 2**62)
    with pytest.raises(NotTaken, match="not enough room"):
        intake.begin(4)
    assert lying(tmp_path) == []


def folder(page: Any) -> Path:
    path: Path = page.history_path.parent / "update"
    return path


def fields(page: Any) -> dict[str, str]:
    found = re.search(r'name="token" value="([^"]+)"', page.html("/box/update"))
    assert found
    return {"token": found[1]}


def begin(page: Any, of: dict[str, str], size: int = len(BUNDLE), **more: str) -> Any:
    return page.client.post("/box/update/begin", data=of | {"size": str(size), "pin": PIN} | more, headers=OWN)


def piece(page: Any, of: dict[str, str], ticket: str, at: int, data: bytes) -> Any:
    sent = of | {"ticket": ticket, "at": str(at), "piece": (io.BytesIO(data), "blob")}
    return page.client.post("/box/update/piece", data=sent, headers=OWN)


def test_an_update_comes_in_and_is_marked(box: Any, listener: Any) -> None:
    of = fields(box)
    told = begin(box, of).json
    at = 0
    while at < len(BUNDLE):
        answer = piece(box, of, told["ticket"], at, BUNDLE[at : at + told["piece"]]).json
        at = answer["at"]
    assert answer["done"]
    assert hashlib.sha256((folder(box) / "bundle").read_bytes()).digest() == hashlib.sha256(BUNDLE).digest()
    assert [asked for asked in listener.heard if asked["do"] == "handed-over"] == [
        {"do": "handed-over", "what": "update", "of": "37 kB"}
    ]
    assert begin(box, of).status_code == 409  # until the unit has taken that one up
    assert 'data-busy="yes"' in box.html("/box/update")


def test_a_listening_part_that_hangs_holds_up_no_update(past: Any) -> None:
    """It may be the very thing that the update mends."""
    past.equip()
    of = fields(past)
    told = begin(past, of, 3).json
    assert piece(past, of, told["ticket"], 0, b"abc").json["done"]
    assert (folder(past) / "bundle").exists()


def test_nobody_sends_one_without_token_pin_and_own_page(box: Any) -> None:
    of = fields(box)
    assert begin(box, {}).status_code == 403
    assert begin(box, of, pin="000000").json == {"ok": False, "says": "That PIN is wrong.", "ask_pin": True}
    assert begin(box, of, pin="").json["ask_pin"]
    assert box.client.post("/box/update/begin", data=of | {"size": "5", "pin": PIN}).status_code == 403
    assert lying(folder(box)) == []
    ticket = begin(box, of).json["ticket"]
    stranger = box.app.test_client()  # has heard all that went over the air but the cookie
    sent = of | {"ticket": ticket, "at": "0", "piece": (io.BytesIO(b"evil"), "blob")}
    assert stranger.post("/box/update/piece", data=sent, headers=OWN).status_code == 403
    assert piece(box, {}, ticket, 0, b"evil").status_code == 403
    assert [path.stat().st_size for path in folder(box).iterdir()] == [0]


def test_a_request_larger_than_any_may_be_is_refused(box: Any) -> None:
    of = fields(box)
    ticket = begin(box, of).json["ticket"]
    assert piece(box, of, ticket, 0, bytes(20 * 1024)).status_code == 413
    assert begin(box, of, BUNDLE_MOST_BYTES + 1).status_code == 409
    assert [path.stat().st_size for path in folder(box).iterdir()] == [0]


def test_a_card_that_is_gone_is_told_in_words(box: Any) -> None:
    of = fields(box)
    ticket = begin(box, of).json["ticket"]
    for path in folder(box).iterdir():
        path.unlink()
        path.mkdir()
    answer = piece(box, of, ticket, 0, b"abc")
    assert answer.status_code == 503
    assert "The card could not be written" in answer.json["says"]


def test_what_came_of_it_is_told_and_while_it_is_tried_none_comes(box: Any) -> None:
    told = {"state": "trying", "says": "It runs since a minute.", "version": "0.2.0", "utc": "2026-05-04T09:30:00Z"}
    (folder(box) / "answer.json").write_text(json.dumps(told))
    assert box.client.get("/box/changes.json").json["update"] == told | {
        "words": "being tried", "under_way": True
    }  # fmt: skip
    assert begin(box, fields(box)).status_code == 409
    for state, words in (("done", "done"), ("refused", "refused"), ("fell-back", "taken back")):
        (folder(box) / "answer.json").write_text(json.dumps(told | {"state": state}))
        assert f"The last update: {words}.</b> Version 0.2.0." in box.html("/box")
    assert begin(box, fields(box)).status_code == 200


def test_the_version_before_can_be_asked_for(box: Any, listener: Any) -> None:
    assert "Go back to version 0.0.9" in box.html("/box/update")
    of = fields(box)
    assert box.client.post("/box/update/back", data=of, headers=OWN).json["ask_pin"]
    assert lying(folder(box)) == []
    done = box.client.post("/box/update/back", data=of | {"pin": PIN}, headers=OWN)
    assert (done.status_code, done.location) == (303, "/box/update")
    assert [path.name for path in folder(box).iterdir()] == ["version-before"]
    assert {"do": "handed-over", "what": "version-before", "of": ""} in listener.heard
    assert box.client.post("/box/update/back", data=of, headers=OWN).status_code == 409
    (folder(box) / "version-before").unlink()
    (box.history_path.parent / "programs/b/release.json").unlink()
    assert box.client.post("/box/update/back", data=of, headers=OWN).status_code == 409
    assert "Go back to version" not in box.html("/box/update")
