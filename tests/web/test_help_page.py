"""Help: every finding is explained from the one table, and pins are as the standard has them."""

from __future__ import annotations

import html
import re
from typing import Any

from appliance.judge import causes_table
from appliance.judge.names import NAMES
from appliance.judge.words import SAYS
from appliance.site.help_page import PINS, findings, plain


def test_every_check_has_a_name_and_a_place(page: Any) -> None:
    assert NAMES.keys() == SAYS.keys()
    assert len(set(NAMES.values())) == len(NAMES)
    text = page.html("/help")
    for id_, name in NAMES.items():
        assert f'<details id="finding-{id_}">\n<summary>{html.escape(name).replace("&#x27;", "&#39;")}' in text


def test_causes_stand_with_the_findings_that_speak_for_them() -> None:
    told = {one.id: {cause.id for cause in one.causes} for one in findings()}
    assert "message-off" in told["message-missing"]
    assert "wrong-stream" in told["binary"]
    speaking = {
        cause.id for cause in causes_table.table() if any(one.found and one.weight > 0 for one in cause.evidence)
    }
    assert speaking == set().union(*told.values())  # none is left untold


def test_no_figure_of_a_watch_is_left_open(page: Any) -> None:
    assert plain("Switch it on: {missing}.") == "Switch it on."
    assert not re.search(r"\{\w+\}", page.html("/help"))


def test_the_plug_is_that_of_the_standard() -> None:
    """TIA-574 (from memory): received data on 2, transmitted on 3, ground on 5; the terminal sends on 3, 4 and 7."""
    assert [(pin, name) for pin, name, _, _ in PINS] == [
        (1, "DCD"), (2, "RXD"), (3, "TXD"), (4, "DTR"), (5, "SG"), (6, "DSR"), (7, "RTS"), (8, "CTS"), (9, "RI"),
    ]  # fmt: skip
    assert [pin for pin, _, _, sender in PINS if sender == "T"] == [3, 4, 7]


def test_a_finding_leads_to_its_help(page: Any, picture: dict[str, Any], turned: Any) -> None:
    page.show(turned(picture, "no-go"))
    assert 'href="/help#finding-gap"' in page.html()
    page.show(picture)
    assert "/help#finding" not in page.html()


def test_cautions_and_lamps(page: Any) -> None:
    text = page.html("/help")
    for told in (
        "Never open the line while a machine steers",
        "SAE J1939-13",
        "local codes",
        "two short winks a second",
    ):
        assert told in text
