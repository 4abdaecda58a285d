"""The job of a watch: kept with its time, the newest holds, gone with its watch, and hostile text is only text."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import asdict
from pathlib import Path

import pytest

from appliance.history import entries
from appliance.history.job import FIELDS, Job, JobError, StoredJob, clean, from_given
from appliance.history.reader import History
from appliance.history.rows import HistoryError, WatchStart
from appliance.history.writer import HistoryWriter

JOB = Job("Tractor Ω-3", 'Spreader "8"', "H-12, H-13", "WO'; DROP TABLE job; --", "Ада", "<b>first</b>\nthen")
NS = 1_000_000_000


def test_a_job_outlives_a_restart_and_another_watch_has_none(path: Path, start: WatchStart) -> None:
    with HistoryWriter(path) as writer:
        watch = writer.begin_watch(start)
        writer.give_job(None, JOB, 7 * NS)
    with HistoryWriter(path) as writer:
        later = writer.begin_watch(start)
        with History(path) as history:
            assert history.job(watch) == StoredJob(watch, 7 * NS, JOB)
            assert history.job(later) is None
            assert history.job_before(later) == history.job(watch)
            assert history.job_before(watch) is None
        writer.give_job(watch, Job("another"), 8 * NS)  # a past one
    with History(path) as history:
        assert history.job(watch) == StoredJob(watch, 8 * NS, Job("another"))


def test_a_watch_that_is_not_there_has_no_job(path: Path, writer: HistoryWriter, start: WatchStart) -> None:
    with pytest.raises(HistoryError, match="There is no watch 5"):
        writer.give_job(5, JOB, 0)
    with pytest.raises(HistoryError):
        writer.give_job(None, JOB, 0)
    watch = writer.begin_watch(start)
    with History(path) as history:
        assert history.job(watch) is None


def test_erasing_takes_the_job_along(path: Path, start: WatchStart) -> None:
    traces = [value.encode() for value in asdict(JOB).values()]
    with HistoryWriter(path) as writer:
        first = writer.begin_watch(start)
        writer.give_job(first, JOB, 7 * NS)
        current = writer.begin_watch(start)
        writer.give_job(current, JOB, 7 * NS)
        for watch in (first, current):  # of the one under way as well, though it goes on
            writer.erase(watch)
        with History(path) as history:
            assert history.job(current) is None
        held = b"".join(file.read_bytes() for file in path.parent.glob(path.name + "*"))
        assert [trace for trace in traces if trace in held] == []


def test_changes_are_kept_up_to_a_bound(path: Path, writer: HistoryWriter, start: WatchStart) -> None:
    watch = writer.begin_watch(start)
    for n in range(entries.JOBS_MOST + 20):
        writer.give_job(watch, Job(notes=str(n)), n)
    with History(path) as history:
        found = history.job(watch)
        assert found is not None
        assert found.job.notes == str(entries.JOBS_MOST + 19)
        assert len(history._jobs("WHERE watch = :watch", watch)) == entries.JOBS_MOST


def test_what_was_typed_is_put_in_order() -> None:
    job = from_given({"machine": "  Tractor\t 3\r\n", "notes": "one\r\n\r\n two \x00\x07 three\n", "strange": "x"})
    assert job == Job(machine="Tractor 3", notes="one\n\ntwo three")
    assert clean("a\u202eb\ud800c\u0000d\ue000") == "abc d"  # turned writing, half a pair, NUL, nobody's character
    assert clean("Grüße Ελλάδα 農場 🚜") == "Grüße Ελλάδα 農場 🚜"


@pytest.mark.parametrize("field", FIELDS, ids=lambda field: field.name)
def test_each_field_is_bounded_and_told_at_its_name(field: object) -> None:
    name, most = field.name, field.most  # type: ignore[attr-defined]
    assert getattr(from_given({name: "ü" * most}), name) == "ü" * most
    with pytest.raises(JobError) as raised:
        from_given({name: "ü" * (most + 1), "machine" if name != "machine" else "notes": 3})
    assert f"shorten it to {most} characters; it has {most + 1}" in raised.value.problems[name]
    assert len(raised.value.problems) == 2


def test_a_job_and_its_history_are_one_table(
    path: Path, writer: HistoryWriter, start: WatchStart, second: Callable[..., object]
) -> None:
    assert [field.name for field in FIELDS] == list(asdict(Job()))
