"""What one epoch claims: status, mode and quality; null positions; hemispheres. And that healthy noise stays silent."""

from __future__ import annotations

import random
from collections.abc import Callable, Mapping

import pytest

from appliance.measure.claims import Claims, Letters, contradiction
from appliance.measure.epoch import Epoch, Epochs
from appliance.measure.trouble import Trouble, Troubles
from appliance.sentence.chunk import Chunk
from appliance.sentence.frame import Framer
from appliance.sentence.parse import Sentence, parse
from appliance.simulate.drive import Drive
from appliance.simulate.receiver import Receiver, ReceiverSettings

SECOND = 1_000_000_000
Make = Callable[..., Epoch]
Times = Callable[..., list[float]]

KINDS = {
    "status-contradicts", "simulated", "manual", "position-null", "hemisphere-flips", "height-jump", "geoid-missing",
    "geoid-changed", "corrections-aging", "satellites-falling", "hdop-rising", "base-moved", "talker-changed",
    "decimals-changed", "decimals-padded",
}  # fmt: skip


class Heard:
    """Claims fed with epochs, and every trouble that came, with when it was first told."""

    def __init__(self, **settings: float) -> None:
        self.troubles = Troubles()
        self.claims = Claims(self.troubles, **settings)  # type: ignore[arg-type]
        self.ended: list[Trouble] = []
        self.told_s: dict[str, float] = {}

    def take(self, epoch: Epoch) -> None:
        self.claims.take(epoch)
        ended = self.troubles.take_ended()
        for trouble in [*ended, *self.troubles.lasting.values()]:
            self.told_s.setdefault(trouble.kind, epoch.end_ns / SECOND)
        self.ended += ended

    @property
    def all(self) -> list[Trouble]:
        return self.ended + list(self.troubles.lasting.values())

    @property
    def kinds(self) -> set[str]:
        return {trouble.kind for trouble in self.all}


@pytest.fixture
def heard(epoch: Make, instants: Times) -> Callable[..., Heard]:
    """heard((to_s, GGA changes, RMC changes), …): spans one after another, GGA at rate_hz and RMC at 1 Hz."""

    def run(*spans: tuple[float, Mapping[str, str], Mapping[str, str]], rate_hz: float = 5.0) -> Heard:
        heard, from_s = Heard(), 0.0
        for to_s, gga, rmc in spans:
            for at_s in instants(from_s, to_s, rate_hz):
                said = [("GNGGA", gga)] + ([("GNRMC", rmc)] if at_s == int(at_s) else [])
                heard.take(epoch(at_s, *said))
            from_s = to_s
        return heard

    return run


@pytest.mark.parametrize(
    ("status", "mode", "quality", "note"),
    [
        # As facts of the standard and of real receivers have it: A beside R and F is fine, A beside E, M, S, N is not.
        ("A", "A", 1, ""), ("A", "D", 2, ""), ("A", "R", 4, ""), ("A", "F", 5, ""), ("A", "P", 3, ""),
        ("A", "D", 4, ""), ("A", "D", 5, ""), ("A", "R", None, ""), ("A", "F", None, ""), ("A", None, None, ""),
        ("A", "E", None, "active"), ("A", "M", None, "active"), ("A", "S", 8, "active"), ("A", "N", 1, "active"),
        ("V", "N", 0, ""), ("V", "N", None, ""), ("V", None, 0, ""), ("V", "E", 6, ""), ("V", "M", 7, ""),
        ("V", "S", 8, ""), ("V", None, 8, ""), ("V", None, 6, ""),
        # By the letter V beside R, F and P is right.
        ("V", "R", 4, ""), ("V", "F", 5, ""), ("V", "P", 3, ""),
        # Satellite services as 7, 8 and 9; RTK told as 1 or 2.
        ("A", "D", 7, ""), ("A", "D", 8, ""), ("A", "D", 9, ""), ("A", "R", 2, ""), ("A", "R", 1, ""),
        # One denies what another has.
        ("V", "N", 4, "mode"), ("V", "S", 4, "mode"), ("V", "E", 2, "mode"), ("V", "M", 8, "mode"),
        ("V", "A", 1, "void"), ("V", None, 1, "void-unsaid"), ("V", "D", 2, "void"),
        ("A", "A", 0, "none"), ("A", None, 0, "none"),
        (None, "S", 4, "mode"), (None, "D", 4, ""), (None, "N", None, ""),
    ],
)  # fmt: skip
def test_which_pairs_are_impossible(status: str | None, mode: str | None, quality: int | None, note: str) -> None:
    found = contradiction(Letters("RMC", status, mode), quality)
    if not note:
        assert found is None
        return
    assert found is not None
    assert found[0] == note
    said = {"type": "RMC", "status": status, "mode": mode, "quality": quality}
    assert found[1] == {name: value for name, value in said.items() if value is not None}


