"""Letting in: whoever reaches the box may read; whoever changes anything gives the box's PIN, once a working day.

What changes something is a POST marked with `@changes`. It must come from a page of this box (Origin, Fetch Metadata),
carry the token of that phone's session (no strange page can know it), and be let in. A phone that is not yet gets a
page that asks for the PIN and carries along what was filled in, so nothing is typed twice.

The session is Flask's signed cookie: HttpOnly, SameSite=Strict, over plain HTTP as the box has no certificate, so
whoever can read the Wi-Fi's traffic could take it; it ends after STAYS_IN, with another PIN, and when somebody locks.
Sources: OWASP "Cross-Site Request Forgery Prevention" and "Session Management"; NIST SP 800-63B 5.2.2 on slowing
guesses.
"""

from __future__ import annotations

import contextlib
import functools
import hashlib
import hmac
import json
import logging
import os
import secrets
import threading
import time
from collections.abc import Callable, Iterator
from datetime import timedelta
from pathlib import Path
from typing import Any

from flask import Flask, Response, current_app, render_template, request, session
from markupsafe import Markup
from werkzeug.wrappers import Response as AnyResponse

from appliance.site import guard

STAYS_IN = timedelta(hours=12)
"""For so long a phone that gave the PIN need not give it again: a working day. Our choice."""
FREE_WRONG = 3
"""Slips of a gloved finger that cost nothing. Our choice."""
SLOWEST_S = 900.0
"""Each further wrong PIN doubles the wait from 1 s up to this: at most 96 guesses a day, of a million PINs or more."""

NO_PIN = (
    'No PIN is set on this box, so nothing can be changed from the page. To set one, write pin = "…" with 6 to 12 '
    "digits of your own under [web] in the box's linelamp.toml, and start the box anew. Marks and the wiggle test "
    "need none."
)
NOT_OUR_PAGE = "This can be asked only from the page of this box."
OLD_PAGE = "This page was open for too long, or this phone keeps no cookies. Go back, reload the page and try again."
_SECRET_BYTES = 32
_CARRIED = ("pin", "token")

View = Callable[..., Any]
log = logging.getLogger("linelamp.web")


class Refused(Exception):
    """A PIN was not taken; the text says why, in plain words."""


class Door:
    """The PIN and how often it was given wrong. Safe for several threads.

    folder: where the secret and the count of wrong PINs outlive a restart; without one that can be written they are
    as old as this process, which the log says.
    """

    def __init__(self, pin: str, folder: Path | None, *, monotonic: Callable[[], float] = time.monotonic) -> None:
        self._pin = pin.encode()
        self._folder = folder
        self._monotonic = monotonic
        self._lock = threading.Lock()
        self._can_keep = folder is not None
        self.secret = self._kept_secret()
        kept = self._read("door.json")
        self._wrong, self._turned = kept.get("wrong", 0), kept.get("turned", 0)
        self._free_s = monotonic() + self._wait_s()  # the box has no clock that a restart keeps: it waits anew

    @property
    def has_pin(self) -> bool:
        """Whether a PIN is set at all."""
        return bool(self._pin)

    @property
    def key(self) -> str:
        """What a session must hold to be let in: another one for another PIN, and after each `lock`."""
        return hmac.new(self.secret, b"%d %s" % (self._turned, self._pin), hashlib.sha256).hexdigest()

    def try_pin(self, given: str, whose: str) -> None:
        """Lets pass who gives the right PIN. whose: address, for the log. Raises Refused, with what to do.

        One count for all phones, since an address costs a guesser nothing. It is kept before the PIN is looked at.
        """
        with self._lock:
            left_s = self._free_s - self._monotonic()
            if left_s > 0:
                raise Refused(f"The PIN was wrong too often. Wait {left_s:.0f} s, then try again.")
            self._wrong += 1
            self._keep()
            if not hmac.compare_digest(given.strip().encode(), self._pin):
                self._free_s = self._monotonic() + self._wait_s()
                log.warning("wrong PIN from %s, number %d in a row", whose, self._wrong)
                wait_s = self._wait_s()
                raise Refused("That PIN is wrong." + (f" The next can be tried in {wait_s:.0f} s." if wait_s else ""))
            self._wrong = 0
            self._keep()
            log.info("let in: %s", whose)

    def lock(self) -> None:
        """From now on every phone is asked for the PIN again, also one that shows an old cookie."""
        with self._lock:
            self._turned += 1
            self._keep()

    def _wait_s(self) -> float:
        over = self._wrong - FREE_WRONG
        return 0.0 if over <= 0 else min(SLOWEST_S, 2.0 ** min(over - 1, 20))

    def _keep(self) -> None:
        self._write("door.json", json.dumps({"wrong": self._wrong, "turned": self._turned}).encode())

    def _kept_secret(self) -> bytes:
        path = self._folder / "secret" if self._folder else None
        with contextlib.suppress(OSError):
            if path and len(found := path.read_bytes()) == _SECRET_BYTES:
                return found
        secret = secrets.token_bytes(_SECRET_BYTES)
        self._write("secret", secret)
        return secret

    def _read(self, name: str) -> dict[str, int]:
        with contextlib.suppress(OSError, ValueError, TypeError):
            kept = json.loads((self._folder / name).read_bytes()) if self._folder else {}
            return {key: value for key, value in dict(kept).items() if isinstance(value, int) and value >= 0}
        return {}

    def _write(self, name: str, data: bytes) -> None:
        """Whole or not at all, for this user alone."""
        if self._folder is None:
            return
        fresh = self._folder / f"{name}.new"
        try:
            self._folder.mkdir(mode=0o700, parents=True, exist_ok=True)
            with os.fdopen(os.open(fresh, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600), "wb") as file:
                file.write(data)
                file.flush()
                os.fsync(file.fileno())
            fresh.replace(self._folder / name)
        except OSError as trouble:
            if self._can_keep:
                log.warning("%s cannot be kept over a restart: %s", self._folder / name, trouble.strerror)
            self._can_keep = False


