"""Numbers and times as people read them."""

from __future__ import annotations

from datetime import UTC, datetime

import pytest

from appliance.judge.words import DAMAGE_WORDS
from appliance.sentence.parse import REASONS
from appliance.site import words


@pytest.mark.parametrize(
    ("value_s", "says"),
    [(0, "0 s"), (34.4, "34 s"), (59.6, "1 min"), (312, "5 min 12 s"), (3600, "1 h"), (12_000, "3 h 20 min"),
     (86_399.9, "1 d"), (187_200, "2 d 4 h"), (-3, "0 s"), (None, words.NOTHING)],
)  # fmt: skip
def test_span(value_s: float | None, says: str) -> None:
    assert words.span(value_s) == says


@pytest.mark.parametrize(
    ("value_s", "says"), [(0.2113, "0.21 s"), (0.9996, "1.0 s"), (3.14, "3.1 s"), (9.96, "10 s"), (75, "1 min 15 s")]
)
def test_seconds(value_s: float, says: str) -> None:
    assert words.seconds(value_s) == says


@pytest.mark.parametrize(
    ("value", "unit", "says"),
    [(4.13, "Hz", "4.1 Hz"), (0.1, "Hz", "0.10 Hz"), (0.912, "ratio", "91 %"), (3.1, "s", "3.1 s"),
     (8.0, "decimals", "8 decimals"),
     (1.0, "satellites", "1 satellite"), (3.47, "", "3.47"), (None, "Hz", words.NOTHING)],
)  # fmt: skip
def test_amount(value: float | None, unit: str, says: str) -> None:
    assert words.amount(value, unit) == says


@pytest.mark.parametrize(
    ("count", "says"),
    [(0, "0 bytes"), (999, "999 bytes"), (3400, "3.4 kB"), (999_600, "1.0 MB"), (61_200_000, "61 MB")],
)
def test_size(count: int, says: str) -> None:
    assert words.size(count) == says


@pytest.mark.parametrize(
    ("ratio", "says"), [(0.0, "0"), (0.0004, "<0.1"), (0.0234, "2.3"), (0.449, "45"), (None, words.NOTHING)]
)
def test_percent(ratio: float | None, says: str) -> None:
    assert words.percent(ratio) == says


def test_a_coordinate_has_the_digits_that_its_fix_deserves() -> None:
    assert words.degrees(-1.204411312, "E", "W", 4) == "1.2044113° W"
    assert words.degrees(52.068724276, "N", "S", 1) == "52.06872° N"


def test_times_are_utc() -> None:
    shown = '<time datetime="2026-05-04T14:02:11Z">14:02:11\N{NO-BREAK SPACE}UTC</time>'
    assert words.clock(words.from_iso("2026-05-04T16:02:11+02:00")) == shown
    assert words.from_iso("soon") is None
    assert words.from_ns(1_777_886_053_412_000_000) == datetime(2026, 5, 4, 9, 14, 13, 412_000, tzinfo=UTC)


def test_every_damage_has_words() -> None:
    assert set(REASONS) <= set(DAMAGE_WORDS)


def test_a_figure_keeps_its_unit() -> None:
    glued = words.glued("GGA was away for 3.1 s; at most 0.6 s, 80 % and 5 satellites in 2 steps")
    assert (
        glued.replace("\N{NO-BREAK SPACE}", "_")
        == "GGA was away for 3.1_s; at most 0.6_s, 80_% and 5 satellites in 2 steps"
    )
