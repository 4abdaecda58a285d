"""What leaves the box, fuzzed: the fields of a job, the commissioning sheet, and every form of a log.

Bytes are read as a story: how long things took, what was counted, what was said, and by whom. It is put into a history
of its own as the box would, and taken out again in every form; each must be what its standard says it is.
"""

from __future__ import annotations

import csv
import io
import json
import os
import tempfile
import unicodedata
from dataclasses import asdict
from datetime import UTC, datetime
from pathlib import Path
from xml.etree import ElementTree

from appliance.history.job import FIELDS, Job, JobError, from_given
from appliance.history.reader import History
from appliance.history.rows import FaultRow, HistoryError, LossRow, MarkRow, SecondRow, State, Watch, WatchStart
from appliance.history.writer import HistoryWriter
from appliance.judge import needs
from appliance.judge.sheet import SheetError
from appliance.judge.words import SAYS
from appliance.sentence.checksum import checksum
from appliance.sentence.chunk import Chunk
from appliance.take.forms import FORMS
from appliance.take.name import file_name
from appliance.take.sheet import Report, TooShort, build, pdf
from appliance.take.span import Span, last

S = 1_000_000_000
RECEIVER = "from-receiver"
MADE = datetime(2026, 5, 4, 18, 0, tzinfo=UTC)
SHEETS = tuple(needs.text(name) for name in needs.shipped())
KINDS = tuple(SAYS)
PLACE = Path(tempfile.mkdtemp(prefix="fuzz-", dir="/dev/shm" if os.access("/dev/shm", os.W_OK) else None))
NUMBERS = (0.0, -0.0, 1e-9, 1e12, -1e12, 90.0, -90.0, 180.0, -180.0, 5e-324, 1e308, float("inf"), float("nan"))


class Story:
    """Bytes, told bit by bit; where they end, zeros follow."""

    def __init__(self, data: bytes) -> None:
        self._data = data
        self._at = 0

    def take(self, count: int) -> bytes:
        """The next so many, fewer at the end."""
        self._at += count
        return self._data[self._at - count : self._at]

    def number(self, below: int) -> int:
        """From 0 to below it."""
        return int.from_bytes(self.take(4 if below > 255 else 1), "big") % below

    def figure(self) -> float | None:
        """Any, with the odd ones often; or none."""
        kind = self.number(4)
        if kind == 0:
            return None
        return NUMBERS[self.number(len(NUMBERS))] if kind == 1 else (self.number(2**32) - 2**31) / 10**7

    def text(self) -> str:
        """Any, control characters and ways of writing too."""
        return self.take(self.number(64)).decode(("utf-8", "utf-16-le")[self.number(2)], "replace")

    @property
    def over(self) -> bool:
        return self._at >= len(self._data)


def job(data: bytes) -> None:
    """Whatever is given, it is a job that can be shown, or refused by the name of each field that is wrong."""
    story = Story(data)
    given: dict[str, object] = {field.name: story.text() * (1 + story.number(40)) for field in FIELDS}
    if story.number(8) == 0:
        given[FIELDS[story.number(len(FIELDS))].name] = story.number(9)
    problems: dict[str, str] = {}
    try:
        kept = from_given(given)
    except JobError as refused:
        problems = refused.problems
    if problems:
        assert problems.keys() <= given.keys()
        assert all(problems.values())
        return
    for field in FIELDS:
        text = getattr(kept, field.name)
        assert len(text) <= field.most
        assert text.count("\n") == 0 or field.rows > 1
        assert {unicodedata.category(char) for char in text if char != "\n"}.isdisjoint({"Cc", "Cf", "Cs", "Co", "Cn"})
    assert from_given(asdict(kept)) == kept  # putting in order what is in order changes nothing


def commissioning(data: bytes) -> None:
    """Of any history and any job there is a sheet that can be written as a PDF, or a refusal in words."""
    story = Story(data)
    with History(told(story)) as history:
        watch = history.watch(1)
        for span, anyway in ((last(watch), True), (_part(watch, story), False)):
            made: Report | str
            try:
                made = build(history, watch, span, MADE, anyway=anyway)
            except (TooShort, SheetError, HistoryError) as refused:
                made = str(refused)
            assert made
            if isinstance(made, Report):
                assert pdf.written(made).startswith(b"%PDF-")


def taken(data: bytes) -> None:
    """Every form is what its standard says: CSV whose rows have one length, XML, JSON; with a name fit for a file."""
    story = Story(data)
    with History(told(story)) as history:
        watch = history.watch(1)
        span = _part(watch, story) if story.number(2) else last(watch)
        for form in FORMS.values():
            whole = b"".join(form.lines(history, watch, RECEIVER, span.from_ns, span.to_ns))
            name = file_name(watch, form, RECEIVER, span.from_ns, span.to_ns)
            assert name == Path(name).name
            assert name.isascii()
            if form.suffix.endswith(".csv"):
                rows = list(csv.reader(io.StringIO(whole.decode(), newline="")))
                assert {len(row) for row in rows} == {len(rows[0])}
                assert not [cell for row in rows for cell in row if cell.startswith(("=", "@", "\t", "\r"))]
            elif form.suffix == ".gpx":
                for point in ElementTree.fromstring(whole).iter("{http://www.topografix.com/GPX/1/1}trkpt"):
                    assert -90 <= float(point.attrib["lat"]) <= 90
                    assert -180 <= float(point.attrib["lon"]) < 180
            elif form.suffix == ".geojson":
                assert json.loads(whole, parse_constant=_no_number)["type"] == "FeatureCollection"


