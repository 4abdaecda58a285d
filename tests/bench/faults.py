"""The bench of the whole chain: what is found of faults, which cause is named, what they are said to go with.

    python tests/bench/faults.py [part ...] [--from SEED] [--seeds N] [--hours N] [--days N] [--even N] [--jobs N]
                                  [--kept FILE]

Parts (all, if none is named):

- alone: each fault and trouble by itself, also as it comes and goes; some on the wire, drawn bit by bit
- spells: each fault of the feed again, three to five times for some seconds
- pairs: two faults at once
- healthy: half hours in which nothing is wrong, most of them at 1 Hz, some at 5 and 10 Hz
- effects, nothing, spell: days in which the faults go with something, with nothing, come in one spell of hours
- even: the p-values of days in which they go with nothing (Kolmogorov and Smirnov)
- cab: whole days from the bytes on: a trouble at some place or in some state of the machine, through the whole chain

With --kept it can be stopped at any time and goes on where it was. Delay is from the first moment of the fault, also
where it cannot be known at once. A false fault is one that fails, not only warns, before there is anything to find.
"""

from __future__ import annotations

import argparse
import os
import sys
import time
from collections import Counter
from collections.abc import Sequence
from pathlib import Path
from random import Random
from typing import TYPE_CHECKING

from appliance.judge.circumstances import Seconds
from appliance.judge.goes_with import Exposure

if TYPE_CHECKING:
    from tests.bench import causes, faults_cab, faults_cases, faults_tables, goes_with, truth, wire_cases
    from tests.bench import causes_cases as cases
    from tests.bench import goes_with_days as days
    from tests.bench.kept import Job, Row, results
else:  # as a script it finds its neighbours only
    import causes
    import causes_cases as cases
    import faults_cab
    import faults_cases
    import faults_tables
    import goes_with
    import goes_with_days as days
    import truth
    import wire_cases
    from kept import Job, Row, results

AFTER_S = 15.0
"""What is told so long after a fault may still come of it: rates are counted over ten seconds."""
MOVES = 199
HEALTHY_HOURS = truth.HEALTHY_S / 3600
EVEN_OF = ("speed", "course", "satellites", "load")
EVERY = 20
"""New results after which it says how far it is."""


def run(job: Job) -> Row:
    """What came of one case."""
    return RUNS[job.part](job.name, job.seed)


def _alone(name: str, seed: int) -> Row:
    if name.startswith("wire: "):
        of_wire = name.removeprefix("wire: ")
        outcome = causes.run_wire((of_wire, seed))
        return _row(outcome, [(0.0, wire_cases.SECONDS)], [faults_cases.WIRE_TELLS[of_wire]])
    case = cases.drive(name, seed)
    return _row(causes.run_case(case), _spans(case), [faults_cases.TELLS[name]] if name != faults_cases.HEALTHY else [])


def _in_spells(name: str, seed: int) -> Row:
    case = faults_cases.in_spells(name, seed)
    return _row(causes.run_case(case), _spans(case), [faults_cases.TELLS[name]])


def _pair(name: str, seed: int) -> Row:
    case, two = faults_cases.pair(int(name), seed)
    row = _row(causes.run_case(case), _spans(case), [faults_cases.TELLS[one] for one in two])
    return row | {"pair": case.name, "each": [cases.DRIVES[one].right for one in two]}


def _spans(case: cases.Case) -> list[tuple[float, float]]:
    """From when to when there is something to find; the whole of it where the feed itself is not as it should be."""
    return [(spell.start_s, spell.end_s) for spell in case.spells] or [(-1.0, cases.SECONDS)]


def _row(outcome: causes.Outcome, spans: Sequence[tuple[float, float]], tells: Sequence[Sequence[str]]) -> Row:
    """tells: for each fault the kinds that tell of it. truth: where several causes are right, one drawn among them."""
    healthy = not tells
    false = [
        kind
        for at_s, kind, warns in outcome.told
        if not warns and (healthy or not any(start_s <= at_s <= end_s + AFTER_S for start_s, end_s in spans))
    ]
    first_s = max(0.0, min(start_s for start_s, _ in spans))
    at = [next((at_s for at_s, kind, _ in outcome.told if kind in kinds), None) for kinds in tells]
    return {
        "found": [at_s is not None for at_s in at],
        "delay_s": [None if at_s is None else round(max(0.0, at_s - first_s), 1) for at_s in at],
        "false": false,
        "right": list(outcome.right),
        "truth": Random(f"truth {outcome.name} {outcome.seed}").choice(outcome.right),
        "log": [[one["id"], one["weight"]] for one in outcome.recording],
        "live": [[one["id"], one["weight"]] for one in outcome.live],
        "told": outcome.found,
    }


