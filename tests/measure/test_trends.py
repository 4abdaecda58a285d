"""What the fix's figures do over time: ages, satellites, dilution, heights, geoid; and what should not change."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping

import pytest

from appliance.measure.claims import Claims
from appliance.measure.epoch import Epoch
from appliance.measure.height import allowed_m, way_m
from appliance.measure.persistence import Habit
from appliance.measure.trouble import Trouble, Troubles
from appliance.sentence.types import GGA

SECOND = 1_000_000_000
Make = Callable[..., Epoch]
Times = Callable[..., list[float]]
Fields = Callable[[float], Mapping[str, str]]


class Told:
    """The troubles that came, and when each kind was first told."""

    def __init__(self) -> None:
        self.all: list[Trouble] = []
        self.first_s: dict[str, float] = {}
        self.lasting: set[str] = set()

    @property
    def kinds(self) -> set[str]:
        return {trouble.kind for trouble in self.all}

    def only(self, kind: str) -> Trouble:
        (trouble,) = self.all
        assert trouble.kind == kind
        return trouble


@pytest.fixture
def told(epoch: Make) -> Callable[..., Told]:
    """told(times, fields of GGA at a time): what Claims made of it."""

    def run(times: Iterable[float], fields: Fields, address: str = "GNGGA", **settings: float) -> Told:
        troubles, told = Troubles(), Told()
        claims = Claims(troubles, **settings)  # type: ignore[arg-type]
        for at_s in times:
            claims.take(epoch(at_s, (address, fields(at_s))))
            ended = troubles.take_ended()
            for trouble in [*ended, *troubles.lasting.values()]:
                told.first_s.setdefault(trouble.kind, at_s)
            told.all += ended
        told.all += troubles.lasting.values()
        told.lasting = set(troubles.lasting)
        return told

    return run


def step(at_s: float, before: Mapping[str, str], after: Mapping[str, str]) -> Fields:
    return lambda now_s: before if now_s < at_s else after


# Corrections


def age(age_s: float) -> dict[str, str]:
    return {"age": f"{age_s:.1f}"}


@pytest.mark.parametrize("most_s", [15.0, 30.0, 60.0])
def test_ages_that_grow_are_told_while_there_is_time(told: Callable[..., Told], instants: Times, most_s: float) -> None:
    """Corrections stop at 20 s. Receivers' manuals quote 15, 30 or 60 s before RTK is dropped."""
    found = told(
        instants(0, 20 + most_s), lambda now_s: age(now_s % 1 if now_s < 20 else now_s - 20), age_most_s=most_s
    )
    trouble = found.only("corrections-aging")
    assert found.first_s["corrections-aging"] - 20 == pytest.approx(11, abs=0.5)
    assert trouble.measured is not None
    assert trouble.figures["in_s"] == pytest.approx(most_s - trouble.measured)
    assert trouble.needed == most_s


@pytest.mark.parametrize("saw_s", [1, 5])
def test_ages_that_grow_are_told_though_they_have_teeth(
    told: Callable[..., Told], instants: Times, saw_s: float
) -> None:
    """As some receivers have it whose corrections come by more ways than one."""
    found = told(instants(0, 70), lambda now_s: age(now_s % saw_s + max(0.0, now_s - 20)))
    found.only("corrections-aging")
    assert found.first_s["corrections-aging"] < 20 + 20


def test_corrections_that_come_again_end_it(told: Callable[..., Told], instants: Times) -> None:
    found = told(instants(0, 60), lambda now_s: age(now_s - 20 if 20 <= now_s < 40 else now_s % 1))
    trouble = found.only("corrections-aging")
    assert (trouble.until_ns, found.lasting) == (40 * SECOND, set())


@pytest.mark.parametrize(
    "fields",
    [
        lambda now_s: age(now_s % 7),  # satellite services: 4 to 7 s
        lambda now_s: {"age": f"{int(now_s % 9)}"},  # whole seconds
        lambda _: age(25.0),  # old, but not growing
        lambda _: {"age": "", "station": ""},
        lambda _: {"age": "0"},
        lambda now_s: {"quality": "1", **age(now_s)},  # stands on no corrections
        lambda now_s: age(1.0 if now_s < 60 else 13.0),  # from another source, but not growing
    ],
)
def test_healthy_ages(told: Callable[..., Told], instants: Times, fields: Fields) -> None:
    assert told(instants(0, 120), fields).all == []


