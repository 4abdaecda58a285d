"""Clock and date: what stops, steps and rolls over is told and named; what healthy receivers do is not."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable
from datetime import UTC, date, datetime, timedelta
from random import Random

import pytest

from appliance.measure.calendar import HELD_NS, ROLL_DAYS, Calendar
from appliance.measure.epoch import Epoch
from appliance.measure.running import KINDS
from appliance.measure.trouble import Trouble, Troubles
from appliance.sentence.types import GGA, RMC, ZDA, Content

SECOND = 1_000_000_000
START = datetime(2026, 5, 4, 9, 12, tzinfo=UTC)
RELEASE = date(2026, 1, 1)


def epoch_of(
    utc: datetime, at_s: float, *, quality: int = 4, dated: bool = True, zda: datetime | None = None, zone: int = 0,
    time_s: float | None = None, mode: str = "R",
) -> Epoch:  # fmt: skip
    """GGA in every epoch; RMC and ZDA with it where dated."""
    told_s = utc.hour * 3600 + utc.minute * 60 + utc.second + utc.microsecond / 1e6 if time_s is None else time_s
    contents: dict[str, Content] = {
        "GGA": GGA(told_s, 52.1, -1.2, quality, 18, 0.7, 112.0, 47.2, 1.0, "0131", 8),
    }
    if dated:
        day = utc.year, utc.month, utc.day
        status = "A" if quality else "V"
        contents["RMC"] = RMC(told_s, status, 52.1, -1.2, 2.0, 81.0, day, None, mode, "V", 8)
        other = zda or utc
        contents["ZDA"] = ZDA(told_s, (other.year, other.month, other.day), zone, 0)
    at_ns = round(at_s * SECOND)
    return Epoch(told_s, at_ns, at_ns + 60_000_000, [], contents)


class Heard:
    """A calendar with all that it said."""

    def __init__(self, earliest: date | None = RELEASE, measured: bool = True) -> None:
        self.troubles = Troubles()
        self.calendar = Calendar(self.troubles, earliest, measured)
        self.ended: list[Trouble] = []
        self.told: dict[str, float] = {}
        self.trusted: list[bool] = []

    def take(self, epoch: Epoch) -> None:
        self.calendar.take(epoch)
        self.trusted.append(self.calendar.trusted(epoch))
        self.ended += (ended := self.troubles.take_ended())
        for trouble in [*ended, *self.troubles.lasting.values()]:
            self.told.setdefault(trouble.kind, epoch.start_ns / SECOND)

    def all(self, epochs: Iterable[Epoch]) -> Heard:
        for epoch in epochs:
            self.take(epoch)
        return self

    @property
    def kinds(self) -> set[str]:
        return {trouble.kind for trouble in self.ended} | set(self.troubles.lasting)


def drive(
    seconds: float,
    rate_hz: float = 5,
    says: Callable[[float], float] = lambda t: t,
    delay: Callable[[float], float] = lambda _: 0.03,
    start: datetime = START,
) -> list[Epoch]:
    """The receiver's clock as a function of true time, and how late its epochs come."""
    made, end_s = [], 0.0
    for n in range(round(seconds * rate_hz)):
        t = n / rate_hz
        end_s = max(t + delay(t), end_s + 0.001)
        dated = n % max(1, round(rate_hz)) == 0
        made.append(epoch_of(start + timedelta(microseconds=round(says(t) * 1e6)), 1000 + end_s, dated=dated))
    return made


def swing(seed: int) -> Callable[[float], float]:
    """Half a second of the receiver's, USB frames of 16 ms, and a host that now and then holds back for 50 ms."""
    dice = Random(seed)
    return lambda t: (
        0.25 + 0.25 * math.sin(t / 15 + seed) + dice.uniform(0, 0.016) + (0.05 if dice.random() < 0.02 else 0.0)
    )


