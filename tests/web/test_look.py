"""Readable in the sun and at night: contrast of every pair of ink and ground, and sizes of what is touched.

Source of the ratio: Web Content Accessibility Guidelines 2.2 (W3C), "relative luminance" and "contrast ratio"; 7:1 is
its level AAA (success criterion 1.4.6).
"""

from __future__ import annotations

import re

import pytest

from appliance.site.app import web_folder

SHEET = (web_folder() / "static" / "lamp.css").read_text()
BLOCKS = re.findall(r":root[^{}]*\{(.*?)\}", SHEET, re.S)
PALETTES = [found for block in BLOCKS if (found := dict(re.findall(r"--([\w-]+): (#[0-9a-f]{6});", block)))]
PAIRS = [
    ("ink", "ground"), ("ink", "sheet"), ("soft", "ground"), ("link", "ground"), ("key-ink", "key-ground"),
    ("go-ink", "go"), ("no-go-ink", "no-go"), ("wait-ink", "wait"), ("bad-ink", "bad-ground"),
    ("met", "ground"), ("soft", "sheet"), ("link", "sheet"),
]  # fmt: skip


def luminance(colour: str) -> float:
    """Relative luminance of #rrggbb."""
    channels = [int(colour[at : at + 2], 16) / 255 for at in (1, 3, 5)]
    red, green, blue = (c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in channels)
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


def contrast(one: str, other: str) -> float:
    """Contrast ratio, 1 to 21."""
    dark, light = sorted((luminance(one), luminance(other)))
    return (light + 0.05) / (dark + 0.05)


def test_contrast_of_black_and_white_is_21() -> None:
    assert contrast("#000000", "#ffffff") == pytest.approx(21)


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize(("ink", "ground"), PAIRS)
def test_contrast_is_at_least_seven(scheme: str, ink: str, ground: str) -> None:
    colours = PALETTES[0 if scheme == "light" else 1]
    assert contrast(colours[ink], colours[ground]) >= 7


def test_the_phone_and_the_finger_choose_the_same_night() -> None:
    assert len(PALETTES) == 3
    assert PALETTES[1] == PALETTES[2]
    assert PALETTES[0].keys() == PALETTES[1].keys()


def test_nothing_is_fetched_from_elsewhere() -> None:
    for path in web_folder().rglob("*"):
        if path.is_file():
            assert not re.findall(r"(?:src|href|url|import)\W{1,3}https?:", path.read_text()), path
