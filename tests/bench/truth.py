"""How often the box finds a feed whose sentences are right and whose words are not, and how often it cries wolf.

    python tests/bench/truth.py [--drives N] [--hours N] [--jobs N] [--results FILE] [fault ...]

Each fault is put into so many seeded drives of ten minutes, and goes through the same watch that judges a live line,
with every look that falls due. Told in time: within 3 s of the moment at which it can be known (truth_cases says when
that is). Named right: what is told first is what is wrong. A drive is broken off soon after its fault is over: what
comes then is not counted. Healthy drives, and struck ones until their fault sets in: whatever fails there is false.

With a file for the results each drive is a line of it. The run can then be broken off and gone on with: what the file
holds is not run again (its last line of a drive counts), files can be put together, and all of it is in the table.
"""

from __future__ import annotations

import argparse
import hashlib
import json
import os
import sys
import time
from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from multiprocessing import Pool
from pathlib import Path
from statistics import median
from typing import TYPE_CHECKING

import appliance
from appliance.judge import needs as needs_of
from appliance.judge.needs import Needs
from appliance.simulate.faults import apply
from appliance.simulate.receiver import Receiver
from appliance.simulate.wire import chunks
from appliance.watch import RECEIVER, Watch

if TYPE_CHECKING:
    from tests.bench import truth_cases as cases
    from tests.bench.truth_drives import Case, healthy
else:  # as a script it finds its neighbours only
    import truth_cases as cases
    from truth_drives import Case, healthy

ORIGIN_NS = 1_000_000_000_000
LENGTHS = {"GGA": 92, "VTG": 47, "RMC": 90, "ZDA": 38, "GLL": 58, "GST": 70, "GSA": 204}
FULL = 0.6  # share of 38,400 baud above which the line is one of 115,200
SHOWN = 4  # drives that are written out for each fault
HEALTHY_S = 1800.0


@dataclass(slots=True)
class Outcome:
    """What was told in a drive: seconds from its start, kind, whether it only warns, and its words."""

    case: Case
    told: list[tuple[float, str, bool, str]] = field(default_factory=list)
    cpu_s: float = 0.0

    @property
    def of_fault(self) -> list[tuple[float, str, bool, str]]:
        """What was told from the start of the fault to a little after its end."""
        return [told for told in self.told if self.case.struck_s <= told[0] <= self.case.until_s]

    @property
    def before(self) -> list[tuple[float, str, bool, str]]:
        """What was told before there was anything to tell."""
        return [told for told in self.told if told[0] < self.case.struck_s]

    @property
    def delay_s(self) -> float | None:
        """From the moment at which it can be known until it is told; None where it is not."""
        return next((at_s - self.case.knowable_s for at_s, kind, *_ in self.of_fault if kind in self.case.kinds), None)

    @property
    def named_right(self) -> bool:
        return bool(self.of_fault) and self.of_fault[0][1] in self.case.kinds | self.case.besides


def baud_of(case: Case) -> int:
    """The usual baud, or a fast one where the set fills it."""
    characters = sum(LENGTHS[message] * rate_hz for message, rate_hz in case.settings.rates_hz.items())
    return 38_400 if characters * 10 <= FULL * 38_400 else 115_200


def sheet(case: Case) -> Needs:
    """Needs that this receiver meets, so that nothing but the truth is asked of it."""
    lines = [
        f'title = "bench"\n[line]\nbaud = {baud_of(case)}\nload_most = 1.0\nsentence_length_most = 120',
        f"[fix]\nrequired = true\nage_most_s = {cases.AGE_MOST_S}",
        f"satellites_least = {cases.SATELLITES_LEAST}\nhdop_most = {cases.HDOP_MOST}",
        f"[time]\ndate_required = true\nlate_most_s = {cases.LATE_MOST_S}",
    ]
    for message, rate_hz in case.settings.rates_hz.items():
        lines.append(f"[message.{message}]\nrate_hz = {rate_hz}\nrate_low = 0.9\nrate_high = 0.9")
        lines.append(f"gap_most_s = {3 / rate_hz + 4}")
    return needs_of.from_toml("\n".join(lines), "bench")


