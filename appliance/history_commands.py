"""The commands on what was recorded: `linelamp export`, `sheet`, `compare`, `erase`."""

from __future__ import annotations

import json
import sys
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

import click

from appliance.command_settings import FILE, SETTINGS_OPTION, fail, hidden, history_of, settings_of

if TYPE_CHECKING:
    from appliance.site.languages import Tongue
    from appliance.take.sheet import Given


@click.command()
@click.argument("form", required=False)
@click.option("--history", "history_file", type=FILE, help="The box's history. Left out: as the settings say.")
@SETTINGS_OPTION
@click.option("--watch", "watch_id", type=int, help="Which watch. Left out: the latest.")
@click.option("--line", default="from-receiver", show_default=True, help="Which line.")
@click.option("--from", "from_utc", help="Start in UTC, such as 2026-05-04T09:12.")
@click.option("--to", "to_utc", help="End in UTC.")
@click.option("--out", type=click.Path(path_type=Path), help="File or folder to write to; - for the screen.")
def export(  # noqa: PLR0917
    form: str | None, history_file: Path | None, settings_file: Path | None, watch_id: int | None, line: str,
    from_utc: str | None, to_utc: str | None, out: Path | None,
) -> None:  # fmt: skip
    """Take a log out of the history, as on the page. FORM: such as text or raw; left out: lists them."""
    from appliance import export as taking  # noqa: PLC0415
    from appliance.history.rows import HistoryError  # noqa: PLC0415
    from appliance.take.span import SpanError  # noqa: PLC0415

    if form is None:
        click.echo(taking.forms_in_words())
        return
    path = history_of(history_file, settings_file)
    wanted = taking.Wanted(form, watch_id, line, from_utc, to_utc)
    try:
        with taking.opened(path, wanted) as leaving:
            if str(out) == "-":
                leaving.write_to(sys.stdout.buffer)
            else:
                target = leaving.target(out)
                bar = click.progressbar(length=leaving.seconds, label=str(target), file=sys.stderr, hidden=hidden())
                with bar, target.open("wb") as file:
                    leaving.write_to(file, bar.update)
                click.echo(str(target))
            for says in leaving.troubles:
                click.echo(f"Note: {says}", err=True)
    except (HistoryError, taking.ExportError, SpanError, OSError) as trouble:
        fail(str(trouble))


@click.command()
@click.argument("log", type=click.Path(path_type=Path), required=False)
@click.option("--history", "history_file", type=FILE, help="The box's history. Left out: as the settings say.")
@SETTINGS_OPTION
@click.option(
    "--needs", "needs_name", default="rate-section", show_default=True, help="Of a log: by which needs sheet."
)
@click.option("--watch", "watch_id", type=int, help="Which watch. Left out: the latest.")
@click.option("--from", "from_utc", help="Start in UTC, such as 2026-05-04T09:12.")
@click.option("--to", "to_utc", help="End in UTC.")
@click.option("--language", "code", default="en", show_default=True, help="Of the sheet, such as de or pt-BR.")
@click.option("--anyway", is_flag=True, help="Also where it is too short for its needs; the sheet then says so.")
@click.option("--out", type=click.Path(path_type=Path), help="File or folder to write to.")
def sheet(  # noqa: PLR0917
    log: Path | None, history_file: Path | None, settings_file: Path | None, needs_name: str, watch_id: int | None,
    from_utc: str | None, to_utc: str | None, code: str, anyway: bool, out: Path | None,
) -> None:  # fmt: skip
    """Make the commissioning sheet of a watch, as PDF, to print and sign.

    LOG: plain NMEA text, or text with TAG blocks (times of arrival), to make it of that instead of the box's history.
    """
    from appliance import sheet_file  # noqa: PLC0415
    from appliance.export import ExportError  # noqa: PLC0415
    from appliance.history.rows import HistoryError  # noqa: PLC0415
    from appliance.judge.sheet import SheetError  # noqa: PLC0415
    from appliance.recording import RecordingError  # noqa: PLC0415
    from appliance.take.sheet import TooShort  # noqa: PLC0415
    from appliance.take.span import SpanError  # noqa: PLC0415

    if log is not None and (history_file is not None or watch_id is not None):
        fail("Give a log, or a history and its watch, not both.")
    tongue = _tongue(code)
    try:
        with _history_or_log(log, history_file, settings_file, needs_name) as (path, given):
            with click.progressbar(length=100, label="Reading", file=sys.stderr, hidden=hidden()) as bar:
                target = sheet_file.write(
                    path, watch_id, (from_utc, to_utc), out, anyway=anyway, given=given,
                    language=tongue.code, say=tongue.say,
                    progress=lambda share: bar.update(round(share * 100) - bar.pos),
                )  # fmt: skip
            click.echo(str(target))
    except TooShort as short:
        fail(f"{short} Let the box listen for longer, or say --anyway: the sheet will say so.")
    except (HistoryError, RecordingError, ExportError, SpanError, SheetError, OSError) as trouble:
        fail(str(trouble))


