"""Whether this Wi-Fi holds a phone back until it has seen some page: it does not, and tells a phone that asks.

Captive Portal API, RFC 8908: `captive` is all that must be said. Systems ask it over TLS alone, and the box has no
certificate; so phones are told the same with the address they are given, by DHCP (RFC 8910, option 114).
"""

from __future__ import annotations

import json

from flask import Flask, Response

PLACE = "/captive"
_SAYS = json.dumps({"captive": False})


def install(app: Flask) -> None:
    """Adds the answer, for whoever asks without TLS."""

    @app.get(PLACE)
    def captive() -> Response:
        return Response(_SAYS, mimetype="application/captive+json")
