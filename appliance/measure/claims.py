"""Whether what the receiver claims of its fix is consistent: status, mode and quality, hemisphere, and null fields.

Status (A or V), mode and quality tell the same thing in three sentences, so they can contradict each other. As IEC
61162-1 / NMEA 0183 print it, the status is V for every mode but A and D; real receivers send A with R and F as well,
and D beside a quality of 4 or 5, and some use the qualities 7, 8 and 9 for satellite services. All of that is no
contradiction. A beside E, M, S or N is one, and so is a fix in one sentence that another sentence denies.
"""

from __future__ import annotations

from typing import NamedTuple

from appliance.measure.epoch import Epoch
from appliance.measure.height import Geoid, Height
from appliance.measure.persistence import FORGET_NS, Persist
from appliance.measure.trends import Aging, Hdop, Satellites
from appliance.measure.trouble import Figures, Troubles
from appliance.measure.turns import Decimals, Padding, Stations, Talkers
from appliance.sentence.types import GGA

AGE_MOST_S = 60.0
"""Receivers' manuals quote 15, 30 or 60 s of age before RTK is dropped: the widest of them."""
SATELLITES_LEAST = 4
"""A position needs four."""
HDOP_MOST = 4.0
"""Our choice, as in the sheets."""

DENIES_FIX = frozenset("EMSN")
"""Modes with which the status must be V: estimated, manual, simulator, none."""
PRINTED_VOID = frozenset("PRF")
"""Modes with which V is the letter of the standard, though real receivers send A."""
OWN_MODE = {6: "E", 7: "M", 8: "S"}
"""Qualities that name what a mode names: dead reckoning, manual, simulator."""


class Claims:
    """Feed it the epochs of one line in order; it reports to troubles.

    age_most_s, satellites_least, hdop_most: what the needs ask, or what is usual where they ask nothing; the trends
    are told before these are reached.
    """

    def __init__(
        self,
        troubles: Troubles,
        *,
        age_most_s: float = AGE_MOST_S,
        satellites_least: int = SATELLITES_LEAST,
        hdop_most: float = HDOP_MOST,
    ) -> None:
        self._last_ns: int | None = None
        self._parts = (
            Status(troubles),
            Nulls(troubles),
            Hemisphere(troubles),
            Height(troubles),
            Geoid(troubles),
            Aging(troubles, age_most_s),
            Satellites(troubles, satellites_least),
            Hdop(troubles, hdop_most),
            Stations(troubles),
            Talkers(troubles),
            Decimals(troubles),
            Padding(troubles),
        )
        self._persists = [one for part in self._parts for one in part.persists]

    def take(self, epoch: Epoch) -> None:
        """One closed epoch."""
        if self._last_ns is not None and epoch.start_ns - self._last_ns > FORGET_NS:
            for part in self._parts:
                part.forget()
            for persist in self._persists:
                persist.forget()
        self._last_ns = epoch.start_ns
        for part in self._parts:
            part.take(epoch)
        for persist in self._persists:
            if persist.runs:
                persist.expire(epoch.end_ns)


class Letters(NamedTuple):
    """What one sentence of an epoch says of its own validity, None where it does not."""

    type: str
    status: str | None
    mode: str | None


def letters_of(epoch: Epoch) -> list[Letters]:
    """Status and mode of RMC and GLL, mode of VTG, as far as they came."""
    rmc, gll, vtg = epoch.rmc, epoch.gll, epoch.vtg
    found = []
    if rmc is not None:
        found.append(Letters("RMC", rmc.status, rmc.mode))
    if gll is not None:
        found.append(Letters("GLL", gll.status, gll.mode))
    if vtg is not None and not (vtg.mode == "N" and not vtg.speed_mps):  # no speed yet is no word on the position
        found.append(Letters("VTG", None, vtg.mode))
    return found


class Status:
    """status-contradicts, simulated, manual: each told in words, without a figure.

    Notes of status-contradicts: "active" (A beside a mode that denies the fix), "mode" (the mode denies the fix that
    GGA has, or names another kind of it), "void" (V though GGA has a fix), "void-unsaid" (the same, of a sentence
    that tells no mode), "none" (A though GGA has none). Figures: type, status, mode, quality, each where it was said.
    """

    def __init__(self, troubles: Troubles) -> None:
        self._contradicts = Persist(troubles, "status-contradicts")
        self._claimed = {7: Persist(troubles, "manual"), 8: Persist(troubles, "simulated")}
        self.persists = [self._contradicts, *self._claimed.values()]
        self._modes: dict[str, tuple[str | None, int]] = {}
        self._gga_ns: int | None = None

    def forget(self) -> None:
        self._modes.clear()
        self._gga_ns = None

    def take(self, epoch: Epoch) -> None:
        gga, at_ns = epoch.gga, epoch.end_ns
        quality = gga.quality if gga is not None else None
        letters = letters_of(epoch)
        for one in letters:
            self._modes[one.type] = one.mode, at_ns
        for one in letters:
            if not one.mode and (quality is None or not one.status):
                continue
            found = contradiction(one, quality)
            if found is None:
                self._contradicts.good(at_ns, one.type)
            else:
                self._contradicts.bad(at_ns, source=one.type, note=found[0], figures=found[1])
        self._claims(quality, at_ns)

    def _claims(self, quality: int | None, at_ns: int) -> None:
        """Only where quality and modes agree, or one of them is not sent: else the number is a satellite service's."""
        if quality is not None:
            self._gga_ns = at_ns
        elif self._gga_ns is not None and at_ns - self._gga_ns <= FORGET_NS:
            return
        modes = {mode for mode, heard_ns in self._modes.values() if mode and at_ns - heard_ns <= FORGET_NS}
        if quality is None and not modes:
            return
        for number, persist in self._claimed.items():
            own = {OWN_MODE[number]}
            if modes == own if quality is None else quality == number and modes <= own:
                persist.bad(at_ns)
            else:
                persist.good(at_ns)


