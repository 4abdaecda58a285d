"""Pages drawn from history ask the tap first, seldom, and do without its answer."""

from __future__ import annotations

from typing import Any

import pytest

from appliance.site import catching_up


@pytest.mark.parametrize("path", ["/take", "/day", "/take/text", "/fault/1"])
def test_history_is_caught_up_before_it_is_read(past: Any, listener: Any, path: str) -> None:
    assert past.client.get(path).status_code == 200
    assert listener.heard == [{"do": "catch-up"}]
    assert past.client.get(path).status_code == 200
    assert len(listener.heard) == 1  # not so soon again


def test_what_reads_no_history_asks_for_nothing(past: Any, listener: Any) -> None:
    for path in ("/", "/wiggle", "/needs"):
        past.client.get(path)
    assert listener.heard == []
    assert all(any(rule.rule.startswith(path) for rule in past.app.url_map.iter_rules()) for path in catching_up.PATHS)


def test_a_tap_that_says_no_keeps_nobody_from_the_page(past: Any, listener: Any) -> None:
    listener.answer = {"ok": False, "says": "The card is slow just now."}
    assert "take" in past.html("/take")


def test_nor_does_one_that_is_not_there(past: Any) -> None:
    assert "take" in past.html("/take")