@pytest.mark.parametrize("rate_hz", [0.5, 1, 5, 10])
@pytest.mark.parametrize("seed", range(2))
def test_a_healthy_clock_is_silent(rate_hz: float, seed: int) -> None:
    """Over midnight, with a slope between the clocks and all the delay that is usual."""
    slope = Random(seed).uniform(-200e-6, 200e-6)
    late = swing(seed)
    start = datetime(2026, 5, 4, 23, 55, tzinfo=UTC)
    heard = Heard().all(drive(600, rate_hz, delay=lambda t: late(t) + slope * t, start=start))
    assert heard.kinds == set()
    assert heard.calendar.regime == 0
    assert not heard.calendar.steps
    for kind in (*KINDS, "date-rolled-over", "date-disagrees", "zone-strange"):
        assert kind in heard.troubles.fine_ns
    every = max(1, round(rate_hz))
    assert all(heard.trusted[2 * every :: every])


FAULTS: list[tuple[str, Callable[[float], float], float]] = [
    ("clock-back", lambda t: t - 30.5, 30.5),
    ("clock-back", lambda t: t - 3600, 3600),
    ("clock-back", lambda t: t - 2.3, 2.3),
    ("clock-jump", lambda t: t + 100, 100),
    ("clock-jump", lambda t: t + 2.5, 2.5),
    ("clock-jump", lambda t: t + 5000, 5000),
    ("clock-late", lambda t: t - 18, 18),
    ("clock-late", lambda t: t - 2, 2),
    ("clock-late", lambda t: t - 1, 1),
    ("clock-late", lambda t: t + 18, 18),
]


@pytest.mark.parametrize("rate_hz", [1, 5, 10])
@pytest.mark.parametrize("noisy", [False, True])
@pytest.mark.parametrize(("kind", "wrong", "measured"), FAULTS)
def test_a_step_is_told_named_and_measured(
    kind: str, wrong: Callable[[float], float], measured: float, rate_hz: float, noisy: bool
) -> None:
    for seed in range(2):
        at_s = 61 + 7 * seed
        late = swing(seed) if noisy else (lambda _: 0.03)
        heard = Heard().all(drive(90, rate_hz, lambda t, at_s=at_s: wrong(t) if t >= at_s else t, late))  # type: ignore[misc]
        assert heard.kinds == {kind}
        assert len(heard.ended) == 1
        assert heard.ended[0].measured == pytest.approx(measured, abs=0.6 if noisy and measured % 1 else 1e-6)
        assert heard.told[kind] - 1000 - at_s <= 2.6
        assert len(heard.calendar.steps) == 1


@pytest.mark.parametrize("rate_hz", [1, 5, 10])
@pytest.mark.parametrize("step_s", [-30.5, 100.0, 18.0, -18.0])
def test_a_clock_put_right_again_is_no_second_fault(rate_hz: float, step_s: float) -> None:
    heard = Heard().all(drive(200, rate_hz, lambda t: t + step_s if 60 <= t < 120 else t))
    assert len(heard.ended) == 1
    assert [round(step, 3) for _, step in heard.calendar.steps] == [step_s, -step_s]
    assert heard.trusted[-round(rate_hz)]  # the last with a date


@pytest.mark.parametrize("rate_hz", [1, 5, 10])
@pytest.mark.parametrize("noisy", [False, True])
@pytest.mark.parametrize("catches_up", [False, True])
def test_a_clock_that_stands_is_told_until_it_runs(rate_hz: float, noisy: bool, catches_up: bool) -> None:
    def says(t: float) -> float:
        return t if t < 60 else 60.0 if t < 80 else t if catches_up else t - 20

    heard = Heard().all(drive(150, rate_hz, says, swing(5) if noisy else (lambda _: 0.03)))
    assert heard.kinds == {"clock-stopped"}
    (stopped,) = heard.ended
    assert stopped.since_ns / SECOND == pytest.approx(1060, abs=0.7)
    assert stopped.until_ns is not None
    assert stopped.until_ns / SECOND == pytest.approx(1080 + 1 / rate_hz, abs=1)
    assert heard.told["clock-stopped"] - 1060 <= 3
    assert len(heard.calendar.steps) == (not catches_up)