def test_a_contradiction_is_told_from_its_first_epoch_and_ends(heard: Callable[..., Heard]) -> None:
    found = heard((20, {}, {}), (40, {}, {"mode": "N"}), (60, {}, {}))
    (trouble,) = found.all
    assert (trouble.kind, trouble.note) == ("status-contradicts", "active")
    assert (trouble.since_ns, trouble.until_ns) == (20 * SECOND, 40 * SECOND)
    assert trouble.figures == {"type": "RMC", "status": "A", "mode": "N", "quality": 4}
    assert found.told_s["status-contradicts"] - 20 <= 3.0


def test_a_sentence_that_is_right_does_not_hide_one_that_is_wrong(epoch: Make, instants: Times) -> None:
    """VTG five times a second says differential; RMC once a second denies the fix."""
    heard = Heard()
    for at_s in instants(0, 10):
        said = [("GNGGA", {}), ("GNVTG", {"mode": "D"})]
        heard.take(epoch(at_s, *said, *([("GNRMC", {"status": "V", "mode": "N"})] if at_s == int(at_s) else [])))
    assert heard.kinds == {"status-contradicts"}
    assert heard.told_s["status-contradicts"] == 2.0


def test_one_epoch_in_the_middle_of_a_change_is_no_contradiction(heard: Callable[..., Heard]) -> None:
    """RMC may have been made before GGA lost its fix."""
    assert heard((10, {}, {}), (11, {"quality": "0"}, {"mode": "R"}), (20, {}, {})).all == []
    lasting = heard((10, {}, {}), (15, {"quality": "0"}, {"mode": "R"}))
    assert [(trouble.kind, trouble.note) for trouble in lasting.all] == [("status-contradicts", "none")]


@pytest.mark.parametrize(
    ("quality", "status", "mode", "kinds"),
    [
        ("8", "V", "S", {"simulated"}),
        ("8", "V", "", {"simulated"}),
        ("8", "A", "S", {"simulated", "status-contradicts"}),
        ("7", "V", "M", {"manual"}),
        # Some receivers use these numbers for satellite services; then the mode says so.
        ("8", "A", "D", set()),
        ("7", "A", "D", set()),
        ("9", "A", "D", set()),
        ("6", "V", "E", set()),
    ],
)
def test_simulated_and_manual(
    heard: Callable[..., Heard], quality: str, status: str, mode: str, kinds: set[str]
) -> None:
    found = heard((10, {}, {}), (20, {"quality": quality}, {"status": status, "mode": mode}), (30, {}, {}))
    assert found.kinds == kinds
    assert not found.troubles.lasting
    for kind in kinds:
        assert found.told_s[kind] - 10 <= 3.0


def test_simulated_where_no_gga_is_sent(epoch: Make, instants: Times) -> None:
    heard = Heard()
    for at_s in instants(0, 5, 1):
        heard.take(epoch(at_s, ("GPRMC", {"status": "V", "mode": "S"})))
    assert heard.kinds == {"simulated"}


@pytest.mark.parametrize("rate_hz", [1, 5, 10])
def test_a_fix_without_position(heard: Callable[..., Heard], rate_hz: float) -> None:
    null = {"latitude": "", "north": "", "longitude": "", "east": ""}
    found = heard((10, {}, {}), (20, null, {}), (30, {}, {}), rate_hz=rate_hz)
    (trouble,) = found.all
    assert (trouble.kind, trouble.since_ns, trouble.until_ns) == ("position-null", 10 * SECOND, 20 * SECOND)
    assert trouble.figures == {"type": "GGA", "quality": 4}
    assert found.told_s["position-null"] <= 13.0
    assert heard((10, {}, {}), (20, null | {"quality": "0"}, {"status": "V", "mode": "N"}), rate_hz=rate_hz).all == []


