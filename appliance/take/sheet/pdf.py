"""The sheet on paper, in any language that the box has."""

from __future__ import annotations

from datetime import UTC, datetime

from fpdf import XPos, YPos

from appliance.take.sheet.drawing import INKS
from appliance.take.sheet.needed import STATE_WORDS
from appliance.take.sheet.paper import EDGE, WIDTH, Paper, Say, Typed
from appliance.take.sheet.report import CAUTIONS, Report

STATE_INKS = {"go": (10, 74, 42), "no-go": (133, 16, 28), "wait": (90, 70, 10)}

VERDICT = 46.0
"""Width of its field."""


def written(report: Report, language: str = "en", say: Say = str) -> bytes:
    """The sheet as a PDF file. language: a code of BCP 47. say: from English to it."""
    paper = Paper(language, say)
    _named(paper, report)
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


def _named(paper: Paper, report: Report) -> None:
    """What the file is called, and whose sheet it is, at the foot of each page."""
    of = f"{paper.put(report.of_kind)} {paper.put(Typed(report.of_name))}"
    paper.foot = f"linelamp {report.version} · {of} · {paper.put(f'made {report.made}')}"
    paper.set_title(f"{paper.put('Commissioning sheet')}, {of}")
    paper.set_creator(f"linelamp {report.version}")
    paper.set_creation_date(datetime.strptime(report.made, "%Y-%m-%d %H:%M UTC").replace(tzinfo=UTC))


def _head(paper: Paper, report: Report) -> None:
    paper.type(20, "B")
    paper.cell(WIDTH, 9.0, paper.put("Commissioning sheet"), new_x=XPos.LMARGIN, new_y=YPos.NEXT)
    paper.type(9.5)
    paper.ink("soft")
    paper.row("What a field controller needs on its GNSS line, beside what was measured there.", 5.0)
    paper.ink("ink")
    paper.ln(2.5)
    top = paper.get_y()
    paper.set_fill_color(*STATE_INKS[report.state])
    paper.rect(EDGE, top, VERDICT, 15.0, style="F")
    _verdict(paper, paper.put(report.verdict), top)
    paper.ink("ink")
    paper.type(11.5, "B")
    says = paper.put(report.says)
    high = paper.multi_cell(WIDTH - 50.0, 5.2, says, dry_run=True, output="HEIGHT")
    assert isinstance(high, float)
    paper.set_xy(EDGE + 50.0, top + max(0.0, 7.5 - high / 2))
    paper.multi_cell(WIDTH - 50.0, 5.2, says, align="L", new_x=XPos.LMARGIN, new_y=YPos.NEXT)
    paper.set_y(top + 17.5)
    paper.type(9.5, "B")
    if report.short:
        paper.ink("bad")
        paper.row(report.short, 5.0)
        paper.ink("ink")
    paper.type(9.0)


def _verdict(paper: Paper, verdict: str, top: float) -> None:
    """As large as its field has room for."""
    size = 24.0
    paper.type(size, "B")
    while paper.get_string_width(verdict) > VERDICT - 4.0:
        paper.type(size := size - 1.0, "B")
    paper.set_text_color(255, 255, 255)
    paper.set_xy(EDGE, top)
    paper.cell(VERDICT, 15.0, verdict, align="C")


def _job(paper: Paper, report: Report) -> None:
    paper.heading("Job")
    job = [(words, Typed(text or "\N{EN DASH}")) for name, words, text in report.job if name != "notes"]
    both = [*job, *report.span]
    paper.listed((), both, (34.0, WIDTH - 34.0), lambda _: False)
    notes = next((text for name, _, text in report.job if name == "notes"), "")
    if notes:
        paper.ln(1.5)
        paper.type(9.0, "B")
        paper.row("Notes")
        paper.type(9.0)
        paper.row(Typed(notes))


def _needed(paper: Paper, report: Report) -> None:
    paper.heading("Needed, and measured", 40.0)
    rows = [(row.what, row.needed, row.measured, STATE_WORDS[row.state]) for row in report.rows]
    head = ("What", "Needed", "Measured", "Result")
    paper.listed(head, rows, (44.0, 46.0, 66.0, 24.0), lambda at: report.rows[at].state == "not met")


def _sure(paper: Paper, report: Report) -> None:
    paper.heading("How long, and how sure", 50.0)
    for says in (*report.proof, *report.losses):
        paper.row(says)
        paper.ln(0.8)
    paper.ln(1.0)
    head = ("Seconds, as ITU-T G.826 counts them, a sentence being the block", "Number", "Of available time")
    paper.listed(head, report.seconds, (110.0, 30.0, 40.0), lambda _: False)


def _events(paper: Paper, report: Report) -> None:
    paper.heading("Faults, and what was done")
    if not report.events:
        paper.row("No fault came, and nobody set a mark.")
        return
    rows = [
        (event.when, Typed(f"{paper.put(event.what)} {event.typed}".rstrip()), event.lasted) for event in report.events
    ]
    paper.listed(("When, UTC", "What", "Lasted"), rows, (28.0, 124.0, 28.0), lambda _: False)
    if report.more:
        paper.ln(1.0)
        paper.row(report.more)


def _pictures(paper: Paper, report: Report) -> None:
    if report.rates:
        paper.heading("Rates over time", report.rates.height + 12.0)
        paper.draw(report.rates)
    if report.track:
        paper.heading("Track", report.track.height + 12.0)
        paper.draw(report.track)


def _log(paper: Paper, report: Report) -> None:
    paper.heading("The raw log that this speaks of", 34.0)
    if not report.logs:
        paper.row("No raw bytes of this span are kept.")
    for log in report.logs:
        paper.room(22.0)
        paper.type(9.0, "B")
        paper.row(f"{log.says} SHA-256:")
        paper.row(Typed(log.sha256))
        paper.type(9.0)
        paper.row(log.how)
        paper.row(Typed(log.command))
        paper.ln(1.0)
    for says in report.troubles:
        paper.row(says)


def _cautions(paper: Paper) -> None:
    paper.heading("Cautions", 92.0)  # the names stand on one page with what they are put to
    for says in CAUTIONS:
        paper.row(says)
        paper.ln(0.8)
    if paper.lacks:
        paper.row("Letters that this typeface lacks stand as a box; the box's page shows them.")


def _signed(paper: Paper, report: Report) -> None:
    paper.heading("Signed", 48.0)
    paper.ln(14.0)
    technician = next((text for name, _, text in report.job if name == "technician"), "")
    paper.set_draw_color(*INKS["ink"])
    paper.set_line_width(0.25)
    y = paper.get_y()
    fitted = Typed(f"{paper.put('Fitted and checked by')}\n{technician}".strip())
    for row, who in enumerate((fitted, "Received by")):
        below = y + row * 20.0
        for x, wide, words in ((0.0, 84.0, who), (90.0, 50.0, "Place"), (146.0, 34.0, "Date")):
            paper.line(EDGE + x, below, EDGE + x + wide, below)
            paper.type(7.5)
            paper.set_xy(EDGE + x, below + 0.8)
            paper.multi_cell(wide, 3.6, paper.put(words), align="L")
    paper.set_y(y + 32.0)