@pytest.mark.parametrize("rate_hz", [2, 4, 5, 10])
def test_whole_seconds_at_a_higher_rate_do_not_stand(rate_hz: float) -> None:
    late = swing(2)
    heard = Heard().all(drive(150, rate_hz, math.floor, late))
    assert heard.kinds == set()
    assert heard.trusted[-round(rate_hz)]
    heard = Heard().all(drive(150, rate_hz, lambda t: math.floor(min(t, 100)), late))
    assert heard.kinds == {"clock-stopped"}
    heard = Heard().all(drive(150, rate_hz, lambda t: math.floor(t) + (100 if t > 100 else 0), late))
    assert heard.kinds == {"clock-jump"}


@pytest.mark.parametrize("rate_hz", [1, 5])
@pytest.mark.parametrize("doubled", [False, True])
def test_a_leap_second_is_no_fault(rate_hz: float, doubled: bool) -> None:
    """23:59:60, or 00:00:00 sent twice."""
    heard = Heard(date(2016, 1, 1))
    leap_s = 100
    for n in range(round(200 * rate_hz)):
        t = n / rate_hz
        utc = datetime(2016, 12, 31, 23, 58, 20, tzinfo=UTC) + timedelta(seconds=t if t < leap_s + doubled else t - 1)
        inserted = not doubled and leap_s <= t < leap_s + 1
        told_s = 86_400 + t - leap_s if inserted else None
        heard.take(epoch_of(utc, 1000.03 + t, time_s=told_s))
    assert heard.kinds == set()
    assert heard.trusted[-1]


@pytest.mark.parametrize("rate_hz", [1, 5])
def test_one_sentence_that_goes_astray_is_told_once(rate_hz: float) -> None:
    for wrong_s, kind in ((500, "clock-jump"), (-500, "clock-back")):
        heard = Heard().all(drive(120, rate_hz, lambda t, wrong_s=wrong_s: t + wrong_s if t == 60 else t))  # type: ignore[misc]
        assert [(trouble.kind, trouble.measured) for trouble in heard.ended] == [(kind, 500)]
        assert not heard.calendar.steps
        assert heard.trusted[-round(rate_hz)]


@pytest.mark.parametrize("rate_hz", [1, 5])
@pytest.mark.parametrize("off_s", [3.0, 500.0, -500.0])
def test_two_clocks_on_one_line_are_no_steps_of_one(rate_hz: float, off_s: float) -> None:
    """A second receiver joins after 60 s. That two speak is told by how often their times go back (see sources)."""
    one, half_s = drive(90, rate_hz), 0.4 / rate_hz
    other = drive(90, rate_hz, lambda t: t + off_s, lambda _: 0.03 + half_s)
    both = sorted([*one, *other[round(60 * rate_hz) :]], key=lambda epoch: epoch.start_ns)
    assert not Heard().all(both).kinds & {"clock-jump", "clock-back", "clock-late"}


def test_late_bytes_are_no_step() -> None:
    """The host stands for four seconds, and all that was held up comes at once; then it is late from the start."""
    for rate_hz in (1, 5, 10):
        held = Heard().all(drive(120, rate_hz, delay=lambda t: 64 - t if 60 <= t < 64 else 0.03))
        assert held.kinds == set()
        joined = Heard().all(drive(120, rate_hz, delay=lambda t: max(0.03, 4 - t)))
        assert joined.kinds == set()


def test_gaps_and_restarts_are_no_steps() -> None:
    """Lost epochs, an hour off, and another clock after it."""
    lost = [epoch for n, epoch in enumerate(drive(300, 5)) if not 500 <= n < 530 and n % 7]
    assert Heard().all(lost).kinds == set()
    again = Heard().all(drive(60, 5))
    for epoch in drive(60, 5, start=START + timedelta(seconds=3600)):
        epoch.start_ns += 3600 * SECOND
        again.take(epoch)
    assert (again.kinds, again.calendar.regime) == (set(), 0)
    for epoch in drive(60, 5, start=START + timedelta(seconds=9000)):
        epoch.start_ns += 7300 * SECOND
        again.take(epoch)
    assert (again.kinds, again.calendar.regime) == (set(), 1)


