"""The forms in which a watch can be taken away: what the page offers and what `linelamp export` makes."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass

from appliance.history.reader import History
from appliance.history.rows import Watch
from appliance.take import faults, geojson, gpx, losses, raw, seconds, text

Lines = Callable[[History, Watch, str, int | None, int | None], Iterator[bytes]]


@dataclass(slots=True, frozen=True)
class Form:
    """One form. suffix: ends the file's name. lines: (history, watch, line, from_ns, to_ns) to bytes in pieces."""

    title: str
    suffix: str
    mimetype: str
    lines: Lines


FORMS: dict[str, Form] = {
    "text": Form("Sentences with their time", ".nmea", "text/plain", text.lines),
    "raw": Form("Raw bytes as received", ".raw", "application/octet-stream", raw.lines),
    "seconds": Form("Table by the second (CSV)", "-seconds.csv", "text/csv; charset=utf-8", seconds.lines),
    "faults": Form("Table of faults (CSV)", "-faults.csv", "text/csv; charset=utf-8", faults.lines),
    "losses": Form("Table of losses (CSV)", "-losses.csv", "text/csv; charset=utf-8", losses.lines),
    "gpx": Form("Track (GPX)", ".gpx", "application/gpx+xml", gpx.lines),
    "geojson": Form("Track by fix quality (GeoJSON)", ".geojson", "application/geo+json", geojson.lines),
}
