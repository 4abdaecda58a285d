"""How often the box finds a feed whose sentences are right and whose words are not, and how often it cries wolf.

    python tests/bench/truth.py [drives per fault] [healthy hours] [fault ...]

Each fault is put into so many seeded drives of ten minutes, and goes through the same watch that judges a live line,
with every look that falls due. Told in time: within 3 s of the moment at which it can be known (truth_cases says when
that is). Named right: what is told first is what is wrong. Then healthy drives: whatever fails in them is false.
"""

from __future__ import annotations

import os
import sys
import time
from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from multiprocessing import Pool
from statistics import median
from typing import TYPE_CHECKING

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
AFTER_S = 5.0  # told so long after a span it is still told of it
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
        """What was told from the start of the fault (a leap second's: from its step) to a little after its end."""
        spell = self.case.spell
        if spell is None:
            return []
        from_s = spell.start_s if spell.start_s > 0 else self.case.knowable_s
        return [one for one in self.told if from_s <= one[0] <= spell.end_s + AFTER_S]

    @property
    def before(self) -> list[tuple[float, str, bool, str]]:
        """What was told before there was anything to tell."""
        spell = self.case.spell
        from_s = self.case.seconds if spell is None else spell.start_s if spell.start_s > 0 else self.case.knowable_s
        return [one for one in self.told if one[0] < from_s]

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
    bursts = Receiver(case.settings, case.drive(), case.seed).epochs(0.0, case.seconds)
    if case.spell is not None:
        bursts = apply(bursts, [case.spell], case.seed)
    for chunk in chunks(bursts, baud, origin_ns=ORIGIN_NS, most_bytes=4096, most_s=1.0):
        _look(watch, chunk.end_ns, outcome)
        watch.feed(RECEIVER, chunk)
    _look(watch, ORIGIN_NS + round(case.seconds * 1e9), outcome)
    outcome.cpu_s = time.process_time() - began
    return outcome


def run_struck(asked: tuple[str, int]) -> Outcome:
    """A drive with a fault in it: name and seed."""
    return run(cases.struck(*asked))


def run_healthy(seed: int) -> Outcome:
    """Half an hour in which nothing is wrong."""
    return run(healthy(seed, "", HEALTHY_S))


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


def main(drives: int, hours: float, names: Sequence[str]) -> int:
    began = time.perf_counter()
    with Pool(os.cpu_count()) as pool:
        struck: list[Outcome] = []
        print(HEAD)
        coming = pool.imap(run_struck, [(name, seed) for name in names for seed in range(drives)])
        for name in names:  # each row as soon as its drives are through
            these = [next(coming) for _ in range(drives)]
            print("\n".join([row(name, these), *amiss(these)]), flush=True)
            struck += these
        count = round(hours * 3600 / HEALTHY_S)
        well = list(pool.imap_unordered(run_healthy, range(count)))
    false = false_ones(well + struck)
    no_gos = sum(not warns for *_, warns, _ in false)
    told_hours = (sum(one.case.seconds for one in well) + sum(one.case.knowable_s for one in struck)) / 3600
    print(f"\n{told_hours:.1f} healthy hours: {no_gos} false no-gos, {len(false) - no_gos} false warnings")
    for kind, number in Counter(kind for _, _, kind, _, _ in false).most_common():
        print(f"  {kind} {number}: {number / max(told_hours, 1e-9) * 10:.2f} in 10 h")
        for outcome, at_s, _, _, says in [one for one in false if one[2] == kind][:SHOWN]:
            print(f"    {outcome.case}; at {at_s:.1f} s: {says}")
    cpu_s = sum(one.cpu_s for one in well + struck)
    line_s = sum(one.case.seconds for one in well + struck)
    print(f"{cpu_s:.0f} s of computing, {cpu_s / max(line_s, 1e-9) * 600:.2f} s for ten minutes of line, "
          f"in {time.perf_counter() - began:.0f} s")  # fmt: skip
    return 0 if good(struck) and not no_gos else 1


if __name__ == "__main__":
    given = sys.argv[1:]
    sys.exit(
        main(
            int(given[0]) if given else 50,
            float(given[1]) if len(given) > 1 else 500.0,
            given[2:] or list(cases.TRUTHS),
        )
    )
