"""The commissioning sheet: what it says, what it refuses, and that its sum is that of the raw log taken away.

The PDF is read back by PDFium, a reader of other makers.
"""

from __future__ import annotations

import hashlib
import io
import re
from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import polib
import pypdfium2
import pytest

from appliance.export import Wanted, opened
from appliance.history.job import FIELDS, Job
from appliance.history.reader import History
from appliance.history.rows import FaultRow, LossRow, MarkRow, SecondRow, State, WatchStart
from appliance.history.writer import HistoryWriter
from appliance.judge import needs
from appliance.judge.proof import bad_share_most
from appliance.sentence.chunk import Chunk
from appliance.site.app import web_folder
from appliance.site.figures import FIGURES
from appliance.site.languages import LANGUAGES
from appliance.site.phrases import Phrases
from appliance.take.sheet import Report, TooShort, build, pdf
from appliance.take.sheet.figures import Seconds, gather
from appliance.take.span import Span, between, last
from tests.saying import Saying

NS = 1_000_000_000
CATALOGUES = web_folder() / "languages"
START_NS = 500 * NS
UTC_NS = int(datetime(2026, 5, 4, 9, 12, tzinfo=UTC).timestamp()) * NS
MADE = datetime(2026, 5, 4, 18, 0, tzinfo=UTC)
JOB = Job("Tractor Ω-3", "Spreader, software 4.02", "H-12", "WO-2217", "Ада Marsh", "First row.\nSecond row.")
SPELL_S = 200
VTG_GONE = "VTG was away for 4.2 s; a gap of at most 0.6 s is allowed."

Day = Callable[..., Path]


@pytest.fixture
def day(tmp_path: Path) -> Day:
    """Makes a history: so many seconds of driving; with a fault at SPELL_S, or without. All invented."""

    def make(
        seconds: int = 900, *, fault: bool = True, job: Job | None = JOB, stopped: bool = True,
        toml: str | None = None, name: str = "history.db",
    ) -> Path:  # fmt: skip
        path = tmp_path / name
        toml = needs.text("rate-section") if toml is None else toml
        with HistoryWriter(path) as writer:
            watch = writer.begin_watch(
                WatchStart(START_NS, UTC_NS, "rate-section", toml, "Larkmere tractor 3", "0.1.0")
            )
            if job:
                writer.give_job(watch, job, UTC_NS)
            writer.date_watch(UTC_NS - START_NS, 0.01)
            for n in range(seconds):
                bad = fault and SPELL_S <= n < SPELL_S + 4
                state: State = "no-go" if fault and SPELL_S <= n < SPELL_S + 20 else "wait" if n < 10 else "go"
                writer.add_second(_second(n, state, bad=bad))
                writer.add_chunk("from-receiver", Chunk(b"$GNGGA,%d*00\r\n" % n, START_NS + n * NS, 260_417))
            if fault:
                at_ns = START_NS + SPELL_S * NS
                row = FaultRow("gap", "from-receiver", "VTG", at_ns, at_ns + 4 * NS, VTG_GONE, 4.2, 0.6, "s")
                writer.close_fault("f", row)
                writer.close_fault("g", replace(row, kind="rate-low", says="VTG was slow.", measured=3.2, needed=4.5))
                writer.close_loss("l", LossRow("speed", at_ns, at_ns + 4 * NS))
                writer.add_mark(MarkRow(at_ns + 60 * NS, "page", "re-pinned the feed connector"))
            if stopped:
                writer.end_watch(START_NS + seconds * NS)
        return path

    return make


def _second(n: int, state: State, *, bad: bool) -> SecondRow:
    messages = {"GNGGA": 5, "GNVTG": 0 if bad else 5, "GNRMC": 1, "GNZDA": 1}
    return SecondRow(
        "from-receiver", START_NS + n * NS, 820, 12, 1 if bad else 0, 0, 0.214, state, 4, 18, 0.7, 1.2,
        52.1 + n * 2e-5, -1.2 + (n % 100) * 1e-5, 2.4, messages=messages,
    )  # fmt: skip


def report(path: Path, *, anyway: bool = False, span: Callable[[Any], Span] = last) -> Report:
    with History(path) as history:
        watch = history.watch(1)
        return build(history, watch, span(watch), MADE, anyway=anyway)


def read_back(made: Report) -> tuple[str, int]:
    """The text of all pages in a row, blanks made one; and the number of pages."""
    with pypdfium2.PdfDocument(io.BytesIO(pdf.written(made))) as document:
        text = " ".join(page.get_textpage().get_text_range() for page in document)
        return " ".join(text.split()), len(document)


