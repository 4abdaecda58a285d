"""Reads what happened in a watch: its faults with their evidence, losses, marks, retunings, how the box was, its job.

As all of reading: what is long comes in pages, and of a span is told what was on at any time of it.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from appliance.history import loss_steps
from appliance.history.job import FIELDS, Job, StoredJob
from appliance.history.loss_steps import LossSteps
from appliance.history.reading import INTEGER_LEAST, PAGE_ROWS, Reading, span
from appliance.history.rows import (
    BoxRow,
    Clip,
    HistoryError,
    LossRow,
    MarkRow,
    StoredFault,
    TuningRow,
    Watch,
)
from appliance.history.schema import line_number
from appliance.history.values import box as to_box
from appliance.sentence.chunk import Chunk
from appliance.sentence.setting import Setting

ON = "watch = :watch AND start_ns < :to_ns AND (end_ns IS NULL OR end_ns >= :from_ns)"
COUNTS = {
    "faults": f"SELECT count(*) AS n FROM fault WHERE {ON}",
    "losses": f"SELECT count(*) AS n FROM loss WHERE {ON}",
    "marks": "SELECT count(*) AS n FROM mark WHERE watch = :watch AND at_ns >= :from_ns AND at_ns < :to_ns",
}
"""How many of each there are in a span."""

_FAULT = """SELECT id, watch, kind, line, message, start_ns, end_ns, says, measured, needed, unit FROM fault"""
_TUNING = "SELECT at_ns, baud, format FROM tuning WHERE watch = :watch AND line = :line"
_OLDER = "(watch, start_ns, id) < (SELECT watch, start_ns, id FROM fault WHERE id = :before)"


class Events(Reading):
    """The part of History that tells what happened."""

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
        sql = f"""{_FAULT} WHERE {ON} AND (start_ns, id) > (:start_ns, :id) AND (:only IS NULL OR line = :only)
            ORDER BY start_ns, id LIMIT :page"""
        values = {"watch": watch_id, "only": line, "page": PAGE_ROWS, **span(from_ns, to_ns)}
        last = {"start_ns": INTEGER_LEAST, "id": INTEGER_LEAST}
        while page := self._rows(sql, {**values, **last}):
            yield from self._each(lambda row: StoredFault(**row), page)
            last = {"start_ns": page[-1]["start_ns"], "id": page[-1]["id"]}

    def newest_faults(self, watch_id: int, from_ns: int, to_ns: int, most: int) -> tuple[list[StoredFault], int]:
        """The same, but only the newest of them, oldest first; and how many are older."""
        values = {"watch": watch_id, "most": most, **span(from_ns, to_ns)}
        rows = self._rows(f"{_FAULT} WHERE {ON} ORDER BY start_ns DESC, id DESC LIMIT :most", values)
        count = self._rows(COUNTS["faults"], values)[0]["n"]
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
        return self._each(lambda row: MarkRow(**row), self._rows(sql, {"watch": watch_id, **span(from_ns, to_ns)}))

    def boxes(self, watch_id: int, from_ns: int | None = None, to_ns: int | None = None) -> list[BoxRow]:
        """How the box itself was, oldest first; the first row may be older than the span, since it holds in it."""
        sql = """SELECT at_ns, temperature_c, supply_low FROM box WHERE watch = :watch AND at_ns < :to_ns AND at_ns >=
            coalesce((SELECT max(at_ns) FROM box WHERE watch = :watch AND at_ns <= :from_ns), :from_ns)
            ORDER BY at_ns"""
        return self._each(to_box, self._rows(sql, {"watch": watch_id, **span(from_ns, to_ns)}))

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
        return self._tunings(f"{_TUNING} ORDER BY at_ns, id", line, {"watch": watch_id})

    def tuning(self, watch_id: int, line: str, before_ns: int) -> TuningRow | None:
        """How the port of a line listened just before a time; None where it was left as set."""
        sql = f"{_TUNING} AND at_ns < :before_ns ORDER BY at_ns DESC, id DESC LIMIT 1"
        return next(iter(self._tunings(sql, line, {"watch": watch_id, "before_ns": before_ns})), None)

    def _tunings(self, sql: str, line: str, values: dict[str, int]) -> list[TuningRow]:
        rows = self._rows(sql, values | {"line": line_number(line)})
        return self._each(lambda row: TuningRow(line, row["at_ns"], Setting.parse(row["baud"], row["format"])), rows)

    def losses(self, watch_id: int, from_ns: int | None = None, to_ns: int | None = None) -> Iterator[LossRow]:
        """When the controller would have been without position or speed at any time of the span, oldest first."""
        sql = f"""SELECT id, what, start_ns, end_ns FROM loss WHERE {ON} AND (start_ns, id) > (:after_ns, :id)
            ORDER BY start_ns, id LIMIT :page"""
        values = {"watch": watch_id, "page": PAGE_ROWS, **span(from_ns, to_ns)}
        last = {"after_ns": INTEGER_LEAST, "id": INTEGER_LEAST}
        while page := self._rows(sql, {**values, **last}):
            last = {"after_ns": page[-1]["start_ns"], "id": page[-1]["id"]}
            yield from self._each(_loss, page)

    def loss_steps(self, watch: Watch, from_ns: int, to_ns: int, zero_ns: int, step_ns: int) -> LossSteps:
        """The same by steps of step_ns from zero_ns, however many there are."""
        values = {"watch": watch.id, "last_ns": watch.last_ns, "zero_ns": zero_ns, "step_ns": step_ns}
        return loss_steps.gather(self._rows, values | span(from_ns, to_ns))

    def _evidence(self, fault_id: int) -> tuple[Clip, ...]:
        """Clips as they were kept; the pieces of a long one are put together again."""
        kept: dict[tuple[Any, str], list[Chunk]] = {}
        for row in self._rows("SELECT * FROM clip WHERE fault = :id ORDER BY id", {"id": fault_id}):
            chunks = kept.setdefault((row["label"], row["line"]), [])
            if row["packed"] is not None:
                chunks += self._decode(row["packed"], f"A clip of fault {fault_id}")
        return tuple(Clip(label, line, tuple(chunks)) for (label, line), chunks in kept.items())


def _loss(row: dict[str, Any]) -> LossRow:
    return LossRow(row["what"], row["start_ns"], row["end_ns"])