def _tongue(code: str) -> Tongue:
    """The language of a sheet; the command ends where there is none such."""
    from appliance.site.app import web_folder  # noqa: PLC0415
    from appliance.site.languages import Languages  # noqa: PLC0415

    languages = Languages(web_folder() / "languages")
    if code not in languages.offered:
        fail(f"There is no language {code!r}; there are {', '.join(languages.offered)}.")
    return languages.of(code)


@contextmanager
def _history_or_log(
    log: Path | None, history_file: Path | None, settings_file: Path | None, needs_name: str
) -> Iterator[tuple[Path, Given | None]]:
    """The history to read, and the log that it was made of."""
    from appliance.judge import needs  # noqa: PLC0415
    from appliance.source import is_history, open_source  # noqa: PLC0415

    if log is None or is_history(log):
        yield history_of(log or history_file, settings_file), None
        return
    from appliance import listened  # noqa: PLC0415

    by = needs.load(needs_name)
    source = open_source(log, by)
    with ExitStack() as held:
        with click.progressbar(length=source.size, label="Judging", file=sys.stderr, hidden=hidden()) as bar:
            made = held.enter_context(listened.of_log(log, source, by, needs.text(needs_name), bar.update))
        yield made


@click.command()
@click.argument("before", type=int)
@click.argument("after", type=int)
@click.option("--history", "history_file", type=FILE, help="The box's history. Left out: as the settings say.")
@SETTINGS_OPTION
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object instead of words.")
def compare(before: int, after: int, history_file: Path | None, settings_file: Path | None, as_json: bool) -> None:
    """Compare two watches by their numbers: before and after a repair, or two machines.

    Says what changed in the faults, with the chance that it is luck.
    """
    from appliance import compared  # noqa: PLC0415
    from appliance.history.reader import History  # noqa: PLC0415
    from appliance.history.rows import HistoryError  # noqa: PLC0415

    try:
        with History(history_of(history_file, settings_file)) as history:
            found = compared.compared(history, before, after)
    except HistoryError as trouble:
        fail(str(trouble))
    click.echo(json.dumps(found, indent=2) if as_json else compared.in_words(found))


@click.command()
@SETTINGS_OPTION
@click.option("--watch", "watch_id", type=int, help="Which watch.")
@click.option("--all", "every", is_flag=True, help="Every watch, and every history set aside.")
@click.option("--yes", is_flag=True, help="Do not ask again.")
def erase(settings_file: Path | None, watch_id: int | None, every: bool, yes: bool) -> None:
    """Erase a watch, or all, with every position in it: from the history's file, its log and its free pages.

    The running box does it, and sets a mark when it is done. A card may keep copies of its own that nothing can reach.
    """
    from appliance.asking import SOCKET, AskError, ask  # noqa: PLC0415

    if every == (watch_id is not None):
        fail("Say which: --watch and its number, or --all.")
    what = "every watch" if every else f"watch {watch_id}"
    if not yes:
        click.confirm(f"Erase {what} for good?", abort=True)
    try:
        ask(settings_of(settings_file).run_folder / SOCKET, {"do": "erase", "watch": "all" if every else watch_id})
    except AskError as trouble:
        fail(str(trouble))
    click.echo(f"Erasing {what}; a mark on the page tells when it is done.")