def test_corrections_that_are_always_slow_are_usual(told: Callable[..., Told], instants: Times) -> None:
    """Every 20 s: told until it is known that they come no faster."""
    found = told(instants(0, 600, 1), lambda now_s: age(now_s % 20))
    assert len(found.all) == 1


# Satellites and dilution


def test_satellites_that_go(told: Callable[..., Told], instants: Times) -> None:
    """One goes every 3 s from 60 s on, from 18 to 5."""
    found = told(instants(0, 110), lambda now_s: {"satellites": f"{min(18, max(5, 18 - int(now_s - 60) // 3)):02d}"})
    trouble = found.only("satellites-falling")
    assert (trouble.measured, trouble.figures["least"]) == (5.0, 4.0)
    assert trouble.needed == pytest.approx(16, abs=2)
    assert found.first_s["satellites-falling"] == pytest.approx(60 + 13 * 3 + 3.8, abs=1.3)


def test_satellites_that_come_back(told: Callable[..., Told], instants: Times) -> None:
    found = told(instants(0, 120), lambda now_s: {"satellites": "04" if 60 <= now_s < 80 else "15"})
    assert found.only("satellites-falling").until_ns is not None


@pytest.mark.parametrize(
    "fields",
    [
        lambda now_s: {"satellites": f"{6 + int(now_s * 7919) % 25:02d}"},  # 6 to 30, as the sky has it
        lambda now_s: {"satellites": "04" if int(now_s) % 20 == 0 else "18"},  # a second under a bridge
        lambda now_s: {"satellites": f"{6 + int(now_s) % 3}"},  # a receiver that never has more
        lambda _: {"satellites": "05"},  # was never better
        lambda _: {"satellites": ""},
    ],
)
def test_healthy_satellites(told: Callable[..., Told], instants: Times, fields: Fields) -> None:
    assert told(instants(0, 200, 1), fields).all == []


def test_dilution_that_rises(told: Callable[..., Told], instants: Times) -> None:
    found = told(
        instants(0, 120), lambda now_s: {"hdop": f"{0.8 if now_s < 60 else min(3.9, 0.8 + (now_s - 60) / 10):.1f}"}
    )
    trouble = found.only("hdop-rising")
    assert trouble.needed == pytest.approx(1.1, abs=0.2)
    assert found.first_s["hdop-rising"] == pytest.approx(60 + 16 + 3.8, abs=1.5)  # 2.4 is 0.6 of the 4.0 allowed


@pytest.mark.parametrize(
    "fields",
    [
        lambda now_s: {"hdop": "99.99" if int(now_s) % 10 < 2 else "0.9"},
        lambda now_s: {"hdop": f"{0.6 + (now_s * 7 % 12) / 10:.1f}"},
        lambda _: {"hdop": "3.0"},  # was never better
        lambda _: {"hdop": ""},
    ],
)
def test_healthy_dilution(told: Callable[..., Told], instants: Times, fields: Fields) -> None:
    assert told(instants(0, 200), fields).all == []


# Heights and geoid


@pytest.mark.parametrize("rate_hz", [1, 5, 10])
@pytest.mark.parametrize(("quality", "jump_m"), [("1", 11.0), ("2", 5.0), ("5", 4.0), ("4", 1.5)])
def test_a_height_that_jumps(
    told: Callable[..., Told], instants: Times, rate_hz: float, quality: str, jump_m: float
) -> None:
    before, after = ({"quality": quality, "altitude": f"{100 + rise:.2f}"} for rise in (0, jump_m))
    trouble = told(instants(0, 20, rate_hz), step(10, before, after)).only("height-jump")
    assert (trouble.since_ns, trouble.note) == (10 * SECOND, "fix-same")
    assert trouble.measured == pytest.approx(jump_m)
    assert trouble.figures == {"before": int(quality), "after": int(quality), "step_m": pytest.approx(jump_m)}