def test_the_sheet_says_what_was_needed_and_what_was_measured(day: Day) -> None:
    made = report(day())
    text, pages = read_back(made)
    assert made.state == "no-go"
    for words in (
        "Commissioning sheet", "NO-GO", "Tractor Ω-3", "Ада Marsh", "WO-2217", "First row.", "Second row.",
        "rate-section: Rate and section controller, usual set", "2026-05-04 09:12:00 UTC", "15 min", VTG_GONE,
        "With it: Message too seldom.", "Mark: re-pinned the feed connector", "5 Hz (4.5 to 5.5)",
        "1 fault: Gap in a message, 4.2 s",
        "The controller would have lost its speed once, for 4 s in all", "ITU-T G.826", "Cautions",
        "Fitted and checked by Ада Marsh", "Place", "Date", "linelamp 0.1.0", f"page {pages} of {pages}", "500 m",
    ):  # fmt: skip
        assert words in text, words
    states = {row.what: row.state for row in made.rows}
    assert states["VTG, longest gap"] == "not met"
    assert states["GGA, rate"] == states["Fix"] == states["Setting of the line"] == "met"
    measured = {row.what: row.measured for row in made.rows}
    assert measured["VTG, rate"].startswith("4.98 Hz on average; 1 fault: Message too seldom, 3.2 Hz")
    assert measured["Fix"] == "RTK fixed (4) 100 %"


def test_a_clean_watch_is_a_go_with_its_proof(day: Day) -> None:
    made = report(day(fault=False))
    assert (made.state, made.short) == ("go", "")
    assert {row.state for row in made.rows} == {"met"}
    share = bad_share_most(890)  # 900 s, of which 10 were not yet go
    assert f"{share * 100:.3g} %" in made.proof[0]
    assert "14 min 50 s" in made.proof[0]
    assert "another 2 h 44 min" in made.proof[1].replace("\N{NO-BREAK SPACE}", " ")
    text, _ = read_back(made)
    assert "No fault came, and nobody set a mark." in text
    assert "neither its position nor its speed" in text


def test_the_seconds_are_those_of_g_826(day: Day) -> None:
    """Four seconds with one damaged of 13 sentences: errored, below the 30 % of a severely errored one."""
    with History(day()) as history:
        watch = history.watch(1)
        of = gather(history, watch, last(watch)).seconds.performance
    assert (of.available, of.errored, of.severe, of.background, of.unavailable) == (900, 4, 0, 4, 0)


def test_silence_is_a_defect_and_ten_seconds_of_it_unavailable() -> None:
    seconds = Seconds()
    for n in range(40):
        row = _second(n, "go", bad=False)
        seconds.add(replace(row, sentences=0) if 10 <= n < 22 else row, 0.6)
    of = seconds.performance
    assert (of.available, of.unavailable, of.severe) == (28, 12, 0)


def test_the_sum_is_that_of_the_raw_log_taken_away(day: Day, tmp_path: Path) -> None:
    path = day()
    for out, span, times in (
        ("whole", last, (None, None)),
        ("part", lambda watch: between(watch, "2026-05-04T09:15", "2026-05-04T09:20:30"),
         ("2026-05-04T09:15", "2026-05-04T09:20:30")),
    ):  # fmt: skip
        (log,) = report(path, anyway=True, span=span).logs
        with opened(path, Wanted("raw", 1, "from-receiver", *times)) as leaving, (tmp_path / out).open("wb") as file:
            leaving.write_to(file)
            name = leaving.target(None).name
        taken = (tmp_path / out).read_bytes()
        assert (log.size, log.sha256) == (len(taken), hashlib.sha256(taken).hexdigest())
        assert f"sha256sum {name}" in log.command


def test_of_a_watch_that_goes_on_the_beginning_of_a_later_log_has_the_sum(day: Day) -> None:
    path = day(stopped=False)
    (log,) = report(path).logs
    with HistoryWriter(path) as writer:
        writer._watch = 1
        writer.add_chunk("from-receiver", Chunk(b"more", START_NS + 5000 * NS, 260_417))
    with opened(path, Wanted("raw", 1, "from-receiver", None, None)) as leaving:
        later = io.BytesIO()
        leaving.write_to(later)
    found = re.search(r"head -c (\d+) FILE", log.command)
    assert found
    assert hashlib.sha256(later.getvalue()[: int(found[1])]).hexdigest() == log.sha256
    assert later.getvalue().endswith(b"more")


def test_a_watch_too_short_is_refused_unless_it_is_asked_for_and_then_the_sheet_says_it(day: Day) -> None:
    path = day(250)  # clean for the last 30 s of it; the sheet of needs asks for 300
    with pytest.raises(TooShort, match=r"asks for 5 min without a fault .* this span has 30 s"):
        report(path)
    made = report(path, anyway=True)
    assert "It was made all the same" in made.short
    assert "It was made all the same" in read_back(made)[0]
    clean = report(path, anyway=True, span=lambda watch: between(watch, "2026-05-04T09:12:10", "2026-05-04T09:15:20"))
    assert clean.state == "go"
    assert "has 3 min 10 s" in clean.short


def test_needs_that_ask_for_nothing_refuse_nothing(day: Day) -> None:
    toml = 'title = "t"\n[line]\nbaud = 38400\nsilence_most_s = 2\n'
    made = report(day(5, fault=False, toml=toml))
    assert made.state == "wait"
    assert made.short == ""
    assert read_back(made)[1] >= 1


