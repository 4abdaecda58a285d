"""The name of a file that is taken away: date, machine and span, so that it still tells its tale on another desk."""

from __future__ import annotations

import re
import unicodedata
from typing import Protocol

from appliance.history.rows import Watch
from appliance.history.schema import RECEIVER
from appliance.take.utc import moment

MACHINE_LONGEST = 40  # characters; keeps the whole name well below what any file system allows


class Suffixed(Protocol):
    """A form, or whatever else is taken away as a file. suffix: ends its name."""

    @property
    def suffix(self) -> str: ...


def file_name(watch: Watch, form: Suffixed, line: str, from_ns: int | None = None, to_ns: int | None = None) -> str:
    """Such as linelamp-2026-05-04-tractor-3-0912-1740.nmea; all times UTC, only characters safe everywhere.

    None: the start or the newest time of the watch. Where only the box's own clock dates the watch, the name says
    box-clock; the line is named where it is not the receiver's.
    """
    begin = moment(watch, watch.started_ns if from_ns is None else from_ns)
    end = moment(watch, watch.last_ns if to_ns is None else to_ns)
    another_day = "" if begin.date() == end.date() else f"{end:%Y-%m-%d}-"
    parts = [
        "linelamp",
        f"{begin:%Y-%m-%d}",
        slug(watch.machine),
        f"{begin:%H%M}",
        f"{another_day}{end:%H%M}",
        "" if line == RECEIVER else slug(line),
        "" if watch.dated else "box-clock",
    ]
    return "-".join(part for part in parts if part) + form.suffix


def slug(words: str) -> str:
    """Words in a-z, 0-9 and hyphens; accents dropped; "machine" where nothing is left."""
    plain = unicodedata.normalize("NFKD", words).encode("ascii", "ignore").decode().lower()
    return re.sub(r"[^a-z0-9]+", "-", plain).strip("-")[:MACHINE_LONGEST].rstrip("-") or "machine"
