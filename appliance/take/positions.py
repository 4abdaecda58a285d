"""Where the machine was: the positions of a line, about one a second, for the forms that draw a track.

They are read from the sentences as they came, with all their digits. Where the raw bytes were dropped to make room,
what history keeps of each second stands in for them, to 1e-7 degrees and a second. Each is dated by the arrival of
its sentence, as everything else that leaves the box.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from appliance.history.reader import History
from appliance.history.rows import Watch
from appliance.sentence.frame import Frame
from appliance.sentence.parse import Damaged, parse
from appliance.sentence.types import GGA, GLL, RMC
from appliance.take.text import frames

APART_NS = 900_000_000
"""Positions closer than this to the last are left out: one a second at any rate, jitter and all. Our choice."""
GAP_NS = 5_000_000_000
"""After so long without a position the track is broken, and not drawn across. Our choice."""
_GGA_BACK_NS = 3_000_000_000
"""RMC and GLL tell less, and are read only where GGA has not come for so long. Our choice."""
_KINDS = (b"GGA", b"RMC", b"GLL")
_NO_FIX = frozenset((None, 0))


@dataclass(slots=True, frozen=True)
class Position:
    """One position, in degrees (north and east positive) and metres above the geoid; None: not told.

    quality: of GGA. geoid_m: of the geoid above the ellipsoid.
    """

    at_ns: int
    latitude_deg: float
    longitude_deg: float
    quality: int | None = None
    altitude_m: float | None = None
    geoid_m: float | None = None
    satellites: int | None = None
    hdop: float | None = None
    age_s: float | None = None
    station: str | None = None


def positions(
    history: History, watch: Watch, line: str, from_ns: int | None = None, to_ns: int | None = None
) -> Iterator[tuple[Position, bool]]:
    """The positions of the span that have a fix, oldest first, each with whether a track begins anew with it."""
    last_ns: int | None = None
    for one in _all(history, watch, line, from_ns, to_ns):
        apart_ns = GAP_NS + 1 if last_ns is None else one.at_ns - last_ns
        if apart_ns >= APART_NS:
            last_ns = one.at_ns
            yield one, apart_ns > GAP_NS


def _all(history: History, watch: Watch, line: str, from_ns: int | None, to_ns: int | None) -> Iterator[Position]:
    gone_ns = watch.raw_gone_ns
    if gone_ns is not None and (from_ns is None or from_ns < gone_ns):
        yield from _of_seconds(history, watch, line, from_ns, gone_ns if to_ns is None else min(to_ns, gone_ns))
        from_ns = gone_ns
    if to_ns is None or from_ns is None or from_ns < to_ns:
        yield from _of_sentences(frames(history, watch, line, from_ns, to_ns))


def _of_seconds(history: History, watch: Watch, line: str, from_ns: int | None, to_ns: int) -> Iterator[Position]:
    for row in history.seconds(watch.id, line, from_ns, to_ns):
        if row.latitude_deg is not None and row.longitude_deg is not None and row.quality != 0:
            yield Position(
                row.second_ns, row.latitude_deg, row.longitude_deg, quality=row.quality,
                satellites=row.satellites, hdop=row.hdop, age_s=row.age_s,
            )  # fmt: skip


def _of_sentences(sent: Iterator[Frame]) -> Iterator[Position]:
    gga_ns: int | None = None
    next_ns: int | None = None
    for frame in sent:
        if frame.raw[3:6] not in _KINDS or (next_ns is not None and frame.start_ns < next_ns):
            continue  # what would be left out is not even parsed
        judged = parse(frame)
        if isinstance(judged, Damaged):
            continue
        content, at_ns = judged.content, frame.start_ns
        if isinstance(content, GGA):
            gga_ns = at_ns
            found = _of_gga(content, at_ns)
        elif isinstance(content, RMC | GLL) and (gga_ns is None or at_ns - gga_ns > _GGA_BACK_NS):
            found = _of_other(content, at_ns)
        else:
            continue
        if found is not None:
            next_ns = at_ns + APART_NS
            yield found


def _of_gga(of: GGA, at_ns: int) -> Position | None:
    if of.latitude_deg is None or of.longitude_deg is None or of.quality in _NO_FIX:
        return None
    return Position(
        at_ns, of.latitude_deg, of.longitude_deg, quality=of.quality, altitude_m=of.altitude_m, geoid_m=of.geoid_m,
        satellites=of.satellites, hdop=of.hdop, age_s=of.age_s, station=of.station,
    )  # fmt: skip


def _of_other(of: RMC | GLL, at_ns: int) -> Position | None:
    if of.latitude_deg is None or of.longitude_deg is None or of.status != "A":
        return None
    return Position(at_ns, of.latitude_deg, of.longitude_deg)
