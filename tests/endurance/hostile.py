"""Lines that mean harm: python tests/endurance/hostile.py [lines; 10000000] [seed; 1] [jobs; 2]

Each line is one of a receiver's sentences, or a piece of it, in which something was done by chance: bytes changed,
dropped, doubled, or put in; fields emptied, swapped, or filled with what no receiver sends; two lines run together; its
end left out; its sum, half of the time, set right again, so that the harm gets past it. They go through the whole of a
watch, as on a box: framer, parser, meter, judge and faults, in chunks of any size, at a pace no receiver keeps, and
with a look each 50 lines. Nothing may be raised, each byte must be in a frame or in junk, and memory may not grow. The
jobs share the lines, each with a seed and a watch of its own.
"""

from __future__ import annotations

import random
import sys
import time
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor
from functools import reduce
from operator import xor
from pathlib import Path

from appliance.judge import needs
from appliance.sentence.chunk import Chunk
from appliance.simulate.drive import Drive
from appliance.simulate.receiver import Receiver, ReceiverSettings
from appliance.watch import CONTROLLER, LOOK_NS, RECEIVER, Watch

S = 1_000_000_000
BAUDS = {RECEIVER: 38400, CONTROLLER: 38400}
FILLERS = [
    *(b"", b"-", b"-0", b"nan", b"inf", b"1e309", b"999999999999999999999", b"00000000000000000000.1", b"A" * 200),
    *(b"240000.00", b"235960.00", b"9000.0001", b"18000.0001", b"310226", b"000000", b"$", b"*", b"\x00", b"\xff\xfe"),
]
LOOK_EACH = 50
GROWTH_MOST_KB = 3000


def memory_kb() -> int:
    return int(Path("/proc/self/statm").read_text().split()[1]) * 4


def lines(count: int, seed: int) -> Iterator[bytes]:
    """So many of them."""
    chance = random.Random(seed)
    told = [
        row
        for quality in (0, 1, 4, 5)
        for burst in Receiver(ReceiverSettings(quality=quality), Drive(seed), seed).epochs(0, 20)
        for row in burst.data.splitlines(keepends=True)
    ]
    for _ in range(count):
        line = chance.choice(told)
        for _ in range(chance.choice((0, 1, 1, 2, 5))):
            line = chance.choice(HARMS)(line, chance, told)
        if chance.random() < 0.5:
            line = summed(line)
        yield line


def _bytes(line: bytes, chance: random.Random, _told: list[bytes]) -> bytes:
    at = chance.randrange(len(line) + 1)
    return line[:at] + chance.randbytes(chance.choice((0, 1, 1, 3))) + line[at + chance.choice((0, 1, 2)) :]


def _field(line: bytes, chance: random.Random, _told: list[bytes]) -> bytes:
    fields = line.split(b",")
    fields[chance.randrange(len(fields))] = chance.choice(FILLERS)
    return b",".join(fields)


def _swap(line: bytes, chance: random.Random, _told: list[bytes]) -> bytes:
    fields = line.split(b",")
    one, two = (chance.randrange(len(fields)) for _ in range(2))
    fields[one], fields[two] = fields[two], fields[one]
    return b",".join(fields)


def _double(line: bytes, chance: random.Random, _told: list[bytes]) -> bytes:
    at = chance.randrange(len(line) + 1)
    return line[:at] + line[: chance.randrange(len(line) + 1)] + line[at:]


def _together(line: bytes, chance: random.Random, told: list[bytes]) -> bytes:
    return line.rstrip() + chance.choice(told)


def _open(line: bytes, _chance: random.Random, _told: list[bytes]) -> bytes:
    return line.rstrip()


HARMS = (_bytes, _field, _field, _swap, _double, _together, _open)


def summed(line: bytes) -> bytes:
    """With the right sum, where it has a place for one."""
    start, star = line.find(b"$"), line.rfind(b"*")
    if start < 0 or star < start:
        return line
    return line[: star + 1] + b"%02X\r\n" % reduce(xor, line[start + 1 : star], 0)


def run(count: int, seed: int) -> tuple[Watch, int]:
    """Feeds them; the watch, and by how many kB memory grew from a tenth of them to the end."""
    chance = random.Random(seed + 1)
    watch = Watch(needs.load("rate-section"), BAUDS, S)
    now_ns, fed, before = S, 0, 0
    for number, line in enumerate(lines(count, seed)):
        now_ns += chance.choice((0, 1_000_000, 30_000_000))
        if line:
            for line_name in (RECEIVER, CONTROLLER)[: 1 + number % 2]:
                watch.feed(line_name, Chunk(line, now_ns, 1000))
            now_ns += len(line) * 1000
            fed += len(line)
        if number % LOOK_EACH == 0:
            now_ns += LOOK_NS
            watch.look(now_ns)
            watch.evidence_ready(now_ns)
            watch.controller.take_changed()
        if number == count // 10:
            before = memory_kb()
        if sys.stderr.isatty() and number % 100_000 == 0:
            print(f"seed {seed}: {number:,} of {count:,}", file=sys.stderr)
    assert watch.receiver.framer.framed + watch.receiver.framer.junk + watch.receiver.framer.pending == fed
    return watch, memory_kb() - before


def told(count: int, seed: int) -> tuple[str, int]:
    """One job: what came of it, in words, and by how many kB its memory grew."""
    began_s = time.process_time()
    watch, grown_kb = run(count, seed)
    return (
        f"{count:,} lines (seed {seed}) in {time.process_time() - began_s:.0f} s of CPU time, nothing raised; "
        f"{watch.receiver.sentences:,} good sentences, {watch.receiver.errors.total:,} damaged, "
        f"{watch.faults.closed_count:,} faults; {grown_kb} kB more at the end"
    ), grown_kb


def main(count: int, seed: int, jobs: int) -> int:
    shares = [(count // jobs + (number < count % jobs), seed + number) for number in range(jobs)]
    with ProcessPoolExecutor(jobs) as pool:
        found = list(pool.map(told, *zip(*shares, strict=True)))
    print("\n".join(says for says, _ in found))
    return int(max(grown_kb for _, grown_kb in found) > GROWTH_MOST_KB)


if __name__ == "__main__":
    numbers = [int(one) for one in sys.argv[1:]]
    sys.exit(main(*(numbers + [10_000_000, 1, 2][len(numbers) :])))