def run(case: Case) -> Outcome:
    """One drive through the whole watch."""
    began = time.process_time()
    outcome, baud = Outcome(case), baud_of(case)
    watch = Watch(sheet(case), {RECEIVER: baud}, ORIGIN_NS)
    bursts = Receiver(case.settings, case.drive(), case.seed).epochs(0.0, case.until_s)
    if case.spell is not None:
        bursts = apply(bursts, [case.spell], case.seed)
    for chunk in chunks(bursts, baud, origin_ns=ORIGIN_NS, most_bytes=4096, most_s=1.0):
        _look(watch, chunk.end_ns, outcome)
        watch.feed(RECEIVER, chunk)
    _look(watch, ORIGIN_NS + round(case.until_s * 1e9), outcome)
    outcome.cpu_s = time.process_time() - began
    return outcome


def _look(watch: Watch, until_ns: int, outcome: Outcome) -> None:
    while watch.next_look_ns < until_ns:
        seen = watch.look(watch.next_look_ns)
        for fault in seen.opened:
            outcome.told.append(((seen.at_ns - ORIGIN_NS) / 1e9, fault.kind, fault.warning, fault.says))


HEAD = f"{'fault':20}{'drives':>7}{'found':>7}{'in 3 s':>7}{'named':>7}{'delay s: median, worst':>24}  also told"


def row(name: str, outcomes: Sequence[Outcome]) -> str:
    """One row of the table: how the drives with one fault went."""
    delays = [outcome.delay_s for outcome in outcomes if outcome.delay_s is not None]
    in_time = sum(delay <= cases.IN_TIME_S for delay in delays)
    named = sum(outcome.named_right for outcome in outcomes)
    spread = f"{median(delays):.1f}, {max(delays):.1f}" if delays else ""
    others = Counter(one[1] for outcome in outcomes for one in outcome.of_fault if one[1] not in outcome.case.kinds)
    also = ", ".join(f"{kind} {number}" for kind, number in others.most_common(4))
    return f"{name:20}{len(outcomes):>7}{len(delays):>7}{in_time:>7}{named:>7}{spread:>24}  {also}"


def amiss(outcomes: Iterable[Outcome]) -> Iterator[str]:
    """The first drives whose fault was not found in time, or was called something else."""
    wrong = [one for one in outcomes if not one.named_right or one.delay_s is None or one.delay_s > cases.IN_TIME_S]
    for outcome in wrong[:SHOWN]:
        first = [f"{at_s:.1f}s {kind}" for at_s, kind, *_ in outcome.of_fault[:4]]
        yield f"  {outcome.case}; knowable at {outcome.case.knowable_s:.1f} s; told {first or 'nothing'}"


def good(outcomes: Sequence[Outcome]) -> bool:
    """Whether each fault keeps to the aims: found in 99 %, those in time, and named right in 97 %."""
    for name in {outcome.case.fault for outcome in outcomes}:
        all_ = [outcome for outcome in outcomes if outcome.case.fault == name]
        found = sum(outcome.delay_s is not None and outcome.delay_s <= cases.IN_TIME_S for outcome in all_)
        if found < 0.99 * len(all_) or sum(outcome.named_right for outcome in all_) < 0.97 * len(all_):
            return False
    return True


def false_ones(outcomes: Iterable[Outcome]) -> list[tuple[Outcome, float, str, bool, str]]:
    """All that was told where nothing was wrong: of healthy drives, and before a fault began."""
    return [(outcome, *one) for outcome in outcomes for one in outcome.before]


def code() -> str:
    """Tells the judging code of one run from that of another."""
    found = hashlib.sha256()
    for path in sorted(Path(appliance.__file__).parent.rglob("*.py")):
        found.update(path.read_bytes())
    return found.hexdigest()[:12]


def case_of(name: str, seed: int) -> Case:
    """The drive of a name ("" for a healthy one) and a seed."""
    return cases.struck(name, seed) if name else healthy(seed, "", HEALTHY_S)


def run_one(asked: tuple[str, int]) -> Outcome:
    """The drive of a name and a seed, run."""
    return run(case_of(*asked))


def kept(file: Path | None, names: Sequence[str]) -> tuple[dict[tuple[str, int], Outcome], int]:
    """What a file of results holds of these faults and of healthy drives, by fault and seed; and how many of them
    were judged by other code. Left out: drives that are drawn otherwise by now.
    """
    found: dict[tuple[str, int], Outcome] = {}
    codes: dict[tuple[str, int], str] = {}
    for line in file.read_text().splitlines() if file is not None and file.exists() else ():
        told = json.loads(line)
        key = told["fault"], told["seed"]
        if key[0] and key[0] not in names:
            continue
        case = found[key].case if key in found else case_of(*key)
        if str(case) == told["case"]:
            found[key] = Outcome(case, [tuple(each) for each in told["told"]], told["cpu_s"])
            codes[key] = told["code"]
    now = code()
    return found, sum(version != now for version in codes.values())


