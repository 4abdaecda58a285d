"""What every request passes and every answer carries: own names only, own pages only, nothing from outside.

Sources: Content Security Policy Level 3, Fetch Metadata Request Headers, Fetch (Origin), all W3C or WHATWG.
"""

from __future__ import annotations

import ipaddress
import socket
from collections.abc import Collection
from urllib.parse import urlsplit

from flask import Flask, Response, abort, request

POLICY = "; ".join(
    (
        "default-src 'none'", "script-src 'self'", "style-src 'self'", "connect-src 'self'", "img-src 'self' data:",
        "form-action 'self'", "base-uri 'none'", "frame-ancestors 'none'",
    )
)  # fmt: skip

HEADERS = {
    "Content-Security-Policy": POLICY,
    "X-Content-Type-Options": "nosniff",
    "Referrer-Policy": "same-origin",  # with "no-referrer" a form would send `Origin: null`
    "Cross-Origin-Resource-Policy": "same-origin",
}

LOCAL_ENDINGS = (".local", ".lan", ".internal", ".home.arpa")
"""What a net beside the box may put after its name."""

OWN_NAMES = ("linelamp", "localhost")


def install(app: Flask, host_names: Collection[str] = ()) -> None:
    """Guards all requests of app. host_names: further names under which the box may be called."""
    names = {name.lower() for name in (*host_names, *OWN_NAMES, socket.gethostname())}

    @app.before_request
    def own_name_only() -> None:
        if not own_name(request.host, names):
            abort(421, "This box answers only to its own name or number. Type its number into the address field.")

    @app.after_request
    def headers(response: Response) -> Response:
        for name, value in HEADERS.items():
            response.headers.setdefault(name, value)
        if request.endpoint == "static":
            response.headers["Cache-Control"] = "no-cache"  # asks each time, and is told by ETag that nothing changed
        else:
            response.headers["Cache-Control"] = "no-store"
        return response


def own_name(host: str, names: Collection[str]) -> bool:
    """Whether a Host header names this box: a number, or one of names, with a local ending or without.

    A number is safe: a strange page can point a name of its own at this box (DNS rebinding), but no number.
    """
    try:
        name = (urlsplit(f"//{host}").hostname or "").removesuffix(".")
    except ValueError:
        return False
    try:
        ipaddress.ip_address(name.partition("%")[0])
    except ValueError:
        return any(name.removesuffix(ending) in names for ending in ("", *LOCAL_ENDINGS))
    return True


def from_own_page() -> bool:
    """Whether a request that changes something was sent by a page of this box.

    Browsers send Sec-Fetch-Site only to addresses they trust, which a box without a certificate is not; Origin comes
    with every POST.
    """
    site = request.headers.get("Sec-Fetch-Site")
    origin = request.headers.get("Origin")
    if site is not None and site != "same-origin":
        return False
    if origin is not None:
        return urlsplit(origin).netloc.lower() == request.host.lower()
    return site is not None


def own_path() -> str:
    """The page of this box that the request at hand was sent from; the front page where it was none."""
    from_page = urlsplit(request.referrer or "")
    own = from_page.path if from_page.netloc == request.host else ""
    return "/" + own.lstrip("/\\")  # two slashes would lead elsewhere
