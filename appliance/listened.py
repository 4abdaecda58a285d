"""A history as if a box had listened: of a log, or of whatever is played to it, in the time of that.

It is judged as it comes, by the same code as the live line, so that every page, export and sheet can show it.
"""

from __future__ import annotations

import hashlib
import tempfile
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from dataclasses import replace
from itertools import chain
from pathlib import Path

from appliance import __version__
from appliance.history.rows import WatchStart
from appliance.history.writer import HistoryWriter
from appliance.judge.needs import Needs
from appliance.recording import Recorded, RecordingError
from appliance.settings import load
from appliance.source import Source
from appliance.take.sheet import Given
from appliance.tap.keeper import Keeper
from appliance.tap.listening import Listening
from appliance.tap.orders import Order

COMMIT_NS = 60_000_000_000
HOURS_MOST = 48.0
"""A log of more time than this is no watch that a sheet can speak of, or its times leap. Our choice."""
_UNHEARD = "This sheet was made from a log that was given, not by a box that listened: nobody marked what was done."
_UNMEASURED = (
    "Arrival was not measured: the log has no times but the sentences' own. Load and pauses of the line, and whether "
    "sentences came in time, are not told."
)

Progress = Callable[[int], object]
"""Told the number of bytes heard since it was last told."""


class _AtOnce(Keeper):
    """A keeper that writes what it is given when it is given it."""

    def __init__(self, path: Path, start: WatchStart, writer: HistoryWriter) -> None:
        super().__init__(path, start)
        self._writer = writer

    def _order(self, order: Order, *, soon: bool = True, must: bool = False) -> bool:  # noqa: ARG002
        order(self._writer)
        return True


def listen(
    path: Path,
    pieces: Iterable[Recorded],
    start: WatchStart,
    needs: Needs,
    *,
    baud: int,
    arrival_measured: bool = True,
    end_ns: int | None = None,
) -> None:
    """Writes the history, of one watch, at path. end_ns None: with the last byte. HistoryError, OSError."""
    with HistoryWriter(path) as writer, tempfile.TemporaryDirectory(prefix="linelamp-") as run_folder:
        writer.begin_watch(start)
        settings = replace(load(None, {"baud": baud}), run_folder=Path(run_folder))
        listening = Listening(
            settings, needs, _AtOnce(path, start, writer), lambda _note: None, started_ns=start.started_ns,
            arrival_measured=arrival_measured,
        )  # fmt: skip
        listening.begin()
        last_ns = written_ns = start.started_ns
        for piece in pieces:
            last_ns = piece.chunk.end_ns
            _look_until(listening, last_ns)
            if piece.line in listening.watch.meters:
                listening.handle((piece.line, piece.chunk))
            if last_ns - written_ns > COMMIT_NS:
                written_ns = last_ns
                writer.commit()
        end_ns = last_ns + 1 if end_ns is None else end_ns
        _look_until(listening, end_ns)
        listening.finish(end_ns)
        writer.end_watch(end_ns)


def _look_until(listening: Listening, until_ns: int) -> None:
    while listening.watch.next_look_ns < until_ns:
        listening.look(listening.watch.next_look_ns)


@contextmanager
def of_log(log: Path, source: Source, needs: Needs, toml: str, progress: Progress) -> Iterator[tuple[Path, Given]]:
    """A history of a log, for as long as it is held, and what is to be said of the log.

    source: the log opened. toml: text of the needs. Raises RecordingError, HistoryError, OSError.
    """
    pieces = iter(source.pieces)
    first = next(pieces, None)
    if first is None:
        raise RecordingError(f"{log} holds no bytes of a line: there is nothing to make a sheet of.")
    start_ns = first.chunk.start_ns
    start = WatchStart(start_ns, start_ns + (source.utc_offset_ns or 0), needs.name, toml, "", __version__)
    with tempfile.TemporaryDirectory(prefix="linelamp-") as folder:
        path = Path(folder) / "history.db"
        heard = _bounded(chain([first], pieces), start_ns, log, progress)
        listen(path, heard, start, needs, baud=needs.baud, arrival_measured=source.arrival_measured)
        yield path, _given(log, source)


def _bounded(pieces: Iterable[Recorded], start_ns: int, log: Path, progress: Progress) -> Iterator[Recorded]:
    for piece in pieces:
        if piece.chunk.end_ns - start_ns > HOURS_MOST * 3.6e12:
            raise RecordingError(
                f"The times in {log} span more than {HOURS_MOST:.0f} hours. Cut the log to the time that the sheet is "
                "to speak of; if its clock leaps, see what `linelamp check` says of it."
            )
        yield piece
        progress(len(piece.chunk.data))


def _given(log: Path, source: Source) -> Given:
    with log.open("rb") as file:
        sha256 = hashlib.file_digest(file, "sha256").hexdigest()
    notes = source.notes if source.arrival_measured else [_UNMEASURED, *source.notes[1:]]
    if rows := source.undated.total():
        notes = [*notes, f"Rows without a right time in a TAG block, taken as come with the row before: {rows}."]
    dated = source.utc_offset_ns is not None
    return Given(log.name, log.stat().st_size, sha256, source.arrival_measured, dated, (_UNHEARD, *notes))
