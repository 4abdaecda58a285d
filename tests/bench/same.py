"""Whether a change of speed changed a result: the sum of all that is told about recordings and simulated lines.

    python tests/bench/same.py keep FILE      # before
    python tests/bench/same.py compare FILE   # after: says what is no longer the same, to the last figure

Of each input two sums are kept: of the result of `check --json`, and of every check at every look, as a live line would
have shown it. Inputs: the real recordings that LINELAMP_RECORDINGS names, a story with faults as text, as text with TAG
blocks and as chunks, an hour of a healthy line, and each fault of the bench of truth once. The time judging took is
told beside it.
"""

from __future__ import annotations

import argparse
import hashlib
import json
import os
import sys
import tempfile
import time
from collections.abc import Callable, Iterable, Iterator
from multiprocessing import Pool
from pathlib import Path
from typing import TYPE_CHECKING

from appliance.check import Recording
from appliance.judge import needs as needs_of
from appliance.judge.needs import Needs
from appliance.recording import Recorded
from appliance.sentence.chunk import Chunk
from appliance.simulate.drive import Drive
from appliance.simulate.faults import apply
from appliance.simulate.receiver import Burst, Receiver, ReceiverSettings
from appliance.simulate.story import AFTERNOON, play
from appliance.simulate.wire import chunks
from appliance.source import Source, open_source
from appliance.watch import CONTROLLER, RECEIVER, Seen, Watch

if TYPE_CHECKING:
    from tests.bench import truth, truth_cases
else:  # as a script it finds its neighbours only
    import truth
    import truth_cases

ORIGIN_NS = 1_700_000_000_000_000_000
SEED = 11
BAUD = 38_400


class _Heard(Recording):
    """A recording of which every look is summed up."""

    def __init__(self, source: Source, needs: Needs) -> None:
        super().__init__(source, needs)
        self.looks = hashlib.sha256()
        self.summing_s = 0.0

    def _begin(self, start_ns: int) -> Watch:
        watch = super()._begin(start_ns)
        look = watch.look

        def summed(now_ns: int) -> Seen:
            seen = look(now_ns)
            began = time.process_time()
            self.looks.update(repr((now_ns, seen, watch.verdict.state)).encode())
            self.summing_s += time.process_time() - began
            return seen

        watch.look = summed  # type: ignore[method-assign]
        return watch


def _story(seconds: float) -> Iterable[Burst]:
    return play(AFTERNOON, Receiver(ReceiverSettings(), Drive(SEED), SEED), SEED, seconds)


def _source(pieces: Iterable[Chunk]) -> Source:
    return Source((Recorded(RECEIVER, chunk) for chunk in pieces), 0, True, 0, name="a simulated line")


def story_of_chunks(seconds: float = 500.0) -> tuple[Source, Needs]:
    """In small pieces, as the reader hands them over."""
    return _source(chunks(_story(seconds), BAUD, origin_ns=ORIGIN_NS)), needs_of.load("position-1hz")


def two_lines(seconds: float = 120.0) -> tuple[Source, Needs]:
    """The same bytes on both lines, a little later on the other."""
    pieces = (
        Recorded(line, Chunk(chunk.data, chunk.start_ns + late_ns, chunk.step_ns))
        for chunk in chunks(_story(seconds), BAUD, origin_ns=ORIGIN_NS)
        for line, late_ns in ((RECEIVER, 0), (CONTROLLER, 1000))
    )
    return Source(pieces, 0, True, 0, name="two simulated lines"), needs_of.load("rate-section")


def hour(seconds: float = 3600.0) -> tuple[Source, Needs]:
    """A healthy line at ten epochs a second."""
    rates = {"GGA": 10.0, "VTG": 10.0, "RMC": 1.0, "ZDA": 1.0, "GSA": 1.0}
    settings = ReceiverSettings(rates_hz=rates, restless=True)
    bursts = Receiver(settings, Drive(SEED), SEED).epochs(0, seconds)
    return _source(chunks(bursts, BAUD, origin_ns=ORIGIN_NS, most_bytes=4096, most_s=1.0)), needs_of.load("alive")


def plain_text(folder: Path) -> tuple[Source, Needs]:
    return _log(folder / "plain.nmea", (burst.data for burst in _story(700.0)))


