"""The texts of a page, found in its HTML: between tags, and in the attributes that are read out or shown.

HTML's own `translate="no"` marks what is left alone, and so do the elements that hold code or what was typed in. Such
an element within a sentence stays in its place. Source: HTML Living Standard, the translate attribute.
"""

from __future__ import annotations

import html
import re
from collections.abc import Callable, Iterator

Say = Callable[[str], str]

_TAG = re.compile(
    r"""<!--.*?-->|<(?P<end>/?)(?P<name>[a-zA-Z][\w-]*)(?:[^<>"']|"[^"]*"|'[^']*')*>|<![^>]*>""", re.DOTALL
)
_SHOWN = re.compile(r'(?<=\s)(?P<name>aria-label|placeholder|alt|title|label)="(?P<text>[^"]*)"')
_ALONE = re.compile(r'\stranslate="no"')
_LEFT_ALONE = {"code", "time", "textarea", "script", "style", "pre", "kbd"}
_VOID = {"area", "base", "br", "col", "embed", "hr", "img", "input", "link", "meta", "source", "track", "wbr"}
_SPACE = re.compile(r"[ \t\n\r\f]+")
_FIGURE = re.compile(r"(\d) (?=(?:s|ms|min|h|d|Hz|bytes|[kMG]B|m|km|km/h|m/s)\b|%)")
_NBSP = "\N{NO-BREAK SPACE}"
_FIRST_MARK = 0xE000


def put(page: str, say: Say) -> str:
    """HTML with every text said anew."""
    made: list[str] = []
    run: list[str] = []
    for kind, raw in parts(page):
        if kind == "tag":
            made.append(_run(run, say))
            run = []
            made.append(_SHOWN.sub(lambda found: f'{found["name"]}="{_said(found["text"], say)}"', raw))
        else:
            run.append(raw if kind == "text" else "\0" + raw)
    made.append(_run(run, say))
    return "".join(made)


def parts(page: str) -> Iterator[tuple[str, str]]:
    """("text" | "tag" | "alone", as it stands) in order; what is left alone comes whole."""
    at = 0
    while found := _TAG.search(page, at):
        if found.start() > at:
            yield "text", page[at : found.start()]
        at = found.end()
        name = (found["name"] or "").lower()
        if not found["end"] and name not in _VOID and (name in _LEFT_ALONE or _ALONE.search(found[0])):
            at = _end(page, name, at)
            yield "alone", page[found.start() : at]
        else:
            yield "tag", found[0]
    if at < len(page):
        yield "text", page[at:]


def texts(page: str) -> Iterator[str]:
    """All texts of a page, as they are shown; marks in place of what is left alone."""
    found: list[str] = []

    def keep(text: str) -> str:
        found.append(text)
        return text

    put(page, keep)
    yield from found


def _end(page: str, name: str, at: int) -> int:
    """Where the element that began before `at` ends."""
    depth = 1
    for found in _TAG.finditer(page, at):
        if (found["name"] or "").lower() == name:
            depth += -1 if found["end"] else 1
            if depth == 0:
                return found.end()
    return len(page)


def _run(run: list[str], say: Say) -> str:
    """One text between tags, with what stands in it left alone."""
    if all(piece.isspace() or piece[0] == "\0" for piece in run):
        return "".join(piece.lstrip("\0") for piece in run)
    alone = [piece[1:] for piece in run if piece[0] == "\0"]
    marks = iter(range(_FIRST_MARK, _FIRST_MARK + len(alone)))
    raw = "".join(chr(next(marks)) if piece[0] == "\0" else piece for piece in run)
    said = _said(raw, say)
    for number, piece in enumerate(alone):
        said = said.replace(chr(_FIRST_MARK + number), piece)
    return said


def _said(raw: str, say: Say) -> str:
    """Escaped in, escaped out; the space about it stays, and no figure is parted from its unit."""
    shown = html.unescape(raw).replace(_NBSP, " ")
    text = _SPACE.sub(" ", shown).strip()
    if not text:
        return raw
    said = say(text)
    if said == text:
        return raw
    ahead, behind = raw[: len(raw) - len(raw.lstrip())], raw[len(raw.rstrip()) :]
    return ahead + html.escape(_FIGURE.sub(rf"\1{_NBSP}", said)) + behind
