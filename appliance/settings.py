"""The box's own settings, read from one TOML file by the same code that reads needs sheets.

Every setting is defined once, in TABLES, with its default for a Raspberry Pi; the file need only hold what differs.
Paths in the file that do not start with / are taken from the folder that the file lies in.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from appliance import wishes
from appliance.judge import needs
from appliance.judge.key import CHOICE, Key, Row, Table, show
from appliance.judge.needs import Needs
from appliance.judge.needs_keys import BAUDS
from appliance.judge.sheet import Reading, read_file, read_text
from appliance.line.port import LineSettings

LINES = ("from-receiver", "from-controller")
DEFAULT_FILE = Path("/etc/linelamp/linelamp.toml")
DEFAULT_PORT = "/dev/ttyAMA0"
PI = "Raspberry Pi documentation"
EARLIEST = "2026-01-01"
HISTORY_MOST_MB = 2000
FREE_LEAST_MB = 500
# GPIO0 and 1 belong to the identification of boards put on top, 14 and 15 to the UART.
PINS_FREE = (*range(2, 14), *range(16, 28))


@dataclass(slots=True, frozen=True)
class Settings:
    """How this box is set up. lines: each with its baud, taken from the needs sheet where the file gives none.

    needs: a sheet's name or path. pins: "pi" or "mock". green, red, button: GPIO numbers, not header pins.
    faulty: what is wrong with what these were made from; then there is no go, whatever the line says.
    """

    machine: str
    needs: str
    needs_folder: Path
    history: Path
    run_folder: Path
    lines: tuple[LineSettings, ...]
    pins: str
    green: int
    red: int
    button: int
    web_host: str
    web_port: int
    history_most_mb: int = HISTORY_MOST_MB
    free_least_mb: int = FREE_LEAST_MB
    earliest: str = EARLIEST
    pin: str = field(default="", repr=False)
    faulty: str = ""

    @property
    def own_needs_folder(self) -> Path:
        """Where sheets lie that were made on the page: beside the history."""
        return self.history.parent / "needs"

    @property
    def update_folder(self) -> Path:
        """Where the page lays an update, see wishes."""
        return self.history.parent / wishes.UPDATE_FOLDER

    @property
    def wifi_folder(self) -> Path:
        """Where the page lays another Wi-Fi, see wishes."""
        return self.history.parent / wishes.WIFI_FOLDER

    @property
    def needs_folders(self) -> list[Path]:
        """Where sheets are looked for by name, before those that come along."""
        return [self.own_needs_folder, self.needs_folder]

    def load_needs(self) -> Needs:
        """The needs sheet that the settings name. Raises SheetError."""
        return needs.load(self.needs, self.needs_folders)


def _pin(name: str, what: str, number: int) -> Key:
    meaning = f"GPIO number of the {what}, not its place on the header"
    source = f"{CHOICE}; {PI} for the range"
    return Key(name, "whole", meaning, source, default=number, choices=PINS_FREE, allowed_says="2 to 13 or 16 to 27")


def _path(name: str, what: str, path: str) -> Key:
    return Key(name, "text", what, CHOICE, default=path, least=1, most=4000)


TABLES: tuple[Table, ...] = (
    Table(
        "",
        (
            Key("machine", "text", "name of the machine, shown on the page and used in file names", CHOICE,
                default="Unnamed machine", least=1, most=60),
            Key("needs", "text", "the needs sheet: its name, or a path that holds / or ends in .toml", CHOICE,
                default=needs.DEFAULT, least=1, most=4000),
            Key("earliest", "text", "no receiver can truly tell a date before this one: an earlier one means that its "
                "week counter has rolled over", f"{CHOICE}: this software is not older", default=EARLIEST,
                pattern=r"(19[89]|20\d)\d-(0[1-9]|1[0-2])-(0[1-9]|1\d|2[0-8])", allowed_says="a day as in 2026-01-31"),
            Key("faulty", "text", "written by the box itself where the settings on its card cannot be used: what is "
                "wrong with them; while it stands there is no go", CHOICE, least=1, most=4000, left_out="nothing is"),
            _path("needs_folder", "folder with the user's own needs sheets", "/etc/linelamp/needs"),
            _path("history", "file of the history", "/var/lib/linelamp/history.db"),
            _path("run_folder", "folder in memory for the live picture and the command socket", "/run/linelamp"),
        ),
    ),
    Table(
        "line.*",
        (
            Key("port", "text", "the serial port that listens to this line", f"{PI}: the first full UART",
                pattern="/.+", allowed_says="the path of a device, from / on",
                left_out=f"{DEFAULT_PORT} for {LINES[0]}, must be given for {LINES[1]}"),
            Key("baud", "whole", "speed at which the port listens, 8N1", CHOICE, "baud",
                choices=BAUDS, left_out="as in the needs sheet"),
        ),
        names="|".join(LINES),
        names_say=" or ".join(LINES),
        near=LINES,
    ),
    Table(
        "lamps",
        (
            Key("pins", "text", "pi: real pins; mock: none, for a machine without lamps", CHOICE,
                default="pi", choices=("pi", "mock")),
            _pin("green", "green lamp", 17),
            _pin("red", "red lamp", 27),
            _pin("button", "button", 22),
        ),
    ),
    Table(
        "space",
        (
            Key("history_most_mb", "whole", "size that history may have; beyond it the oldest raw traffic is dropped, "
                "then the oldest seconds, then the oldest faults and marks",
                f"{CHOICE}: about half a year of ten-hour days", "MB",
                default=HISTORY_MOST_MB, least=20, most=1_000_000),
            Key("free_least_mb", "whole", "space left free on the card; with less, history makes room in itself and "
                "grows no more", f"{CHOICE}: room for an update of the system", "MB",
                default=FREE_LEAST_MB, least=0, most=1_000_000),
        ),
    ),
    Table(
        "web",
        (
            Key("host", "text", "address the page is served on; 0.0.0.0 is every network the box is in", CHOICE,
                default="0.0.0.0", pattern=r"[\w.:-]{1,253}", allowed_says="a host's name or number"),
            Key("port", "whole", "TCP port of the page", f"{CHOICE}: a port that needs no special rights",
                default=8080, least=1, most=65535),
            Key("pin", "text", "asked for before anything is changed from a phone", CHOICE,
                pattern=r"(?!(.)\1+$)[0-9]{6,12}", allowed_says="6 to 12 digits, not all the same",
                left_out="none: nothing can be changed from a phone"),
        ),
    ),
)  # fmt: skip


def load(path: Path | None = None, over: Mapping[str, object] | None = None) -> Settings:
    """The settings in the file; None: the defaults. Raises SheetError, also for a needs sheet that cannot be used.

    over: values that take the place of the file's, by name: needs, port and baud (of the line from the receiver),
    pins, web_host, web_port. A needs sheet named here as a path starts at the working folder.
    """
    if path is None:
        return from_toml("", "the defaults", over=over)
    return from_toml(read_file(path), str(path), path.absolute().parent, over)


def from_toml(words: str, file: str, folder: Path = Path("/"), over: Mapping[str, object] | None = None) -> Settings:
    """The settings written in TOML text. file: what errors shall call it; folder: where its paths start."""
    reading = read_text(words, TABLES, file)
    top, lamps, space, web = (reading.values[name] for name in ("", "lamps", "space", "web"))
    lines = {LINES[0]: {"port": None, "baud": None}, **reading.values["line"]}
    for name, value in (over or {}).items():
        table, key = _OVER[name]
        {"": top, "lamps": lamps, "web": web, "line": lines[LINES[0]]}[table][key] = value
    _check_ports(reading, lines)
    _check_pins(reading, lamps)
    reading.done()
    sheet = top["needs"]
    if "/" in sheet or sheet.endswith(".toml"):
        sheet = str((Path.cwd() if "needs" in (over or {}) else folder) / sheet)
    needs_folder = folder / top["needs_folder"]
    history = folder / top["history"]
    baud = needs.load(sheet, [history.parent / "needs", needs_folder]).baud
    return Settings(
        machine=top["machine"],
        needs=sheet,
        needs_folder=needs_folder,
        history=history,
        run_folder=folder / top["run_folder"],
        lines=tuple(
            LineSettings(name, lines[name]["port"], lines[name]["baud"] or baud) for name in LINES if name in lines
        ),
        pins=lamps["pins"],
        green=lamps["green"],
        red=lamps["red"],
        button=lamps["button"],
        web_host=web["host"],
        web_port=web["port"],
        history_most_mb=space["history_most_mb"],
        free_least_mb=space["free_least_mb"],
        earliest=top["earliest"],
        pin=web["pin"] or "",
        faulty=top["faulty"] or "",
    )


_OVER = {
    "needs": ("", "needs"),
    "port": ("line", "port"),
    "baud": ("line", "baud"),
    "pins": ("lamps", "pins"),
    "web_host": ("web", "host"),
    "web_port": ("web", "port"),
}


def explain(settings: Settings) -> list[Row]:
    """Every setting with its value, in the order of TABLES: for help, page and docs."""
    values: dict[str, dict[str, object]] = {
        "lamps": {name: getattr(settings, name) for name in ("pins", "green", "red", "button")},
        "space": {name: getattr(settings, name) for name in ("history_most_mb", "free_least_mb")},
        "web": {"host": settings.web_host, "port": settings.web_port, "pin": "set" if settings.pin else None},
        **{f"line.{line.name}": {"port": line.path, "baud": line.baud} for line in settings.lines},
    }
    rows = [key.row("", getattr(settings, key.name) or None) for key in TABLES[0].keys]
    for table in TABLES[1:]:
        for name in [f"line.{line.name}" for line in settings.lines] if table.many else [table.name]:
            rows += [key.row(name, values[name][key.name]) for key in table.keys]
    return rows


def _check_ports(reading: Reading, lines: dict[str, dict[str, Any]]) -> None:
    """Give the line from the receiver its default port; each line must have one of its own."""
    taken: dict[str, str] = {}
    for name, line in lines.items():
        path = ("line", name, "port")
        if line["port"] is None and not reading.spoilt(path):
            line["port"] = DEFAULT_PORT if name == LINES[0] else None
            if line["port"] is None:
                reading.add(path, "nothing", "the path of a device (it must be given)")
        if line["port"] in taken:
            reading.add(path, f"{show(line['port'])}, which is that of {taken[line['port']]}", "a port of its own")
        elif line["port"]:
            taken[line["port"]] = name


def _check_pins(reading: Reading, lamps: dict[str, Any]) -> None:
    """Each lamp and the button must have a pin of its own."""
    taken: dict[int, str] = {}
    for name in ("green", "red", "button"):
        number = lamps[name]
        if reading.spoilt(("lamps", name)):
            continue
        if number in taken:
            reading.add(("lamps", name), f"{number}, which is that of {taken[number]}", "a pin of its own")
        taken.setdefault(number, name)
