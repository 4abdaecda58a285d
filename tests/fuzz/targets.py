"""What is fuzzed: each target takes any bytes, and raises only where the program does not keep its word.

A target may use the first bytes to choose how it goes about the rest. What is refused in the program's own words
(RecordingError, SheetError, HistoryError) is as it should be.
"""

from __future__ import annotations

import contextlib
import json
import os
import shutil
import sqlite3
import tempfile
import zlib
from collections.abc import Callable
from itertools import pairwise
from pathlib import Path
from typing import TYPE_CHECKING

from appliance import check, recording
from appliance.history import blocks, tail
from appliance.history.reader import History
from appliance.history.rows import FaultRow, HistoryError, MarkRow, SecondRow, WatchStart
from appliance.history.writer import HistoryWriter
from appliance.judge import needs
from appliance.judge.sheet import SheetError
from appliance.recording import RecordingError
from appliance.sentence.chunk import Chunk
from appliance.sentence.frame import Framer
from appliance.sentence.parse import Sentence, parse
from appliance.sentence.rtcm import RtcmScanner
from appliance.source import open_source
from appliance.take.forms import FORMS

if TYPE_CHECKING:
    from tests.fuzz import leaving
else:  # as a script it finds its neighbour only
    import leaving

S = 1_000_000_000
RECEIVER = "from-receiver"
GGA = b"$GNGGA,101112.00,5206.1,N,00117.1,E,4,18,0.7,103.2,M,47.8,M,,*7\r\n"
PLACE = Path(tempfile.mkdtemp(prefix="fuzz-", dir="/dev/shm" if os.access("/dev/shm", os.W_OK) else None))
USUAL = needs.load("rate-section")
Target = Callable[[bytes], None]


def framer(data: bytes) -> None:
    """However a stream is cut, each byte is in one frame, in junk or pending; and any frame can be parsed."""
    cut, stream = 1 + (data[0] if data else 0), data[1:]
    found, whole = Framer(), Framer()
    frames = []
    for at in range(0, len(stream), cut):
        frames += found.feed(Chunk(stream[at : at + cut], at * 1000, 1000))
        assert found.framed + found.junk + found.pending == min(len(stream), at + cut)
    frames += found.flush()
    at_once = whole.feed(Chunk(stream, 0, 1000)) if stream else []
    assert [frame.raw for frame in frames] == [frame.raw for frame in at_once + whole.flush()]
    assert found.framed + found.junk == len(stream)
    for frame in frames:
        parsed(frame.raw)
    RtcmScanner().feed(stream)


def parsed(data: bytes) -> None:
    """A frame is a sentence with fields and content, or damaged with a reason."""
    frames = Framer()
    for frame in frames.feed(Chunk(data, 0, 1000)) + frames.flush() if data else []:
        for required in (True, False):
            one = parse(frame, required)
            if isinstance(one, Sentence):
                assert one.fields is not None
                repr(one.content)
            else:
                assert one.reason


def sheet(data: bytes) -> None:
    """Any text is a sheet of needs that can be explained, or is refused in words."""
    try:
        told = needs.from_toml(data.decode("utf-8", "replace"), "any")
    except SheetError:
        return
    needs.explain(told)
    needs.warnings(told)
    assert needs.load_ratio(told) >= 0


def tagged(data: bytes) -> None:
    """A log with TAG blocks gives its rows in an order of time that never goes back."""
    path = _file("tagged", data)
    try:
        recording.form_of(path)
        rows = list(recording.tagged(path, 38400))
        plain = list(recording.plain(path))
    except RecordingError:
        return
    assert all(one.chunk.start_ns <= two.chunk.start_ns for one, two in pairwise(rows))
    assert b"".join(one.chunk.data for one in plain) == data


def judged(data: bytes) -> None:
    """Any file can be judged or is refused in words; what comes out is plain JSON."""
    with contextlib.suppress(RecordingError):
        whole = check.Recording(open_source(_file("judged", data), USUAL), USUAL)
        whole.run()
        json.dumps(whole.result(), allow_nan=False)


