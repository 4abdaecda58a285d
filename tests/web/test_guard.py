"""What every request passes and every answer carries."""

from __future__ import annotations

from typing import Any

import pytest

from appliance.site.guard import own_name


@pytest.mark.parametrize("path", ["/", "/picture", "/take", "/fault/1", "/static/lamp.css", "/nothing"])
def test_every_answer_forbids_what_the_page_does_not_need(past: Any, path: str) -> None:
    with past.client.get(path) as answer:
        policy = answer.headers["Content-Security-Policy"]
        assert policy.split("; ")[0] == "default-src 'none'"
        assert "unsafe" not in policy
        assert answer.headers["X-Content-Type-Options"] == "nosniff"
        assert answer.headers["Cache-Control"] == ("no-cache" if "static" in path else "no-store")
        assert "Server" not in answer.headers


@pytest.mark.parametrize(
    ("host", "own"),
    [("10.0.0.1", True), ("10.0.0.1:8080", True), ("[fe80::1]:8080", True), ("localhost:8080", True),
     ("linelamp", True), ("linelamp.local", True), ("LINELAMP.lan.", True), ("box.example", True),
     ("strange.example", False), ("strange.local", False), ("strange", False), ("linelamp.example", False),
     ("10.0.0.1.example", False),
     ("local.example", False), ("", False), ("[", False)],
)  # fmt: skip
def test_only_names_that_no_stranger_can_point_at_the_box(host: str, own: bool) -> None:
    assert own_name(host, {"box.example", "linelamp", "localhost"}) is own


def test_a_strange_name_is_refused_in_plain_words(page: Any) -> None:
    answer = page.client.get("/", headers={"Host": "strange.example"})
    assert answer.status_code == 421
    assert "own name" in answer.text


def test_an_unknown_address_is_told_in_plain_words(page: Any) -> None:
    assert "There is no such page on this box." in page.html("/nothing", 404)
