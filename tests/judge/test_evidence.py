"""Evidence: the bytes from 5 s before to 5 s after a fault, neither more nor less, whole or as two clips."""

from __future__ import annotations

import sys

import pytest
from hypothesis import given
from hypothesis import strategies as st

from appliance.judge.evidence import LATE_NS, Evidence
from appliance.sentence.chunk import Chunk

SECOND = 1_000_000_000
LINE = "from-receiver"


def chunk(at_ns: int, size: int = 10) -> Chunk:
    return Chunk(b"%d" % (at_ns % 10**size) + b"." * size, at_ns, 260_000)


def feed(evidence: Evidence, from_s: float, to_s: float, step_s: float = 0.2) -> list[Chunk]:
    """Chunks each step; looks in between, as the core does."""
    fed = [chunk(round((from_s + n * step_s) * SECOND)) for n in range(round((to_s - from_s) / step_s))]
    for one in fed:
        evidence.add(LINE, one)
    return fed


def within(chunks: list[Chunk], from_s: float, to_s: float) -> list[Chunk]:
    return [one for one in chunks if one.end_ns >= from_s * SECOND and one.start_ns <= to_s * SECOND]


def test_a_short_fault_is_given_whole_when_its_five_seconds_are_over() -> None:
    evidence = Evidence()
    fed = feed(evidence, 0, 20)
    evidence.opened("f", 20 * SECOND)
    fed += feed(evidence, 20, 22)
    evidence.closed("f", 22 * SECOND)
    fed += feed(evidence, 22, 27)
    assert evidence.ready(27 * SECOND + LATE_NS - 1) == []
    fed += feed(evidence, 27, 29)  # a byte of the last instant is handed over late
    ((key, (excerpt,)),) = evidence.ready(27 * SECOND + LATE_NS)
    assert (key, excerpt.label, excerpt.line) == ("f", "whole", LINE)
    assert list(excerpt.chunks) == within(fed, 15, 27)
    assert evidence.ready(100 * SECOND) == []


@pytest.mark.parametrize("end_s", [45.0, 300.0, 7200.0])
def test_a_long_fault_is_given_as_two_clips(end_s: float) -> None:
    evidence = Evidence()
    fed = feed(evidence, 0, 20)
    evidence.opened("f", 20 * SECOND)
    now_s, given_ = 20.0, []
    while now_s < end_s + 6:
        fed += feed(evidence, now_s, now_s + 2, 0.5)
        now_s += 2
        if now_s - 2 < end_s <= now_s:
            evidence.closed("f", round(end_s * SECOND))
        given_ += evidence.ready(round(now_s * SECOND))
    ((_, (opening, closing)),) = given_
    assert (opening.label, closing.label) == ("opening", "closing")
    assert list(opening.chunks) == within(fed, 15, 25)
    assert list(closing.chunks) == within(fed, end_s - 5, end_s + 5)


def test_a_long_silence_keeps_what_was_before_and_what_came_after() -> None:
    evidence = Evidence()
    fed = feed(evidence, 0, 20)
    evidence.opened("f", 20 * SECOND)
    for now_s in range(20, 3600):
        assert evidence.ready(now_s * SECOND) == []
    fed += feed(evidence, 3600, 3606)
    evidence.closed("f", 3600 * SECOND)
    ((_, (opening, closing)),) = evidence.ready(3606 * SECOND)
    assert list(opening.chunks) == within(fed, 15, 25) == within(fed, 15, 20)
    assert list(closing.chunks) == within(fed, 3595, 3605)


def test_when_stopping_there_is_what_there_is() -> None:
    evidence = Evidence()
    fed = feed(evidence, 0, 20)
    evidence.opened("lasting", 18 * SECOND)
    evidence.opened("over", 10 * SECOND)
    evidence.closed("over", 19 * SECOND)
    found = dict(evidence.ready(20 * SECOND, stopping=True))
    assert list(found["lasting"][0].chunks) == within(fed, 13, 25)
    assert list(found["over"][0].chunks) == within(fed, 5, 24)
    assert evidence.ready(99 * SECOND, stopping=True) == []


def test_faults_at_the_same_time_each_have_their_own() -> None:
    evidence = Evidence()
    fed = feed(evidence, 0, 30)
    for key, start_s, end_s in (("a", 12, 14), ("b", 13, 20)):
        evidence.opened(key, start_s * SECOND)
        evidence.closed(key, end_s * SECOND)
    found = dict(evidence.ready(30 * SECOND))
    assert list(found["a"][0].chunks) == within(fed, 7, 19)
    assert list(found["b"][0].chunks) == within(fed, 8, 25)


def test_only_the_line_that_is_judged_is_given() -> None:
    evidence = Evidence()
    evidence.add("from-controller", chunk(10 * SECOND))
    evidence.opened("f", 10 * SECOND)
    evidence.closed("f", 10 * SECOND)
    ((_, (excerpt,)),) = evidence.ready(20 * SECOND)
    assert excerpt.chunks == ()


@given(start_s=st.floats(20, 22), lasted_s=st.floats(0, 14), sizes=st.lists(st.integers(1, 60), min_size=5, max_size=5))
def test_whatever_its_length_a_short_fault_has_its_bytes(start_s: float, lasted_s: float, sizes: list[int]) -> None:
    evidence = Evidence()
    fed = []
    for n in range(400):
        fed.append(chunk(n * SECOND // 10, sizes[n % 5]))
        evidence.add(LINE, fed[-1])
    start_ns, end_ns = round(start_s * SECOND), round((start_s + lasted_s) * SECOND)
    evidence.opened("f", start_ns)
    evidence.closed("f", end_ns)
    ((_, (excerpt,)),) = evidence.ready(end_ns + 5 * SECOND + LATE_NS)
    assert list(excerpt.chunks) == [
        one for one in fed if one.end_ns >= start_ns - 5 * SECOND and one.start_ns <= end_ns + 5 * SECOND
    ]


def test_memory_is_bounded_by_the_ring_and_a_clip_by_its_cap() -> None:
    evidence = Evidence()
    evidence.opened("lasting", 0)
    for now_s in range(600):  # ten minutes at 100 kB a second
        for n in range(10):
            evidence.add(LINE, Chunk(bytes(10_000), now_s * SECOND + n * SECOND // 10, 5_000))
        evidence.ready(now_s * SECOND)
    assert sum(len(one.data) for one in evidence._rings[LINE]) <= 31 * 100_000
    assert sys.getsizeof(evidence._rings[LINE]) < 100_000
    ((_, excerpts),) = evidence.ready(600 * SECOND, stopping=True)
    assert [excerpt.label for excerpt in excerpts] == ["opening", "closing"]
    for excerpt in excerpts:
        assert sum(len(one.data) for one in excerpt.chunks) == 200_000
