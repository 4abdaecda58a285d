"""The sheet on paper: A4, laid out by fpdf2, its letters embedded. Whatever the text, it is written or replaced.

The typeface covers Latin, Greek and Cyrillic; what it lacks stands as a box, and the sheet says so.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Sequence
from datetime import UTC, datetime
from typing import Literal

import fontpkg
from fpdf import FPDF, XPos, YPos
from fpdf.fonts import FontFace, TTFFont

from appliance.take.sheet.drawing import INKS, Area, Drawing, Ink, Ring, Shape, Way, Words
from appliance.take.sheet.report import CAUTIONS, Report

FAMILY = "Fira Sans"
PAGES = "{how many pages}"
"""Replaced by their number once that is known, wherever it stands."""
LACKING = "\N{REPLACEMENT CHARACTER}"
EDGE = 15.0
WIDTH = 180.0
BELOW = 18.0
STATE_INKS = {"go": (10, 74, 42), "no-go": (133, 16, 28), "wait": (90, 70, 10)}
STATE_WORDS = {"met": "met", "not met": "NOT MET", "look at": "look at", "not told": "not told"}
_FIGURE = re.compile(r"(\d) (?=(?:s|ms|min|h|m|Hz)\b|%)")
"""A figure is not parted from its unit by the end of a row."""


def written(report: Report) -> bytes:
    """The sheet as a PDF file."""
    paper = _Paper(report)
    paper.add_page()
    _head(paper, report)
    _job(paper, report)
    _needed(paper, report)
    _sure(paper, report)
    _events(paper, report)
    _pictures(paper, report)
    _log(paper, report)
    _cautions(paper)
    _signed(paper, report)
    return bytes(paper.output())


class _Paper(FPDF):
    """A4 upright; the foot tells whose sheet it is, and which page of how many."""

    def __init__(self, report: Report) -> None:
        super().__init__(orientation="portrait", unit="mm", format="A4")
        for style, weight in (("", 400), ("B", 600)):
            self.add_font(FAMILY, style, fontpkg.path(FAMILY, weight=weight))
        self.lacks = False
        self.type(9.0)
        assert isinstance(self.current_font, TTFFont)
        self._letters = frozenset(self.current_font.cmap)
        self._foot = f"linelamp {report.version} · {report.of_words} · made {report.made}"
        self.alias_nb_pages(PAGES)
        self.set_margins(EDGE, 14.0, EDGE)
        self.c_margin = 0.0
        self.set_auto_page_break(True, BELOW)
        self.set_title(f"Commissioning sheet, {report.of_words}")
        self.set_creator(f"linelamp {report.version}")
        self.set_lang("en")
        self.set_creation_date(datetime.strptime(report.made, "%Y-%m-%d %H:%M UTC").replace(tzinfo=UTC))
        self.ink("ink")

    def footer(self) -> None:
        """Called at the end of each page."""
        self.set_y(-12.0)
        self.type(7.5)
        self.ink("soft")
        self.cell(WIDTH / 2, 4.0, f"page {self.page_no()} of {PAGES}")
        self.cell(WIDTH / 2, 4.0, self._foot, align="R")
        self.ink("ink")

    def type(self, size: float, style: Literal["", "B"] = "") -> None:
        """The size in points, and the style, of what is written from here on."""
        self.set_font(FAMILY, style, size)

    def ink(self, ink: Ink) -> None:
        """The colour of what is written from here on."""
        self.set_text_color(*INKS[ink])

    def known(self, text: str) -> str:
        """The text with a box for each letter that the typeface lacks."""
        text = _FIGURE.sub("\\1\N{NO-BREAK SPACE}", text)
        told = "".join(char if char == "\n" or ord(char) in self._letters else LACKING for char in text)
        self.lacks = self.lacks or told != text
        return told

    def row(self, text: str, height: float = 4.6, width: float = WIDTH) -> None:
        """A paragraph, as wide as the paper."""
        self.multi_cell(width, height, self.known(text), align="L", new_x=XPos.LMARGIN, new_y=YPos.NEXT)

    def heading(self, words: str, least: float = 24.0) -> None:
        """A lamp on its line. least: what must still fit on this page below it, in mm."""
        self.room(least)
        self.ln(3.5)
        y = self.get_y() + 2.6
        self.type(11.5, "B")
        self.set_draw_color(*INKS["ink"])
        self.set_fill_color(*INKS["ink"])
        self.set_line_width(0.5)
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
                table.row(head)
            for at, cells in enumerate(rows):
                row = table.row(style=bold if strong(at) else None)
                for place, cell in enumerate(cells):
                    row.cell(self.known(cell), style=soft if place == 0 and not head else None)

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
                text = self.known(shape.text)
                back = {"start": 0.0, "middle": 0.5, "end": 1.0}[shape.anchor] * self.get_string_width(text)
                self.text(left + shape.x - back, top + shape.y, text)


def _head(paper: _Paper, report: Report) -> None:
    paper.type(20, "B")
    paper.cell(WIDTH, 9.0, "Commissioning sheet", new_x=XPos.LMARGIN, new_y=YPos.NEXT)
    paper.type(9.5)
    paper.ink("soft")
    paper.row("What a field controller needs on its GNSS line, beside what was measured there.", 5.0)
    paper.ink("ink")
    paper.ln(2.5)
    top = paper.get_y()
    paper.set_fill_color(*STATE_INKS[report.state])
    paper.rect(EDGE, top, 46.0, 15.0, style="F")
    paper.set_text_color(255, 255, 255)
    paper.type(24, "B")
    paper.set_xy(EDGE, top)
    paper.cell(46.0, 15.0, report.verdict, align="C")
    paper.ink("ink")
    paper.type(11.5, "B")
    paper.set_xy(EDGE + 50.0, top + (2.4 if len(report.says) > 70 else 4.9))
    paper.multi_cell(WIDTH - 50.0, 5.2, report.says, align="L", new_x=XPos.LMARGIN, new_y=YPos.NEXT)
    paper.set_y(top + 17.5)
    paper.type(9.5, "B")
    for says in filter(None, (report.short,)):
        paper.ink("bad")
        paper.row(says, 5.0)
        paper.ink("ink")
    paper.type(9.0)


def _job(paper: _Paper, report: Report) -> None:
    paper.heading("Job")
    job = [(words, text or "\N{EN DASH}") for name, words, text in report.job if name != "notes"]
    both = [*job, *report.span]
    paper.listed((), both, (34.0, WIDTH - 34.0), lambda _: False)
    notes = next((text for name, _, text in report.job if name == "notes"), "")
    if notes:
        paper.ln(1.5)
        paper.type(9.0, "B")
        paper.row("Notes")
        paper.type(9.0)
        paper.row(notes)


def _needed(paper: _Paper, report: Report) -> None:
    paper.heading("Needed, and measured", 40.0)
    rows = [(row.what, row.needed, row.measured, STATE_WORDS[row.state]) for row in report.rows]
    head = ("What", "Needed", "Measured", "Result")
    paper.listed(head, rows, (44.0, 46.0, 70.0, 20.0), lambda at: report.rows[at].state == "not met")


def _sure(paper: _Paper, report: Report) -> None:
    paper.heading("How long, and how sure", 50.0)
    for says in (*report.proof, *report.losses):
        paper.row(says)
        paper.ln(0.8)
    paper.ln(1.0)
    head = ("Seconds, as ITU-T G.826 counts them, a sentence being the block", "Number", "Of available time")
    paper.listed(head, report.seconds, (110.0, 30.0, 40.0), lambda _: False)


def _events(paper: _Paper, report: Report) -> None:
    paper.heading("Faults, and what was done")
    if not report.events:
        paper.row("No fault came, and nobody set a mark.")
        return
    rows = [(event.when, event.what, event.lasted) for event in report.events]
    paper.listed(("When, UTC", "What", "Lasted"), rows, (28.0, 124.0, 28.0), lambda _: False)
    if report.more:
        paper.ln(1.0)
        paper.row(report.more)


def _pictures(paper: _Paper, report: Report) -> None:
    if report.rates:
        paper.heading("Rates over time", report.rates.height + 12.0)
        paper.draw(report.rates)
    if report.track:
        paper.heading("Track", report.track.height + 12.0)
        paper.draw(report.track)


def _log(paper: _Paper, report: Report) -> None:
    paper.heading("The raw log that this speaks of", 34.0)
    if not report.logs:
        paper.row("No raw bytes of this span are kept.")
    for log in report.logs:
        paper.room(22.0)
        paper.type(9.0, "B")
        paper.row(f"{log.line}: {log.size:,} bytes. SHA-256:".replace(",", "\N{NO-BREAK SPACE}"))
        paper.row(log.sha256)
        paper.type(9.0)
        paper.row(log.how)
        paper.ln(1.0)
    for says in report.troubles:
        paper.row(says)


def _cautions(paper: _Paper) -> None:
    paper.heading("Cautions", 92.0)  # the names stand on one page with what they are put to
    for says in CAUTIONS:
        paper.row(says)
        paper.ln(0.8)
    if paper.lacks:
        paper.row("Letters that this typeface lacks stand as a box; the box's page shows them.")


def _signed(paper: _Paper, report: Report) -> None:
    paper.heading("Signed", 48.0)
    paper.ln(14.0)
    technician = next((text for name, _, text in report.job if name == "technician"), "")
    paper.set_draw_color(*INKS["ink"])
    paper.set_line_width(0.25)
    y = paper.get_y()
    for row, who in enumerate((f"Fitted and checked by {technician}".strip(), "Received by")):
        below = y + row * 20.0
        for x, wide, words in ((0.0, 84.0, who), (90.0, 50.0, "Place"), (146.0, 34.0, "Date")):
            paper.line(EDGE + x, below, EDGE + x + wide, below)
            paper.type(7.5)
            paper.set_xy(EDGE + x, below + 0.8)
            paper.multi_cell(wide, 3.6, paper.known(words), align="L")
    paper.set_y(y + 32.0)