def test_a_null_position_in_rmc_alone_is_seen_beside_a_full_gga(heard: Callable[..., Heard]) -> None:
    found = heard((10, {}, {}), (20, {}, {"latitude": "", "north": ""}))
    assert [(trouble.kind, trouble.figures) for trouble in found.all] == [("position-null", {"type": "RMC"})]


def test_hemispheres_that_disagree_between_sentences(heard: Callable[..., Heard]) -> None:
    found = heard((10, {}, {}), (20, {}, {"east": "E"}), (30, {}, {}))
    first = found.all[0]
    assert (first.kind, first.note, first.since_ns) == ("hemisphere-flips", "sentences", 10 * SECOND)
    assert first.figures == {"axis": "longitude", "before": "W GGA", "after": "E RMC"}
    assert not found.troubles.lasting


@pytest.mark.parametrize("field", [("north", "S", "latitude"), ("east", "E", "longitude")])
def test_a_hemisphere_that_flips(heard: Callable[..., Heard], field: tuple[str, str, str]) -> None:
    name, letter, axis = field
    found = heard((10, {}, {}), (15, {name: letter}, {name: letter}), (30, {}, {}))
    (trouble,) = found.all
    assert (trouble.kind, trouble.note) == ("hemisphere-flips", "flipped")
    assert (trouble.since_ns, trouble.until_ns) == (10 * SECOND, 15 * SECOND)
    assert trouble.figures["axis"] == axis
    assert found.told_s["hemisphere-flips"] == 10.0


def test_a_flip_that_stays_is_told_for_a_minute(heard: Callable[..., Heard]) -> None:
    (trouble,) = heard((10, {}, {}), (100, {"east": "E"}, {"east": "E"})).all
    assert trouble.until_ns is not None
    assert 60 <= (trouble.until_ns - trouble.since_ns) / SECOND <= 61


@pytest.mark.parametrize(
    ("before", "after"),
    [
        ({"longitude": "00000.01000000", "east": "W"}, {"longitude": "00000.01000000", "east": "E"}),
        ({"longitude": "17959.99000000", "east": "W"}, {"longitude": "17959.99000000", "east": "E"}),
        ({"latitude": "0000.01000000", "north": "N"}, {"latitude": "0000.01000000", "north": "S"}),
        ({"longitude": "00000.00000000", "east": "E"}, {"longitude": "00112.00000000", "east": "W"}),
    ],
)
def test_crossing_a_line_is_no_flip(heard: Callable[..., Heard], before: dict[str, str], after: dict[str, str]) -> None:
    assert "hemisphere-flips" not in heard((10, before, before), (20, after, after)).kinds


def test_after_a_long_gap_another_hemisphere_is_where_it_is(epoch: Make, instants: Times) -> None:
    heard = Heard()
    for at_s in instants(0, 5):
        heard.take(epoch(at_s, ("GNGGA", {})))
    for at_s in instants(20, 30):
        heard.take(epoch(at_s, ("GNGGA", {"east": "E"})))
    assert heard.all == []


def test_what_is_no_more_asked_does_not_last_for_ever(epoch: Make, instants: Times) -> None:
    """GGA said simulated and then stopped; RMC alone goes on and says nothing of it."""
    heard = Heard()
    for at_s in instants(0, 5):
        heard.take(epoch(at_s, ("GNGGA", {"quality": "8"})))
    assert set(heard.troubles.lasting) == {"simulated"}
    for at_s in instants(5, 20):
        heard.take(epoch(at_s, ("GNRMC", {"mode": ""})))
    assert heard.troubles.lasting == {}


def test_before_a_fix_nothing_is_claimed(epoch: Make, instants: Times) -> None:
    """The sentences of a cold start are published in the tests of pynmeagps."""
    heard = Heard()
    cold = {"latitude": "", "north": "", "longitude": "", "east": ""}
    for at_s in instants(0, 60, 1):
        gga = cold | {"quality": "0", "satellites": "00", "hdop": "99.99", "altitude": "", "geoid": "", "age": ""}
        heard.take(epoch(at_s, ("GNGGA", gga), ("GNRMC", cold | {"status": "V", "mode": "N", "knots": ""})))
    assert heard.all == []


