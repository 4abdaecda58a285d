"""Seconds summed up: of each quantity how many seconds told it, its least, its most, and its sum, by any step of time.

Minutes are kept in tables of their own, so that a whole watch is drawn from some thousand rows. They are summed up by
the writer, in the transaction that writes the last second of a minute. What is not summed up yet (the minute under
way, or a watch of before there were summaries) is read from its seconds; both give the same.

Of a message, what is counted is how often it came in a second; a second in which it did not come does not tell it, and
counts as 0.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from typing import Any

from sqlite_utils import Database

from appliance.history import ways

S = 1_000_000_000
MINUTE_NS = 60 * S
PAGE_ROWS = 500
MINUTES_MOST = 30  # summed up in one transaction: some ms, and half an hour of an old watch

COLUMNS = {
    "verdict": ("verdict", 1),
    "sentences": ("sentences", 1),
    "damaged": ("damaged", 1),
    "load_ratio": ("load_permille", 1000),
    "quality": ("quality", 1),
    "satellites": ("satellites", 1),
    "hdop": ("hdop_hundredths", 100),
    "age_s": ("age_hundredths_s", 100),
    "speed_mps": ("speed_mmps", 1000),
    "jitter_s": ("jitter_us", 1_000_000),
}
"""quantity: (column of the table of seconds, how many of its units are one). All other names are of messages."""

_FIGURES = ", ".join(f"count({c}), min({c}), max({c}), total({c})" for c, _ in COLUMNS.values())
SECONDS = f"""SELECT line, (second_ns - :zero) / :step AS place, {_FIGURES} FROM second
WHERE watch = :watch AND second_ns >= :from AND second_ns < :to GROUP BY line, place"""
TALLIES = """SELECT line, (second_ns - :zero) / :step AS place, messages, count(*) FROM second
JOIN tally ON tally.id = second.tally
WHERE watch = :watch AND second_ns >= :from AND second_ns < :to GROUP BY line, place, tally"""
MINUTES = """SELECT line, (at_ns - :zero) / :step AS place, what, sum(seconds), min(least), max(most), total(total)
FROM minute WHERE watch = :watch AND line = :line AND at_ns >= :from AND at_ns < :to
AND (:only IS NULL OR what = :only) GROUP BY place, what"""
PLACES = """SELECT second_ns, latitude_e7_deg, longitude_e7_deg FROM second
WHERE watch = :watch AND line = :line AND second_ns >= :from AND second_ns < :to AND quality IS NOT 0
AND abs(latitude_e7_deg) <= 900000000 AND abs(longitude_e7_deg) <= 1800000000 ORDER BY second_ns"""
WAYS = "SELECT at_ns, packed FROM way WHERE watch = :watch AND at_ns >= :from AND at_ns < :to ORDER BY at_ns"
CARRIED = """SELECT EXISTS (SELECT 1 FROM minute
    WHERE watch = :watch AND line = :line AND what = 'sentences' AND most > 0)
OR EXISTS (SELECT 1 FROM second
    WHERE watch = :watch AND line = :line AND second_ns >= :from AND sentences > 0)"""
SUMMED = "SELECT before_ns FROM summed WHERE watch = :watch"

Read = Callable[[str, Mapping[str, object]], Iterable[tuple[Any, ...]]]


@dataclass(slots=True)
class Sum:
    """Of one quantity. seconds: how many told it."""

    seconds: int
    least: float
    most: float
    total: float

    def add(self, other: Sum) -> None:
        self.seconds += other.seconds
        self.least, self.most = min(self.least, other.least), max(self.most, other.most)
        self.total += other.total

    def scaled(self, what: str) -> Sum:
        """In the units that the name tells, from those of the tables."""
        units = COLUMNS[what][1] if what in COLUMNS else 1
        return Sum(self.seconds, self.least / units, self.most / units, self.total / units)


@dataclass(slots=True)
class Summary:
    """A span of one line in equal steps, from zero_ns. series: by quantity or message, its sums by step."""

    zero_ns: int
    step_ns: int
    series: dict[str, dict[int, Sum]] = field(default_factory=dict)

    def add(self, what: str, place: int, one: Sum) -> None:
        """One more piece of a step."""
        places = self.series.setdefault(what, {})
        if place in places:
            places[place].add(one)
        else:
            places[place] = one


Found = tuple[int, int, str, Sum]
"""Line, place, quantity, and its sum in the units of the tables."""


def from_seconds(read: Read, values: Mapping[str, object]) -> Iterator[Found]:
    """values: watch, from, to, zero and step; all lines."""
    for line, place, *figures in read(SECONDS, values):
        for number, what in enumerate(COLUMNS):
            seconds, least, most, total = figures[4 * number : 4 * number + 4]
            if seconds:
                yield line, place, what, Sum(seconds, least, most, total)
    counts: dict[tuple[int, int, str], Sum] = {}
    for line, place, messages, seconds in read(TALLIES, values):
        for message, count in json.loads(messages).items():
            one = Sum(seconds, count, count, seconds * count)
            if (key := (line, place, message)) in counts:
                counts[key].add(one)
            else:
                counts[key] = one
    for (line, place, message), one in counts.items():
        yield line, place, message, one


def from_minutes(read: Read, values: Mapping[str, object]) -> Iterator[Found]:
    """values: as of from_seconds, line and only; from, to, zero and step fall on minutes."""
    for line, place, what, *figures in read(MINUTES, values):
        yield line, place, what, Sum(*figures)


def gather(read: Read, asked: Mapping[str, int], step_ns: int, only: str | None = None) -> Summary:
    """asked: watch, line, and from and to in ns; only: one quantity. Steps of a minute and more are of whole ones."""
    grid_ns = MINUTE_NS if step_ns >= MINUTE_NS else step_ns
    step_ns -= step_ns % grid_ns
    zero_ns = asked["from"] - asked["from"] % grid_ns
    end_ns = zero_ns - (zero_ns - asked["to"]) // step_ns * step_ns
    summed_ns = _summed_ns(read, asked) if grid_ns == MINUTE_NS else zero_ns
    part_ns = max(zero_ns, min(end_ns, summed_ns))
    summary = Summary(zero_ns, step_ns)
    values = {**asked, "zero": zero_ns, "step": step_ns, "only": only}
    for found in (
        from_minutes(read, {**values, "from": zero_ns, "to": part_ns}),
        from_seconds(read, {**values, "from": part_ns, "to": end_ns}),
    ):
        for line, place, what, one in found:
            if line == asked["line"] and only in (None, what):
                summary.add(what, place, one.scaled(what))
    return summary


def gather_way(read: Read, asked: Mapping[str, int], thin_ns: int) -> ways.Way:
    """asked: watch, line, from and to. thin_ns: before it, what minutes keep will do, which is the receiver's alone."""
    from_ns, to_ns = asked["from"], asked["to"]
    thin_ns = min(thin_ns, _summed_ns(read, asked)) if asked["line"] == 0 else from_ns

    def parts() -> Iterator[list[Any]]:
        if thin_ns > from_ns:
            thin = {**asked, "from": from_ns - MINUTE_NS + 1, "to": min(thin_ns, to_ns)}
            for at_ns, packed in _paged(read, WAYS, thin):
                yield from ways.unpack(at_ns, packed)
        for place in _paged(read, PLACES, {**asked, "from": max(from_ns, thin_ns)}):
            yield [place]

    cut = ([place for place in run if from_ns <= place[0] < to_ns] for run in parts())
    return ways.Way(run for run in cut if run)


