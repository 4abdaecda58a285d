"""Marks as in termios(3), written by a model of the kernel's side and cut in every way."""

from __future__ import annotations

from itertools import accumulate

import pytest
from hypothesis import given
from hypothesis import strategies as st

from appliance.line.marks import Marks

# What was on the wire: (byte, whether it came flawed); a break is a flawed 0.
wires = st.lists(st.tuples(st.sampled_from((0x00, 0xFF, 0x24)) | st.integers(0, 255), st.booleans()), max_size=60)


def marked(wire: list[tuple[int, bool]]) -> bytes:
    """As termios(3) says that a port with PARMRK and INPCK hands it over."""
    return b"".join(
        bytes((0xFF, 0, byte)) if flawed else b"\xff\xff" if byte == 0xFF else bytes((byte,)) for byte, flawed in wire
    )


def decoded(pieces: list[bytes]) -> tuple[bytes, list[int]]:
    marks, data, flawed = Marks(), b"", []
    for piece in pieces:
        found = marks.decode(piece)
        assert list(found.flawed) == sorted(set(found.flawed))
        assert all(0 <= index < len(found.data) for index in found.flawed)
        flawed += [len(data) + index for index in found.flawed]
        data += found.data
    return data, flawed


@given(wires, st.lists(st.integers(0, 7), max_size=40))
def test_the_wire_comes_back_however_the_reads_were_cut(wire: list[tuple[int, bool]], cuts: list[int]) -> None:
    stream = marked(wire)
    truth = bytes(byte for byte, _ in wire), [index for index, (_, flawed) in enumerate(wire) if flawed]
    ends = [min(end, len(stream)) for end in accumulate(cuts)]
    pieces = [stream[begin:end] for begin, end in zip([0, *ends], [*ends, len(stream)], strict=True)]
    assert decoded(pieces) == truth
    assert decoded([stream]) == truth
    assert decoded([stream[at : at + 1] for at in range(len(stream))]) == truth


@given(st.lists(st.binary(max_size=20), max_size=20))
def test_any_bytes_are_taken_and_at_most_a_mark_is_kept(pieces: list[bytes]) -> None:
    data, _ = decoded(pieces)
    stream = b"".join(pieces)
    assert len(data) <= len(stream) <= 3 * len(data) + 2


@pytest.mark.parametrize(
    ("stream", "data", "flawed"),
    [
        (b"\xff\x00\x41", b"A", (0,)),
        (b"\xff\x00\x00", b"\x00", (0,)),
        (b"\xff\xff", b"\xff", ()),
        (b"\xff\x00\xff\xff\xff", b"\xff\xff", (0,)),
        (b"$GP\xff\x00\xc7GA\xff\x00\x00", b"$GP\xc7GA\x00", (3, 6)),
        (b"\xff\x41\x42", b"\xffAB", ()),
        (b"\xff", b"", ()),
        (b"\xff\x00", b"", ()),
    ],
)
def test_each_mark(stream: bytes, data: bytes, flawed: tuple[int, ...]) -> None:
    assert Marks().decode(stream) == (data, flawed)
