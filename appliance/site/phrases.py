"""Sentences read back: an English sentence is put into another language by the template that it was made from.

The whole box speaks English: picture, history, files. A catalogue (gettext's .po) holds each template with its
translation, such as "{message} is coming." A sentence that comes to the page is held against the templates; what lies
in the holes is read back in turn, numbers are written as the language writes them, and so history of long ago is
translated too. What was put together from several templates is taken apart at its full stops, semicolons and commas.
"""

from __future__ import annotations

import re
import threading
from collections.abc import Callable, Mapping

from appliance.site.figures import Figures, dated, is_figure, written

HOLE = re.compile(r"\{(\w+)\}")
KEPT_MOST = 4000
"""Sentences that are remembered, in a language. Ours: a front page holds some 400."""
COUNTS = {"number", "count"}
"""Holes of these names hold a figure and nothing else: or "no sentences" would be so many sentences."""
READ_MOST = 2000
LONGEST = 1200
"""Pieces of a sentence that are looked at, and characters in it: what somebody typed may be commas alone. Ours."""

_QUOTES = "\N{LEFT DOUBLE QUOTATION MARK}\N{RIGHT DOUBLE QUOTATION MARK}"
_EDGES = tuple(
    re.compile(rf"^([\s.,;:(){_QUOTES}{alone}]*)(.*?)([\s.,;:()!{_QUOTES}{alone}]*)$", re.DOTALL)
    for alone in ("", "\ue000-\uefff")
)
_CUTS = (
    re.compile(r"(?<=[.!?])( )(?=\S)"),
    re.compile(r"(; |: | \N{MIDDLE DOT} )"),
    re.compile(r"(, | \(|\) | \N{EN DASH} )"),
)
_NAME = re.compile(r"[-\N{LEFT DOUBLE QUOTATION MARK}]?\.\w|.*\w\.\w|.*[\d/_@\\=]|[a-z\d]+(?:-[a-z\d]+)+$")
"""What a word that begins like this is: a file, an address, a port, a value."""
_WORD = re.compile(r"[^\W\d_]*[a-zäöüß][^\W\d_]*")
_LEAST_PARTLY = 12
_SAME = {"true", "false", "linelamp", "toml", "txt", "kHz", "kOhm"}


class Template:
    """One sentence with holes. landmark: the longest piece between its holes; weight: the length of all."""

    def __init__(self, english: str, said: str) -> None:
        self.said = said
        self._holes = HOLE.findall(english)
        self._pieces = HOLE.split(english)[::2]
        self.landmark = max(self._pieces, key=len)
        self.weight = sum(map(len, self._pieces))

    def values(self, text: str) -> dict[str, str] | None:
        """What lies in the holes, each as short as can be; None where the text was not made from this template."""
        first, *middle, last = self._pieces
        if not (self.landmark in text and text.startswith(first) and text.endswith(last)):
            return None
        values, at, end = [], len(first), len(text) - len(last)
        for piece in middle:
            found = text.find(piece, at, end)
            if found < 0:
                return None
            values.append(text[at:found])
            at = found + len(piece)
        if at > end:
            return None
        held = dict(zip(self._holes, [*values, text[at:end]], strict=True))
        return held if all(is_figure(held[name]) for name in COUNTS & held.keys()) else None