@pytest.mark.parametrize(
    ("before", "after", "step_m"), [("1", "4", 9.0), ("5", "4", 4.0), ("2", "4", 4.0), ("4", "1", 9.0)]
)
def test_a_step_that_both_qualities_allow_is_none(
    told: Callable[..., Told], instants: Times, before: str, after: str, step_m: float
) -> None:
    first, then = {"quality": before, "altitude": "100.0"}, {"quality": after, "altitude": f"{100 + step_m}"}
    assert told(instants(0, 20), step(10, first, then)).all == []
    wild = then | {"altitude": "130.0"}
    assert told(instants(0, 20), step(10, first, wild)).only("height-jump").note == "fix-changed"


def gga(**changes: object) -> GGA:
    figures: dict[str, object] = {
        "time_s": 0.0, "latitude_deg": 52.1, "longitude_deg": -1.2, "quality": 4, "satellites": 18, "hdop": 0.7,
        "altitude_m": 80.0, "geoid_m": 47.0, "age_s": 1.0, "station": "0131", "decimals": 8,
    }  # fmt: skip
    return GGA(**(figures | changes))  # type: ignore[arg-type]


def height_allowed_m(before: GGA, after: GGA, apart_s: float) -> float:
    return allowed_m(before, after, way_m(before, after, apart_s))


def test_what_a_height_may_do() -> None:
    assert height_allowed_m(gga(), gga(), 0.2) == 1.0
    # 30 m/s for 2 s: the slope may change by 8 in 100.
    assert height_allowed_m(gga(), gga(latitude_deg=52.1 + 60 / 111_195), 2.0) == pytest.approx(1.0 + 4.8, rel=0.01)
    # A position that jumped across the world explains no height.
    assert height_allowed_m(gga(), gga(latitude_deg=-52.1), 0.2) == pytest.approx(1.0 + 0.08 * 40 * 0.2)
    assert height_allowed_m(gga(quality=2), gga(quality=2, hdop=3.0), 0.2) == pytest.approx(8.0)
    assert height_allowed_m(gga(longitude_deg=180.0), gga(longitude_deg=-180.0), 0.2) == 1.0
    assert height_allowed_m(gga(latitude_deg=None), gga(), 0.2) == 1.0


@pytest.mark.parametrize("rate_hz", [1, 5])
def test_a_steep_hill_is_no_jump(epoch: Make, instants: Times, rate_hz: float) -> None:
    """Up at 14 m/s, where each hundred metres along are 25 m up: steeper than any road, and begun gently."""
    troubles = Troubles()
    claims = Claims(troubles)
    for now_s in instants(0, 60, rate_hz):
        way_m = 14 * now_s
        height_m = 112 + way_m**2 / 1600 if way_m < 200 else 112 + 25 + (way_m - 200) / 4
        place = {"latitude": f"52{6 + way_m / 1852:011.8f}", "altitude": f"{height_m:.2f}"}
        claims.take(epoch(now_s, ("GNGGA", place)))
    assert [one.kind for one in troubles.take_ended()] == []


@pytest.mark.parametrize("rate_hz", [1, 5, 10])
@pytest.mark.parametrize("settle_s", [0.6, 3.0])
def test_a_height_that_slides_to_a_better_fix_is_no_jump(
    told: Callable[..., Told], instants: Times, rate_hz: float, settle_s: float
) -> None:
    """9 m, as an autonomous fix may be off."""

    def fields(off_m: float) -> Fields:
        def at(now_s: float) -> dict[str, str]:
            left = min(1.0, max(0.0, 1 - (now_s - 10) / settle_s))
            return {"quality": "1" if now_s < 10 else "4", "altitude": f"{100 + off_m * left:.2f}"}

        return at

    assert told(instants(0, 20, rate_hz), fields(9.0)).all == []


def test_a_height_is_not_compared_over_a_long_gap(told: Callable[..., Told], instants: Times) -> None:
    times = [*instants(0, 5), *instants(30, 35)]
    assert told(times, step(20, {"altitude": "100.0"}, {"altitude": "300.0"})).all == []


