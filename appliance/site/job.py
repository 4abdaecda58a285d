"""The pages of the job: what is fitted to what, the commissioning sheet, and two watches compared."""

from __future__ import annotations

import threading
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from flask import Flask, Response, abort, redirect, render_template, request
from werkzeug.wrappers import Response as AnyResponse

from appliance.asking import AskError, ask
from appliance.compared import compared
from appliance.history.job import FIELDS, Job, JobError, clean, from_given
from appliance.history.reader import History
from appliance.history.rows import HistoryError, Watch
from appliance.judge.sheet import SheetError
from appliance.site.letting_in import changes
from appliance.site.spans import field_times, watch_words
from appliance.site.which_watch import number, of, offered
from appliance.site.words import from_ns
from appliance.take.name import file_name
from appliance.take.sheet import CAUTIONS, INKS, PDF, Report, TooShort, build
from appliance.take.span import Span, SpanError, between

SHEETS_MOST = 1
"""Sheets at once: one reads all the seconds and bytes of a watch. Our choice."""


def install(app: Flask, history_path: Path, command_socket: Path) -> None:
    """Adds the pages to app."""
    _job(app, history_path, command_socket)
    _sheet(app, history_path)
    _compare(app, history_path)


def _job(app: Flask, history_path: Path, command_socket: Path) -> None:
    def page(watch_id: int | None, typed: dict[str, str] | None = None, **said: Any) -> str:
        """typed: what stands in the form; None: the job as it is, or the last one before to begin with."""
        with History(history_path) as history:
            watch = history.latest() if watch_id is None else of(history, watch_id)
            watches = offered(history, watch)
            stored = history.job(watch.id) if watch else None
            earlier = history.job_before(watch.id) if watch and not stored else None
        source = stored or earlier
        shown = source.job if source else Job(machine=watch.machine if watch else "")
        return render_template(
            "job.html",
            watches=watches,
            watch=watch,
            watch_words=watch_words,
            job=stored.job if stored else None,
            given=from_ns(stored.changed_utc_ns) if stored else None,
            earlier=earlier,
            fields=FIELDS,
            typed=typed or {field.name: getattr(shown, field.name) for field in FIELDS},
            times=field_times(watch) if watch else (),
            asked=request.args,
            **said,
        )

    @app.get("/job")
    def job() -> str:
        return page(number("watch"), says="The job is kept." if request.args.get("said") == "kept" else "")

    @app.post("/job")
    @changes
    def give() -> AnyResponse | tuple[str, int]:
        watch_id = request.form.get("watch", type=int)
        typed = {
            field.name: clean(request.form.get(field.name, ""), many_rows=field.rows > 1)[: 4 * field.most]
            for field in FIELDS
        }
        if watch_id is None:
            abort(400, "Choose the watch that the job is given to.")
        try:
            from_given(typed)
            ask(command_socket, {"do": "job", "watch": watch_id, "job": typed})
        except JobError as wrong:
            return page(watch_id, typed, problems=wrong.problems), 400
        except AskError as trouble:
            return page(watch_id, typed, trouble=str(trouble)), 503
        return redirect(f"/job?watch={watch_id}&said=kept", 303)


def _sheet(app: Flask, history_path: Path) -> None:
    free = threading.BoundedSemaphore(SHEETS_MOST)

    def made(write: Callable[[Report, Watch, Span], AnyResponse]) -> AnyResponse:
        if not free.acquire(timeout=20):
            abort(503, "Another sheet is being made, which is all this box can do at once. Try again in a minute.")
        try:
            with History(history_path) as history:
                asked = number("watch")
                watch = history.latest() if asked is None else of(history, asked)
                if watch is None:
                    abort(404, "Nothing was recorded yet.")
                span = between(watch, request.args.get("from"), request.args.get("to"))
                anyway = request.args.get("anyway") == "yes"
                return write(build(history, watch, span, datetime.now(UTC), anyway=anyway), watch, span)
        except TooShort as short:
            return Response(render_template("sheet_short.html", says=str(short), asked=request.args), 409)
        except SpanError as wrong:
            abort(400, str(wrong))
        except SheetError as wrong:
            abort(503, f"The needs that this watch was judged by cannot be read: {wrong}")
        finally:
            free.release()

    @app.get("/job/sheet")
    def job_sheet() -> AnyResponse:
        def write(report: Report, _watch: Watch, _span: Span) -> AnyResponse:
            return Response(render_template("sheet.html", sheet=report, cautions=CAUTIONS, inks=INKS))

        return made(write)

    @app.get("/job/sheet.pdf")
    def job_sheet_pdf() -> AnyResponse:
        from appliance.take.sheet import pdf  # noqa: PLC0415  # slow to load, and seldom needed

        def write(report: Report, watch: Watch, span: Span) -> AnyResponse:
            response = Response(pdf.written(report), content_type=PDF.mimetype)
            name = file_name(watch, PDF, "from-receiver", span.from_ns, span.to_ns)
            response.headers["Content-Disposition"] = f'attachment; filename="{name}"'
            return response

        return made(write)


def _compare(app: Flask, history_path: Path) -> None:
    @app.get("/compare")
    def compare() -> str | tuple[str, int]:
        before, after = number("before"), number("after")
        found, says = None, ""
        with History(history_path) as history:
            try:
                shown = [history.watch(one) for one in (before, after) if one is not None]
                if before is not None and after is not None:
                    found = compared(history, before, after)
            except HistoryError as wrong:
                shown, says = [], str(wrong)
            watches = offered(history, *shown)
        return render_template(
            "compare.html", watches=watches, watch_words=watch_words, before=before, after=after, found=found, says=says
        )
