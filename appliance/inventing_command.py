"""The command line of `linelamp simulate`."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Any

import click


class _Faults(click.Command):
    """Lists every fault under its help."""

    def format_epilog(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:  # noqa: ARG002
        from appliance.inventing import faults_in_words, others_in_words  # noqa: PLC0415

        for title, rows in (("Faults and troubles", faults_in_words()), ("Else by name", others_in_words())):
            with formatter.section(title):
                formatter.write_dl(list(rows))


@click.command(cls=_Faults)
@click.argument("faults", nargs=-1)
@click.option("--out", type=click.Path(path_type=Path), required=True, help="File: .db a history, else text.")
@click.option("--story", default="", help="Instead, or besides: a story that is told again and again.")
@click.option("--seconds", type=float, default=600.0, show_default=True, help="How long it is.")
@click.option("--seed", type=int, default=1, show_default=True, help="The same seed gives the same bytes.")
@click.option("--plan", default="field", show_default=True, help="Where the machine goes.")
@click.option("--baud", type=int, default=38_400, show_default=True, help="Bits a second on the line.")
@click.option("--rate", "rates", multiple=True, metavar="MESSAGE=HZ", help="Of a message, such as GGA=10; 0: not sent.")
@click.option("--decimals", type=click.IntRange(0, 10), default=8, show_default=True, help="Of a minute, in positions.")
@click.option("--quality", type=int, default=4, show_default=True, help="Of the fix.")
@click.option("--from", "from_s", type=float, help="Faults begin no sooner, in s. Left out: after a quarter.")
@click.option("--to", "to_s", type=float, help="Faults end by then, in s. Left out: after three quarters.")
@click.option("--times", type=click.IntRange(1), help="They come so often. Left out: once, for all of that time.")
@click.option("--lasts", type=float, nargs=2, default=(3.0, 8.0), show_default=True, help="Each lasts, in s.")
@click.option("--where", default="anywhere", show_default=True, help="They come only there; see below.")
@click.option("--anyhow", type=click.FloatRange(0, 1), default=0.0, help="Share of them that comes all the same.")
@click.option("--needs", default="rate-section", show_default=True, help="Needs sheet, of a history.")
def simulate(faults: tuple[str, ...], out: Path, rates: tuple[str, ...], **given: Any) -> None:
    """Make a recording of an invented machine with faults in it, and beside it what was done, as JSON.

    FAULTS are names from below, one or several: `silence`, with an intensity `noise=0.02`, or of one message
    `message-off@VTG`. None makes a recording in which all is well.
    """
    from appliance import inventing  # noqa: PLC0415
    from appliance.judge.sheet import SheetError  # noqa: PLC0415

    given["lasts_s"] = given.pop("lasts")
    try:
        recording = inventing.Recording(inventing.Asked(faults, rates_hz=inventing.rates(rates), **given))
        bar = click.progressbar(
            length=round(given["seconds"] * 1000), label=str(out), file=sys.stderr, hidden=not sys.stderr.isatty()
        )
        with bar:
            truth = inventing.write(recording, out, bar.update)
    except (inventing.InventError, SheetError, OSError) as trouble:
        click.echo(str(trouble), err=True)
        sys.exit(2)
    click.echo(f"{out}: {len(recording.truth()['faults'])} faults; what was done is told in {truth}")
