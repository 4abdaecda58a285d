"""The form of the box's own Wi-Fi: what may stand in each field, and the code that a phone joins by."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

from appliance.site.codes import drawn
from appliance.site.countries import countries

CHANNELS = range(1, 12)
"""Of the band of 2.4 GHz, those that are allowed everywhere (IEEE 802.11, regulatory domain 00)."""


@dataclass(slots=True, frozen=True)
class Field:
    """hint: what may stand in it, and what it is for."""

    name: str
    words: str
    hint: str
    longest: int
    clean: Callable[[str], str]
    wrong: Callable[[str], str]


def _name(value: str) -> str:
    if not value:
        return "Give the Wi-Fi a name."
    if not (value.isascii() and value.isprintable()):
        return "Use plain letters, digits and signs only: some phones cannot show others."
    return "" if len(value) <= 32 else f"At most 32 characters; this has {len(value)}."


def _country(value: str) -> str:
    return "" if value in countries() else "Choose the country you are in."


def _channel(value: str) -> str:
    known = value.isascii() and value.isdigit() and len(value) < 4 and int(value) in CHANNELS
    return "" if known else f"A whole number from {CHANNELS[0]} to {CHANNELS[-1]}."


def _passphrase(value: str) -> str:
    if not (value.isascii() and value.isprintable()):
        return "Use plain letters, digits and signs only, without accents."
    return "" if 8 <= len(value) <= 63 else f"8 to 63 characters; this has {len(value)}."


FIELDS = (
    Field("name", "Name", "As phones shall show it, at most 32 characters.", 64, str.strip, _name),
    Field("country", "Country", "Where the box is: the rules of that country for Wi-Fi then hold.", 8,
          lambda value: value.strip().upper(), _country),
    Field("channel", "Channel", "1 to 11. Another one helps where many Wi-Fi are near.", 8, str.strip, _channel),
    Field("passphrase", "Passphrase", "8 to 63 letters, digits or signs. Whoever has it can read what the box shows.",
          128, lambda value: value, _passphrase),
)  # fmt: skip


def cleaned(given: Mapping[str, str]) -> dict[str, str]:
    """What was typed, without what a phone's keyboard adds to it."""
    return {field.name: field.clean(given.get(field.name, "")) for field in FIELDS}


def problems(typed: Mapping[str, str]) -> dict[str, str]:
    """What is wrong, by field."""
    return {field.name: says for field in FIELDS if (says := field.wrong(typed[field.name]))}


def join_code(name: str, passphrase: str) -> str:
    """What a camera reads to join, as SVG. The text is the one that phones agree on (ZXing, "Wi-Fi network config")."""
    from segno.helpers import make_wifi_data  # noqa: PLC0415 (as in codes.drawn)

    return drawn(make_wifi_data(ssid=name, password=passphrase, security="WPA"))