def test_another_model_of_the_geoid_is_no_jump(told: Callable[..., Told], instants: Times) -> None:
    """The height above the ellipsoid stays."""
    first, then = {"altitude": "100.0", "geoid": "47.0"}, {"altitude": "147.0", "geoid": "0.0"}
    trouble = told(instants(0, 20), step(10, first, then)).only("geoid-changed")
    assert trouble.since_ns == 10 * SECOND
    assert trouble.measured == pytest.approx(47.0)
    assert trouble.figures == {"before_m": 47.0, "after_m": 0.0}


def test_a_geoid_that_creeps_is_none(told: Callable[..., Told], instants: Times) -> None:
    assert told(instants(0, 200), lambda now_s: {"geoid": f"{47 + int(now_s / 20) / 10:.1f}"}).all == []


def test_a_geoid_that_is_not_given(told: Callable[..., Told], instants: Times) -> None:
    trouble = told(instants(0, 30, 1), lambda _: {"geoid": ""}).only("geoid-missing")
    assert trouble.since_ns == 0
    assert told(instants(0, 60, 1), lambda now_s: {"geoid": "" if now_s % 10 == 3 else "47.0"}).all == []
    assert told(instants(0, 60, 1), lambda _: {"geoid": "", "altitude": ""}).all == []


# What should not change


@pytest.mark.parametrize("rate_hz", [1, 5, 10])
def test_a_talker_that_changes(epoch: Make, instants: Times, rate_hz: float) -> None:
    """In all its sentences at once: told once, within 3 s; back again within ten minutes is not told."""
    troubles, ended, at = Troubles(), list[Trouble](), 0.0
    claims = Claims(troubles)
    for now_s in instants(0, 40, rate_hz):
        talker = "GP" if 10 <= now_s < 30 else "GN"
        types = ("GGA", "VTG", "RMC") if now_s % 1 == 0 else ("GGA", "VTG")
        claims.take(epoch(now_s, *((talker + type_, {}) for type_ in types)))
        ended += troubles.take_ended()
        at = at or (now_s if ended else 0.0)
    (trouble,) = ended
    assert (trouble.kind, trouble.since_ns) == ("talker-changed", 10 * SECOND)
    assert (trouble.figures["before"], trouble.figures["after"]) == ("GN", "GP")
    assert at <= 13


def test_talkers_that_share_an_epoch_are_no_change(epoch: Make, instants: Times) -> None:
    troubles = Troubles()
    claims = Claims(troubles)
    for number, now_s in enumerate(instants(0, 60)):
        names = (("GP", "GN"), ("GN", "GL"), ("GN",), ("GL", "GP"))[number % 4]
        claims.take(epoch(now_s, *((f"{name}GGA", {}) for name in names), ("GNVTG", {})))
    assert troubles.take_ended() == []


@pytest.mark.parametrize("rate_hz", [1, 5, 10])
def test_decimals_that_change(told: Callable[..., Told], instants: Times, rate_hz: float) -> None:
    eight = {"latitude": "5206.12345678", "longitude": "00112.12345678"}
    four = {"latitude": "5206.1234", "longitude": "00112.1234"}
    found = told(instants(0, 20, rate_hz), step(10, eight, four))
    trouble = found.only("decimals-changed")
    assert (trouble.measured, trouble.needed, trouble.since_ns) == (4, 8, 10 * SECOND)
    assert found.first_s["decimals-changed"] <= 13


def test_a_receiver_that_leaves_out_zeros_at_the_end_is_no_change(told: Callable[..., Told], instants: Times) -> None:
    def fields(now_s: float) -> dict[str, str]:
        last = f"{round(now_s * 5) * 7919 % 100:02d}".rstrip("0")
        return {"latitude": f"5206.123{last}" if last else "5206.123", "longitude": f"00112.{round(now_s * 5):05d}"}

    assert told(instants(0, 60), fields).all == []


@pytest.mark.parametrize(("kept", "padded"), [(4, 4), (7, 1), (3, 5)])
def test_decimals_that_tell_nothing(told: Callable[..., Told], instants: Times, kept: int, padded: int) -> None:
    def fields(now_s: float) -> dict[str, str]:
        number = round(now_s * 5)
        return {
            "latitude": f"5206.{number * 7919 % 10**kept:0{kept}d}" + "0" * padded,
            "longitude": f"00112.{number * 104729 % 10**kept:0{kept}d}" + "0" * padded,
        }

    trouble = told(instants(0, 60), fields).only("decimals-padded")
    assert (trouble.measured, trouble.needed) == (kept, 8)
    assert trouble.figures == {"type": "GGA", "padded": padded}


