"""Reads history beside the writer: many short reads, none of which stays open.

The write-ahead log can only shrink while no reader is in the middle of a read. So whatever is long is fetched in
pages, each by the key where the last one ended, and between two pages nothing is held; a download that a phone
takes an hour over costs the writer nothing.

Spans are from from_ns up to but not at to_ns, so that spans side by side share nothing; None leaves a side open.

A block of raw bytes that is spoilt is left out and told of in `troubles` and in the program's log: the rest of a
day is worth more than the refusal of the whole.
"""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime
from typing import Any

from appliance.history import blocks, loss_steps
from appliance.history.job import FIELDS, Job, StoredJob
from appliance.history.loss_steps import LossSteps
from appliance.history.reading import Reading
from appliance.history.rows import (
    BoxRow,
    Cell,
    Clip,
    HistoryError,
    LossRow,
    MarkRow,
    SecondRow,
    StoredFault,
    TuningRow,
    Watch,
)
from appliance.history.schema import LINES, line_number
from appliance.history.steps import LAST_NS
from appliance.history.strip import STRIP_FAULTS, STRIP_LOSSES, STRIP_SECONDS, STRIP_WATCHES, Strip
from appliance.history.summaries import MINUTE_NS, Summary, carried, gather, gather_way
from appliance.history.values import box as to_box
from appliance.history.values import second as to_second
from appliance.history.values import watch as to_watch
from appliance.history.ways import Way
from appliance.sentence.chunk import Chunk
from appliance.sentence.setting import Setting

PAGE_BLOCKS = 64  # at most 4 MB of raw bytes, commonly 100 kB
PAGE_ROWS = 1000
DETAIL_NS = 1800 * 1_000_000_000  # a way as short as this is read by the second: 1,800 rows
INTEGER_LEAST, INTEGER_MOST = -(2**62), 2**62  # wider than any time of a watch

_WATCH = f"""SELECT *, coalesce(ended_ns, ({LAST_NS.replace(":id", "seen.id")})) AS last_ns,
    (SELECT before_ns FROM gone WHERE watch = seen.id AND what = 'raw') AS raw_gone_ns,
    (SELECT before_ns FROM gone WHERE watch = seen.id AND what = 'seconds') AS seconds_gone_ns,
    (SELECT before_ns FROM gone WHERE watch = seen.id AND what = 'events') AS events_gone_ns
    FROM watch AS seen"""

_FAULT = """SELECT id, watch, kind, line, message, start_ns, end_ns, says, measured, needed, unit FROM fault"""
_OLDER = "(watch, start_ns, id) < (SELECT watch, start_ns, id FROM fault WHERE id = :before)"


