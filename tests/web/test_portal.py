"""The answer to phones that ask whether the Wi-Fi holds them back, against RFC 8908, sections 4 and 5, and RFC 8910."""

from __future__ import annotations

from pathlib import Path
from typing import Any

SHARED = Path(__file__).parents[2] / "systemd/etc/NetworkManager/dnsmasq-shared.d/linelamp.conf"


def test_a_phone_is_not_held_back(page: Any) -> None:
    answer = page.client.get("/captive", headers={"Accept": "application/captive+json"})
    assert answer.status_code == 200
    assert answer.content_type == "application/captive+json"
    assert answer.get_json(force=True) == {"captive": False}  # the one key that must be there, a boolean
    assert answer.headers["Cache-Control"] == "no-store"


def test_the_address_tells_it_too() -> None:
    """RFC 8910, section 2: this URN by option 114 says that there is no captive portal."""
    assert "dhcp-option=114,urn:ietf:params:capport:unrestricted" in SHARED.read_text().splitlines()
