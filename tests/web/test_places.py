"""Where one can go from each page, and the switch between light and dark."""

from __future__ import annotations

import re
from typing import Any


def test_every_place_that_is_offered_is_there_and_says_where_one_is(past: Any, picture: dict[str, Any]) -> None:
    past.show(picture)
    offered = re.findall(r'<li><a href="([^"]+)"', past.html("/"))
    assert len(offered) == len(set(offered)) >= 3
    for path in offered:
        bar = past.html(path).partition('<nav class="bar"')[2].partition("</nav>")[0]
        assert re.findall(r'<a href="([^"]+)" aria-current="page"', bar) == [path]


def test_the_look_is_kept_on_the_phone_and_leads_back(past: Any) -> None:
    assert '<html lang="en" data-look="phone">' in past.html("/take")
    answer = past.client.get("/look/night", headers={"Referer": "http://localhost/take?watch=1"})
    assert (answer.status_code, answer.location) == (303, "/take")
    assert '<html lang="en" data-look="night">' in past.html("/take")
    past.client.get("/look/<b>")
    assert 'data-look="night"' in past.html("/take")


def test_the_look_leads_to_no_strange_page(past: Any) -> None:
    for referrer in ("http://elsewhere.example/take", "http://localhost//elsewhere.example", "nonsense"):
        location = past.client.get("/look/sun", headers={"Referer": referrer}).location
        assert location in ("/", "/elsewhere.example")
