"""The page in other languages: no text is missing, no sentence falls through, numbers are as the language has them."""

from __future__ import annotations

import html
import io
import re
import runpy
from collections import Counter
from datetime import UTC, date, datetime
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import polib
import pypdfium2
import pytest
from babel.dates import format_skeleton
from babel.numbers import format_decimal

from appliance.history.job import Job
from appliance.history.reader import History
from appliance.history.rows import WatchStart
from appliance.history.writer import HistoryWriter
from appliance.judge.goes_with_words import circumstance_says, period_says
from appliance.judge.needs import list_all
from appliance.judge.questions import EITHERS, SCALES
from appliance.sentence.chunk import Chunk
from appliance.simulate.faults import FAULTS, Spell
from appliance.site import fault_text, job, page_text
from appliance.site.app import web_folder
from appliance.site.fault_page import see
from appliance.site.figures import FIGURES, written
from appliance.site.languages import LANGUAGES, Languages
from appliance.site.phrases import HOLE, Phrases
from appliance.take.sheet import build, pdf
from appliance.take.span import last
from appliance.tap.wiggling import losses
from tests.saying import Saying
from tests.web.conftest import MACHINE
from tests.web.now_states import CASES, GONE, Case
from tests.web.now_states import picture as shown_in

GATHER = Path(__file__).parents[2] / "image-build" / "page" / "phrases.py"
CATALOGUES = web_folder() / "languages"
OFFERED = [code for code in LANGUAGES if code != "en"]


@pytest.fixture(scope="module")
def gathered() -> dict[str, list[str]]:
    """Every English text, with where it stands."""
    texts: dict[str, list[str]] = runpy.run_path(str(GATHER))["gathered"]()
    return texts


@pytest.fixture(scope="module")
def mirror(gathered: dict[str, list[str]]) -> Phrases:
    """A language in which every text is translated, by itself."""
    return Phrases({text: text for text in gathered}, FIGURES["de"])


def catalogue(code: str) -> polib.POFile:
    return polib.pofile(str(CATALOGUES / f"{code}.po"))


@pytest.mark.parametrize("code", OFFERED)
def test_no_text_is_missing(code: str, gathered: dict[str, list[str]]) -> None:
    told = {entry.msgid: entry.msgstr for entry in catalogue(code) if entry.translated() and not entry.fuzzy}
    assert [text for text in gathered if text not in told] == []
    assert [text for text in told if text not in gathered] == []


@pytest.mark.parametrize("code", OFFERED)
def test_each_translation_has_the_same_holes_and_edges(code: str) -> None:
    for entry in catalogue(code):
        assert Counter(HOLE.findall(entry.msgstr)) == Counter(HOLE.findall(entry.msgid)), entry.msgid
        assert entry.msgid.endswith(".") == entry.msgstr.endswith("."), entry.msgid
        assert entry.msgstr == entry.msgstr.strip(), entry.msgid


def test_every_catalogue_is_offered_and_every_language_has_one() -> None:
    assert sorted(path.stem for path in CATALOGUES.glob("*.po")) == sorted(OFFERED)
    assert set(Languages(CATALOGUES).offered) == set(LANGUAGES)


def fallen(phrases: Phrases, pages: list[str]) -> set[str]:
    """Texts of pages that no template makes."""
    return {text for page in pages for text in page_text.texts(page) if not phrases.read_back(text)[1]}


STATES = (*CASES, *(Case(name, "", "", "", seconds=40, spells=(Spell(name, 14, 34),)) for name in FAULTS))


@pytest.mark.slow
@pytest.mark.parametrize("case", STATES, ids=lambda case: case.name)
def test_no_sentence_of_a_fault_falls_through(page: Any, tmp_path: Path, mirror: Phrases, case: Case) -> None:
    page.show(shown_in(case, tmp_path))
    assert fallen(mirror, [typed.sub("", page.html(path)) for path in ("/", "/messages")]) == set()


typed = re.compile(f", {MACHINE}|: row 12|{re.escape(GONE)}")
"""What the technician wrote, or these tests."""

