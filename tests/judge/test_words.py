"""What checks say: one plain sentence for each in each state, with its figures and their units."""

from __future__ import annotations

import string
from itertools import product
from typing import get_args

import pytest

from appliance.judge.check import Check, State
from appliance.judge.goes_with_words import counted
from appliance.judge.truth_words import TRUTH, VARIANTS, Says
from appliance.judge.wire import WIRE_IDS
from appliance.judge.words import SAYS, duration, figure, found_and_advice

NOTES = {
    "silent": "has come",
    "gap": "was",
    "talker-not-accepted": "II",
    "sentence-long": "GGA",
    "port-lost": "Gone.",
    "settings-faulty": "The settings cannot be used.",
    "message-missing": " It comes, but damaged.",
    **dict.fromkeys(WIRE_IDS, "A whole sentence of its own."),
}
FIGURES: dict[str, dict[str, float | str]] = {
    "position-jump": {"before": 4, "after": 1},
    "date-rolled-over": {"says": "2007-01-13", "implies": "2026-08-29"},
    "corrections-aging": {"in_s": 12.0},
    "height-jump": {"before": 4, "after": 1},
    "position-null": {"type": "GGA"},
    "status-contradicts": {"type": "RMC", "mode": "E", "quality": 1, "status": "A"},
    "hemisphere-flips": {"before": "N", "after": "S"},
    "rmc-vtg-disagree": {"rmc_deg": 10.0, "vtg_deg": 50.0},
    "base-moved": {"before": "0131", "after": "0132"},
    "talker-changed": {"type": "GGA", "before": "GP", "after": "GN"},
}


@pytest.mark.parametrize(("id_", "state"), list(product(SAYS, get_args(State))))
def test_each_check_has_a_sentence_for_each_state(id_: str, state: State) -> None:
    says = Check(id_, "GGA", state, 3.0, 2.0, note=NOTES.get(id_, "a note"), figures=FIGURES.get(id_, {})).says
    assert says.endswith(".")
    assert says[0].isupper() or says[0].isdigit() or says.startswith("no sentences")
    assert not set("{}") & set(says)
    assert "  " not in says


@pytest.mark.parametrize("id_", SAYS)
def test_templates_use_what_checks_have(id_: str) -> None:
    for template in SAYS[id_][2:5]:
        used = {name for _, name, _, _ in string.Formatter().parse(str(template)) if name is not None}
        assert used <= {"message", "m", "n", "note", *FIGURES.get(id_, ())}


@pytest.mark.parametrize(("id_", "note"), VARIANTS)
def test_a_variant_tells_what_else_was_found(id_: str, note: str) -> None:
    check = Check(id_, "", "fail", 3.0, 2.0, note=note, figures=FIGURES.get(id_, {}))
    assert check.says != Check(id_, "", "fail", 3.0, 2.0, note="other", figures=FIGURES.get(id_, {})).says
    assert check.says.endswith(".")


def test_only_what_is_about_the_truth_may_warn() -> None:
    assert {id_ for id_, says in SAYS.items() if says.warns} <= set(TRUTH)


def test_a_check_that_was_told_says_that() -> None:
    assert Check("gap", "GGA", "fail", 3.0, told="As it was.").says == "As it was."


def test_a_ratio_is_shown_in_per_cent() -> None:
    check = Check("load-high", "", "fail", 0.876, 0.8)
    assert check.unit == "ratio"
    assert "88 % full" in check.says
    assert "80 % is allowed" in check.says
    assert Check("gap", "GGA", "fail").unit == "s"


@pytest.mark.parametrize(
    ("value", "unit", "digits", "text"),
    [
        (None, "s", 1, "nothing"),
        (3.14159, "s", 1, "3.1 s"),
        (1.0, "s", 1, "1.0 s"),
        (119.94, "s", 1, "119.9 s"),
        (1250.0, "s", 1, "20 min 50 s"),
        (4.5, "Hz", 2, "4.5 Hz"),
        (5.0, "Hz", 2, "5 Hz"),
        (0.876, "Hz", 2, "0.88 Hz"),
        (100.0, "Hz", 2, "100 Hz"),
        (100.0, "Hz", 0, "100 Hz"),
        (1, "sentences", 0, "1 sentence"),
        (0, "sentences", 0, "no sentences"),
        (2, "sentences", 0, "2 sentences"),
        (1, "satellites", 0, "1 satellite"),
        (10, "satellites", 0, "10 satellites"),
        (4.04, "", 1, "4.0"),
        (9, "", 0, "9"),
        (1.71, "%", 0, "171 %"),
    ],
)
def test_figures_have_their_unit_and_no_digit_too_many(value: float | None, unit: str, digits: int, text: str) -> None:
    assert figure(value, Says(unit, digits, "", "", "")) == text


@pytest.mark.parametrize(
    ("seconds", "text"),
    [(0.04, "0.0 s"), (8.25, "8.2 s"), (119.9, "119.9 s"), (120, "2 min 0 s"), (3599.4, "59 min 59 s"),
     (3600, "1 h 0 min"), (11040, "3 h 4 min"), (90061, "25 h 1 min")],
)  # fmt: skip
def test_durations(seconds: float, text: str) -> None:
    assert duration(seconds) == text


@pytest.mark.parametrize(
    ("says", "found", "advice"),
    [
        ("RMC was away for 3.1 s; a gap of at most 2.5 s is allowed.", None, ""),
        (
            "Contact was lost once in the last 10 s, for up to 12 ms. Wiggle plug and cable. Look for a loose pin.",
            "Contact was lost once in the last 10 s, for up to 12 ms.",
            "Wiggle plug and cable. Look for a loose pin.",
        ),
        ("", "", ""),
    ],
)
def test_what_was_found_is_parted_from_the_advice(says: str, found: str | None, advice: str) -> None:
    assert found_and_advice(says) == (says if found is None else found, advice)


def test_one_fault_is_counted_as_one() -> None:
    assert [counted(number, "gap") for number in (1, 2)] == ["1 gap", "2 gaps"]
    assert counted(1, "zone-strange") == "1 fault of the kind “Time zone strange”"
