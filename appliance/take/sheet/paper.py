"""The paper that a sheet is put on: A4, laid out by fpdf2, its letters embedded. Whatever the text, it is written or
replaced.

The typeface covers Latin, Greek and Cyrillic; what it lacks stands as a box.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Sequence
from typing import Literal

import fontpkg
from fpdf import FPDF, XPos, YPos
from fpdf.fonts import FontFace, TTFFont

from appliance.take.sheet.drawing import INKS, Area, Drawing, Ink, Ring, Shape, Way, Words

Say = Callable[[str], str]
"""From an English sentence to the same in the language of the paper."""
FAMILY = "Fira Sans"
LACKING = "\N{REPLACEMENT CHARACTER}"
EDGE = 15.0
WIDTH = 180.0
_BELOW = 18.0
_PAGES = "{how many pages}"
"""Replaced by their number once that is known, wherever it stands."""
_MARK = "\ue000"
"""Stands for it in the sentence that is put into another language; no typeface has it."""
_FIGURE = re.compile(r"(\d) (?=(?:s|ms|min|h|m|Hz)\b|%)")
"""A figure is not parted from its unit by the end of a row."""


class Typed(str):
    """What somebody wrote, or what is alike in every language: put down as it is."""

    __slots__ = ()


class Paper(FPDF):
    """A4 upright. What is put on it is said in its language, but for what is Typed."""

    def __init__(self, language: str, say: Say) -> None:
        """language: a code of BCP 47. say: from English to it."""
        super().__init__(orientation="portrait", unit="mm", format="A4")
        for style, weight in (("", 400), ("B", 600)):
            self.add_font(FAMILY, style, fontpkg.path(FAMILY, weight=weight))
        self._say = say
        self.lacks = False
        self.foot = ""
        self.type(9.0)
        assert isinstance(self.current_font, TTFFont)
        self._letters = frozenset(self.current_font.cmap)
        self.alias_nb_pages(_PAGES)
        self.set_margins(EDGE, 14.0, EDGE)
        self.c_margin = 0.0
        self.set_auto_page_break(True, _BELOW)
        self.set_lang(language)
        self.ink("ink")

    def footer(self) -> None:
        """Called at the end of each page: which page of how many, and whose."""
        self.set_y(-12.0)
        self.type(7.5)
        self.ink("soft")
        self.cell(WIDTH / 3, 4.0, self.put(f"page {self.page_no()} of {_MARK}").replace(LACKING, _PAGES))
        self.cell(2 * WIDTH / 3, 4.0, self.foot, align="R")
        self.ink("ink")

    def type(self, size: float, style: Literal["", "B"] = "") -> None:
        """The size in points, and the style, of what is written from here on."""
        self.set_font(FAMILY, style, size)

    def ink(self, ink: Ink) -> None:
        """The colour of what is written from here on."""
        self.set_text_color(*INKS[ink])

    def put(self, text: str) -> Typed:
        """In the paper's language, if it is not typed; with a box for each letter that the typeface lacks."""
        said = text if isinstance(text, Typed) else self._say(text)
        said = said.replace("\N{NARROW NO-BREAK SPACE}", "\N{NO-BREAK SPACE}")
        said = _FIGURE.sub("\\1\N{NO-BREAK SPACE}", said)
        told = "".join(char if char == "\n" or ord(char) in self._letters else LACKING for char in said)
        self.lacks = self.lacks or told != said.replace(_MARK, LACKING)
        return Typed(told)

    def row(self, text: str, height: float = 4.6, width: float = WIDTH) -> None:
        """A paragraph, as wide as the paper."""
        self.multi_cell(width, height, self.put(text), align="L", new_x=XPos.LMARGIN, new_y=YPos.NEXT)

    def heading(self, words: str, least: float = 24.0) -> None:
        """A lamp on its line. least: what must still fit on this page below it, in mm."""
        self.room(least)
        self.ln(3.5)
        y = self.get_y() + 2.6
        self.type(11.5, "B")
        self.set_draw_color(*INKS["ink"])
        self.set_fill_color(*INKS["ink"])
        self.set_line_width(0.5)
        words = self.put(words)
        wide = self.get_string_width(words)
        self.line(EDGE, y, EDGE + 3.2, y)
        self.ellipse(EDGE + 2.0, y - 1.3, 2.6, 2.6, style="F")
        self.line(EDGE + 6.5 + wide + 2.0, y, EDGE + WIDTH, y)
        self.set_x(EDGE + 6.0)
        self.cell(wide, 5.2, words, new_x=XPos.LMARGIN, new_y=YPos.NEXT)
        self.ln(1.2)
        self.type(9.0)

    def room(self, height: float) -> None:
        """Goes on to a new page where so much does not fit on this one."""
        if self.get_y() + height > self.page_break_trigger:
            self.add_page()

    def listed(
        self, head: Sequence[str], rows: Iterable[Sequence[str]], widths: Sequence[float], strong: Callable[[int], bool]
    ) -> None:
        """A table; strong: which rows stand out."""
        self.set_draw_color(*INKS["hair"])
        self.set_fill_color(255, 255, 255)
        self.set_line_width(0.15)
        bold, soft = FontFace(emphasis="BOLD"), FontFace(color=INKS["soft"])
        with self.table(
            col_widths=tuple(widths),
            width=WIDTH,
            line_height=4.2,
            text_align="LEFT",
            borders_layout="HORIZONTAL_LINES",
            headings_style=FontFace(emphasis="BOLD", color=INKS["soft"]),
            padding=(0.7, 2.0, 0.7, 0.0),
            first_row_as_headings=bool(head),
        ) as table:
            if head:
                table.row([self.put(words) for words in head])
            for at, cells in enumerate(rows):
                row = table.row(style=bold if strong(at) else None)
                for place, cell in enumerate(cells):
                    row.cell(self.put(cell), style=soft if place == 0 and not head else None)

    def draw(self, drawing: Drawing) -> None:
        """A picture, whole, on one page."""
        self.room(drawing.height + 2.0)
        top = self.get_y()
        for shape in drawing.shapes:
            self._shape(shape, EDGE, top)
        self.set_y(top + drawing.height + 1.0)
        self.type(9.0)
        self.ink("ink")

    def _shape(self, shape: Shape, left: float, top: float) -> None:
        match shape:
            case Way():
                self.set_draw_color(*INKS[shape.ink])
                self.set_line_width(shape.width)
                self.set_dash_pattern(shape.dash, shape.dash)
                self.polyline([(left + x, top + y) for x, y in shape.points])
                self.set_dash_pattern()
            case Area():
                self.set_fill_color(*INKS[shape.ink])
                self.rect(left + shape.x, top + shape.y, shape.width, shape.height, style="F")
            case Ring():
                self.set_draw_color(*INKS[shape.ink])
                self.set_fill_color(*INKS[shape.ink])
                self.set_line_width(0.35)
                at = left + shape.x - shape.radius, top + shape.y - shape.radius
                self.ellipse(*at, 2 * shape.radius, 2 * shape.radius, style="F" if shape.filled else "D")
            case Words():
                self.type(shape.size, "B" if shape.bold else "")
                text = self.put(shape.text)
                back = {"start": 0.0, "middle": 0.5, "end": 1.0}[shape.anchor] * self.get_string_width(text)
                self.text(left + shape.x - back, top + shape.y, text)