PAGES = (
    "/", "/messages", "/day", "/wiggle", "/track", "/pattern", "/job", "/take", "/needs", "/box", "/help", "/compare",
    "/fault/1", "/fault/2", "/fault/99", "/nowhere", "/day?from=2026-05-04T09:12:30&to=2026-05-04T09:12:40",
    "/day?from=x&to=y", "/job/sheet?watch=1", "/job/sheet?watch=1&anyway=yes",
    "/compare?before=1&after=1", "/take?watch=7",
    *(f"/needs/{one.name}{way}" for one in list_all(()) for way in ("", "/change")),
)  # fmt: skip


@pytest.mark.parametrize("path", PAGES)
def test_no_text_of_a_page_falls_through(past: Any, picture: dict[str, Any], mirror: Phrases, path: str) -> None:
    before = past.client.get(path).get_data(as_text=True)
    past.show(picture)
    after = past.client.get(path).get_data(as_text=True)
    assert fallen(mirror, [typed.sub("", page) for page in (before, after)]) == set()


@pytest.mark.parametrize("hits", [0, 1, 127])
def test_what_a_wiggle_test_found_is_known(mirror: Phrases, hits: int) -> None:
    """As a mark, which front page, day and sheet show."""
    wiggle: Any = SimpleNamespace(started_ns=0, count=hits, damaged_count=hits, missing_count=0)
    for how in ("ended", "ended with its watch", "ended by itself after 15 min"):
        assert mirror.read_back(f"Wiggle test {how}: {losses(wiggle, 12_400_000_000)}")[1]


def test_small_sizes_are_told_in_the_language_of_the_page(page: Any) -> None:
    with HistoryWriter(page.history_path) as writer:
        writer.begin_watch(WatchStart(0, 0, "rate-section", "", MACHINE, "0"))
        for line in ("from-receiver", "from-controller"):
            writer.add_chunk(line, Chunk(b"$GPHDT,74.20,T*34\r\n", 0, 1000))
    html = page.client.get("/take", headers={"Accept-Language": "de"}).text
    assert " roh</small>" in html
    assert " raw</small>" not in html


@pytest.mark.parametrize("fault", [1, 2])
def test_no_text_of_a_fault_as_a_file_falls_through(past: Any, mirror: Phrases, fault: int) -> None:
    with History(past.history_path) as history:
        seen = see(history, history.fault(fault))
    say = Saying(mirror)
    tongue: Any = SimpleNamespace(code="de", say=say)
    fault_text.text(seen, tongue)
    assert say.unknown == set()


def test_no_text_of_the_sheet_as_a_file_falls_through(past: Any, mirror: Phrases) -> None:
    with History(past.history_path) as history:
        watch = history.watch(1)
        made = build(history, watch, last(watch), datetime(2026, 5, 4, 18, tzinfo=UTC), anyway=True)
    say = Saying(mirror)
    pdf.written(made, "de", say)
    assert say.unknown == set()


@pytest.fixture
def _patient(monkeypatch: pytest.MonkeyPatch) -> None:
    """A page waits for its sheet, however slow this machine is just now."""
    monkeypatch.setattr(job, "WAIT_S", 60.0)


@pytest.mark.usefixtures("_patient")
@pytest.mark.parametrize("code", OFFERED)
def test_sheet_and_fault_come_as_files_in_the_language_of_the_page(past: Any, code: str) -> None:
    say = Languages(CATALOGUES).of(code).say
    titles = {text: say(text) for text in ("Commissioning sheet", "Cautions", "Likely causes")}
    asked = {"headers": {"Accept-Language": code}}
    page = past.client.get("/job/sheet?anyway=yes", **asked).text
    paper = past.client.get("/job/sheet.pdf?anyway=yes", **asked)
    with pypdfium2.PdfDocument(io.BytesIO(paper.data)) as document:
        words = " ".join(" ".join(sheet.get_textpage().get_text_range() for sheet in document).split())
        assert document.get_metadata_value("Title").startswith(titles["Commissioning sheet"])
    text = past.client.get("/fault/1/text", **asked)
    assert f'<html lang="{code}">' in page
    for one in (titles["Commissioning sheet"], titles["Cautions"], written("86,400", FIGURES[code])):
        assert one in html.unescape(page), one
        assert one.replace("\N{NARROW NO-BREAK SPACE}", " ") in words.replace("\N{NO-BREAK SPACE}", " "), one
    assert titles["Likely causes"].upper() in text.text
    assert f"{written('2026-05-04', FIGURES[code])} 09:17:00 UTC" in text.text
    assert {one.headers["Content-Language"] for one in (paper, text)} == {code}
    assert all("Cookie" in one.headers["Vary"] for one in (paper, text))


