"""How fast frames are cut and judged, as a ratio to pynmea2 in the same process, so that the machine matters little."""

from __future__ import annotations

import statistics
import time
from pathlib import Path

import pynmea2
import pytest

from appliance.sentence.chunk import Chunk
from appliance.sentence.frame import Framer
from appliance.sentence.parse import Sentence, parse

RATIO_MOST = 0.8
"""It is about 0.5. pynmea2 checks the sum alone; we cut the stream and judge every field as well."""
ROUNDS = 5


@pytest.mark.slow
def test_framing_and_judging_takes_less_time_than_pynmea2_s_check_of_the_sum(recordings: Path) -> None:
    data = (recordings / "road-vehicle-2s.nmea").read_bytes()
    rows = data.decode("ascii").splitlines()

    def ours() -> int:
        framer, good = Framer(), 0
        for begin in range(0, len(data), 4096):
            for frame in framer.feed(Chunk(data[begin : begin + 4096], begin, 1)):
                good += isinstance(parse(frame), Sentence)
        return good

    def theirs() -> int:
        return sum(pynmea2.parse(row, check=True) is not None for row in rows)

    ratios = []
    for _ in range(ROUNDS):
        took = []
        for job in (ours, theirs):
            begin = time.process_time()
            assert job() == len(rows)
            took.append(time.process_time() - begin)
        ratios.append(took[0] / took[1])
    assert statistics.median(ratios) < RATIO_MOST
