"""The figures of motion and clock, with their units, and what is not known said so."""

from __future__ import annotations

import html
import re
from typing import Any

import pytest

from appliance.site import truth
from appliance.site.words import brief


def figures(line: dict[str, Any], started_utc: str | None = "2026-05-04T09:12:00.000Z") -> dict[str, tuple[str, str]]:
    """text and more by title."""
    told = truth.figures(line, started_utc)
    assert list(told) == ["Motion", "Clock"]
    return {figure.title: (figure.text, figure.more) for group in told.values() for figure in group}


def test_each_figure_has_its_unit(picture: dict[str, Any]) -> None:
    line = picture["lines"][0]
    line["clock"]["steps"] = [{"at_s": 3.0, "step_s": 1.0}, {"at_s": 182.0, "step_s": -1.0}]
    assert figures(line) == {
        "Speed told": ("100.2 %", "of the speed by the positions; 19 of 20 within 0.3 km/h (0.08 m/s) of it"),
        "Largest jump between positions": ("0.031 m", ""),
        "Scatter when parked": ("half within 0.007 m", "98 of 100 within 0.018 m"),
        "Own clock of this box": ("1.3 s ahead", "of the receiver, by the time of day"),
        # 12.34 ppm of 3600 s
        "Drift between the two": ("\N{MINUS SIGN}12.3 ppm", "this box loses 44 ms an hour"),
        "Steps of the receiver clock": ("2", "the last back by 1.0 s, at 2026-05-04T09:15:02Z"),
        "Epochs that came late": ("3 of 1,560", "half within 3 ms of their time, 19 of 20 within 12 ms"),
        "Epochs that never came": ("1 of 1,560", ""),
        "Epochs not whole": ("2 of 1,560", "missing: VTG 2"),
        "From first to last sentence": ("61 ms", "19 of 20 at most"),
    }
    assert figures(line, None)["Steps of the receiver clock"][1] == "the last back by 1.0 s, 3 min 2 s into the watch"


def test_what_is_not_known_yet_is_said_so(page: Any, picture: dict[str, Any]) -> None:
    line = picture["lines"][0]
    line["motion"] = dict.fromkeys(line["motion"])
    epochs: dict[str, Any] = {"complete": 0, "incomplete": 0, "absent": 0, "late": None, "missing": {}}
    line["clock"] = {**dict.fromkeys(line["clock"]), "steps": [], "epochs": epochs}
    told = {title: text for title, (text, _) in figures(line).items()}
    assert told.pop("Steps of the receiver clock") == "none"
    assert set(told.values()) == {"not known yet"}
    page.show(picture)
    text = html.unescape(re.sub(r"<[^>]+>", " ", page.html()))
    assert text.count("not known yet") == 9
    assert "None" not in text


def test_no_jump_and_a_clock_that_is_right(picture: dict[str, Any]) -> None:
    line = picture["lines"][0]
    line["motion"]["largest_jump_m"] = None
    line["clock"] |= {"box_ahead_s": 0.0, "slope_ppm": 0.4}
    told = figures(line)
    assert told["Largest jump between positions"] == ("none", "beyond what moving and the fix explain")
    assert told["Own clock of this box"][0] == "the same"
    assert told["Drift between the two"] == ("+0.4 ppm", "this box gains 1 ms an hour")
    line["clock"]["box_ahead_s"] = -41_000.0
    assert figures(line)["Own clock of this box"][0] == "11 h 23 min behind"


def test_a_controller_alone_or_no_line_breaks_nothing(page: Any, picture: dict[str, Any]) -> None:
    picture["lines"] = []
    page.show(picture)
    assert "Motion and clock" not in page.html()


@pytest.mark.parametrize(
    ("value_m", "told"),
    [(None, "not known yet"), (0.0, "0.000 m"), (0.0312, "0.031 m"), (0.46, "0.46 m"), (3.14, "3.1 m"), (48.2, "48 m"),
     (1234.0, "1.2 km")],
)  # fmt: skip
def test_metres(value_m: float | None, told: str) -> None:
    assert truth.metres(value_m) == told


@pytest.mark.parametrize(
    ("value_s", "told"),
    [(None, "\N{EN DASH}"), (0.0, "0 ms"), (0.0002, "under 1 ms"), (0.048, "48 ms"), (0.0996, "0.10 s"),
     (0.994, "0.99 s"), (0.996, "1.0 s"), (9.96, "10 s"), (75.0, "1 min 15 s")],
)  # fmt: skip
def test_brief_times(value_s: float | None, told: str) -> None:
    assert brief(value_s) == told


def test_a_warning_has_a_shape_of_its_own_and_stands_apart(page: Any, picture: dict[str, Any]) -> None:
    says = "The corrections are 41 s old and growing; at most 60 s is allowed."
    picture["checks"][0] |= {"state": "warn", "says": says}
    page.show(picture)
    text = page.html()
    assert 'data-state="go"' in text
    apart = re.search(r'<div class="warned">(.*?)</div>', text, re.S)
    assert apart
    assert "To look at, though by itself no reason for a no-go:" in apart[1]
    assert "41\N{NO-BREAK SPACE}s old" in apart[1]
    shapes = {state: set(re.findall(rf'<svg class="dot {state}".*?(<(?:path|circle).*?/>)', text, re.S)) for state in
              ("warn", "pass")}  # fmt: skip
    assert len(shapes["warn"]) == len(shapes["pass"]) == 1
    assert shapes["warn"] != shapes["pass"]
    assert "1 to look at, 7 met" in text