def contradiction(said: Letters, quality: int | None) -> tuple[str, Figures] | None:
    """Note and figures where one sentence contradicts itself, or the quality that GGA gave at the same instant."""
    status, mode = said.status, said.mode
    note = ""
    if status == "A" and mode in DENIES_FIX:
        note = "active"
    elif quality is None:
        note = ""
    elif quality == 0:
        note = "none" if status == "A" else ""
    elif mode in DENIES_FIX:
        note = "" if mode == OWN_MODE.get(quality) else "mode"
    elif status == "V" and mode not in PRINTED_VOID and not (mode is None and quality in OWN_MODE):
        note = "void" if mode else "void-unsaid"
    if not note:
        return None
    figures: dict[str, float | str] = {"type": said.type}
    figures |= {name: value for name, value in (("status", status), ("mode", mode), ("quality", quality)) if value}
    if quality == 0:
        figures["quality"] = 0
    return note, figures


class Nulls:
    """position-null: a fix without a position, in words. Figures: type; quality where it is GGA's."""

    def __init__(self, troubles: Troubles) -> None:
        self._null = Persist(troubles, "position-null")
        self.persists = [self._null]

    def forget(self) -> None:
        """Nothing is kept but what the persists keep."""

    def take(self, epoch: Epoch) -> None:
        gga, rmc, gll = epoch.gga, epoch.rmc, epoch.gll
        for type_, content, fixed in (
            ("GGA", gga, bool(gga and gga.quality)),
            ("RMC", rmc, bool(rmc and rmc.status == "A")),
            ("GLL", gll, bool(gll and gll.status == "A")),
        ):
            if content is None:
                continue
            if not fixed or (content.latitude_deg is not None and content.longitude_deg is not None):
                self._null.good(epoch.end_ns, type_)
                continue
            figures: dict[str, float | str] = {"type": type_}
            if isinstance(content, GGA) and content.quality is not None:
                figures["quality"] = content.quality
            self._null.bad(epoch.end_ns, source=type_, figures=figures)


NEAR_DEG = 0.02
"""Within 2 km of the equator, of the meridian of Greenwich or of the antimeridian a side may change. Our choice."""
ADOPT_NS = 60_000_000_000
"""A side that was kept for a minute is where the receiver now says it is. Our choice."""
_SIDES = (("latitude", 0, 1, 90.0), ("longitude", 2, 3, 180.0))
_PLACES = {"GGA": 1, "RMC": 2, "GLL": 0}
"""Type -> place of the latitude among its fields."""


class _Side(NamedTuple):
    type: str
    letter: str
    text: str
    most: float

    @property
    def clear(self) -> bool:
        """Whether the angle as sent, d…dmm.m…, is far from 0 and from most. At a pole no side changes anyway."""
        whole, _, rest = self.text.partition(".")
        degrees = int(whole[:-2] or 0) + float(f"{whole[-2:]}.{rest or 0}") / 60
        return NEAR_DEG < degrees < self.most - NEAR_DEG


class Hemisphere:
    """hemisphere-flips: N and S, or E and W, disagree between sentences or change far from any line between them.

    Told at once: a position on the other side of the world is no trend. Notes: "sentences" (figures: axis, before =
    side and type of one, after = of the other), "flipped" (figures: axis, before, after). A sign in the field itself
    cannot come: such a sentence is damaged.
    """

    def __init__(self, troubles: Troubles) -> None:
        self._flips = Persist(troubles, "hemisphere-flips", 1, 0)
        self.persists = [self._flips]
        self._known: dict[str, _Side] = {}
        self._since_ns: int | None = None

    def forget(self) -> None:
        self._known.clear()
        self._since_ns = None

    def take(self, epoch: Epoch) -> None:
        at_ns = epoch.end_ns
        said = [(one.type, one.fields) for one in epoch.sentences if one.type in _PLACES and one.talker != "P"]
        found: tuple[str, Figures] | None = None
        asked = False
        for axis, value_at, side_at, most in _SIDES:
            sides = []
            for type_, fields in said:
                place = _PLACES[type_]
                text, letter = fields[place + value_at], fields[place + side_at]
                if text and letter:
                    sides.append(_Side(type_, letter, text, most))
            if sides:
                asked = True
                found = found or self._compare(axis, sides, at_ns)
        if found is not None:
            self._flips.bad(at_ns, note=found[0], figures=found[1])
        elif asked:
            self._since_ns = None
            self._flips.good(at_ns)

    def _compare(self, axis: str, sides: list[_Side], at_ns: int) -> tuple[str, Figures] | None:
        first = sides[0]
        others = [one for one in sides if one.letter != first.letter] if len(sides) > 1 else []
        other = next((one for one in others if one.clear and first.clear), None) if others else None
        if other is not None:
            return "sentences", {
                "axis": axis, "before": f"{first.letter} {first.type}", "after": f"{other.letter} {other.type}"
            }  # fmt: skip
        known = self._known.get(axis)
        if known is not None and known.letter != first.letter and known.clear and first.clear:
            if self._since_ns is None:
                self._since_ns = at_ns
            if at_ns - self._since_ns <= ADOPT_NS:
                return "flipped", {"axis": axis, "before": known.letter, "after": first.letter}
        self._known[axis] = first
        return None
