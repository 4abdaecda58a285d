"""The command line: `linelamp tap`, `web`, `demo`, `check`, `needs`, `export`, `sheet`, `compare`,
`simulate`, `erase`, `self-test`.

Each command imports what it needs when it is called, so that the tap loads no web server and a check no serial port.
"""

from __future__ import annotations

import json
import logging
import sys
from pathlib import Path
from typing import TYPE_CHECKING, NoReturn

import click

from appliance import __version__
from appliance.inventing_command import simulate

if TYPE_CHECKING:
    from appliance.settings import Settings

_FILE = click.Path(exists=True, dir_okay=False, path_type=Path)
_settings_option = click.option(
    "--settings",
    "settings_file",
    type=_FILE,
    help="The box's settings (TOML). Left out: /etc/linelamp/linelamp.toml if there, else what suits a Pi.",
)


@click.group(context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100})
@click.version_option(__version__, prog_name="linelamp")
def main() -> None:
    """Listens to the serial line between a GNSS receiver and a field controller, never speaks, and says go or no-go.

    Try `linelamp demo` first: an invented cab on this computer, nothing to connect.
    """


main.add_command(simulate)


@main.command()
@_settings_option
@click.option("--port", help="Listen here instead of the port in the settings, such as /dev/ttyUSB0.")
@click.option("--baud", type=int, help="Its speed in bits a second. Left out: as the settings or the needs say.")
@click.option("--needs", "needs_name", help="The needs sheet to judge by: a name or a file.")
@click.option("--mock-pins", is_flag=True, help="Off the Pi: keep the lamps in memory, and say so on the page.")
def tap(
    settings_file: Path | None, port: str | None, baud: int | None, needs_name: str | None, mock_pins: bool
) -> None:
    """Listen to the line, light the lamps, keep the history. Ends cleanly on Ctrl-C or SIGTERM.

    It never sends a byte. A port that is missing is waited for.
    """
    from appliance.tap import daemon  # noqa: PLC0415

    logging.basicConfig(level=logging.INFO, format="%(name)s: %(message)s")
    settings = _settings(settings_file, port=port, baud=baud, needs=needs_name, pins="mock" if mock_pins else None)
    sys.exit(daemon.run(settings))


@main.command()
@_settings_option
@click.option("--host", help="Serve on this address only, such as 127.0.0.1.")
@click.option("--web-port", type=click.IntRange(1, 65535), help="Serve on this TCP port.")
def web(settings_file: Path | None, host: str | None, web_port: int | None) -> None:
    """Serve the page for the phone. Reads what the tap shows and keeps; owns no port, no pins, writes no history."""
    from appliance import site  # noqa: PLC0415

    logging.basicConfig(level=logging.INFO, format="%(name)s: %(message)s")
    settings = _settings(settings_file, web_host=host, web_port=web_port)
    try:
        sys.exit(site.run(settings))
    except OSError as trouble:
        _fail(f"The page cannot be served on {settings.web_host}:{settings.web_port}: {trouble.strerror or trouble}.")


@main.command()
@click.option(
    "--web-port", type=click.IntRange(1, 65535), default=8080, show_default=True, help="TCP port of the page."
)
@click.option("--folder", type=click.Path(file_okay=False, path_type=Path), help="Keep the history here afterwards.")
@click.option("--seconds", type=click.FloatRange(min=1), help="End by itself after so long.")
def demo(web_port: int, folder: Path | None, seconds: float | None) -> None:
    """An invented cab on this computer: see the page go from wait to go, to no-go and back. Ctrl-C ends it."""
    from appliance import demo as cab  # noqa: PLC0415

    sys.exit(cab.run(web_port, folder, seconds))