@pytest.mark.usefixtures("_patient")
def test_what_was_typed_is_never_put_into_another_language(past: Any) -> None:
    typed = Job(machine="Machine", controller="From receiver", technician="no sentences", notes="Cautions")
    with HistoryWriter(past.history_path) as writer:
        writer.give_job(1, typed, 1)
    with History(past.history_path) as history:
        watch = history.watch(1)
        made = build(history, watch, last(watch), datetime(2026, 5, 4, 18, tzinfo=UTC), anyway=True)
    asked = {"headers": {"Accept-Language": "de"}}
    page = past.client.get("/job/sheet?anyway=yes", **asked).text
    assert re.search(r'>Maschine</th><td translate="no">Machine<', page)
    counts = [page.count(words) for words in ("From receiver", "no sentences", "Cautions")]
    assert counts == [1, 2, 1]  # who signs stands at the foot too
    with pypdfium2.PdfDocument(io.BytesIO(pdf.written(made, "de", Languages(CATALOGUES).of("de").say))) as document:
        words = " ".join(" ".join(sheet.get_textpage().get_text_range() for sheet in document).split())
    assert "Maschine Machine" in words
    assert "Angebaut und geprüft von no sentences" in words
    assert words.count("Cautions") == 1


@pytest.mark.parametrize("code", FIGURES)
@pytest.mark.parametrize("value", [0.5, 7, 12.25, 921.6, 4800, 38_400, 1_234_567.5, -12.3])
def test_numbers_are_written_as_babel_writes_them(code: str, value: float) -> None:
    """Source: Unicode CLDR, by way of Babel."""
    if (code, value) == ("es", 4800):  # minimumGroupingDigits of es is 2, which Babel does not heed
        assert written("4,800", FIGURES[code]) == "4800"
        return
    assert written(f"{value:,}", FIGURES[code]) == format_decimal(value, locale=code.replace("-", "_"))


@pytest.mark.parametrize("code", FIGURES)
@pytest.mark.parametrize("day", [date(2026, 5, 4), date(1999, 12, 31)])
def test_dates_are_in_the_order_in_which_babel_writes_them(code: str, day: date) -> None:
    """Source: Unicode CLDR, by way of Babel; with two digits for day and month, whatever their number."""
    babel = format_skeleton("yMd", day, locale=code.replace("-", "_"))
    two_digits = re.sub(r"\b\d\b", lambda found: f"0{found[0]}", babel)
    assert written(f"{day}", FIGURES[code]) == two_digits
    assert Phrases({}, FIGURES[code]).say(f"{day} 14:02:11 UTC") == f"{two_digits} 14:02:11 UTC"


@pytest.mark.parametrize(
    "text",
    [
        "2026-02-30",
        "2026-05-04.txt",
        "linelamp-2026-05-04",
        "2026-05-04T10:00",
        "14:02:11",
        "0.1.0",
        "8N1",
        "192.168.4.1",
        "51.2.3",
    ],
)
def test_what_is_no_number_is_left_as_it_is(text: str) -> None:
    assert written(text, FIGURES["de"]) == text


SMALL = {
    "{message} is coming.": "{message} kommt.",
    "{message} comes at {m}; at least {n} is needed.": "{message} kommt mit {m}; nötig sind mindestens {n}.",
    "{number} losses": "{number} Ausfälle",
    "no sentences": "keine Sätze",
    "That is over; {run}": "Das ist vorbei; {run}",
    "a go needs a clean run, so far {now_ns} of {clean_run_s} s.": "ruhig: bisher {now_ns} von {clean_run_s} s.",
    "From receiver": "Vom Empfänger",
    "{one} and {other}": "{one} und {other}",
    "needed {what}": "nötig: {what}",
}


