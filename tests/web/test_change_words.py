"""The pages that change the box, and the lists, in other languages: no text of theirs falls through."""

from __future__ import annotations

import json
import re
from typing import Any

import pytest

from appliance.site.phrases import Phrases
from appliance.site.wifi_form import cleaned, problems
from appliance.wishes import STATES
from tests.web.test_languages import fallen, gathered, mirror, typed
from tests.web.test_wifi_page import GOOD, OWN, PIN

__all__ = ["gathered", "mirror"]  # fixtures

LISTS = ("/watches", "/watches?before=1", "/faults", "/faults?watch=1", "/faults?watch=1&before=1", "/faults?watch=9",
         "/track?line=from-controller", "/track?line=x", "/watches?before=x")  # fmt: skip


@pytest.mark.parametrize("path", [*LISTS, "/box/wifi", "/box/update", "/box"])
def test_no_text_of_a_list_falls_through(past: Any, mirror: Phrases, path: str) -> None:
    page = past.client.get(path).get_data(as_text=True)
    assert fallen(mirror, [typed.sub("", page)]) == set()


def test_no_text_of_a_changing_page_falls_through(past: Any, mirror: Phrases) -> None:
    past.equip()
    pages = [past.html(path) for path in ("/box", "/box/wifi", "/box/update")]
    found = re.search(r'name="token" value="([^"]+)"', pages[1])
    assert found
    fields = GOOD | {"token": found[1], "pin": PIN}
    for wrong in ({"passphrase": "short", "name": ""}, {}):
        pages.append(past.client.post("/box/wifi", data=fields | wrong, headers=OWN).get_data(as_text=True))
    for state in STATES:
        told = {"state": state, "says": "", "version": "0.2.0", "utc": "2026-05-04T09:30:00Z"}
        for folder in ("update", "wifi"):
            (past.history_path.parent / folder / "answer.json").write_text(json.dumps(told))
        pages += [past.html(path) for path in ("/box", "/box/wifi", "/box/update")]
    assert fallen(mirror, [typed.sub("", page) for page in pages]) == set()
    wrong = {"name": "x" * 40, "country": "", "channel": "12", "passphrase": "x"}
    says = [*problems(cleaned(wrong)).values(), *problems(cleaned({"name": "ü", "passphrase": "ü"})).values()]
    for one in says:
        assert mirror.read_back(one)[1], one
