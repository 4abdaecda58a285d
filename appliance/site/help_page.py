"""Help: wiring, pins, lamps, cautions, and what each finding means, from the tables that judge and explain it."""

from __future__ import annotations

import re
from dataclasses import dataclass

from flask import Flask, render_template

from appliance.judge import causes_table
from appliance.judge.causes_table import Cause
from appliance.judge.names import NAMES
from appliance.judge.words import SAYS

# TIA-574, the 9-position plug: pin, name, what it carries, and which end sends it (T: the terminal, as the controller
# is; M: the other end).
PINS = (
    (1, "DCD", "carrier found", "M"),
    (2, "RXD", "data to the terminal", "M"),
    (3, "TXD", "data from the terminal", "T"),
    (4, "DTR", "terminal ready", "T"),
    (5, "SG", "signal ground", ""),
    (6, "DSR", "other end ready", "M"),
    (7, "RTS", "asks to send", "T"),
    (8, "CTS", "may send", "M"),
    (9, "RI", "ring", "M"),
)
USED = (2, 3, 5)
INSTEAD = {"baud": "the controller's", "baud_fits": "a higher"}
"""What stands for the figures of a watch that a sentence cannot do without."""


@dataclass(slots=True, frozen=True)
class Finding:
    """One check. in_order: what it says when nothing is wrong, where that holds no figures. causes: the usual first."""

    id: str
    name: str
    in_order: str
    warns: bool
    causes: tuple[Cause, ...]


def findings() -> list[Finding]:
    """Every check there is, in order of importance."""
    table = sorted(causes_table.table(), key=lambda cause: -cause.prior)
    return [
        Finding(
            id_,
            NAMES[id_],
            "" if "{" in says.passing else says.passing,
            says.warns,
            tuple(cause for cause in table if _speaks_for(cause, id_)),
        )
        for id_, says in SAYS.items()
    ]


def plain(words: str) -> str:
    """A cause's words without the figures of a watch: what stands in braces goes, with the colon before it."""
    for name, word in INSTEAD.items():
        words = words.replace(f"{{{name}}}", word)
    return re.sub(r"\s*:?\s*\{[^}]*\}", "", words).replace(" .", ".")


def install(app: Flask) -> None:
    """Adds the page to app."""
    app.jinja_env.filters["plain"] = plain
    known = findings()

    @app.get("/help")
    def help_page() -> str:
        return render_template("help.html", findings=known, pins=PINS, used=USED)


def _speaks_for(cause: Cause, id_: str) -> bool:
    return any(id_ in one.found and one.weight > 0 for one in cause.evidence)
