"""What a line said last, whatever it said and however it was cut."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from appliance.sentence.chunk import Chunk
from appliance.tap.said import ROW_MOST_BYTES, ROWS_MOST, Said

STEP_NS = 260_417


def said(*pieces: bytes) -> list[tuple[int, str]]:
    told, at_ns = Said(), 1000
    for piece in filter(None, pieces):
        told.feed(Chunk(piece, at_ns, STEP_NS))
        at_ns += len(piece) * STEP_NS
    return list(told.rows)


def test_rows_newest_first_with_the_time_of_their_first_byte() -> None:
    assert said(b"$CCGPQ,GGA*2B\r\n$PX", b"YZ,1\r\n") == [(1000 + 15 * STEP_NS, "$PXYZ,1"), (1000, "$CCGPQ,GGA*2B")]


@pytest.mark.parametrize(
    ("data", "texts"),
    [
        (b"", []),
        (b"\r\n\n\r", []),
        (b"not ended", []),
        (b"set rate 5\r", ["set rate 5"]),
        (b"\xd3\x00\x13\\\x7f\n", ["\\xd3\\x00\\x13\\\\x7f"]),
        (b"x" * (ROW_MOST_BYTES + 1) + b"\n", ["x", "x" * ROW_MOST_BYTES]),
    ],
)
def test_whatever_comes_is_shown_as_text(data: bytes, texts: list[str]) -> None:
    assert [text for _, text in said(data)] == texts


@given(st.lists(st.binary(min_size=1, max_size=300), max_size=20))
def test_cuts_make_no_difference_and_nothing_grows(pieces: list[bytes]) -> None:
    rows = said(*pieces)
    whole = b"".join(pieces)
    assert rows == (said(whole) if whole else [])
    assert len(rows) <= ROWS_MOST
    assert all(text.isascii() and text.isprintable() and len(text) <= 4 * ROW_MOST_BYTES for _, text in rows)