def _paged(read: Read, sql: str, values: Mapping[str, int]) -> Iterator[tuple[Any, ...]]:
    """Rows that begin with their time, and are in order of it, some hundred at a time."""
    while page := list(read(f"{sql} LIMIT {PAGE_ROWS}", values)):
        yield from page
        values = {**values, "from": page[-1][0] + 1}


def carried(read: Read, watch: int, line: int) -> bool:
    """Whether any sentence came on a line in a watch."""
    asked = {"watch": watch, "line": line, "from": _summed_ns(read, {"watch": watch})}
    return any(found for (found,) in read(CARRIED, asked))


def _summed_ns(read: Read, asked: Mapping[str, int]) -> int:
    """Up to when the minutes of a watch are summed up."""
    return next((int(before_ns) for (before_ns,) in read(SUMMED, {"watch": asked["watch"]})), 0)


def begin_again(db: Database, watch: int, second_ns: int) -> None:
    """A second that may have been summed up is written anew, and its minute must be too."""
    db.execute(
        "UPDATE summed SET before_ns = :at WHERE watch = :watch AND before_ns > :at",
        {"watch": watch, "at": second_ns - second_ns % MINUTE_NS},
    )


def sum_up(db: Database, watch: int, *, over: bool = False) -> bool:
    """Sums up minutes that have passed, MINUTES_MOST at most; whether more are left. over: the last one as well."""
    first, last = db.execute(
        "SELECT (SELECT min(second_ns) FROM second WHERE watch = :watch), max(second_ns) FROM second "
        "WHERE watch = :watch",
        {"watch": watch},
    ).fetchone()
    if first is None:
        return False
    summed = db.execute(SUMMED, {"watch": watch}).fetchone()
    from_ns = max(summed[0] if summed else 0, first - first % MINUTE_NS)
    end_ns = last - last % MINUTE_NS + (MINUTE_NS if over else 0)
    to_ns = min(end_ns, from_ns + MINUTES_MOST * MINUTE_NS)
    if to_ns <= from_ns:
        return False
    values: dict[str, int] = {"watch": watch, "from": from_ns, "to": to_ns, "zero": 0, "step": MINUTE_NS}
    for table in ("minute", "way"):
        db.execute(f"DELETE FROM {table} WHERE watch = :watch AND at_ns >= :from AND at_ns < :to", values)
    db.conn.executemany(
        "INSERT INTO minute VALUES (?, ?, ?, ?, ?, ?, ?, ?)",
        [
            (watch, line, place * MINUTE_NS, what, one.seconds, one.least, one.most, one.total)
            for line, place, what, one in from_seconds(
                lambda sql, given: db.conn.execute(sql, given).fetchall(), values
            )
        ],
    )
    _sum_up_way(db, watch, values)
    db.execute("INSERT OR REPLACE INTO summed VALUES (?, ?)", (watch, to_ns))
    return bool(to_ns < end_ns)


def behind(db: Database) -> list[int]:
    """The watches that have ended and are not summed up to their end, oldest first."""
    sql = f"""SELECT id FROM watch WHERE ended_ns IS NOT NULL AND (SELECT max(second_ns) FROM second WHERE watch = id)
        >= coalesce(({SUMMED.replace(":watch", "id")}), -1) ORDER BY id"""
    return [row[0] for row in db.execute(sql).fetchall()]


def _sum_up_way(db: Database, watch: int, values: dict[str, int]) -> None:
    minutes: dict[int, list[ways.Place]] = {}
    for place in db.execute(PLACES, {**values, "line": 0}).fetchall():
        minutes.setdefault(place[0] - place[0] % MINUTE_NS, []).append(place)
    for minute_ns, places in minutes.items():
        db.execute("INSERT INTO way VALUES (?, ?, ?)", (watch, minute_ns, ways.pack(minute_ns, places)))