def _healthy(_name: str, seed: int) -> Row:
    told = truth.run(faults_cases.at_mixed_rates(truth.case_of("", seed))).told
    return {
        "no_go": [[round(at_s), kind, says] for at_s, kind, warns, says in told if not warns],
        "warned": [kind for _, kind, warns, _ in told if warns],
    }


def _effect(name: str, seed: int) -> Row:
    told = goes_with.run_effect((name, seed, 12))
    return {"right": days.MEANS.get(name, name), "told": goes_with.names(told, name)}


def _nothing(_name: str, seed: int) -> Row:
    return {"told": [one["circumstance"] for one in goes_with.run_without(seed)]}


def _one_spell(_name: str, seed: int) -> Row:
    return {"told": [one["circumstance"] for one in goes_with.run_spell(seed)]}


def _even(_name: str, seed: int) -> Row:
    seconds = days.day(5_000_000 + seed, 1.0)
    faults = days.without_effect(seconds, seed)
    exposure, dice = Exposure(Seconds(seconds)), Random(seed)
    p = {}
    for question in exposure.questions:
        if question.circumstance in EVEN_OF:
            answer = exposure.ask(days.KIND, faults, question, MOVES, seed, enough=0)
            if answer is not None:
                p[question.circumstance] = round(answer.chance.smooth(dice), 6)
    return {"p": p}


RUNS = {
    "alone": _alone,
    "spells": _in_spells,
    "pairs": _pair,
    "healthy": _healthy,
    "effects": _effect,
    "nothing": _nothing,
    "spell": _one_spell,
    "even": _even,
    "cab": faults_cab.run,
}


def jobs(given: argparse.Namespace) -> list[Job]:
    """What is to be run; the quick parts first."""
    names = {
        "alone": [*cases.DRIVES, *(f"wire: {name}" for name in cases.WIRES)],
        "spells": faults_cases.IN_SPELLS,
        "pairs": [str(number) for number in range(faults_cases.PAIRS)],
        "cab": list(faults_cab.PLANS),
        "effects": days.EFFECTS,
        "nothing": [""],
        "spell": [""],
        "even": [""],
        "healthy": [""],
    }
    many = {"nothing": given.days, "spell": given.days // 5, "even": given.even, "pairs": max(1, given.seeds // 4),
            "healthy": round(given.hours / HEALTHY_HOURS)}  # fmt: skip
    parts = [part for part in names if not given.parts or part in given.parts]
    return [
        Job(part, name, given.first_seed + seed)
        for part in parts
        for name in names[part]
        for seed in range(many.get(part, given.seeds))
    ]


def main(given: argparse.Namespace) -> int:
    """Runs them and prints the tables; 0 where every aim is kept."""
    wanted, began, new = jobs(given), time.perf_counter(), Counter[str]()

    def told(row: Row) -> None:
        new[row["part"]] += 1
        if new.total() % EVERY == 0 and sys.stderr.isatty():
            print(f"\r{new.total()} of at most {len(wanted)}, {row['part']}   ", end="", file=sys.stderr, flush=True)

    rows = list(results(wanted, run, given.kept, given.processes, told))
    good = faults_tables.printed(rows)
    print(f"{len(rows)} cases, {new.total()} of them now, in {time.perf_counter() - began:.0f} s")
    return 0 if good else 1


def asked() -> argparse.ArgumentParser:
    """What may be given."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").partition("\n")[0])
    parser.add_argument("parts", nargs="*", metavar="part", help=", ".join(RUNS))
    parser.add_argument("--from", type=int, default=10_000, dest="first_seed", help="the first seed")
    parser.add_argument("--seeds", type=int, default=20, help="seeds of each case")
    parser.add_argument("--hours", type=float, default=1000, help="healthy hours")
    parser.add_argument("--days", type=int, default=500, help="days without effect")
    parser.add_argument("--even", type=int, default=2000, help="days of which the p is looked at")
    parser.add_argument("--kept", type=Path, help="where results are added, and looked for")
    parser.add_argument("--jobs", type=int, default=os.cpu_count(), dest="processes", help="at once")
    return parser


if __name__ == "__main__":
    wanted_ = asked().parse_args()
    if unknown := [part for part in wanted_.parts if part not in RUNS]:
        asked().error(f"there is no part {', '.join(unknown)}; there are {', '.join(RUNS)}")
    sys.exit(main(wanted_))
