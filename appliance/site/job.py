"""The pages of the job: what is fitted to what, the commissioning sheet, and two watches compared."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

from flask import Flask, Response, abort, redirect, render_template, request
from werkzeug.wrappers import Response as AnyResponse

from appliance.asking import AskError, ask
from appliance.compared import compared
from appliance.history.job import FIELDS, Job, JobError, clean, from_given
from appliance.history.reader import History
from appliance.history.rows import HistoryError
from appliance.history.schema import RECEIVER
from appliance.judge.names import NAMES
from appliance.judge.sheet import SheetError
from appliance.site import languages
from appliance.site.letting_in import changes
from appliance.site.sheets import Made, Sheets, Wanted
from appliance.site.spans import field_times, watch_words
from appliance.site.which_watch import number, of, offered
from appliance.site.words import from_ns
from appliance.take.name import file_name
from appliance.take.sheet import CAUTIONS, INKS, PDF, TooShort
from appliance.take.span import SpanError

WAIT_S = 2.0
"""So long a page waits for a sheet that is being made; then it says how far it is, and comes again. Our choice."""
AGAIN_S = 2


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
    sheets = Sheets(history_path)

    def made(write: Callable[[Made], AnyResponse]) -> AnyResponse:
        args = request.args
        wanted = Wanted(number("watch"), args.get("from"), args.get("to"), args.get("anyway") == "yes")
        try:
            found = sheets.of(wanted, WAIT_S)
            return write(found) if isinstance(found, Made) else _under_way(found)
        except TooShort as short:
            return Response(render_template("sheet_short.html", says=str(short), asked=args), 409)
        except SpanError as wrong:
            abort(400, str(wrong))
        except SheetError as wrong:
            abort(503, f"The needs that this watch was judged by cannot be read: {wrong}")

    @app.get("/job/sheet")
    def job_sheet() -> AnyResponse:
        def write(found: Made) -> AnyResponse:
            return Response(render_template("sheet.html", sheet=found.report, cautions=CAUTIONS, inks=INKS))

        return made(write)

    @app.get("/job/sheet.pdf")
    def job_sheet_pdf() -> AnyResponse:
        from appliance.take.sheet import pdf  # noqa: PLC0415  # slow to load, and seldom needed

        def write(found: Made) -> AnyResponse:
            tongue = languages.asked()
            response = Response(pdf.written(found.report, tongue.code, tongue.say), content_type=PDF.mimetype)
            languages.vary(response)
            name = file_name(found.watch, PDF, RECEIVER, found.span.from_ns, found.span.to_ns)
            response.headers["Content-Disposition"] = f'attachment; filename="{name}"'
            return response

        return made(write)


def _under_way(share: float | None) -> AnyResponse:
    """The page that comes again by itself until the sheet is made; it needs no script."""
    return Response(render_template("sheet_making.html", share=share, again_s=AGAIN_S, asked=request.args), 202)


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
            "compare.html", watches=watches, watch_words=watch_words, before=before, after=after, found=found,
            says=says, names=NAMES,
        )  # fmt: skip
