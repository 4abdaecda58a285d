"""The *now* page alone answers: may I drive off, and if not, what do I try? Twelve states, each from the simulator."""

from __future__ import annotations

import html
import re
from pathlib import Path
from typing import Any

import pytest

from tests.web.now_states import CASES, NO, Case, picture

FIRST_SCREEN = ("answer", "why", "try")


def told(text: str, kind: str) -> str:
    """What stands in the verdict's paragraphs of this kind."""
    found = re.findall(rf'<p class="{kind}">(.*?)</p>', text, re.S)
    return " ".join(html.unescape(re.sub(r"<[^>]+>", " ", one)) for one in found).replace("\xa0", " ")


@pytest.mark.slow
@pytest.mark.parametrize("case", CASES, ids=lambda case: case.name)
def test_the_page_answers(page: Any, tmp_path: Path, case: Case) -> None:
    page.show(picture(case, tmp_path))
    whole = re.sub(r"\s+", " ", page.html())
    text = whole[whole.index('data-part="verdict"') : whole.index('data-part="wiggle"')]
    answer, why, try_ = (told(text, kind) for kind in FIRST_SCREEN)
    assert answer.startswith(case.may)
    assert case.because in f"{why} {try_}"
    assert case.tries in f"{why} {try_}"
    assert bool(re.search("Try first", text)) == (case.may == NO or case.name == "came back")
    assert text.index('class="answer"') < text.index('class="why"')
    if case.may == NO:  # what to try stands before anything else that was found
        assert text.index('class="why"') < text.index('class="try"') < text.index('class="means"')
