"""The card's boot file, linelamp.toml, as a technician edits it in a PC: the box's own settings, its name, its Wi-Fi.

A file with a mistake leaves the box running, on the defaults: but it then says no-go, with the mistake as the reason,
until the file is put right, for nobody knows which needs were meant. Of such a file is taken what it takes to be seen:
name, Wi-Fi, PIN and lamps, each if its own part of the file is sound.
"""

from __future__ import annotations

import json
import re
from pathlib import Path
from typing import Any

from appliance import settings
from appliance.judge.key import CHOICE, Key, Table
from appliance.judge.sheet import SheetError, read_file, read_text

FAULTY = "The settings on this box's card cannot be used, so it says no-go whatever the line carries: {}"
_TOLD_MOST = 3
_HOST = r"[a-z0-9]([a-z0-9-]{0,30}[a-z0-9])?"
_ASCII = r"[ -~]"

BOX = Table(
    "box",
    (
        Key("name", "text", "name of the box in the network", "RFC 952, RFC 1123", default="linelamp", pattern=_HOST,
            allowed_says="small letters, digits and hyphens, at most 32"),
    ),
)  # fmt: skip
LAMPS, WEB = (next(table for table in settings.TABLES if table.name == name) for name in ("lamps", "web"))
WIFI = Table(
    "wifi",
    (
        Key("on", "yes-no", "whether the box opens its own Wi-Fi", CHOICE, default=True),
        Key("country", "text", "whose rules for Wi-Fi hold", "ISO 3166-1; 00: those allowed everywhere", default="00",
            pattern="[A-Z]{2}|00", allowed_says='two capital letters, such as "GB"'),
        Key("channel", "whole", "channel in the band of 2.4 GHz", CHOICE, default=6, least=1, most=11),
        Key("ssid", "text", "name of the Wi-Fi", "IEEE 802.11: at most 32 bytes", default="linelamp",
            pattern=_ASCII + "{1,32}", allowed_says="1 to 32 plain characters"),
        Key("passphrase", "text", "passphrase of the Wi-Fi", "IEEE 802.11: 8 to 63 characters",
            pattern=_ASCII + "{8,63}", allowed_says="8 to 63 plain characters"),
    ),
)  # fmt: skip


def read(boot: Path) -> tuple[dict[str, Any], dict[str, Any], str]:
    """What [box] and [wifi] say, and the rest as the settings' own TOML. Raises SheetError."""
    reading = read_text(read_file(boot), (*settings.TABLES, BOX, WIFI), boot.name)
    reading.done()
    rest = toml(reading.values, boot.parent)
    settings.from_toml(rest, boot.name, boot.parent)
    return reading.values["box"], reading.values["wifi"], rest


def rescued(boot: Path, trouble: Exception) -> tuple[dict[str, Any], dict[str, Any], str]:
    """The same of a file that cannot be used: the defaults, the reason, and what of it is sound, to be seen by."""
    try:
        words = read_file(boot)
    except SheetError:
        words = ""
    box, wifi, lamps, web = (_alone(words, table) for table in (BOX, WIFI, LAMPS, WEB))
    problems = trouble.problems if isinstance(trouble, SheetError) else (trouble,)
    says = " ".join(str(problem) for problem in problems[:_TOLD_MOST])
    if len(problems) > _TOLD_MOST:
        says += f" There are {len(problems) - _TOLD_MOST} more."
    values = {"": {"faulty": FAULTY.format(says)[:4000]}, "web": web | {"port": 80}}
    rest = toml(values | {"lamps": lamps})
    try:
        settings.from_toml(rest, boot.name)
    except SheetError:  # two lamps on one pin
        rest = toml(values)
    return box, wifi | {"on": wifi["on"] and bool(wifi["passphrase"])}, rest


def _alone(words: str, table: Table) -> dict[str, Any]:
    """One table of the file, read as if the rest were not there; its defaults where it is faulty itself."""
    part = re.search(rf"^\s*\[{table.name}\].*?(?=^\s*\[|\Z)", words, re.MULTILINE | re.DOTALL)
    try:
        reading = read_text(part[0] if part else "", (table,), "")
        reading.done()
    except SheetError:
        reading = read_text("", (table,), "")
    return reading.values[table.name]


def toml(values: dict[str, dict[str, Any]], folder: Path = Path("/")) -> str:
    """The settings' own tables, written anew. A sheet beside the boot file is named by its whole path."""
    tables = {table.name: dict(values.get(table.name, {})) for table in settings.TABLES if not table.many}
    needs = tables[""].get("needs", "")
    if "/" in needs or needs.endswith(".toml"):
        tables[""]["needs"] = str(folder / needs)
    tables |= {f"line.{name}": line for name, line in values.get("line", {}).items()}
    rows = []
    for name, table in tables.items():
        rows += [f"[{name}]"] if name else []
        # What JSON calls a text or a number, TOML calls so too.
        rows += [
            f"{key} = {json.dumps(value, ensure_ascii=False)}" for key, value in table.items() if value is not None
        ]
    return "\n".join(rows) + "\n"
