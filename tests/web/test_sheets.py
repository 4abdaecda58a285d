"""A sheet that takes long: the page says how far it is and comes again, and gives it once it is made."""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator
from typing import Any

import pytest

from appliance.site import job, sheets
from appliance.site.sheets import Sheets, Wanted
from appliance.take.sheet import Progress, build


@pytest.fixture
def slow(monkeypatch: pytest.MonkeyPatch) -> Iterator[threading.Event]:
    """A sheet is half made until the event is set."""
    go_on = threading.Event()

    def slowly(*given: Any, progress: Progress, **more: Any) -> Any:
        progress(0.5)
        assert go_on.wait(60)
        return build(*given, progress=progress, **more)

    monkeypatch.setattr(sheets, "build", slowly)
    monkeypatch.setattr(job, "WAIT_S", 0.2)
    yield go_on
    go_on.set()


def until(asked: Callable[[], Any], status: int) -> Any:
    for _ in range(300):
        if (answer := asked()).status_code == status:
            return answer
    raise AssertionError(answer.text)


def test_the_page_says_how_far_a_sheet_is_and_then_gives_it(past: Any, slow: threading.Event) -> None:
    answer = past.client.get("/job/sheet?anyway=yes")
    assert answer.status_code == 202
    assert "50 % of what was recorded is read" in answer.text
    assert '<meta http-equiv="refresh"' in answer.text
    other = past.client.get("/job/sheet?anyway=yes&watch=1")
    assert other.status_code == 202
    assert "Another sheet is made first" in other.text
    slow.set()
    assert "Commissioning sheet" in until(lambda: past.client.get("/job/sheet?anyway=yes"), 200).text
    assert "Commissioning sheet" in until(lambda: past.client.get("/job/sheet?anyway=yes&watch=1"), 200).text


def test_what_goes_wrong_is_told_to_who_asked_and_not_for_ever(past: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    made, wanted = Sheets(past.history_path), Wanted(1, None, None, anyway=True)

    def broken(*_: Any, **__: Any) -> Any:
        raise ZeroDivisionError

    with monkeypatch.context() as patched:
        patched.setattr(sheets, "build", broken)
        with pytest.raises(ZeroDivisionError):
            made.of(wanted, 60)
    assert isinstance(made.of(wanted, 60), sheets.Made)


def test_the_share_grows_to_the_whole(past: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    told: list[float] = []
    monkeypatch.setattr(Sheets, "_told", lambda _self, share: told.append(share))
    assert isinstance(Sheets(past.history_path).of(Wanted(1, None, None, anyway=True), 60), sheets.Made)
    assert told == sorted(told)
    assert told[-1] == pytest.approx(1.0, abs=0.02)
