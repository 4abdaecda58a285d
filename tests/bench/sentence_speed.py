"""How long framing and judging a sentence takes, against pynmea2's parsing of the same row, both in one run.

    python tests/bench/sentence_speed.py FILE

FILE is a plain log of NMEA 0183 text with right sums. Framing alone, the checks of alphabet, fields and ranges, and
the sum are all in our time; the dates and angles that nobody asked for are not.
"""

from __future__ import annotations

import statistics
import sys
import time
from collections.abc import Callable
from pathlib import Path

import pynmea2

from appliance.sentence.chunk import Chunk
from appliance.sentence.frame import Framer
from appliance.sentence.parse import Sentence, parse

ROUNDS = 7
READ_BYTES = 4096


def ours(data: bytes) -> int:
    """Good sentences, by our framer and parser."""
    framer, good = Framer(), 0
    for begin in range(0, len(data), READ_BYTES):
        for frame in framer.feed(Chunk(data[begin : begin + READ_BYTES], begin, 1)):
            good += isinstance(parse(frame), Sentence)
    return good


def theirs(data: bytes) -> int:
    """Good sentences, by pynmea2."""
    return sum(pynmea2.parse(row, check=True) is not None for row in data.decode("ascii").splitlines())


def seconds(job: Callable[[bytes], int], data: bytes) -> float:
    """CPU time of one run."""
    begin = time.process_time()
    job(data)
    return time.process_time() - begin


def main(file: str) -> None:
    """Prints the median of the ratios of runs side by side, and the median times."""
    data = Path(file).read_bytes()
    pairs = [(seconds(ours, data), seconds(theirs, data)) for _ in range(ROUNDS)]
    mine, other = (statistics.median(column) for column in zip(*pairs, strict=True))
    ratio = statistics.median(a / b for a, b in pairs)
    count = theirs(data)
    print(
        f"{count} sentences: {mine / count * 1e6:.2f} µs each, pynmea2 {other / count * 1e6:.2f} µs: ratio {ratio:.2f}"
    )


if __name__ == "__main__":
    main(sys.argv[1])
