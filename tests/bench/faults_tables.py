"""The tables of the bench of the whole chain, and whether its aims are kept."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Callable, Iterable, Sequence
from itertools import pairwise
from statistics import median
from typing import TYPE_CHECKING

from scipy import stats

if TYPE_CHECKING:
    from tests.bench.kept import Row
else:  # as a script it finds its neighbours only
    from kept import Row

FOUND, FIRST, THREE = 0.99, 0.90, 0.99
FALSE_DAYS, EFFECTS_FOUND = 0.05, 0.90
UNEVEN = 0.001
BINS = (0.0, 0.2, 0.4, 0.5, 0.6, 0.8, 0.95, 1.01)
HALF_HOUR = 0.5
SHOWN = 12


def printed(rows: Sequence[Row]) -> bool:
    """Prints the table of each part that there is; whether all aims are kept."""
    parts: defaultdict[str, list[Row]] = defaultdict(list)
    for row in rows:
        parts[row["part"]].append(row)
    good = [table(parts[part]) for part, table in TABLES.items() if parts[part]]
    ranked = parts["alone"] + parts["spells"]
    if ranked:
        _sure(ranked)
    return all(good)


def _first(row: Row, how: str) -> str:
    return str(row[how][0][0]) if row[how] else "nothing"


def _ranked(rows: Sequence[Row]) -> bool:
    """Found, false and the causes named, for each case and all of them."""
    print(f"\n{rows[0]['part']}: faults and their causes\n"
          f"{'case':32}{'n':>4}{'found':>7}{'delay s: median, 95 %':>23}{'false':>6}"
          f"{'first: log, live':>18}{'in three':>10}  first otherwise")  # fmt: skip
    by_name: defaultdict[str, list[Row]] = defaultdict(list)
    for row in rows:
        by_name[row["name"]].append(row)
    for name, these in by_name.items():
        delays = sorted(s for row in these for s in row["delay_s"] if s is not None)
        spread = f"{median(delays):.1f}, {delays[int(0.95 * (len(delays) - 1))]:.1f}" if delays else ""
        first = [sum(_first(row, how) in row["right"] for row in these) for how in ("log", "live")]
        three = [_in_three(these, how) for how in ("log", "live")]
        others = Counter(_first(row, how) for row in these for how in ("log", "live"))
        wrong = ", ".join(f"{one} {n}" for one, n in others.most_common() if one not in these[0]["right"])
        print(f"{name:32}{len(these):>4}{sum(all(row['found']) for row in these):>7}{spread:>23}"
              f"{sum(map(bool, (row['false'] for row in these))):>6}{first[0]:>10}{first[1]:>8}"
              f"{three[0]:>5}{three[1]:>5}  {wrong}")  # fmt: skip
    return _ranked_in_all(rows)


def _in_three(rows: Iterable[Row], how: str) -> int:
    return sum(any(id_ in row["right"] for id_, _ in row[how]) for row in rows)


def _ranked_in_all(rows: Sequence[Row]) -> bool:
    with_fault = [row for row in rows if row["found"]]
    found = sum(all(row["found"]) for row in with_fault) / max(1, len(with_fault))
    kinds = Counter(kind for row in rows for kind in row["false"])
    false = ", ".join(f"{kind} {n}" for kind, n in kinds.most_common())
    print(f"{len({row['name'] for row in rows})} cases, {len(rows)} runs: found {found:.1%}, missed {1 - found:.1%}; "
          f"runs with a false fault {sum(bool(row['false']) for row in rows)}  {false}")  # fmt: skip
    good = found >= FOUND
    for how in ("log", "live"):
        first = sum(_first(row, how) in row["right"] for row in rows) / len(rows)
        three = _in_three(rows, how) / len(rows)
        print(f"  {how}: right cause first {first:.1%}, within three {three:.1%}")
        good = good and first >= FIRST and three >= THREE
    for row in [row for row in with_fault if not all(row["found"])][:SHOWN]:
        print(f"  missed: {row['name']} seed {row['seed']}: told {row['told']}")
    return good


def _pairs(rows: Sequence[Row]) -> bool:
    """No aim is set for them: they show how the chain does where two troubles cover each other."""
    both = sum(all(row["found"]) for row in rows)
    one = sum(any(row["found"]) for row in rows)
    print(f"\npairs: {len({row['name'] for row in rows})} pairs, {len(rows)} runs: both found {both / len(rows):.1%}, "
          f"one at least {one / len(rows):.1%}; "
          f"runs with a false fault {sum(bool(row['false']) for row in rows)}")  # fmt: skip
    for how in ("log", "live"):
        first = sum(_first(row, how) in row["right"] for row in rows)
        each = sum(set(row["right"]) & _named(row, how) != set() for row in rows)
        all_ = sum(_both_named(row, how) for row in rows)
        print(f"  {how}: a right cause first {first / len(rows):.1%}, one within three {each / len(rows):.1%}, "
              f"both within three {all_ / len(rows):.1%}")  # fmt: skip
    missed = Counter(row["pair"] for row in rows if not all(row["found"])).most_common(SHOWN)
    print("  one of them missed: " + (", ".join(f"{pair} {n}" for pair, n in missed) or "none"))
    return True


def _named(row: Row, how: str) -> set[str]:
    return {id_ for id_, _ in row[how]}


def _both_named(row: Row, how: str) -> bool:
    """A cause that is right for both counts for both."""
    return all(_named(row, how) & set(right) for right in row["each"])


def _sure(rows: Sequence[Row]) -> None:
    """Whether a cause said with a weight of 0.7 is right seven times of ten; where several are, one was drawn."""
    print("\nhow sure: share of causes that were right, by the weight with which they were said")
    print(f"{'weight':14}" + f"{'first named':>12}{'weight':>8}{'right':>8}{'any named':>12}{'weight':>8}{'right':>8}")
    for low, high in pairwise(BINS):
        cells = []
        for only_first in (True, False):
            said = [
                (weight, id_ == row["truth"])
                for row in rows
                for how in ("log", "live")
                for id_, weight in row[how][: 1 if only_first else None]
                if low <= weight < high
            ]
            means = [sum(each) / len(said) for each in zip(*said, strict=True)]
            cells += [f"{len(said):>12}", *(f"{mean:>8.0%}" for mean in means or ())] if said else [f"{0:>12}{'':16}"]
        print(f"{low:.2f} to {min(high, 1):.2f}  " + "".join(cells))


def _healthy(rows: Sequence[Row]) -> bool:
    no_go = [row for row in rows if row["no_go"]]
    kinds = Counter(kind for row in rows for kind in row["warned"])
    print(f"\nhealthy: {len(rows) * HALF_HOUR:.1f} hours, {len(no_go)} half hours with a false no-go; warnings: "
          + (", ".join(f"{kind} {n}" for kind, n in kinds.most_common()) or "none"))  # fmt: skip
    for row in no_go[:SHOWN]:
        print(f"  seed {row['seed']}: {row['no_go'][:3]}")
    return not no_go


def _effects(rows: Sequence[Row]) -> bool:
    print(f"\neffects: days with 12 faults that go with something\n{'effect':14}{'days':>6}{'found':>7}  also told")
    by_name: defaultdict[str, list[Row]] = defaultdict(list)
    for row in rows:
        by_name[row["name"]].append(row)
    for name, these in by_name.items():
        others = Counter(one for row in these for one in row["told"] if one != row["right"])
        print(f"{name:14}{len(these):>6}{sum(row['right'] in row['told'] for row in these):>7}  "
              + ", ".join(f"{one} {n}" for one, n in others.most_common()))  # fmt: skip
    found = sum(row["right"] in row["told"] for row in rows) / len(rows)
    print(f"found {found:.1%} of {len(rows)}")
    return found >= EFFECTS_FOUND


def _false_days(says: str) -> Callable[[Sequence[Row]], bool]:
    def table(rows: Sequence[Row]) -> bool:
        false = sum(bool(row["told"]) for row in rows)
        what = Counter(one for row in rows for one in row["told"])
        print(f"\n{len(rows)} days {says}: {false} with a false finding, {false / len(rows):.1%}  "
              + ", ".join(f"{one} {n}" for one, n in what.most_common()))  # fmt: skip
        return false <= FALSE_DAYS * len(rows)

    return table


def _even(rows: Sequence[Row]) -> bool:
    print(f"\neven: p over {len(rows)} days without effect, by Kolmogorov and Smirnov")
    good = True
    for circumstance in dict.fromkeys(one for row in rows for one in row["p"]):
        values = [row["p"][circumstance] for row in rows if circumstance in row["p"]]
        told = stats.kstest(values, "uniform")
        below = sum(value < 0.05 for value in values) / len(values)
        print(f"  {circumstance:12} {len(values):>5} values: D {told.statistic:.3f}, p {told.pvalue:.3f}; "
              f"below 0.05: {below:.1%}")  # fmt: skip
        good = good and told.pvalue > UNEVEN
    return good


def _cab(rows: Sequence[Row]) -> bool:
    print(f"\ncab: days from the bytes on\n{'plan':32}{'days':>6}{'faults':>8}{'told':>6}{'right':>7}  also, false")
    good = True
    by_name: defaultdict[str, list[Row]] = defaultdict(list)
    for row in rows:
        by_name[row["name"]].append(row)
    for name, these in by_name.items():
        found = sum(bool(set(row["right"]) & set(row["told"])) for row in these)
        also = Counter(one for row in these for one in row["told"] if one not in row["right"])
        false = Counter(kind for row in these for kind in row["false"])
        struck, heard = sum(row["spells"] for row in these), sum(row["heard"] for row in these)
        print(f"{name:32}{len(these):>6}{struck:>8}{heard:>6}{found:>7}  "
              + ", ".join(f"{one} {n}" for one, n in also.most_common())
              + "; " + ", ".join(f"{kind} {n}" for kind, n in false.most_common()))  # fmt: skip
        good = good and not false
    return good


TABLES: dict[str, Callable[[Sequence[Row]], bool]] = {
    "alone": _ranked,
    "spells": _ranked,
    "pairs": _pairs,
    "healthy": _healthy,
    "effects": _effects,
    "nothing": _false_days("without effect"),
    "spell": _false_days("whose faults come in one spell of hours, but for the time"),
    "even": _even,
    "cab": _cab,
}
