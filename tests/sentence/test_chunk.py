"""A chunk dates each of its bytes."""

from __future__ import annotations

import pytest

from appliance.sentence.chunk import Chunk


@pytest.mark.parametrize(
    ("size", "step_ns", "end_ns"), [(1, 260_417, 1_000), (2, 260_417, 261_417), (5, 0, 1_000), (5, 3, 1_012)]
)
def test_the_time_of_the_last_byte(size: int, step_ns: int, end_ns: int) -> None:
    assert Chunk(b"x" * size, 1_000, step_ns).end_ns == end_ns
