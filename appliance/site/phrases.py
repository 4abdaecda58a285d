"""Sentences read back: an English sentence is put into another language by the template that it was made from.

The whole box speaks English: picture, history, files. A catalogue (gettext's .po) holds each template with its
translation, such as "{message} is coming." A sentence that comes to the page is held against the templates; what lies
in the holes is read back in turn, numbers are written as the language writes them, and so history of long ago is
translated too. What was put together from several templates is taken apart at its full stops, semicolons and commas.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Mapping
from functools import cached_property

from appliance.site.figures import Figures, is_figure, written

HOLE = re.compile(r"\{(\w+)\}")
KEPT_MOST = 4000
"""Sentences that are remembered, in a language. Ours: a front page holds some 400."""
OPAQUE = re.compile("[\ue000-\uefff]")
"""Stand for what is never translated within a sentence, such as a time or bytes of the line."""

_EDGES = re.compile(
    r"^([\s.,;:()\N{LEFT DOUBLE QUOTATION MARK}]*)(.*?)([\s.,;:()!\N{RIGHT DOUBLE QUOTATION MARK}]*)$", re.DOTALL
)
_CUTS = (
    re.compile(r"(?<=[.!?])( )(?=\S)"),
    re.compile(r"(; |: | \N{MIDDLE DOT} )"),
    re.compile(r"(, | \(|\) | \N{EN DASH} )"),
)
_COUNTED = (
    re.compile(r"([<\d][\d.,]*(?: (?:ms|s|min|h|d|%|m))*(?: \d+ \w+)?)( )(\D.*)", re.DOTALL),
    re.compile(r"(.*\D)( )([<\d][\d.,]*(?: \S{1,4})?)", re.DOTALL),
)
_WORD = re.compile(r"[^\W\d_]*[a-zäöüß][^\W\d_]*")
_LEAST_PARTLY = 12
_SAME = {"linelamp", "toml", "txt", "kHz", "kOhm"}


class Template:
    """One sentence with holes. english, said: in both languages. landmark: the longest piece between its holes."""

    def __init__(self, english: str, said: str) -> None:
        self.english, self.said = english, said
        pieces = HOLE.split(english)[::2]
        self.landmark = max(pieces, key=len)
        self.weight = sum(len(piece) for piece in pieces)

    @cached_property
    def pattern(self) -> re.Pattern[str]:
        pieces = HOLE.split(self.english)
        return re.compile(
            "".join("(.*?)" if at % 2 else re.escape(piece) for at, piece in enumerate(pieces)), re.DOTALL
        )

    def values(self, text: str) -> dict[str, str] | None:
        """What lies in the holes; None where the text was not made from this template."""
        found = self.pattern.fullmatch(text) if self.landmark in text else None
        return dict(zip(HOLE.findall(self.english), found.groups(), strict=True)) if found else None


class Phrases:
    """One language. told: English template -> its translation."""

    def __init__(self, told: Mapping[str, str], figures: Figures) -> None:
        self._figures = figures
        self.whole = {english: said for english, said in told.items() if not HOLE.search(english)}
        holed = (Template(english, said) for english, said in told.items() if HOLE.search(english))
        self._templates = sorted(holed, key=lambda one: -one.weight)
        self._kept: dict[str, tuple[str, bool]] = {}

    def say(self, text: str) -> str:
        """The sentence in this language; what is not known stays as it is."""
        return self.read_back(text)[0]

    def read_back(self, text: str) -> tuple[str, bool]:
        """The sentence, and whether all of it was known."""
        kept = self._kept.get(text)
        if kept is None:
            if len(self._kept) >= KEPT_MOST:
                self._kept.clear()  # simple, and right: what is in use comes again at once
            kept = self._kept[text] = self._read(text)
        return kept

    def _read(self, text: str) -> tuple[str, bool]:
        if is_figure(text):
            return written(text, self._figures), True
        partly: tuple[str, bool] | None = None
        for way in (self._known, self._bare, self._holed, self._counted, self._cut):
            found = way(text)
            if found and found[1]:
                return found
            partly = partly or found
        if not untold(text):
            return text, True
        return partly or (text, False)

    def _known(self, text: str) -> tuple[str, bool] | None:
        """Word for word, or with another first letter."""
        said = self.whole.get(text)
        if said is None and text:
            said = self.whole.get(text[0].swapcase() + text[1:])
            if said:
                said = (said[0].lower() if text[0].islower() else said[0].upper()) + said[1:]
        return (said, True) if said else None

    def _bare(self, text: str) -> tuple[str, bool] | None:
        """Without what stands at its edges."""
        found = _EDGES.match(text)
        if found is None or found[2] in ("", text):
            return None
        said, known = self.read_back(found[2])
        return (found[1] + said + found[3], True) if known else None

    def _holed(self, text: str) -> tuple[str, bool] | None:
        """From a template with holes: the first whose values are all known, else the first of some length."""
        partly = None
        for template in self._templates:
            values = template.values(text)
            if values is None or text in values.values():
                continue
            said = {name: self.read_back(value) if value else ("", True) for name, value in values.items()}
            put = HOLE.sub(lambda hole, said=said: said[hole[1]][0], template.said)  # type: ignore[misc]
            if all(known for _, known in said.values()):
                return put, True
            if partly is None and template.weight >= _LEAST_PARTLY:
                partly = put, False
        return partly

    def _counted(self, text: str) -> tuple[str, bool] | None:
        """A figure before or behind what is known: "3 not met", "cut short 58"."""
        for counted in _COUNTED:
            found = counted.fullmatch(text)
            if found:
                (one, one_known), (other, other_known) = self.read_back(found[1]), self.read_back(found[3])
                if one_known and other_known:
                    return one + found[2] + other, True
        return None

    def _cut(self, text: str) -> tuple[str, bool] | None:
        """In pieces, as long as they can be: first by sentences, then by what parts them."""
        for cut in _CUTS:
            pieces = cut.split(text)
            if len(pieces) > 1:
                return _joined(pieces, self.read_back)
        return None


def _joined(pieces: list[str], read_back: Callable[[str], tuple[str, bool]]) -> tuple[str, bool]:
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
        said += pieces[end : end + 1]
        at = end + 1
    return "".join(said), all_known


def untold(text: str) -> list[str]:
    """The words of a text that want translating: no units, abbreviations, names of messages, files or ports."""
    words: Iterable[str] = (
        word.strip(".,;:()!?\N{LEFT DOUBLE QUOTATION MARK}\N{RIGHT DOUBLE QUOTATION MARK}") for word in text.split()
    )
    return [
        word
        for word in words
        if _WORD.search(word) and not is_figure(word) and word not in _SAME and not re.search(r"[\d/_@\\=]", word)
        and len(word) > 1 and not word.endswith(".local")
    ]  # fmt: skip