@main.command()
@click.argument("file", type=click.Path(path_type=Path))
@click.option("--needs", "needs_name", default="rate-section", show_default=True, help="Needs sheet: a name or a file.")
@click.option("--watch", "watch_id", type=int, help="Of a box's history: which watch. Left out: the latest.")
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object instead of words.")
def check(file: Path, needs_name: str, watch_id: int | None, as_json: bool) -> None:
    """Judge a recorded log by the same rules as the live line.

    FILE is plain NMEA text, text with TAG blocks (times of arrival), or the box's own history file. Ends with 0 for
    go, 1 for no-go, 2 where it cannot be judged.
    """
    from appliance import check as judging  # noqa: PLC0415
    from appliance.history.rows import HistoryError  # noqa: PLC0415
    from appliance.judge import needs  # noqa: PLC0415
    from appliance.judge.sheet import SheetError  # noqa: PLC0415
    from appliance.recording import RecordingError  # noqa: PLC0415
    from appliance.source import open_source  # noqa: PLC0415

    try:
        sheet = needs.load(needs_name)
        recording = judging.Recording(open_source(_history(file, None), sheet, watch_id), sheet)
        with click.progressbar(length=recording.source.size, label="Judging", file=sys.stderr, hidden=_hidden()) as bar:
            recording.run(bar.update)
    except (SheetError, RecordingError, HistoryError, OSError) as trouble:
        _fail(str(trouble))
    result = recording.result()
    click.echo(json.dumps(result, indent=2) if as_json else judging.in_words(result))
    if result["verdict"] == "wait":
        click.echo(judging.why_wait(result), err=True)
    sys.exit(judging.EXIT[result["verdict"]])


@main.command("needs")
@click.argument("name", required=False)
@click.option("--toml", "as_toml", is_flag=True, help="Print the sheet itself, to copy and change.")
@click.option("--folder", type=click.Path(path_type=Path), help="Look for your own sheets here as well.")
def needs_command(name: str | None, as_toml: bool, folder: Path | None) -> None:
    """List the needs sheets, or explain one: every value, its unit, what it means and where it comes from."""
    from appliance.judge import needs  # noqa: PLC0415
    from appliance.judge.sheet import SheetError  # noqa: PLC0415

    folders = [folder] if folder else []
    if name is None:
        for sheet in needs.list_all(folders):
            click.echo(
                f"{sheet.name:16} {sheet.title}" + (f"  CANNOT BE USED: {sheet.problem}" if sheet.problem else "")
            )
        click.echo("\n`linelamp needs NAME` explains one; `--toml` prints it, to copy and change.")
        return
    try:
        if as_toml:
            click.echo(needs.text(name, folders), nl=False)
            return
        chosen = needs.load(name, folders)
    except SheetError as trouble:
        _fail(str(trouble))
    click.echo(f"{chosen.title}\n{chosen.says}\n")
    for row in needs.explain(chosen):
        place = f"[{row.table}] {row.key}" if row.table else row.key
        click.echo(f"{place} = {row.value} {row.unit}".rstrip())
        click.echo(f"    {row.meaning}. From: {row.source}.")
    for warning in needs.warnings(chosen):
        click.echo(f"Note: {warning}")


@main.command()
@click.argument("form", required=False)
@click.option("--history", "history_file", type=_FILE, help="The box's history. Left out: as the settings say.")
@_settings_option
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
    path = _history(history_file, settings_file)
    wanted = taking.Wanted(form, watch_id, line, from_utc, to_utc)
    try:
        with taking.opened(path, wanted) as leaving:
            if str(out) == "-":
                leaving.write_to(sys.stdout.buffer)
            else:
                target = leaving.target(out)
                bar = click.progressbar(length=leaving.seconds, label=str(target), file=sys.stderr, hidden=_hidden())
                with bar, target.open("wb") as file:
                    leaving.write_to(file, bar.update)
                click.echo(str(target))
            for says in leaving.troubles:
                click.echo(f"Note: {says}", err=True)
    except (HistoryError, taking.ExportError, SpanError, OSError) as trouble:
        _fail(str(trouble))


@main.command()
@click.option("--history", "history_file", type=_FILE, help="The box's history. Left out: as the settings say.")
@_settings_option
@click.option("--watch", "watch_id", type=int, help="Which watch. Left out: the latest.")
@click.option("--from", "from_utc", help="Start in UTC, such as 2026-05-04T09:12.")
@click.option("--to", "to_utc", help="End in UTC.")
@click.option("--anyway", is_flag=True, help="Also where it is too short for its needs; the sheet then says so.")
@click.option("--out", type=click.Path(path_type=Path), help="File or folder to write to.")
def sheet(  # noqa: PLR0917
    history_file: Path | None, settings_file: Path | None, watch_id: int | None,
    from_utc: str | None, to_utc: str | None, anyway: bool, out: Path | None,
) -> None:  # fmt: skip
    """Make the commissioning sheet of a watch, as PDF, to print and sign."""
    from appliance import sheet_file  # noqa: PLC0415
    from appliance.export import ExportError  # noqa: PLC0415
    from appliance.history.rows import HistoryError  # noqa: PLC0415
    from appliance.judge.sheet import SheetError  # noqa: PLC0415
    from appliance.take.sheet import TooShort  # noqa: PLC0415
    from appliance.take.span import SpanError  # noqa: PLC0415

    path = _history(history_file, settings_file)
    try:
        click.echo(str(sheet_file.write(path, watch_id, (from_utc, to_utc), out, anyway=anyway)))
    except TooShort as short:
        _fail(f"{short} Let the box listen for longer, or say --anyway: the sheet will say so.")
    except (HistoryError, ExportError, SpanError, SheetError, OSError) as trouble:
        _fail(str(trouble))