HOSTILE = (
    "<script>alert(1)</script>", "%s %d {0} {nb}", "W" * 80, "農場の機械 🚜 עברית عربي", "**bold** __under__ --x--",
    "\\x00 \\n /Page endstream", "a" * 800, "' OR 1=1 --", "ﷺ\u0301\u0301\u0301\u200d", "\u00ad" * 50,
)  # fmt: skip


@pytest.mark.parametrize("hostile", HOSTILE)
def test_any_text_in_each_field_is_written_or_replaced(day: Day, hostile: str) -> None:
    job = Job(**{field.name: hostile[: field.most] for field in FIELDS})
    text, pages = read_back(report(day(20, fault=False, job=job), anyway=True))
    assert pages >= 1
    assert "Commissioning sheet" in text
    if hostile.isascii() and " " not in hostile and len(hostile) < 30:
        assert text.count(hostile) >= len(FIELDS) - (len(hostile) > 40)
    if "農" in hostile:
        assert "Letters that this typeface lacks stand as a box" in text


def test_a_thousand_faults_are_counted_and_their_first_are_shown(day: Day) -> None:
    path = day()
    with HistoryWriter(path) as writer:
        writer._watch = 1
        for n in range(6000):
            at_ns = START_NS + n * NS // 10
            row = FaultRow("noise", "from-receiver", "", at_ns, at_ns + NS, "Noise.", None, None, "")
            writer.close_fault(str(n), row)
            if n % 500 == 0:
                writer.commit()
    made = report(path, anyway=True)
    assert "Noise on the line (6000)" in made.more
    assert len(made.events) < 50
    assert read_back(made)[1] < 8


def test_an_unknown_kind_of_fault_is_told_as_a_fault(day: Day) -> None:
    path = day(fault=False)
    with HistoryWriter(path) as writer:
        writer._watch = 1
        writer.close_fault("x", FaultRow("later-kind", "from-receiver", "", START_NS, START_NS + NS, "New.", 1, 2, ""))
    made = report(path, anyway=True)
    assert made.state == "no-go"
    assert [row.what for row in made.rows if row.state == "not met"] == ["Other checks"]


def test_a_history_with_nothing_in_it_makes_a_sheet_that_says_so(day: Day) -> None:
    made = report(day(0, fault=False, job=None), anyway=True)
    text, _ = read_back(made)
    assert made.state == "wait"
    assert "nothing is proved" in text
    assert "No raw bytes of this span are kept." in text
    assert made.track is None
    assert made.rates is None
    assert {row.state for row in made.rows} == {"not told"}


def test_what_was_erased_is_said(day: Day) -> None:
    path = day(stopped=False)
    with HistoryWriter(path) as writer:
        writer._watch = 1
        writer.erase(1)  # it goes on
    made = report(path, anyway=True)
    assert [says for says in made.troubles if "dropped or erased" in says]
    assert "dropped or erased" in read_back(made)[0]


@pytest.mark.parametrize("code", [code for code in LANGUAGES if code != "en"])
def test_every_sentence_is_known_in_each_language_and_every_letter_is_in_the_typeface(day: Day, code: str) -> None:
    told = {one.msgid: one.msgstr for one in polib.pofile(str(CATALOGUES / f"{code}.po"))}
    say = Saying(Phrases(told, FIGURES[code]))
    job = Job("Trator", "Épandeur", "Ñ-12", "Straße", "Ç. Ãlves", "Œuvre")
    for place, (seconds, fault, stopped) in enumerate(((900, True, True), (400, False, False), (0, False, True))):
        made = report(day(seconds, fault=fault, job=job, stopped=stopped, name=f"{place}.db"), anyway=True)
        with pypdfium2.PdfDocument(io.BytesIO(pdf.written(made, code, say))) as document:
            text = " ".join(" ".join(page.get_textpage().get_text_range() for page in document).split())
        assert set("ÉÑßÇŒ") < set(text)
        assert "\N{REPLACEMENT CHARACTER}" not in text
        assert say("Letters that this typeface lacks stand as a box; the box's page shows them.") not in text
    assert say.unknown == set()


def test_of_losses_the_sheet_tells_how_many_how_long_in_all_and_the_longest(day: Day) -> None:
    """Cut to the span, and the first of the longest."""
    path = day(fault=False)
    with HistoryWriter(path) as writer:
        writer.begin_watch(WatchStart(START_NS, UTC_NS, "rate-section", needs.text("rate-section"), "", "0"))
        for second in range(900):
            writer.add_second(SecondRow("from-receiver", START_NS + second * NS, 0, 5, 0, 0, 0.1, "no-go"))
        for number, (begin, end) in enumerate([(0, 104), (150, 152), (200, 206), (250, 256), (895, None)]):
            row = LossRow("position", START_NS + begin * NS, None if end is None else START_NS + end * NS)
            (writer.open_loss if end is None else writer.close_loss)(str(number), row)
        writer.end_watch(START_NS + 1000 * NS)
    with History(path) as history:
        watch = history.watch(2)
        made = build(history, watch, Span(START_NS + 100 * NS, START_NS + 899 * NS), MADE, anyway=True)
    assert made.losses == [
        "The controller would have lost its position 5 times, for 22 s in all; the longest 6 s, at 09:15:20 UTC."
    ]