def _no_number(what: str) -> None:
    raise AssertionError(f"{what} is no JSON (RFC 8259, 6)")


def _part(watch: Watch, story: Story) -> Span:
    whole = last(watch)
    length_ns = whole.to_ns - whole.from_ns
    from_ns = whole.from_ns + length_ns * story.number(100) // 100
    return Span(from_ns, max(from_ns + 1, whole.to_ns - length_ns * story.number(100) // 100))


def told(story: Story) -> Path:
    """The history of one watch that the bytes tell of."""
    path = PLACE / "told.db"
    for suffix in ("", "-wal", "-shm", "-tail"):
        path.with_name(path.name + suffix).unlink(missing_ok=True)
    toml = SHEETS[story.number(len(SHEETS))]
    if story.number(6) == 0:
        toml = toml.replace("=", story.text() + "=", 1)
    with HistoryWriter(path) as writer:
        writer._db.execute("PRAGMA synchronous = OFF")
        watch = writer.begin_watch(WatchStart(0, story.number(2**32) * S, "any", toml, story.text(), "0"))
        if story.number(2):
            writer.date_watch(1_777_886_000 * S, 0.5)
        if story.number(2):
            kept = Job(*(story.text() for _ in FIELDS))  # as somebody's own hand may have put it into the file
            try:
                writer.give_job(watch, kept, story.number(2**32))
            except HistoryError:
                writer.give_job(watch, from_given({}), 0)
        at_ns = 0
        while not story.over and at_ns < 2000 * S:
            at_ns += story.number(2000) * S // 100
            ACTS[story.number(len(ACTS))](writer, story, at_ns)
        if story.number(2):
            writer.end_watch(at_ns + story.number(100) * S)
    return path


def _second(writer: HistoryWriter, story: Story, at_ns: int) -> None:
    counts = {
        ("GNGGA", "GNVTG", "GNRMC", "PABC", "")[story.number(5)]: story.number(300) for _ in range(story.number(3))
    }
    verdict: State = ("go", "no-go", "wait")[story.number(3)]
    row = SecondRow(
        RECEIVER, at_ns // S * S, story.number(5000), story.number(40), story.number(40), story.number(5000),
        story.number(200) / 100, verdict, story.number(12), story.number(99), story.figure(), story.figure(),
        story.figure(), story.figure(), story.figure(), messages=counts, jitter_s=story.figure(),
    )  # fmt: skip
    writer.add_second(row)


def _fault(writer: HistoryWriter, story: Story, at_ns: int) -> None:
    end_ns = at_ns + story.number(2**32) if story.number(4) else None
    kind = KINDS[story.number(len(KINDS))]
    row = FaultRow(kind, RECEIVER, story.text(), at_ns, end_ns, story.text(), story.figure(), story.figure(), "s")
    (writer.open_fault if end_ns is None else writer.close_fault)(f"{at_ns} {story.number(9)}", row)


def _loss(writer: HistoryWriter, story: Story, at_ns: int) -> None:
    what = "speed" if story.number(2) else "position"
    writer.close_loss(f"{at_ns}", LossRow(what, at_ns, at_ns + story.number(2**32)))  # type: ignore[arg-type]


def _mark(writer: HistoryWriter, story: Story, at_ns: int) -> None:
    writer.add_mark(MarkRow(at_ns, "page", story.text()))


def _said(writer: HistoryWriter, story: Story, at_ns: int) -> None:
    """A sentence of any fields whose sum is right, or any bytes."""
    body = story.take(1 + story.number(80)) or b"$"
    if story.number(3):
        body = b"GNGGA,101112.00," + body.replace(b"*", b"").replace(b"\n", b"")
        body = b"$%s*%02X\r\n" % (body, checksum(body))
    writer.add_chunk(RECEIVER, Chunk(body, at_ns, 260_417))


def _place(writer: HistoryWriter, story: Story, at_ns: int) -> None:
    """A GGA with a fix at any place."""
    north, east = story.number(90 * 60), story.number(181 * 60)
    body = b"GNGGA,101112.00,%02d%02d.%d,%s,%03d%02d.%d,%s,%d,%02d,0.7,%d.%d,M,47.8,M,,%s" % (
        north // 60, north % 60, story.number(10**6), b"NS"[story.number(2) :][:1],
        east // 60, east % 60, story.number(10**6), b"EW"[story.number(2) :][:1],
        story.number(10), story.number(40), story.number(9000), story.number(10), b"%04d" % story.number(10**4),
    )  # fmt: skip
    writer.add_chunk(RECEIVER, Chunk(b"$%s*%02X\r\n" % (body, checksum(body)), at_ns, 260_417))


ACTS = (_second, _second, _second, _fault, _loss, _mark, _said, _place, _place)
