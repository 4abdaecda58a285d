"""Marking a moment: a real local socket stands in for the listening part."""

from __future__ import annotations

from typing import Any

import pytest

SAME = {"Sec-Fetch-Site": "same-origin", "Origin": "http://localhost"}


def test_a_mark_is_asked_for_and_the_page_comes_back(page: Any, listener: Any) -> None:
    answer = page.client.post("/mark", data={"note": "  row\n12 "}, headers=SAME)
    assert listener.heard == [{"do": "mark", "note": "row 12"}]
    assert (answer.status_code, answer.location) == (303, "/?said=marked#marks")
    assert "Marked." in page.html("/?said=marked")


def test_an_address_cannot_make_the_page_say_anything_else(page: Any) -> None:
    assert "evil" not in page.html("/?said=evil")


def test_a_script_is_answered_in_json(page: Any, listener: Any) -> None:
    answer = page.client.post("/mark", headers={**SAME, "Accept": "application/json"})
    assert answer.json == {"ok": True, "says": "Marked."}
    listener.answer = {"ok": False, "says": "Not now."}
    answer = page.client.post("/mark", headers={**SAME, "Accept": "application/json"})
    assert (answer.status_code, answer.json) == (503, {"ok": False, "says": "Not now."})


def test_a_long_note_is_cut(page: Any, listener: Any) -> None:
    page.client.post("/mark", data={"note": "x" * 500}, headers=SAME)
    assert listener.heard[0]["note"] == "x" * 200


@pytest.mark.parametrize(
    "headers",
    [{}, {"Sec-Fetch-Site": "cross-site"}, {"Sec-Fetch-Site": "same-site"}, {"Origin": "http://strange.example"},
     {"Origin": "null"}, {"Sec-Fetch-Site": "same-origin", "Origin": "http://strange.example"},
     {"Origin": "http://localhost:81"}],
)  # fmt: skip
def test_only_a_page_of_the_box_can_set_one(page: Any, listener: Any, headers: dict[str, str]) -> None:
    answer = page.client.post("/mark", headers=headers)
    assert answer.status_code == 403
    assert "only from the page of this box" in answer.text
    assert listener.heard == []


def test_an_older_browser_that_tells_only_its_origin_can(page: Any, listener: Any) -> None:
    assert page.client.post("/mark", headers={"Origin": "http://localhost"}).status_code == 303
    assert len(listener.heard) == 1


def test_nobody_listening_is_told_in_plain_words(page: Any) -> None:
    answer = page.client.post("/mark", headers=SAME)
    assert answer.status_code == 503
    assert "does not answer, so nothing was done" in answer.text


def test_looking_at_the_address_marks_nothing(page: Any, listener: Any) -> None:
    assert page.client.get("/mark").status_code == 405
    assert listener.heard == []
