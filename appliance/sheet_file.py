"""Makes the commissioning sheet of a history as a file: `linelamp sheet`. The page makes the same."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

from appliance.export import ExportError
from appliance.history.reader import History
from appliance.take.name import file_name
from appliance.take.sheet import PDF, Given, Progress, build, pdf
from appliance.take.sheet.paper import Say
from appliance.take.span import between


def write(
    path: Path, watch_id: int | None, times: tuple[str | None, str | None], out: Path | None, *, anyway: bool,
    progress: Progress = lambda _share: None, given: Given | None = None, language: str = "en", say: Say = str,
) -> Path:  # fmt: skip
    """Writes the sheet of the history at path and gives its file, which is never one that is there.

    times: start and end in UTC; None: of the watch. given: the log that the history was made of, which then names the
    file. language: a code of BCP 47. say: from English to it. Raises TooShort, ExportError, SpanError,
    SheetError, HistoryError.
    """
    with History(path) as history:
        watch = history.latest() if watch_id is None else history.watch(watch_id)
        if watch is None:
            raise ExportError(f"{path} holds no watch yet: nothing to make a sheet of.")
        span = between(watch, *times)
        name = file_name(watch, PDF, "from-receiver", span.from_ns, span.to_ns)
        if given is not None:
            name = f"{Path(given.name).stem}{PDF.suffix}"
        target = Path(name) if out is None else out / name if out.is_dir() else out
        if target.exists():
            raise ExportError(f"{target} is there already; give another name with --out.")
        report = build(history, watch, span, datetime.now(UTC), anyway=anyway, progress=progress, given=given)
    paper = pdf.written(report, language, say)
    target.write_bytes(paper)
    return target