@pytest.mark.parametrize(
    ("english", "german"),
    [
        ("GGA is coming.", "GGA kommt."),
        ("GGA comes at 4.5 Hz; at least 5 Hz is needed.", "GGA kommt mit 4,5 Hz; nötig sind mindestens 5 Hz."),
        ("GGA is coming. That is over; a go needs a clean run, so far 4 of 10 s.",
         "GGA kommt. Das ist vorbei; ruhig: bisher 4 von 10 s."),
        ("from receiver", "vom Empfänger"),
        ("GGA and RMC and ZDA is coming", "GGA und RMC und ZDA kommt"),
        ("12 losses, no sentences (from receiver)", "12 Ausfälle, keine Sätze (vom Empfänger)"),
        ("needed no sentences", "nötig: keine Sätze"),
        ("1,234.5 m", "1.234,5 m"),
        ("nobody knows this", "nobody knows this"),
    ],
)  # fmt: skip
def test_a_sentence_is_read_back(english: str, german: str) -> None:
    assert Phrases(SMALL, FIGURES["de"]).say(english) == german


def test_french_sets_colons_and_semicolons_apart() -> None:
    """Source: Lexique des regles typographiques en usage a l'Imprimerie nationale; from memory."""
    french = Phrases({"Mark": "Repère", "Line": "Ligne", "met": "rempli"}, FIGURES["fr"])
    assert french.say("Mark:") == "Repère\N{NO-BREAK SPACE}:"
    assert french.say("Mark: Line; met, 09:17") == "Repère\N{NO-BREAK SPACE}: Ligne\N{NO-BREAK SPACE}; rempli, 09:17"


def test_what_somebody_typed_is_soon_given_up() -> None:
    phrases = Phrases(SMALL, FIGURES["de"])
    typed = ", ".join(["is coming. needed and and; losses: (x)"] * 25)
    assert not phrases.read_back(typed)[1]
    assert phrases.read_back("GGA is coming.")[1]


def test_texts_are_found_and_what_is_left_alone_stays() -> None:
    page = (
        '<p class="x" aria-label="said aloud">One &amp; <b translate="no">two <b>three</b></b> four'
        ' <time datetime="2026-05-04T00:00:00Z">at 1</time>.</p><code>five</code><br><script>six</script>'
    )
    assert list(page_text.texts(page)) == ["said aloud", "One & \ue000 four \ue001."]
    assert page_text.put(page, str.upper) == page.replace("said aloud", "SAID ALOUD").replace("One", "ONE").replace(
        " four", " FOUR"
    )


def test_a_translation_cannot_bring_in_html() -> None:
    assert page_text.put("<p>a</p>", lambda _: '<b>"&') == "<p>&lt;b&gt;&quot;&amp;</p>"


def test_no_sentence_of_what_faults_go_with_falls_through(mirror: Phrases) -> None:
    words = [
        *(scale.words.format(f"{side} 12.5") for scale in SCALES.values() for side in ("of at least", "below")),
        *(words for either in EITHERS.values() for words in (either.there, either.not_there)),
        "a course from north-east to east", "a course about south", "fix quality 4", "within some metres",
        "the place 24 m north and 12 m west of where the watch began (12 m square)",
        "a strip 12 m wide that runs from north to south, 24 m east of where the watch began",
        "in the minute after a mark", "in the first 10 min", "after the first 2 h", "between 06:00 UTC and 09:00 UTC",
    ]  # fmt: skip
    told = [
        circumstance_says("gap", name, said, hits=8, of=12, faults=faults, share=0.3, p=0.002, within_s=within_s)
        for said in words
        for name, faults, within_s in (("speed", 12, 2), ("supply", 20, None))
    ]
    told += [period_says(kind, 61.0, 8, 12, 0.0001) for kind in ("noise", "zone-strange")]
    assert [one for one in told if not mirror.read_back(one)[1]] == []
