"""In which language a phone is answered: its own, where the box has it, or the one that was chosen on the page.

Pages are made in English and said anew on their way out (`page_text`, `phrases`). A language is offered when its
catalogue lies in web/languages and is whole, which the tests hold it to. Each is read when a phone first asks for it.
"""

from __future__ import annotations

import json
import threading
from collections.abc import Callable, Mapping
from functools import lru_cache
from pathlib import Path
from typing import TYPE_CHECKING, Any, Protocol

from flask import Flask, Response, current_app, redirect, request
from werkzeug.wrappers import Response as AnyResponse

from appliance.site import page_text
from appliance.site.figures import FIGURES
from appliance.site.guard import own_path
from appliance.site.phrases import Phrases

if TYPE_CHECKING:
    import polib

COOKIE = "language"
KEPT_S = 10 * 365 * 86400
ENGLISH = "en"
LANGUAGES = {
    "en": "English",
    "de": "Deutsch",
    "es": "Español",
    "fr": "Français",
    "pt-BR": "Português (Brasil)",
}
"""code (BCP 47): its own name for itself."""
PARTS_KEPT = 48
SAID_ANEW = ("says", "title")
"""What is told in words in the answers to the page's own scripts."""


class Tongue(Protocol):
    """How a language is spoken: a sentence, and the HTML of a page or of a part of it."""

    code: str
    scripts: Mapping[str, str]

    def say(self, text: str) -> str: ...

    def put(self, page: str) -> str: ...


class English:
    """As all is made."""

    code = ENGLISH
    scripts: Mapping[str, str] = {}

    def say(self, text: str) -> str:
        return text

    def put(self, page: str) -> str:
        return page


class Spoken:
    """A language with a catalogue. Parts of live pages are kept, since all who watch are sent the same."""

    def __init__(self, code: str, catalogue: polib.POFile) -> None:
        self.code = code
        told = [entry for entry in catalogue if entry.translated()]
        self.phrases = Phrases({entry.msgid: entry.msgstr for entry in told}, FIGURES[code])
        self.say = self.phrases.say
        self.scripts: Mapping[str, str] = {
            entry.msgid: entry.msgstr for entry in told if any(place.endswith(".js") for place, _ in entry.occurrences)
        }
        """What scripts say."""
        self.put = lru_cache(PARTS_KEPT)(self._put)

    def _put(self, page: str) -> str:
        return page_text.put(page, self.say)


class Languages:
    """Those that the box has. Safe for several threads."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._known: dict[str, Tongue] = {ENGLISH: English()}
        self._lock = threading.Lock()
        self.offered = {code: name for code, name in LANGUAGES.items() if code == ENGLISH or self._path(code).is_file()}

    def _path(self, code: str) -> Path:
        return self._folder / f"{code}.po"

    def of(self, code: str) -> Tongue:
        """One of those offered; English for any other."""
        if code not in self.offered:
            return self._known[ENGLISH]
        with self._lock:
            if code not in self._known:
                import polib  # noqa: PLC0415  (who asks for English alone does without)

                self._known[code] = Spoken(code, polib.pofile(str(self._path(code))))
            return self._known[code]

    def asked(self) -> Tongue:
        """Of the request at hand: as chosen, else the best of those that the browser names."""
        chosen = request.cookies.get(COOKIE, "")
        best = request.accept_languages.best_match(list(self.offered), ENGLISH)
        return self.of(chosen if chosen in self.offered else best or ENGLISH)


def asked() -> Tongue:
    """The language of the request at hand."""
    tongue: Tongue = current_app.extensions[__name__].asked()
    return tongue


def vary(response: Response) -> None:
    """Tells that the answer is in the language of who asked."""
    response.vary.update(("Accept-Language", "Cookie"))
    response.content_language.add(asked().code)


def said(told: dict[str, Any]) -> dict[str, Any]:
    """What a script of the page at hand is about to be told, in its language."""
    tongue = asked()
    return told if tongue.code == ENGLISH else dict(_anew(told, tongue.say))


def install(app: Flask, languages: Languages) -> None:
    """Says every answer in the language of who asked, and adds the switch and what the scripts say."""
    app.extensions[__name__] = languages

    @app.context_processor
    def known() -> dict[str, Any]:
        return {"language": languages.asked().code, "languages": languages.offered}

    @app.after_request
    def said_anew(response: Response) -> Response:
        if response.mimetype in _ANEW and not _canonical(response):
            tongue = languages.asked()
            response.vary.update(("Accept-Language", "Cookie"))
            if tongue.code != ENGLISH and not response.content_encoding:
                response.set_data(_ANEW[response.mimetype](response.get_data(as_text=True), tongue))
        return response

    @app.get("/words.js")
    def words() -> Response:
        """What the scripts say, as a module: English -> this language."""
        tongue = languages.asked()
        body = f"export default {json.dumps(tongue.scripts, ensure_ascii=False)};\n"
        response = Response(body, mimetype="text/javascript")
        response.vary.update(("Accept-Language", "Cookie"))
        return response

    @app.get("/language/<code>")
    def language(code: str) -> AnyResponse:
        """Kept on the phone alone, as the look is, so it is no change of the box, and a link will do."""
        back = redirect(own_path(), 303)
        if code in languages.offered:
            back.set_cookie(COOKIE, code, max_age=KEPT_S, httponly=True, samesite="Strict")
        return back


def _canonical(response: Response) -> bool:
    """Whether it stays English: what other programs read, and files to take away."""
    plain = response.mimetype == "text/plain" and response.status_code == 200
    return response.is_streamed or plain or request.path in _CANONICAL or "Content-Disposition" in response.headers


def _page(body: str, tongue: Tongue) -> str:
    return page_text.put(body, tongue.say)


def _told(body: str, tongue: Tongue) -> str:
    """The words in a JSON answer."""
    told = json.loads(body)
    return json.dumps(_anew(told, tongue.say), separators=(",", ":")) if isinstance(told, dict) else body


def _anew(told: Any, say: Callable[[str], str], key: str = "") -> Any:
    if isinstance(told, dict):
        return {name: _anew(value, say, name) for name, value in told.items()}
    if isinstance(told, list) and told and not isinstance(told[0], int | float):
        return [_anew(value, say, key) for value in told]
    return say(told) if isinstance(told, str) and key in SAID_ANEW else told


def _plain(body: str, tongue: Tongue) -> str:
    return tongue.say(body)


_ANEW = {"text/html": _page, "application/json": _told, "text/plain": _plain}
_CANONICAL = {"/picture"}
"""Told in English whoever asks: what other programs read."""