def test_every_kind_that_was_asked_is_known_to_be_fine(epoch: Make, instants: Times) -> None:
    heard = Heard()
    for number, at_s in enumerate(instants(0, 40)):
        place = {"latitude": f"5206.{number:05d}123"}
        heard.take(epoch(at_s, ("GNGGA", place), ("GNRMC", place), ("GNVTG", {})))
    assert heard.all == []
    assert {kind for kind in KINDS if kind in heard.troubles.fine_ns} == KINDS


def epochs(settings: ReceiverSettings, seed: int, length_s: float) -> list[Epoch]:
    """What a simulated receiver says on a drive, by the epoch."""
    framer, grouped, found = Framer(), Epochs(dict(settings.rates_hz)), list[Epoch]()
    for burst in Receiver(settings, Drive(seed), seed).epochs(0, length_s):
        for frame in framer.feed(Chunk(burst.data, round(burst.due_s * SECOND), 86_806)):
            sentence = parse(frame)
            assert isinstance(sentence, Sentence)
            found += grouped.add(sentence)
    return found + grouped.flush()


HEALTHY = [(quality, rate_hz, decimals) for quality in (1, 2, 4, 5) for rate_hz, decimals in ((1, 8), (5, 6), (10, 4))]


@pytest.mark.parametrize(("quality", "rate_hz", "decimals"), HEALTHY)
def test_a_healthy_drive_is_silent(quality: int, rate_hz: int, decimals: int) -> None:
    rates = {"GGA": rate_hz, "VTG": rate_hz, "RMC": 1, "ZDA": 1}
    settings = ReceiverSettings(quality=quality, rates_hz=rates, decimals=decimals)
    heard = Heard()
    for epoch in epochs(settings, quality, 120):
        heard.take(epoch)
    assert heard.all == []


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(3))
def test_an_hour_of_healthy_noise_is_silent(epoch: Make, instants: Times, seed: int) -> None:
    """Null fields now and then, ages that are 0, null or saw teeth, counts that rise and fall, blips, mixed talkers,
    qualities that change with a step of the height within what both promise."""
    dice, heard, quality, height_m = random.Random(seed), Heard(), 4, 112.0
    satellites = 18
    for at_s in instants(0, 3600, 5):
        if dice.random() < 0.002:
            quality = dice.choice([one for one in (1, 2, 4, 5) if one != quality])
            height_m = 112.0 + dice.gauss(0, {1: 2.7, 2: 0.8, 4: 0.02, 5: 0.6}[quality])
        satellites = min(30, max(6, satellites + dice.choice((-1, 0, 0, 1))))
        gga = {
            "latitude": f"52{6 + at_s / 1000:011.8f}", "quality": str(quality), "satellites": f"{satellites:02d}",
            "hdop": "9.9" if dice.random() < 0.01 else f"{dice.uniform(0.6, 1.2):.1f}",
            "altitude": f"{height_m + dice.gauss(0, 0.05):.3f}",
            "age": dice.choice(("", "0", "0.0")) if quality == 1 else f"{at_s % 5 if quality == 2 else at_s % 1:.1f}",
            "station": "0131" if quality in (4, 5) else dice.choice(("0120", "0123")) if quality == 2 else "",
        }  # fmt: skip
        for name in dice.sample(list(gga), 1) if dice.random() < 0.02 else []:
            gga[name] = ""
        mode = {1: "A", 2: "D", 4: dice.choice("RD"), 5: dice.choice("FD")}[quality]
        said = [("GNGGA", gga), ("GNVTG", {"mode": mode})]
        if at_s == int(at_s):
            said.append(("GNRMC", {"latitude": gga["latitude"], "mode": mode}))
        if dice.random() < 0.3:
            said.insert(0, (dice.choice(("GPGGA", "GLGGA")), gga))
        heard.take(epoch(at_s, *said))
    assert [(trouble.kind, trouble.since_ns / SECOND, trouble.figures) for trouble in heard.all] == []