def test_a_receiver_without_a_fix_may_put_its_clock_right() -> None:
    heard = Heard()
    for n in range(300):
        utc = START + timedelta(seconds=n / 5 - (4321 if n < 150 else 0))
        heard.take(epoch_of(utc, 1000 + n / 5, quality=0 if n < 140 else 1, dated=n % 5 == 0))
    assert heard.kinds == set()
    assert not any(heard.trusted[:140])
    assert heard.trusted[-5]


@pytest.mark.parametrize("measured", [True, False])
def test_a_log_without_byte_times(measured: bool) -> None:
    """There the arrivals are made of the UTC itself, and never go back."""

    def heard(says: Callable[[float], float]) -> Heard:
        made, now_s = Heard(None, measured=False), 0.0
        for epoch in drive(120, 5, says):
            assert epoch.time_s is not None
            now_s = max(now_s, epoch.time_s)
            epoch.start_ns = round(now_s * SECOND)
            made.take(epoch)
        return made

    assert heard(lambda t: t).kinds == set()
    assert heard(math.floor).kinds == set()
    assert heard(lambda t: min(t, 60.0)).kinds == {"clock-stopped"}
    assert heard(lambda t: t if t < 60 else t - 18).kinds == {"clock-late"}
    assert heard(lambda t: t if t < 60 else t - 40).kinds == {"clock-back"}
    assert heard(lambda t: t if t < 60 else t + 30).kinds == set()  # a gap, as far as can be told


def redated(epochs: list[Epoch], days: Callable[[float], int], kinds: tuple[str, ...] = ("RMC", "ZDA")) -> list[Epoch]:
    for epoch in epochs:
        shift = timedelta(days=days(epoch.start_ns / SECOND - 1000))
        for kind in kinds:
            content = epoch.contents.get(kind)
            if isinstance(content, RMC | ZDA) and content.date:
                moved = date(*content.date) + shift
                content.date = moved.year, moved.month, moved.day
    return epochs


@pytest.mark.parametrize("earliest", [None, RELEASE])
@pytest.mark.parametrize("rate_hz", [1, 5])
def test_a_date_that_rolls_over_is_named_with_the_true_one(earliest: date | None, rate_hz: float) -> None:
    heard = Heard(earliest).all(redated(drive(180, rate_hz), lambda t: -ROLL_DAYS if 60 <= t < 120 else 0))
    assert heard.kinds == {"date-rolled-over"}
    (rolled,) = heard.ended
    assert rolled.measured == 7168
    assert rolled.figures["says"] == "2006-09-18"
    assert rolled.figures["implies"] == "2026-05-04"
    assert heard.told["date-rolled-over"] == pytest.approx(1061, abs=0.1)
    assert rolled.until_ns is not None
    assert rolled.until_ns / SECOND == pytest.approx(1121, abs=1.1)
    assert not any(heard.trusted[round(60 * rate_hz) : round(120 * rate_hz)])


def test_a_date_rolled_over_from_the_start_needs_the_earliest() -> None:
    for rolls in (1, 2):
        heard = Heard().all(redated(drive(30), lambda _, rolls=rolls: -rolls * ROLL_DAYS))  # type: ignore[misc]
        assert heard.troubles.lasting["date-rolled-over"].figures["implies"] == "2026-05-04"
        assert not any(heard.trusted)
    assert Heard(None).all(redated(drive(30), lambda _: -ROLL_DAYS)).kinds == set()


def test_a_date_put_right_tells_that_it_had_rolled_over() -> None:
    heard = Heard(None).all(redated(drive(60), lambda t: -ROLL_DAYS if t < 30 else 0))
    assert [(t.kind, t.figures["says"], t.figures["implies"]) for t in heard.ended] == [
        ("date-rolled-over", "2006-09-18", "2026-05-04")
    ]


def test_a_date_rolled_over_in_a_gap_is_seen_behind_it() -> None:
    heard = Heard(None).all(drive(30))
    for epoch in redated(drive(30, start=START + timedelta(days=2)), lambda _: -ROLL_DAYS):
        epoch.start_ns += 2 * 86_400 * SECOND
        heard.take(epoch)
    assert heard.kinds == {"date-rolled-over"}


