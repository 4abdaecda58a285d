"""The track as GPX 1.1, written as it is read: a day of it never lies in memory.

Source: GPX 1.1 schema, http://www.topografix.com/GPX/1/1. Its `fix` knows no RTK: what is corrected is "dgps".
"""

from __future__ import annotations

import io
from collections.abc import Iterator
from xml.sax.saxutils import XMLGenerator
from xml.sax.xmlreader import AttributesImpl

from appliance.history.reader import History
from appliance.history.rows import Watch
from appliance.take.positions import Position, positions
from appliance.take.stream import gathered
from appliance.take.utc import iso

NAMESPACE = "http://www.topografix.com/GPX/1/1"
FIX = {1: "3d", 2: "dgps", 3: "pps", 4: "dgps", 5: "dgps", 6: "none", 7: "none", 8: "none"}
"""GGA quality -> the schema's fixType. 6 to 8 (estimated, manual, simulated) were not fixed by satellites."""
_BARE: AttributesImpl[str] = AttributesImpl({})
_STATION_MOST = 1023
"""Of the schema's dgpsStationType."""
BOX_CLOCK = "Times are by the box's own clock, which may be wrong."


def lines(
    history: History, watch: Watch, line: str, from_ns: int | None = None, to_ns: int | None = None
) -> Iterator[bytes]:
    """The positions of the span, a track segment for each stretch without a gap. A height is above the geoid."""
    return gathered(_written(history, watch, line, from_ns, to_ns))


def _written(history: History, watch: Watch, line: str, from_ns: int | None, to_ns: int | None) -> Iterator[bytes]:
    held = io.BytesIO()
    xml = XMLGenerator(held, encoding="utf-8", short_empty_elements=True)
    xml.startDocument()
    xml.startElement("gpx", AttributesImpl({"xmlns": NAMESPACE, "version": "1.1", "creator": "linelamp"}))
    xml.startElement("metadata", _BARE)
    _leaf(xml, "name", _legal(watch.machine) or "linelamp")
    if not watch.dated:
        _leaf(xml, "desc", BOX_CLOCK)
    xml.endElement("metadata")
    xml.startElement("trk", _BARE)
    _leaf(xml, "name", _legal(watch.machine) or "linelamp")
    within = False
    for position, anew in positions(history, watch, line, from_ns, to_ns):
        if anew:
            if within:
                xml.endElement("trkseg")
            xml.startElement("trkseg", _BARE)
            within = True
        _point(xml, watch, position)
        yield _drained(held)
    if within:
        xml.endElement("trkseg")
    xml.endElement("trk")
    xml.endElement("gpx")
    xml.endDocument()
    yield _drained(held)


def _point(xml: XMLGenerator, watch: Watch, of: Position) -> None:
    """In the order that the schema asks for."""
    station = of.station or ""
    known = {
        "ele": _decimal(of.altitude_m, 4),
        "time": iso(watch, of.at_ns),
        "geoidheight": _decimal(of.geoid_m, 4),
        "fix": FIX.get(of.quality or 0),
        "sat": None if of.satellites is None else str(of.satellites),
        "hdop": _decimal(of.hdop, 2),
        "ageofdgpsdata": _decimal(of.age_s, 2),
        "dgpsid": str(int(station)) if station.isdecimal() and int(station) <= _STATION_MOST else None,
    }
    place = {"lat": _decimal(of.latitude_deg, 9) or "", "lon": _decimal(_east(of.longitude_deg), 9) or ""}
    xml.startElement("trkpt", AttributesImpl(place))
    for name, value in known.items():
        if value is not None:
            _leaf(xml, name, value)
    xml.endElement("trkpt")
    xml.ignorableWhitespace("\n")


def _leaf(xml: XMLGenerator, name: str, text: str) -> None:
    xml.startElement(name, _BARE)
    xml.characters(text)
    xml.endElement(name)


def _east(longitude_deg: float) -> float:
    """The schema's longitudeType ends just below 180."""
    return -180.0 if longitude_deg >= 180 else longitude_deg


def _decimal(value: float | None, digits: int) -> str | None:
    """xsd:decimal, which knows no exponent."""
    return None if value is None else f"{value:.{digits}f}".rstrip("0").rstrip(".")


def _legal(text: str) -> str:
    """Without the characters that XML 1.0 knows in no form (section 2.2)."""
    return "".join(
        c for c in text if c in "\t\n\r" or " " <= c <= "\ud7ff" or "\ue000" <= c <= "\ufffd" or c > "\uffff"
    )


def _drained(held: io.BytesIO) -> bytes:
    data = held.getvalue()
    held.seek(0)
    held.truncate()
    return data
