"""Rows as CSV (RFC 4180: comma, CR LF, quotes where needed), in UTF-8, with a header that tells the units."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Iterator, Sequence

from appliance.take.stream import gathered

Cell = str | int | float | None

# A spreadsheet takes text that begins like this for a formula; what came from the line must not become one.
# Source: OWASP, "CSV Injection".
_FORMULA = ("=", "+", "-", "@", "\t", "\r", "\n")


def csv_bytes(header: Sequence[str], rows: Iterable[Sequence[Cell]]) -> Iterator[bytes]:
    """The table in pieces. None is an empty cell; numbers are written as they are given."""
    return gathered(_encoded(header, rows))


def _encoded(header: Sequence[str], rows: Iterable[Sequence[Cell]]) -> Iterator[bytes]:
    text = io.StringIO(newline="")
    out = csv.writer(text)
    out.writerow(header)
    for row in rows:
        yield _drained(text)
        out.writerow([_harmless(cell) for cell in row])
    yield _drained(text)


def _drained(text: io.StringIO) -> bytes:
    data = text.getvalue().encode("utf-8", "backslashreplace")
    text.seek(0)
    text.truncate()
    return data


def _harmless(cell: Cell) -> Cell:
    return f"'{cell}" if isinstance(cell, str) and cell.startswith(_FORMULA) else cell