@pytest.mark.parametrize("wrong", ["RMC", "ZDA"])
def test_one_of_two_that_rolled_over_is_named_so(wrong: str) -> None:
    """Also from the start: the later of the two dates is the true one."""
    for since_s in (0, 60):
        days = lambda t, since_s=since_s: -ROLL_DAYS if t >= since_s else 0  # noqa: E731
        heard = Heard(None).all(redated(drive(120), days, (wrong,)))
        assert heard.kinds == {"date-rolled-over"}
        figures = heard.troubles.lasting["date-rolled-over"].figures
        assert (figures["type"], figures["implies"]) == (wrong, "2026-05-04")
        assert not heard.trusted[-5]


@pytest.mark.parametrize("days", [1, -1, 40])
def test_rmc_and_zda_that_disagree(days: int) -> None:
    heard = Heard().all(redated(drive(120), lambda t: days if 60 <= t < 90 else 0, ("ZDA",)))
    assert "date-disagrees" in heard.kinds
    (apart,) = (trouble for trouble in heard.ended if trouble.kind == "date-disagrees")
    assert apart.measured == abs(days)
    assert heard.told["date-disagrees"] <= 1061.1
    assert not any(heard.trusted[300:450])
    assert heard.kinds == {"date-disagrees"}


@pytest.mark.parametrize("lag_s", [-1, 1, 2])
def test_a_date_that_lags_at_midnight_is_no_fault(lag_s: int) -> None:
    start = datetime(2026, 5, 4, 23, 59, tzinfo=UTC)
    for kinds in (("RMC",), ("ZDA",), ("RMC", "ZDA")):
        days = (lambda t: -1 if 60 <= t < 60 + lag_s else 0) if lag_s > 0 else (lambda t: 1 if 59 <= t < 60 else 0)
        assert Heard().all(redated(drive(120, start=start), days, kinds)).kinds == set()


def test_a_date_that_leaps_is_told_in_seconds() -> None:
    heard = Heard(None).all(redated(drive(120), lambda t: 3 if t >= 60 else 0))
    assert [(t.kind, t.measured, t.note) for t in heard.ended] == [("clock-jump", 3 * 86_400, "days")]


@pytest.mark.parametrize(
    ("zone", "strange"), [(0, False), (-12, False), (14, False), (5, False), (17, True), (-15, True)]
)
def test_a_zone_that_there_is_not(zone: int, strange: bool) -> None:
    heard = Heard().all(epoch_of(START + timedelta(seconds=n), 1000 + n, zone=zone) for n in range(20))
    assert heard.kinds == ({"zone-strange"} if strange else set())
    if strange:
        assert heard.troubles.lasting["zone-strange"].measured == zone


def test_a_zone_that_changes_is_told_once() -> None:
    heard = Heard().all(
        epoch_of(START + timedelta(seconds=n), 1000 + n, zone=0 if n < 10 else -2) for n in range(30)
    )  # fmt: skip
    assert [(t.kind, t.measured, t.note) for t in heard.ended] == [("zone-strange", -2, "changed")]
    assert not heard.troubles.lasting


def test_whom_to_trust() -> None:
    """A fix, a date, a mode that stands for a real position; and a clock that ran on for ten minutes after a step."""

    def trusts(**says: object) -> bool:
        epochs = (epoch_of(START + timedelta(seconds=n), 1000 + n, **says) for n in range(20))  # type: ignore[arg-type]
        return Heard().all(epochs).trusted[-1]

    assert trusts()
    assert not trusts(quality=0)
    assert not trusts(dated=False)
    stepped = Heard().all(drive(60 + HELD_NS / SECOND + 20, 1, lambda t: t + 3600 if t >= 60 else t))
    assert not any(stepped.trusted[60 : 60 + HELD_NS // SECOND])
    assert stepped.trusted[-1]
    learned = Heard().all(drive(120, 1, lambda t: t - 18 if t >= 60 else t))
    assert learned.trusted[63]


def test_work_does_not_grow_with_time() -> None:
    heard = Heard()
    for n in range(20_000):
        heard.take(epoch_of(START + timedelta(seconds=n % 50), 1000 + n, dated=n % 2 == 0))
    assert len(heard.calendar.steps) <= 100