@main.command()
@click.argument("before", type=int)
@click.argument("after", type=int)
@click.option("--history", "history_file", type=_FILE, help="The box's history. Left out: as the settings say.")
@_settings_option
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object instead of words.")
def compare(before: int, after: int, history_file: Path | None, settings_file: Path | None, as_json: bool) -> None:
    """Compare two watches by their numbers: before and after a repair, or two machines.

    Says what changed in the faults, with the chance that it is luck.
    """
    from appliance import compared  # noqa: PLC0415
    from appliance.history.reader import History  # noqa: PLC0415
    from appliance.history.rows import HistoryError  # noqa: PLC0415

    try:
        with History(_history(history_file, settings_file)) as history:
            found = compared.compared(history, before, after)
    except HistoryError as trouble:
        _fail(str(trouble))
    click.echo(json.dumps(found, indent=2) if as_json else compared.in_words(found))


@main.command()
@_settings_option
@click.option("--watch", "watch_id", type=int, help="Which watch.")
@click.option("--all", "every", is_flag=True, help="Every watch, and every history set aside.")
@click.option("--yes", is_flag=True, help="Do not ask again.")
def erase(settings_file: Path | None, watch_id: int | None, every: bool, yes: bool) -> None:
    """Erase a watch, or all, with every position in it: from the history's file, its log and its free pages.

    The running box does it, and sets a mark when it is done. A card may keep copies of its own that nothing can reach.
    """
    from appliance.asking import SOCKET, AskError, ask  # noqa: PLC0415

    if every == (watch_id is not None):
        _fail("Say which: --watch and its number, or --all.")
    what = "every watch" if every else f"watch {watch_id}"
    if not yes:
        click.confirm(f"Erase {what} for good?", abort=True)
    try:
        ask(_settings(settings_file).run_folder / SOCKET, {"do": "erase", "watch": "all" if every else watch_id})
    except AskError as trouble:
        _fail(str(trouble))
    click.echo(f"Erasing {what}; a mark on the page tells when it is done.")


@main.command("self-test")
@_settings_option
def self_test(settings_file: Path | None) -> None:
    """Try whether this version is fit to run here, without touching anything. An update does so before it is begun."""
    from appliance import fit  # noqa: PLC0415

    try:
        modules = fit.prove(_settings(settings_file))
    except Exception as trouble:  # whatever it is, it is the reason
        _fail(f"{type(trouble).__name__}: {trouble}")
    click.echo(f"linelamp {__version__} is fit to run here: {modules} modules, history, needs and pages.")


def _history(file: Path | None, settings_file: Path | None) -> Path:
    """What to read: a file, or the history of the settings; up to date where this box is writing it now."""
    from appliance.asking import catch_up  # noqa: PLC0415

    settings = _settings(settings_file)
    path = file or settings.history
    catch_up(path, settings.run_folder)
    return path


def _hidden() -> bool:
    return not sys.stderr.isatty()


def _settings(file: Path | None, **over: object) -> Settings:
    """The settings of a file, with what the command line puts over them (None: nothing)."""
    from appliance import settings as box  # noqa: PLC0415
    from appliance.judge.sheet import SheetError  # noqa: PLC0415

    if file is None and (box.DEFAULT_FILE.exists() or box.DEFAULT_FILE.is_symlink()):  # a link to nothing is a fault
        file = box.DEFAULT_FILE
    try:
        return box.load(file, {name: value for name, value in over.items() if value is not None})
    except SheetError as trouble:
        _fail(str(trouble))


def _fail(says: str) -> NoReturn:
    click.echo(says, err=True)
    sys.exit(2)