def install(app: Flask, door: Door) -> None:
    """Gives app its sessions, the template function `token_field()` for each form that changes something, `let_in`
    (whether this phone is), and the address that locks again."""
    app.secret_key = door.secret
    app.extensions["linelamp-door"] = door
    app.config.update(
        SESSION_COOKIE_NAME="linelamp",
        SESSION_COOKIE_HTTPONLY=True,
        SESSION_COOKIE_SAMESITE="Strict",
        SESSION_REFRESH_EACH_REQUEST=False,
        PERMANENT_SESSION_LIFETIME=STAYS_IN,
    )
    app.jinja_env.globals.update(token_field=token_field, let_in=let_in)

    @app.post("/lock")
    @changes
    def lock() -> AnyResponse:
        _door().lock()
        session.clear()
        return Response(
            render_template("said.html", title="Locked", says="Whoever changes something is asked for the PIN again.")
        )


def token_field() -> Markup:
    """The hidden field that every form needs whose POST is marked with `@changes`."""
    if "token" not in session:
        session.permanent = True
        session["token"] = secrets.token_urlsafe(24)
    return Markup('<input type="hidden" name="token" value="{}">').format(session["token"])


def let_in() -> bool:
    """Whether this phone has given the PIN that holds."""
    door = _door()
    return door.has_pin and hmac.compare_digest(str(session.get("key", "")), door.key)


def changes(view: View) -> View:
    """For the view of a POST that changes the box: only for who is let in, from a form with `token_field()`."""

    @functools.wraps(view)
    def guarded(*args: Any, **kwargs: Any) -> Any:
        if not guard.from_own_page():
            return _refusal(NOT_OUR_PAGE)
        if not _token_fits():
            return _refusal(OLD_PAGE)
        door = _door()
        if not door.has_pin:
            return _refusal(NO_PIN)
        if not let_in():
            given = request.form.get("pin", "")
            if not given:
                return _ask_pin("")
            try:
                door.try_pin(given, request.remote_addr or "")
            except Refused as refused:
                return _ask_pin(str(refused))
            session["key"] = door.key
        return view(*args, **kwargs)

    return guarded


def _token_fits() -> bool:
    return hmac.compare_digest(request.form.get("token", "").encode(), str(session.get("token", "")).encode()) and bool(
        session.get("token")
    )


def _door() -> Door:
    door: Door = current_app.extensions["linelamp-door"]
    return door


def _carried() -> Iterator[tuple[str, str]]:
    """What the form held, to be sent again with the PIN."""
    for name, value in request.form.items(multi=True):
        if name not in _CARRIED:
            yield name, value


def _ask_pin(says: str) -> Response:
    if _wants_json():
        return _json(says or "The box's PIN is asked for.", ask_pin=True)
    return Response(render_template("pin.html", says=says, fields=list(_carried()), action=request.path), 403)


def _refusal(says: str) -> Response:
    return _json(says) if _wants_json() else Response(render_template("error.html", says=says), 403)


def _wants_json() -> bool:
    return request.accept_mimetypes.best == "application/json"


def _json(says: str, **more: object) -> Response:
    return Response(json.dumps({"ok": False, "says": says, **more}), 403, mimetype="application/json")