class Phrases:
    """One language. told: English template -> its translation."""

    def __init__(self, told: Mapping[str, str], figures: Figures) -> None:
        self._figures = figures
        self.whole = {english: said for english, said in told.items() if not HOLE.search(english)}
        holed = (Template(english, said) for english, said in told.items() if HOLE.search(english))
        self._templates = sorted(holed, key=lambda one: -one.weight)
        self._lock = threading.Lock()
        self._left = READ_MOST
        self._kept: dict[str, tuple[str, bool]] = {}

    def say(self, text: str) -> str:
        """The sentence in this language; what is not known stays as it is."""
        return self.read_back(text)[0]

    def read_back(self, text: str) -> tuple[str, bool]:
        """The sentence, and whether all of it was known."""
        with self._lock:
            if len(self._kept) >= KEPT_MOST:
                self._kept.clear()  # simple, and right: what is in use comes again at once
            self._left = READ_MOST
            return self._read_back(text)

    def _read_back(self, text: str) -> tuple[str, bool]:
        kept = self._kept.get(text)
        if kept is not None:
            return kept
        if self._left <= 0 or len(text) > LONGEST:
            return text, False
        self._left -= 1
        self._kept[text] = text, False  # met again within itself, it is not known
        kept = self._kept[text] = self._read(text)
        return kept

    def _read(self, text: str) -> tuple[str, bool]:
        if not text or text.isspace():
            return text, True
        if is_figure(text):
            return written(text, self._figures), True
        partly: tuple[str, bool] | None = None
        for way in (self._known, self._bare, self._holed, self._varied, self._counted, self._cut):
            found = way(text)
            if found and found[1]:
                return found
            partly = partly or found
        if not untold(text):
            return dated(text, self._figures), True
        return partly or (text, False)

    def _known(self, text: str) -> tuple[str, bool] | None:
        """Word for word, or with another first letter."""
        said = self.whole.get(text)
        if said is None and text:
            said = self.whole.get(text[0].swapcase() + text[1:])
            said = said and _first_as(said, text)
        return (said, True) if said else None

    def _bare(self, text: str) -> tuple[str, bool] | None:
        """Without what stands at its edges."""
        for edges in _EDGES:
            found = edges.match(text)
            if found and found[2] not in ("", text):
                said, known = self._read_back(found[2])
                if known:
                    return found[1] + said + self._apart(found[3]), True
        return None

    def _varied(self, text: str) -> tuple[str, bool] | None:
        """As part of another sentence: with another first letter, or without its full stop."""
        for ended in (text, text.removesuffix(".") if text.endswith(".") else text + "."):
            for other in (ended, ended[:1].swapcase() + ended[1:]):
                found = self._known(other) or self._holed(other)
                if found and found[1]:
                    said = _first_as(found[0], text) if other[:1] != text[:1] else found[0]
                    return said.removesuffix(".") + "." * text.endswith("."), True
        return None

    def _holed(self, text: str) -> tuple[str, bool] | None:
        """From a template with holes: the first whose values are all known, else the first of some length."""
        partly = None
        for template in self._templates:
            values = template.values(text)
            if values is None or text in values.values():
                continue
            said = {name: self._read_back(value) if value else ("", True) for name, value in values.items()}
            put = HOLE.sub(lambda hole, said=said: said[hole[1]][0], template.said)  # type: ignore[misc]
            if all(known for _, known in said.values()):
                return put, True
            if partly is None and template.weight >= _LEAST_PARTLY:
                partly = put, False
        return partly

    def _counted(self, text: str) -> tuple[str, bool] | None:
        """A figure before or behind what is known: "3 not met", "cut short 58"."""
        words = text.split(" ")
        for at in range(len(words) - 1, 0, -1):
            ahead, behind = " ".join(words[:at]), " ".join(words[at:])
            if is_figure(ahead) or is_figure(behind):
                (one, one_known), (other, other_known) = self._read_back(ahead), self._read_back(behind)
                if one_known and other_known:
                    return f"{one} {other}", True
        return None

    def _cut(self, text: str) -> tuple[str, bool] | None:
        """In pieces, as long as they can be: first by sentences, then by what parts them."""
        partly = None
        for cut in _CUTS:
            pieces = cut.split(text)
            if len(pieces) > 1:
                found = _joined(pieces, self._read_back, self._apart)
                if found[1]:
                    return found
                partly = partly or found
        return partly

    def _apart(self, sign: str) -> str:
        """What parts two pieces, or ends one, as this language writes it."""
        return self._figures.before + sign if sign.startswith((":", ";")) else sign


def _first_as(said: str, text: str) -> str:
    """With its first letter small or large, as that of text is."""
    return (said[0].lower() if text[0].islower() else said[0].upper()) + said[1:]


def _joined(
    pieces: list[str], read_back: Callable[[str], tuple[str, bool]], apart: Callable[[str], str]
) -> tuple[str, bool]:
    """Odd pieces part the others. Each time the longest run that is known is taken."""
    said, all_known, at = [], True, 0
    while at < len(pieces):
        for end in range(len(pieces) - (1 if at == 0 else 0), at, -1):
            if (end - at) % 2 == 0:
                continue
            told, known = read_back("".join(pieces[at:end]))
            if known or end == at + 1:
                said.append(told)
                all_known &= known
                break
        said += map(apart, pieces[end : end + 1])
        at = end + 1
    return "".join(said), all_known


def untold(text: str) -> list[str]:
    """The words of a text that want translating: no units, abbreviations, names of messages, files or ports."""
    bare = (word.strip(f".,;:()!?{_QUOTES}") for word in text.split() if not _NAME.match(word))
    return [word for word in bare if len(word) > 1 and _WORD.search(word) and not is_figure(word) and word not in _SAME]
