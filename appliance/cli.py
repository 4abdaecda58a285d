"""The command line: `linelamp tap`, `web`, `demo`, `check`, `needs`, `export`, `sheet`, `compare`,
`simulate`, `erase`, `self-test`.

Each command imports what it needs when it is called, so that the tap loads no web server and a check no serial port.
"""

from __future__ import annotations

import json
import logging
import sys
from pathlib import Path

import click

from appliance import __version__
from appliance.command_settings import SETTINGS_OPTION, fail, hidden, history_of, settings_of
from appliance.history_commands import compare, erase, export, sheet
from appliance.inventing_command import simulate
from appliance.sentence.setting import BAUD_MOST


@click.group(context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100})
@click.version_option(__version__, prog_name="linelamp")
def main() -> None:
    """Listens to the serial line between a GNSS receiver and a field controller, never speaks, and says go or no-go.

    Try `linelamp demo` first: an invented cab on this computer, nothing to connect.
    """


for command in (export, sheet, compare, erase, simulate):
    main.add_command(command)


@main.command()
@SETTINGS_OPTION
@click.option("--port", help="Listen here instead of the port in the settings, such as /dev/ttyUSB0.")
@click.option(
    "--baud",
    type=click.IntRange(1, BAUD_MOST),
    help="Its speed in bits a second. Left out: as the settings or the needs say.",
)
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
    settings = settings_of(settings_file, port=port, baud=baud, needs=needs_name, pins="mock" if mock_pins else None)
    try:
        sys.exit(daemon.run(settings))
    except OSError as trouble:  # of the ports and of history it is told on the page, and is no reason to end
        fail(
            f"The tap cannot keep its files in {settings.run_folder}: {trouble.strerror or trouble}. Name a folder of "
            "your own as run_folder in the settings (README, “Any computer, by hand”)."
        )


@main.command()
@SETTINGS_OPTION
@click.option("--host", help="Serve on this address only, such as 127.0.0.1.")
@click.option("--web-port", type=click.IntRange(1, 65535), help="Serve on this TCP port.")
def web(settings_file: Path | None, host: str | None, web_port: int | None) -> None:
    """Serve the page for the phone. Reads what the tap shows and keeps; owns no port, no pins, writes no history."""
    from appliance import site  # noqa: PLC0415

    logging.basicConfig(level=logging.INFO, format="%(name)s: %(message)s")
    settings = settings_of(settings_file, web_host=host, web_port=web_port)
    try:
        sys.exit(site.run(settings))
    except OSError as trouble:
        fail(f"The page cannot be served on {settings.web_host}:{settings.web_port}: {trouble.strerror or trouble}.")


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
    from appliance.source import is_history, open_source  # noqa: PLC0415

    try:
        sheet = needs.load(needs_name)
        path = history_of(file, None) if is_history(file) else file  # a log has nothing to do with this box's settings
        recording = judging.Recording(open_source(path, sheet, watch_id), sheet)
        with click.progressbar(length=recording.source.size, label="Judging", file=sys.stderr, hidden=hidden()) as bar:
            recording.run(bar.update)
    except (SheetError, RecordingError, HistoryError, OSError) as trouble:
        fail(str(trouble))
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
        fail(str(trouble))
    click.echo(f"{chosen.title}\n{chosen.says}\n")
    for row in needs.explain(chosen):
        place = f"[{row.table}] {row.key}" if row.table else row.key
        click.echo(f"{place} = {row.value} {row.unit}".rstrip())
        click.echo(f"    {row.meaning}. From: {row.source}.")
    for warning in needs.warnings(chosen):
        click.echo(f"Note: {warning}")


@main.command("self-test")
@SETTINGS_OPTION
def self_test(settings_file: Path | None) -> None:
    """Try whether this version is fit to run here, without touching anything. An update does so before it is begun."""
    from appliance import fit  # noqa: PLC0415

    try:
        modules = fit.prove(settings_of(settings_file))
    except Exception as trouble:  # whatever it is, it is the reason
        fail(f"{type(trouble).__name__}: {trouble}")
    click.echo(f"linelamp {__version__} is fit to run here: {modules} modules, history, needs and pages.")