def as_line(key: tuple[str, int], outcome: Outcome, version: str) -> str:
    fault, seed = key
    return json.dumps({
        "fault": fault, "seed": seed, "case": str(outcome.case), "told": outcome.told, "cpu_s": outcome.cpu_s,
        "code": version,
    })  # fmt: skip


def plan(drives: int, hours: float, names: Sequence[str]) -> Iterator[tuple[str, int]]:
    """Fault and seed of each drive, the healthy ones among them: broken off anywhere, all have had their share."""
    healthy_ones = round(hours * 3600 / HEALTHY_S)
    done = 0
    for seed in range(drives):
        yield from ((name, seed) for name in names)
        share = round(healthy_ones * (seed + 1) / drives)
        yield from (("", number) for number in range(done, share))
        done = share
    yield from (("", number) for number in range(done, healthy_ones))


def summary(outcomes: Sequence[Outcome], names: Sequence[str]) -> Iterator[str]:
    """The table, what was told for nothing, and what it took."""
    yield HEAD
    for name in names:
        these = [outcome for outcome in outcomes if outcome.case.fault == name]
        if these:
            yield from (row(name, these), *amiss(these))
    false = false_ones(outcomes)
    no_gos = sum(not warns for *_, warns, _ in false)
    healthy_s = sum(outcome.case.struck_s for outcome in outcomes)
    yield f"\n{healthy_s / 3600:.1f} healthy hours: {no_gos} false no-gos, {len(false) - no_gos} false warnings"
    for kind, number in Counter(kind for _, _, kind, _, _ in false).most_common():
        yield f"  {kind} {number}: {number / max(healthy_s, 1e-9) * 36_000:.2f} in 10 h"
        for outcome, at_s, _, _, says in [each for each in false if each[2] == kind][:SHOWN]:
            yield f"    {outcome.case}; at {at_s:.1f} s: {says}"
    cpu_s, line_s = sum(each.cpu_s for each in outcomes), sum(each.case.until_s for each in outcomes)
    yield f"{cpu_s:.0f} s of computing, {cpu_s / max(line_s, 1e-9) * 600:.2f} s for ten minutes of line"


def main(asked: argparse.Namespace) -> int:
    names = asked.fault or list(cases.TRUTHS)
    outcomes, of_other_code = kept(asked.results, names)
    to_do = [key for key in plan(asked.drives, asked.hours, names) if key not in outcomes]
    version = code()
    with Pool(asked.jobs) as pool:
        for key, outcome in zip(to_do, pool.imap(run_one, to_do), strict=True):
            outcomes[key] = outcome
            if asked.results is not None:
                with asked.results.open("a") as file:
                    file.write(as_line(key, outcome, version) + "\n")
            for says in (*amiss([outcome] if key[0] else []), *(str(each[1:]) for each in false_ones([outcome]))):
                print(says, flush=True)
    print("\n".join(summary(list(outcomes.values()), names)))
    if of_other_code:
        print(f"{of_other_code} of {len(outcomes)} drives were judged by other code than this")
    struck = [outcome for outcome in outcomes.values() if outcome.case.fault]
    false = false_ones(outcomes.values())
    return 0 if good(struck) and all(warns for *_, warns, _ in false) else 1


def parsed(arguments: Sequence[str]) -> argparse.Namespace:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--drives", type=int, default=50, help="of each fault (50)")
    parser.add_argument("--hours", type=float, default=500.0, help="in which nothing is wrong (500)")
    parser.add_argument("--jobs", type=int, default=os.cpu_count(), help="at a time (as many as there are cores)")
    parser.add_argument("--results", type=Path, help="file to read and go on with")
    parser.add_argument("fault", nargs="*", help=", ".join(cases.TRUTHS))
    asked = parser.parse_args(arguments)
    unknown = [name for name in asked.fault if name not in cases.TRUTHS]
    if unknown:
        parser.error(f"no fault {', '.join(unknown)}; there are {', '.join(cases.TRUTHS)}")
    return asked


if __name__ == "__main__":
    sys.exit(main(parsed(sys.argv[1:])))
