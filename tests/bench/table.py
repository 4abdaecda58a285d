"""The table of speed: judging recordings, the live box and how soon it tells, and what history costs.

    python tests/bench/table.py [--store FILE] [--hours H,H,H] [chain] [live] [history] [growth]

Each figure stands beside its rival of the same run, or beside its goal. It takes some ten minutes; --hours 1,24,720
asks for growth up to a month, which takes hours. On a machine that does other work besides, times of the wall grow with
it, and CPU times a little: compare ratios.
"""

from __future__ import annotations

import argparse
import json
import os
import platform
import sys
import time
from collections.abc import Callable, Iterable, Iterator
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from tests.bench import speed_chain, speed_history, speed_live
    from tests.bench.speed_row import Row
else:  # as a script it finds its neighbours only
    import speed_chain
    import speed_history
    import speed_live
    from speed_row import Row

PARTS: dict[str, Callable[[], Iterable[Row]]] = {
    "chain": speed_chain.rows,
    "live": speed_live.rows,
    "history": speed_history.rows,
}


def markdown(rows: Iterable[Row]) -> Iterator[str]:
    """The rows as a table."""
    yield "| what | figure | beside it | goal |"
    yield "|---|---|---|---|"
    for row in rows:
        yield "| " + " | ".join(row.cells()) + " |"


def main(asked: argparse.Namespace) -> int:
    began = time.time()
    found: dict[str, object] = {
        "machine": f"{os.cpu_count()} x {platform.machine()}, Python {platform.python_version()}",
        "load_before": os.getloadavg(),
    }
    missed = 0
    for name in asked.parts or [*PARTS, "growth"]:
        print(f"\n{name}\n", flush=True)
        if name == "growth":
            lengths = [float(hours) for hours in asked.hours.split(",")]
            figures = [*speed_history.growth(lengths), *speed_chain.growth(lengths)]
            found[name] = [asdict(one) for one in figures]
            print("\n".join(row for one in figures for row in one.plot()), flush=True)
            continue
        rows = list(PARTS[name]())
        found[name] = [row.cells() for row in rows]
        missed += sum(row.kept is False for row in rows)
        print("\n".join(markdown(rows)), flush=True)
    found["took_s"], found["load_after"] = round(time.time() - began), os.getloadavg()
    if asked.store is not None:
        asked.store.write_text(json.dumps(found, indent=1) + "\n")
    print(f"\n{found['machine']}; {missed} goals missed; {found['took_s']} s")
    return 0


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--store", type=Path, default=Path("speed.json"), help="where to keep it (speed.json)")
    parser.add_argument("--hours", default="0.1,1,10", help="lengths of recordings, in hours (0.1,1,10)")
    parser.add_argument("parts", nargs="*", choices=[[], *PARTS, "growth"], help="all, unless some are named")
    sys.exit(main(parser.parse_args()))