def test_zeros_by_chance_or_at_a_standstill_are_no_padding(told: Callable[..., Told], instants: Times) -> None:
    still = {"latitude": "5206.12340000", "longitude": "00112.12340000"}
    assert told(instants(0, 60), lambda _: still).all == []
    south = lambda now_s: {"latitude": f"5206.{round(now_s * 5):04d}", "longitude": "00112.1230"}  # noqa: E731
    assert told(instants(0, 200), south).all == []


def test_two_decimals_of_five_are_told_though_the_text_stays_for_seconds(epoch: Make, instants: Times) -> None:
    """5 m/s due north; 0.01' are 18.5 m."""
    troubles = Troubles()
    claims = Claims(troubles)
    for now_s in instants(0, 30):
        said = {"latitude": f"52{6 + int(now_s * 5 / 18.52) / 100:05.2f}000", "longitude": "00112.34000"}
        claims.take(epoch(now_s, ("GNGGA", said), ("GNVTG", {"knots": "9.7", "kmh": "18.0"})))
        if now_s > 4:
            assert troubles.lasting["decimals-padded"].measured == 2


@pytest.mark.parametrize(("knots", "told"), [("0.06", False), ("0.20", False), ("2.00", True)])
def test_noise_of_the_speed_at_a_standstill_is_no_way(epoch: Make, instants: Times, knots: str, told: bool) -> None:
    """Parked just where all decimals are zeros."""
    troubles = Troubles()
    claims = Claims(troubles)
    for now_s in instants(0, 300):
        still = {"latitude": "5206.0000", "longitude": "00112.0000"}
        claims.take(epoch(now_s, ("GNGGA", still), ("GNVTG", {"knots": knots, "kmh": ""})))
    assert ("decimals-padded" in troubles.lasting) == told


def test_padding_lasts_over_a_standstill(told: Callable[..., Told], instants: Times) -> None:
    def fields(now_s: float) -> dict[str, str]:
        minutes = f"{round(min(now_s, 40) * 5):04d}0000"
        return {"latitude": f"5206.{minutes}", "longitude": f"00112.{minutes}"}

    found = told(instants(0, 120), fields)
    assert found.only("decimals-padded").until_ns is None


def test_another_base(told: Callable[..., Told], instants: Times) -> None:
    trouble = told(instants(0, 20), step(10, {"station": "0131"}, {"station": "0907"})).only("base-moved")
    assert (trouble.since_ns, trouble.figures) == (10 * SECOND, {"before": "0131", "after": "0907"})


@pytest.mark.parametrize(
    ("before", "after"),
    [
        ({"station": "0131"}, {"station": ""}),
        ({"station": "0000"}, {"station": "0131"}),
        ({"quality": "2", "station": "0120"}, {"quality": "2", "station": "0123"}),  # one satellite to the next
        ({"quality": "2", "station": "0120"}, {"quality": "4", "station": "0007"}),  # other corrections altogether
    ],
)
def test_no_other_base(
    told: Callable[..., Told], instants: Times, before: dict[str, str], after: dict[str, str]
) -> None:
    assert told(instants(0, 20), step(10, before, after)).all == []


def test_what_flaps_is_told_once(told: Callable[..., Told], instants: Times) -> None:
    """A network that hands to and fro between two stations, every 30 s for 8 minutes."""
    found = told(instants(0, 480, 1), lambda now_s: {"station": "0131" if now_s // 30 % 2 else "0132"})
    assert len(found.all) == 1


def test_a_habit_is_forgotten_and_bounded() -> None:
    habit = Habit(1, 0)
    assert [habit.take(("a",), 0) for _ in range(6)] == [None] * 6
    assert habit.take(("b",), 1) == ("a", "b", 1)
    assert habit.take(("a",), 2) is None
    assert habit.take(("b",), 700 * SECOND) == ("a", "b", 700 * SECOND)
    for number in range(100):
        habit.take((str(number),), 701 * SECOND + number)
    assert len(habit._usual) <= 16