def tagged_text(folder: Path) -> tuple[Source, Needs]:
    def blocks() -> Iterator[bytes]:
        for burst in _story(700.0):
            for row in burst.data.splitlines(keepends=True):
                body = b"s:receiver,c:%d" % (ORIGIN_NS // 1_000_000 + round(burst.due_s * 1000))
                total = 0
                for byte in body:
                    total ^= byte
                yield b"\\%s*%02X\\%s" % (body, total, row)

    return _log(folder / "tagged.nmea", blocks())


def _log(path: Path, rows: Iterable[bytes]) -> tuple[Source, Needs]:
    path.write_bytes(b"".join(rows))
    sheet = needs_of.load("speed-only")
    return open_source(path, sheet), sheet


def drive(name: str) -> tuple[Source, Needs]:
    """One drive of the bench of truth, as it goes through it."""
    case = truth_cases.struck(name, SEED)
    bursts = Receiver(case.settings, case.drive(), case.seed).epochs(0.0, case.seconds)
    if case.spell is not None:
        bursts = apply(bursts, [case.spell], case.seed)
    line = chunks(bursts, truth.baud_of(case), origin_ns=ORIGIN_NS, most_bytes=4096, most_s=1.0)
    return _source(line), truth.sheet(case)


def recording(name: str, sheet: str) -> tuple[Source, Needs]:
    needs = needs_of.load(sheet)
    return open_source(Path(os.environ["LINELAMP_RECORDINGS"]) / name, needs), needs


def inputs(folder: Path) -> dict[str, Callable[[], tuple[Source, Needs]]]:
    """Name -> what opens it."""
    found: dict[str, Callable[[], tuple[Source, Needs]]] = {
        "hour": hour,
        "story, chunks": story_of_chunks,
        "two lines": two_lines,
        "story, plain": lambda: plain_text(folder),
        "story, tagged": lambda: tagged_text(folder),
    }
    real = Path(os.environ.get("LINELAMP_RECORDINGS", "/nonexistent"))
    for file in sorted(real.glob("*.nmea")):
        for sheet in ("alive", "rate-section"):
            found[f"{file.name}, {sheet}"] = lambda file=file, sheet=sheet: recording(file.name, sheet)  # type: ignore[misc]
    for name in truth_cases.TRUTHS:
        found[f"drive, {name}"] = lambda name=name: drive(name)  # type: ignore[misc]
    return found


def summed(name: str) -> tuple[str, str, float]:
    """Sum of the result, sum of the looks, and seconds of CPU, of the input with this name."""
    with tempfile.TemporaryDirectory() as folder:
        source, needs = inputs(Path(folder))[name]()
        source.pieces = iter(list(source.pieces))
        began = time.process_time()
        judged = _Heard(source, needs)
        judged.run()
        result = judged.result()
        took_s = time.process_time() - began - judged.summing_s
    text = json.dumps(result, sort_keys=True)
    return hashlib.sha256(text.encode()).hexdigest(), judged.looks.hexdigest(), took_s


def main(what: str, file: Path, jobs: int) -> int:
    with tempfile.TemporaryDirectory() as folder:
        names = list(inputs(Path(folder)))
    with Pool(jobs) as pool:
        found = dict(zip(names, pool.map(summed, names, chunksize=1), strict=True))
    if what == "keep":
        file.write_text(json.dumps(found, indent=1))
    kept = json.loads(file.read_text())
    other = [name for name in kept if list(found.get(name, ()))[:2] != kept[name][:2]]
    for name, (_, _, took_s) in found.items():
        was_s = kept[name][2] if name in kept else took_s
        print(f"{name:40}{took_s:8.2f} s, was {was_s:8.2f} s  {'NOT THE SAME' if name in other else 'same'}")
    total_s, before_s = sum(one[2] for one in found.values()), sum(one[2] for one in kept.values())
    print(f"{len(other)} of {len(kept)} are not the same; {total_s:.1f} s, was {before_s:.1f} s")
    return 1 if other else 0


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("what", choices=("keep", "compare"))
    parser.add_argument("file", type=Path)
    parser.add_argument("--jobs", type=int, default=os.cpu_count())
    given = parser.parse_args()
    sys.exit(main(given.what, given.file, given.jobs))
