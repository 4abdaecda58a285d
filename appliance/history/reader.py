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

from appliance.history import blocks
from appliance.history.events import COUNTS, Events
from appliance.history.reading import INTEGER_LEAST, INTEGER_MOST, PAGE_ROWS, span
from appliance.history.rows import Cell, HistoryError, SecondRow, Watch
from appliance.history.schema import LINES, line_number
from appliance.history.steps import LAST_NS
from appliance.history.strip import STRIP_FAULTS, STRIP_SECONDS, STRIP_WATCHES, Strip
from appliance.history.summaries import MINUTE_NS, Summary, carried, gather, gather_way
from appliance.history.values import second as to_second
from appliance.history.values import watch as to_watch
from appliance.history.ways import Way
from appliance.sentence.chunk import Chunk

PAGE_BLOCKS = 64  # at most 4 MB of raw bytes, commonly 100 kB
DETAIL_NS = 1800 * 1_000_000_000  # a way as short as this is read by the second: 1,800 rows

_WATCH = f"""SELECT *, coalesce(ended_ns, ({LAST_NS.replace(":id", "seen.id")})) AS last_ns,
    (SELECT before_ns FROM gone WHERE watch = seen.id AND what = 'raw') AS raw_gone_ns,
    (SELECT before_ns FROM gone WHERE watch = seen.id AND what = 'seconds') AS seconds_gone_ns,
    (SELECT before_ns FROM gone WHERE watch = seen.id AND what = 'events') AS events_gone_ns
    FROM watch AS seen"""


class History(Events):
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
        values = {"watch": watch_id, "only": line and line_number(line), "page": PAGE_ROWS, **span(from_ns, to_ns)}
        last = {"second_ns": values["from_ns"] - 1, "line": len(LINES)}
        while page := self._rows(sql, {**values, **last}):
            yield from self._each(to_second, page)
            last = {"second_ns": page[-1]["second_ns"], "line": page[-1]["line"]}

    def strip(self, to_utc_ns: int, hours: float = 24, cells: int = 288) -> list[Cell]:
        """The last hours in equal cells, oldest first: worst state, faults, and losses of position or speed."""
        strip = Strip(to_utc_ns, hours, cells)
        for watch in self._each(to_watch, self._rows(f"{_WATCH} WHERE {STRIP_WATCHES}", strip.span())):
            values = strip.values(watch)
            if values is not None:
                strip.add_seconds(self._rows(STRIP_SECONDS, values))
                strip.add_faults(self._rows(STRIP_FAULTS, values))
                strip.add_losses(watch, self.losses(watch.id, values["zero"], values["end"]))
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
        values = {"watch": watch_id, **span(from_ns, to_ns)}
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


_SIZE_BYTES = """SELECT coalesce(sum(bytes), 0) AS n FROM block
WHERE watch = :watch AND line = :line AND end_ns >= :from_ns AND end_ns < :to_ns"""
_SIZE_ROWS = {
    "seconds": "SELECT count(*) AS n FROM second WHERE watch = :watch AND second_ns >= :from_ns AND second_ns < :to_ns",
    **COUNTS,
}