class History(Reading):
    """What history holds. Open one for each task and close it, rather than keep one for ever."""

    def watches(self, limit: int | None = None, before: int | None = None) -> list[Watch]:
        """Watches, newest first; at most `limit`, and only those older than the watch `before`."""
        sql = f"{_WATCH} WHERE :before IS NULL OR id < :before ORDER BY id DESC LIMIT :limit"
        return self._each(to_watch, self._rows(sql, {"before": before, "limit": -1 if limit is None else limit}))

    def watch(self, watch_id: int) -> Watch:
        """One watch. HistoryError if there is none of that number."""
        for watch in self._each(to_watch, self._rows(f"{_WATCH} WHERE id = :id", {"id": watch_id})):
            return watch
        raise HistoryError(f"There is no watch {watch_id} in the history {self.path}.")

    def latest(self) -> Watch | None:
        """The newest watch, or None in an empty history."""
        for watch in self._each(to_watch, self._rows(f"{_WATCH} ORDER BY id DESC LIMIT 1", {})):
            return watch
        return None

    def chunks(self, watch_id: int, line: str, from_ns: int | None = None, to_ns: int | None = None) -> Iterator[Chunk]:
        """The raw bytes of a line in the order received, cut to the span by byte time.

        Where some of the span was dropped to make room or erased, troubles tells up to when.
        """
        self._tell_gone(watch_id, from_ns)
        sql = """SELECT id, end_ns, packed FROM block WHERE watch = :watch AND line = :line
            AND (end_ns, id) > (:end_ns, :id) ORDER BY end_ns, id LIMIT :page"""
        values = {"watch": watch_id, "line": line_number(line), "page": PAGE_BLOCKS}
        last = {"end_ns": INTEGER_LEAST if from_ns is None else from_ns - 1, "id": INTEGER_MOST}
        while page := self._rows(sql, {**values, **last}):
            for row in page:
                chunks = self._decode(row["packed"], f"Block {row['id']} of {line}")
                yield from filter(None, (blocks.cut(chunk, from_ns, to_ns) for chunk in chunks))
                if to_ns is not None and chunks and chunks[0].start_ns >= to_ns:
                    return
            last = {"end_ns": page[-1]["end_ns"], "id": page[-1]["id"]}

    def seconds(
        self, watch_id: int, line: str | None = None, from_ns: int | None = None, to_ns: int | None = None
    ) -> Iterator[SecondRow]:
        """The measures of each second that starts in the span, oldest first; of both lines where line is None."""
        sql = f"""SELECT second.*, tally.messages FROM second JOIN tally ON tally.id = second.tally
            WHERE watch = :watch AND (second_ns, line) > (:second_ns, :line) AND second_ns < :to_ns
            {"" if line is None else "AND line = :only"} ORDER BY second_ns, line LIMIT :page"""
        values = {"watch": watch_id, "only": line and line_number(line), "page": PAGE_ROWS, **_span(from_ns, to_ns)}
        last = {"second_ns": values["from_ns"] - 1, "line": len(LINES)}
        while page := self._rows(sql, {**values, **last}):
            yield from self._each(to_second, page)
            last = {"second_ns": page[-1]["second_ns"], "line": page[-1]["line"]}

    def faults(
        self, watch_id: int | None = None, limit: int | None = None, before: int | None = None
    ) -> list[StoredFault]:
        """Faults of a watch, or of all, newest first, without evidence; at most `limit`, and only those older than the
        fault `before`."""
        asked = [("watch = :watch", watch_id), (_OLDER, before)]
        where = " AND ".join(sql for sql, value in asked if value is not None) or "true"
        sql = f"{_FAULT} WHERE {where} ORDER BY watch DESC, start_ns DESC, id DESC LIMIT :limit"
        rows = self._rows(sql, {"watch": watch_id, "before": before, "limit": -1 if limit is None else limit})
        return self._each(lambda row: StoredFault(**row), rows)

    def fault_count(self, watch_id: int) -> int:
        """How many faults a watch has."""
        return int(self._rows("SELECT count(*) AS n FROM fault WHERE watch = :watch", {"watch": watch_id})[0]["n"])

    def faults_in_order(
        self, watch_id: int, line: str | None = None, from_ns: int | None = None, to_ns: int | None = None
    ) -> Iterator[StoredFault]:
        """Faults of a watch that were on at any time of the span, oldest first, without evidence."""
        sql = f"""{_FAULT} WHERE {_ON} AND (start_ns, id) > (:start_ns, :id) AND (:only IS NULL OR line = :only)
            ORDER BY start_ns, id LIMIT :page"""
        values = {"watch": watch_id, "only": line, "page": PAGE_ROWS, **_span(from_ns, to_ns)}
        last = {"start_ns": INTEGER_LEAST, "id": INTEGER_LEAST}
        while page := self._rows(sql, {**values, **last}):
            yield from self._each(lambda row: StoredFault(**row), page)
            last = {"start_ns": page[-1]["start_ns"], "id": page[-1]["id"]}

    def newest_faults(self, watch_id: int, from_ns: int, to_ns: int, most: int) -> tuple[list[StoredFault], int]:
        """The same, but only the newest of them, oldest first; and how many are older."""
        values = {"watch": watch_id, "most": most, **_span(from_ns, to_ns)}
        rows = self._rows(f"{_FAULT} WHERE {_ON} ORDER BY start_ns DESC, id DESC LIMIT :most", values)
        count = self._rows(_SIZE_ROWS["faults"], values)[0]["n"]
        return self._each(lambda row: StoredFault(**row), rows[::-1]), count - len(rows)

    def fault(self, fault_id: int) -> StoredFault:
        """One fault with its evidence. HistoryError if there is none of that number."""
        for row in self._rows(f"{_FAULT} WHERE id = :id", {"id": fault_id}):
            return StoredFault(**row, evidence=self._evidence(fault_id))
        raise HistoryError(f"There is no fault {fault_id} in the history {self.path}.")

    def beside(self, fault: StoredFault) -> tuple[StoredFault | None, StoredFault | None]:
        """The faults of its watch that began before and after it, without evidence; None at an end."""
        values = {"watch": fault.watch, "start_ns": fault.start_ns, "id": fault.id}
        found = []
        for than, order in (("<", "DESC"), (">", "ASC")):
            sql = f"""{_FAULT} WHERE watch = :watch AND (start_ns, id) {than} (:start_ns, :id)
                ORDER BY start_ns {order}, id {order} LIMIT 1"""
            rows = self._rows(sql, values)
            found.append(StoredFault(**rows[0]) if rows else None)
        return found[0], found[1]

    def marks(self, watch_id: int, from_ns: int | None = None, to_ns: int | None = None) -> list[MarkRow]:
        """The marks of a watch within the span, oldest first."""
        sql = """SELECT at_ns, source, note FROM mark
            WHERE watch = :watch AND at_ns >= :from_ns AND at_ns < :to_ns ORDER BY at_ns, id"""
        return self._each(lambda row: MarkRow(**row), self._rows(sql, {"watch": watch_id, **_span(from_ns, to_ns)}))

    def boxes(self, watch_id: int, from_ns: int | None = None, to_ns: int | None = None) -> list[BoxRow]:
        """How the box itself was, oldest first; the first row may be older than the span, since it holds in it."""
        sql = """SELECT at_ns, temperature_c, supply_low FROM box WHERE watch = :watch AND at_ns < :to_ns AND at_ns >=
            coalesce((SELECT max(at_ns) FROM box WHERE watch = :watch AND at_ns <= :from_ns), :from_ns)
            ORDER BY at_ns"""
        return self._each(to_box, self._rows(sql, {"watch": watch_id, **_span(from_ns, to_ns)}))

    def box_marks(self, limit: int) -> list[tuple[int, MarkRow]]:
        """The newest marks of the box itself in all watches, newest first, each with the number of its watch."""
        sql = """SELECT watch, at_ns, source, note FROM mark WHERE source = 'box'
            ORDER BY watch DESC, at_ns DESC, id DESC LIMIT :limit"""
        return self._each(lambda row: (row.pop("watch"), MarkRow(**row)), self._rows(sql, {"limit": limit}))

    def job(self, watch_id: int) -> StoredJob | None:
        """The job of a watch as it was last given; None where it has none."""
        return next(iter(self._jobs("WHERE watch = :watch ORDER BY id DESC LIMIT 1", watch_id)), None)

    def job_before(self, watch_id: int) -> StoredJob | None:
        """The job of the newest watch before this one that has one; None where none has."""
        return next(iter(self._jobs("WHERE watch < :watch ORDER BY watch DESC, id DESC LIMIT 1", watch_id)), None)

    def _jobs(self, where: str, watch_id: int) -> list[StoredJob]:
        rows = self._rows(f"SELECT * FROM job {where}", {"watch": watch_id})
        return [
            StoredJob(row["watch"], row["changed_utc_ns"], Job(**{field.name: row[field.name] for field in FIELDS}))
            for row in rows
        ]

    def tunings(self, watch_id: int, line: str) -> list[TuningRow]:
        """How the port of a line listened, oldest first."""
        sql = "SELECT at_ns, baud, format FROM tuning WHERE watch = :watch AND line = :line ORDER BY at_ns, id"
        rows = self._rows(sql, {"watch": watch_id, "line": line_number(line)})
        return self._each(lambda row: TuningRow(line, row["at_ns"], Setting.parse(row["baud"], row["format"])), rows)

    def losses(self, watch_id: int, from_ns: int | None = None, to_ns: int | None = None) -> list[LossRow]:
        """When the controller would have been without position or speed at any time of the span, oldest first."""
        values = {"watch": watch_id, **_span(from_ns, to_ns)}
        return self._each(lambda row: LossRow(**row), self._rows(_LOSSES, values))

    def loss_steps(self, watch: Watch, from_ns: int, to_ns: int, zero_ns: int, step_ns: int) -> LossSteps:
        """The same by steps of step_ns from zero_ns, however many there are."""
        values = {"watch": watch.id, "last_ns": watch.last_ns, "zero_ns": zero_ns, "step_ns": step_ns}
        return loss_steps.gather(self._rows, values | _span(from_ns, to_ns))

    def strip(self, to_utc_ns: int, hours: float = 24, cells: int = 288) -> list[Cell]:
        """The last hours in equal cells, oldest first: worst state, faults, and losses of position or speed."""
        strip = Strip(to_utc_ns, hours, cells)
        for watch in self._each(to_watch, self._rows(f"{_WATCH} WHERE {STRIP_WATCHES}", strip.span())):
            values = strip.values(watch)
            if values is not None:
                strip.add_seconds(self._rows(STRIP_SECONDS, values))
                strip.add_faults(self._rows(STRIP_FAULTS, values))
                strip.add_losses(watch, self._rows(STRIP_LOSSES, values))
        return strip.cells()

    def summary(
        self, watch_id: int, line: str, from_ns: int, to_ns: int, step_ns: int, *, only: str | None = None
    ) -> Summary:
        """Each quantity of a line, or only one, by steps of step_ns, in the units of the names.

        The first step is that in which from_ns lies. From a minute upwards, whole minutes make up a step. Where seconds
        were dropped, a step is a minute at least.
        """
        gone_ns = self.watch(watch_id).seconds_gone_ns
        if gone_ns is not None and from_ns < gone_ns:
            step_ns = max(step_ns, MINUTE_NS)
        values = {"watch": watch_id, "line": line_number(line), "from": from_ns, "to": to_ns}
        return gather(self._tuples, values, step_ns, only)

    def lines(self, watch_id: int) -> list[str]:
        """The lines of a watch on which sentences came."""
        return [line for number, line in enumerate(LINES) if carried(self._tuples, watch_id, number)]

    def way(self, watch_id: int, from_ns: int, to_ns: int, line: str = LINES[0]) -> Way:
        """Where the machine was: of each second where the span is short, else thinned out."""
        gone_ns = self.watch(watch_id).seconds_gone_ns or from_ns
        values = {"watch": watch_id, "line": line_number(line), "from": from_ns, "to": to_ns}
        return gather_way(self._tuples, values, gone_ns if to_ns - from_ns <= DETAIL_NS else to_ns)

    def sizes(self, watch_id: int, from_ns: int | None = None, to_ns: int | None = None) -> dict[str, int]:
        """How much there is to take: raw bytes by line name and as "bytes", rows of "seconds", "faults",
        "losses", "marks".

        Bytes at the edges of the span count by whole blocks, which are a few seconds long.
        """
        values = {"watch": watch_id, **_span(from_ns, to_ns)}
        raw = ((line, {**values, "line": number}) for number, line in enumerate(LINES))
        sizes = {line: self._rows(_SIZE_BYTES, asked)[0]["n"] for line, asked in raw}
        sizes["bytes"] = sum(sizes.values())
        for name, sql in _SIZE_ROWS.items():
            sizes[name] = self._rows(sql, values)[0]["n"]
        return sizes

    def _tell_gone(self, watch_id: int, from_ns: int | None) -> None:
        rows = self._rows(f"{_WATCH} WHERE id = :id", {"id": watch_id})
        gone_ns = rows[0]["raw_gone_ns"] if rows else None
        if gone_ns is None or (from_ns is not None and from_ns >= gone_ns):
            return
        until = datetime.fromtimestamp(to_watch(rows[0]).utc_ns(gone_ns) / 1e9, UTC)
        says = f"The raw bytes of watch {watch_id} of before {until:%Y-%m-%d %H:%M:%S} UTC were dropped or erased."
        if says not in self.troubles:  # nothing is wrong with the file
            self.troubles.append(says)

    def _evidence(self, fault_id: int) -> tuple[Clip, ...]:
        """Clips as they were kept; the pieces of a long one are put together again."""
        kept: dict[tuple[Any, str], list[Chunk]] = {}
        for row in self._rows("SELECT * FROM clip WHERE fault = :id ORDER BY id", {"id": fault_id}):
            chunks = kept.setdefault((row["label"], row["line"]), [])
            if row["packed"] is not None:
                chunks += self._decode(row["packed"], f"A clip of fault {fault_id}")
        return tuple(Clip(label, line, tuple(chunks)) for (label, line), chunks in kept.items())

    def _decode(self, packed: bytes, what: str) -> list[Chunk]:
        try:
            return blocks.decode(packed)
        except (HistoryError, TypeError) as error:
            self._tell(f"{what} is spoilt and was left out: {error}.")
            return []


_ON = "watch = :watch AND start_ns < :to_ns AND (end_ns IS NULL OR end_ns >= :from_ns)"
_LOSSES = f"SELECT what, start_ns, end_ns FROM loss WHERE {_ON} ORDER BY start_ns, id"

_SIZE_BYTES = """SELECT coalesce(sum(bytes), 0) AS n FROM block
WHERE watch = :watch AND line = :line AND end_ns >= :from_ns AND end_ns < :to_ns"""
_SIZE_ROWS = {
    "seconds": "SELECT count(*) AS n FROM second WHERE watch = :watch AND second_ns >= :from_ns AND second_ns < :to_ns",
    "faults": f"SELECT count(*) AS n FROM fault WHERE {_ON}",
    "losses": f"SELECT count(*) AS n FROM loss WHERE {_ON}",
    "marks": "SELECT count(*) AS n FROM mark WHERE watch = :watch AND at_ns >= :from_ns AND at_ns < :to_ns",
}


def _span(from_ns: int | None, to_ns: int | None) -> dict[str, Any]:
    return {
        "from_ns": INTEGER_LEAST if from_ns is None else from_ns,
        "to_ns": INTEGER_MOST if to_ns is None else to_ns,
    }