def block(data: bytes) -> None:
    """A block of history is decoded, or refused. Sums are set right, else nothing would get past them."""
    spoilt = bytearray(data)
    if len(spoilt) > blocks.HEADER_BYTES:
        spoilt[0] = blocks.VERSION
    for packed in (data, bytes(spoilt), _summed(bytes(spoilt))):
        try:
            chunks = blocks.decode(packed)
        except HistoryError:
            continue
        assert all(chunk.data and chunk.step_ns >= 0 for chunk in chunks)


def _summed(packed: bytes) -> bytes:
    """With the right sum over table and bytes, as far as they can be read."""
    try:
        _, end = blocks._runs(packed)
        inside = blocks._inflate(packed[end:], blocks._DICTIONARIES[blocks.VERSION])
    except HistoryError:
        return packed
    total = zlib.crc32(inside, zlib.crc32(packed[blocks.HEADER_BYTES : end]))
    return packed[:1] + total.to_bytes(4, "big") + packed[blocks.HEADER_BYTES :]


def tail_read(data: bytes) -> None:
    """Whatever stands in a tail, its reading ends and raises nothing."""
    for held in (data, TAIL[: len(data) % len(TAIL)] + data):
        for record in tail._records(held, 7):
            assert record.watch >= 0
    with contextlib.suppress(HistoryError):
        tail._unpacked(1, data)  # past the sum, which chance would not get right


def history(data: bytes) -> None:
    """A history with bytes changed is read, taken out, started on, or refused in words."""
    path = PLACE / "spoilt.db"
    held = bytearray(SOUND)
    for at in range(0, len(data) - 3, 4):
        held[int.from_bytes(data[at : at + 3], "big") % len(held)] = data[at + 3]
    path.write_bytes(held)
    for suffix in ("-wal", "-shm", "-tail"):
        path.with_name(path.name + suffix).unlink(missing_ok=True)
    with contextlib.suppress(HistoryError):
        _read_all(path)
    with contextlib.suppress(HistoryError), HistoryWriter(path) as writer:
        writer.begin_watch(WatchStart(0, S, "any", "", "after", "0"))
        writer.add_chunk(RECEIVER, Chunk(b"$GPHDT,74.20,T*34\r\n", S, 1000))


def _read_all(path: Path) -> None:
    with History(path) as whole:
        for watch in whole.watches():
            whole.sizes(watch.id)
            whole.marks(watch.id)
            whole.tunings(watch.id, RECEIVER)
            for fault in whole.faults(watch.id):
                whole.fault(fault.id)
            whole.summary(watch.id, RECEIVER, 0, 60 * S, S)
            for form in FORMS.values():
                for _ in form.lines(whole, watch, RECEIVER, 0, 60 * S):
                    pass
        whole.strip(60 * S)


def _file(name: str, data: bytes) -> Path:
    path = PLACE / name
    path.write_bytes(data)
    return path


def _sound() -> bytes:
    """A small history with something of everything in it."""
    path = PLACE / "sound.db"
    with HistoryWriter(path) as writer:
        writer.begin_watch(WatchStart(0, S, "rate-section", needs.text("rate-section"), "Tractor 3", "0"))
        for n in range(20):
            writer.add_chunk(RECEIVER, Chunk(GGA, n * S, 1000))
            writer.add_second(SecondRow(RECEIVER, n * S, 820, 12, 0, 0, 0.2, "go", 4, 18, messages={"GNGGA": 5}))
        writer.add_mark(MarkRow(S, "page", "here"))
        writer.close_fault("1", FaultRow("gap", RECEIVER, "GGA", S, 2 * S, "late", 1.0, 0.6, "s"))
        writer.end_watch(20 * S)
    with sqlite3.connect(path) as db:
        db.execute("PRAGMA journal_mode = DELETE")
    db.close()
    return path.read_bytes()


SOUND = _sound()
TAIL = tail._packed(1, 7, 0, {RECEIVER: [Chunk(b"$GPHDT,74.20,T*34\r\n", 0, 1000)]}, [])
TARGETS: dict[str, Target] = {
    "framer": framer,
    "parser": parsed,
    "needs": sheet,
    "tag-blocks": tagged,
    "check": judged,
    "blocks": block,
    "tail": tail_read,
    "history": history,
    "job": leaving.job,
    "sheet": leaving.commissioning,
    "taken": leaving.taken,
}


def forget() -> None:
    """Remove what the targets wrote."""
    for place in (PLACE, leaving.PLACE):
        shutil.rmtree(place, ignore_errors=True)
