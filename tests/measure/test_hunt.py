"""Finding a line's setting: told right within 5 s over bauds, formats and polarity; a healthy line left alone."""

from __future__ import annotations

import random
from dataclasses import dataclass, field

import pytest

from appliance.measure.belief import Belief
from appliance.measure.hunt import DOUBT_BYTES, VOUCHED_NS, Hunt
from appliance.measure.meter import LineMeter, MeterSettings
from appliance.measure.signature import Candidate
from appliance.sentence.chunk import Chunk
from appliance.sentence.frame import Frame
from appliance.sentence.parse import Damaged, parse
from appliance.sentence.setting import Setting
from appliance.simulate.drive import Drive
from appliance.simulate.receiver import Receiver, ReceiverSettings
from appliance.simulate.spoil import error_bursts, inverted, joined_in
from appliance.simulate.uart import Received, Uart
from appliance.simulate.wave import Waveform, encode

SECOND = 1_000_000_000
STEP_NS = 20_000_000
ORIGIN_NS = 7_000 * SECOND
NEEDED = Setting(38_400)
SPARSE = {"GGA": 1.0, "VTG": 1.0}
COMMON = {"GGA": 5.0, "VTG": 5.0, "RMC": 1.0, "ZDA": 1.0}


def line(
    setting: Setting, seconds: float, seed: int = 1, *, ppm: float = 0.0, rates: dict[str, float] | None = None
) -> Waveform:
    """A second of rest, then so many seconds of traffic; unless told otherwise as much as the baud can carry."""
    rates = rates or (COMMON if setting.baud >= 9600 else SPARSE)
    bursts = Receiver(ReceiverSettings(rates_hz=rates), Drive(seed), seed).epochs(0, seconds)
    return encode((burst._replace(due_s=burst.due_s + 1) for burst in bursts), setting, ppm, to_s=seconds + 1)


@dataclass
class Ear:
    """A port that is tuned as the meter asks; the time goes on from line to line."""

    marks: bool = True
    refuses: tuple[Setting, ...] = ()
    listening: Setting = NEEDED
    asked: list[Setting] = field(default_factory=list)
    first_byte_ns: int | None = None
    now_ns: int = ORIGIN_NS
    meter: LineMeter = field(default_factory=lambda: LineMeter(MeterSettings(NEEDED.baud)))

    def hear(self, waveform: Waveform) -> None:
        uart, base_ns = Uart(self.listening), self.now_ns - waveform.start_ns
        for from_ns in range(waveform.start_ns, waveform.end_ns, STEP_NS):
            to_ns = min(from_ns + STEP_NS, waveform.end_ns)
            self.now_ns = base_ns + to_ns
            self.meter.hunt.prepare(4)
            received = uart.feed(waveform.within(from_ns, to_ns))
            if received and self._feed(received, base_ns):
                uart = Uart(self.listening)

    def _feed(self, received: list[Received], base_ns: int) -> bool:
        """Bytes of one step as one chunk; whether it was tuned."""
        flawed = tuple(n for n, one in enumerate(received) if one.framing or one.parity) if self.marks else None
        data, step_ns = bytes(one.byte for one in received), round(self.listening.character_s * SECOND)
        start_ns = base_ns + round(received[-1].end_s * SECOND) - (len(data) - 1) * step_ns
        self.first_byte_ns = self.first_byte_ns or start_ns
        wanted = self.meter.feed(Chunk(data, start_ns, step_ns, flawed))
        if wanted is None:
            return False
        self.asked.append(wanted)
        if wanted in self.refuses:
            self.meter.hunt.refused()
        else:
            self.listening = wanted
        self.meter.tuned(self.listening, self.now_ns)
        return wanted == self.listening

    @property
    def belief(self) -> Belief:
        assert self.meter.hunt.belief is not None
        return self.meter.hunt.belief


SETTINGS = [
    Setting.parse(baud, name)
    for baud, name in [
        (1200, "8N1"), (2400, "7E1"), (4800, "8N1"), (9600, "8N1"), (9600, "7O1"), (14_400, "8N1"), (19_200, "8E1"),
        (38_400, "7E1"), (38_400, "7O1"), (38_400, "8E1"), (38_400, "8O1"), (57_600, "8N1"), (115_200, "8N1"),
        (115_200, "7E1"), (230_400, "8N1"), (460_800, "8N1"),
    ]
]  # fmt: skip


@pytest.mark.slow
@pytest.mark.parametrize("setting", SETTINGS, ids=str)
def test_a_setting_is_told_within_five_seconds(setting: Setting) -> None:
    ear = Ear()
    ear.hear(line(setting, 5.0, ppm=2000.0))
    assert ear.belief.candidate == Candidate(setting)
    assert ear.belief.locked or ear.belief.confidence > 0.95


@pytest.mark.slow
@pytest.mark.parametrize("baud", [9600, 38_400, 115_200])
def test_inverted_text_is_told_with_its_baud(baud: int) -> None:
    ear = Ear()
    ear.hear(inverted(line(Setting(baud), 5.0)))
    assert ear.belief.candidate == Candidate(Setting(baud), "inverted")
    assert ear.belief.confidence > 0.95
    assert not ear.belief.locked


@pytest.mark.parametrize("marks", [True, False])
def test_a_healthy_line_is_locked_after_two_sentences_and_never_tuned(marks: bool) -> None:
    ear = Ear(marks)
    whole = line(NEEDED, 3.0)
    ear.hear(whole.within(0, round(1.1 * SECOND)))
    assert ear.meter.sentences >= 2
    assert ear.belief == Belief(Candidate(NEEDED), 1.0, locked=True)
    since_ns = ear.meter.hunt.belief_ns
    ear.hear(whole)
    assert ear.asked == []
    assert ear.belief.locked
    assert ear.meter.hunt.belief_ns == since_ns


@pytest.mark.parametrize("at_ms", range(1010, 1075, 4))
def test_a_healthy_line_joined_in_mid_stream_is_left_alone(at_ms: int) -> None:
    ear = Ear()
    ear.hear(joined_in(line(NEEDED, 1.0), at_ms / 1000))
    assert ear.asked == []
    assert ear.belief.locked


@pytest.mark.slow
@pytest.mark.parametrize("marks", [True, False])
@pytest.mark.parametrize("baud", [4800, 9600, 38_400])
def test_a_healthy_line_of_sparse_traffic_is_left_alone_wherever_it_is_joined(baud: int, marks: bool) -> None:
    """Two sentences a second: the garbled end of the first burst is all there is to hear until the next."""
    setting = Setting(baud)
    whole = line(setting, 3.0, seed=baud, ppm=3000.0, rates=SPARSE)
    start, end = whole.times_ns[0], max(at_ns for at_ns in whole.times_ns if at_ns < 2 * SECOND)
    for place in range(40):
        ear = Ear(marks, listening=setting, meter=LineMeter(MeterSettings(baud)))
        ear.hear(joined_in(whole, (start + (end - start) * place // 40) / SECOND))
        assert ear.asked == []
        assert ear.belief.locked


@pytest.mark.parametrize("name", ["7E1", "7O1", "8E1", "8O1"])
def test_parity_is_told_by_which_bytes_it_spoils_at_the_first_turn(name: str) -> None:
    setting = Setting.parse(38_400, name)
    ear = Ear(marks=True)
    ear.hear(line(setting, 2.0, ppm=2000.0))
    assert ear.asked == [setting]
    assert ear.belief == Belief(Candidate(setting), 1.0, locked=True)


@pytest.mark.slow
def test_parity_that_nothing_can_tell_does_not_lessen_what_is_known_of_the_baud() -> None:
    ear = Ear(marks=False)
    while not ear.asked:
        ear.hear(line(Setting.parse(19_200, "8O1"), 0.5))
    ear.meter.hunt.take(b"", ear.now_ns, 0)
    assert ear.belief.candidate.setting.baud == 19_200
    assert ear.belief.confidence > 0.99


@pytest.mark.slow
@pytest.mark.parametrize("marks", [True, False])
@pytest.mark.parametrize("seed", range(3))
def test_noise_where_a_sparse_line_rests_does_not_lose_its_lock(marks: bool, seed: int) -> None:
    ear = Ear(marks)
    whole = line(NEEDED, 8.0, rates=SPARSE)
    first_ns = 1_300_000_000
    noisy = error_bursts(whole.within(first_ns, whole.end_ns), NEEDED.baud, 8.0, 0.02, seed, share=0.5)
    ear.hear(whole.within(0, first_ns))
    ear.hear(noisy)
    assert ear.meter.errors.total > 5
    assert ear.meter.framer.junk > 4 * DOUBT_BYTES
    assert ear.asked == []
    assert ear.belief == Belief(Candidate(NEEDED), 1.0, locked=True)


@pytest.mark.slow
def test_a_sender_that_begins_to_send_parity_is_followed_though_every_sentence_is_read() -> None:
    ear = Ear(marks=True)
    for name in ("8N1", "8O1", "8E1", "8N1"):
        setting = Setting.parse(38_400, name)
        ear.hear(line(setting, 3.0))
        assert ear.belief == Belief(Candidate(setting), 1.0, locked=True)
        assert ear.listening == setting


def damaged(raw: bytes) -> Damaged:
    found = parse(Frame(raw, 0, 0))
    assert isinstance(found, Damaged)
    return found


@pytest.mark.parametrize(
    ("raw", "kept"),
    [
        (b"$GPGGA,101112.20,52\x9a,N*00\r\n", True),
        (b"$GP\x87GA,101112.20,5206,N*00\r\n", False),  # its address cannot be read
        (b"$GPGGA,\xb1\xb0\xb1\xb1\xb1\xb2\xae\xb2\xb0\xac5206*00\r\n", False),  # no text but for that
    ],
)
def test_a_damaged_sentence_that_can_be_read_keeps_the_lock(raw: bytes, kept: bool) -> None:
    hunt = locked_hunt()
    for tenth in range(60):
        hunt.damaged(damaged(raw))
        hunt.take(b"\x80" * 30, 3 * SECOND + tenth * SECOND // 10, 0, ())
    assert hunt.belief is not None
    assert hunt.belief.locked == kept


def test_what_vouched_for_a_lock_does_so_for_a_while_only() -> None:
    hunt = locked_hunt()
    hunt.damaged(damaged(b"$GPGGA,101112.20,52\x9a,N*00\r\n"))
    assert hunt.take(b"\x80" * DOUBT_BYTES, 3 * SECOND, 0, ()) is None
    assert hunt.belief == Belief(Candidate(NEEDED), 1.0, locked=True)
    hunt.take(b"\x80" * DOUBT_BYTES, 3 * SECOND + VOUCHED_NS + 1, 0, ())
    assert not hunt.belief.locked


def locked_hunt() -> Hunt:
    hunt = Hunt(NEEDED, NEEDED)
    assert hunt.prepare(10_000)
    for n in (1, 2):
        assert hunt.take(b"$GPGGA\r\n", n * SECOND, 1, ()) is None
    assert hunt.belief is not None
    assert hunt.belief.locked
    return hunt


def test_one_sentence_locks_nothing() -> None:
    hunt = Hunt(NEEDED, NEEDED)
    assert hunt.take(b"$GPGGA\r\n", SECOND, 1, ()) is None
    assert hunt.belief is None


def test_a_lock_is_lost_only_after_enough_bytes_without_a_sentence() -> None:
    hunt = locked_hunt()
    for place in range(DOUBT_BYTES - 1):
        assert hunt.take(b"\x80", (3 + place) * SECOND, 0, (0,)) is None
        assert hunt.belief is not None
        assert hunt.belief.locked
    hunt.take(b"\x80", 1000 * SECOND, 0, (0,))
    assert hunt.belief is not None
    assert not hunt.belief.locked


def test_the_rest_of_a_sentence_a_long_pause_and_the_first_bytes_after_it_are_no_doubt() -> None:
    hunt = locked_hunt()
    assert hunt.take(b"$GNGGA,101112.20,52", 3 * SECOND, 0, ()) is None
    assert hunt.take(b"$GNGGA,101115.20,5", 6 * SECOND, 0, ()) is None
    assert hunt.belief == Belief(Candidate(NEEDED), 1.0, locked=True)


@pytest.mark.slow
def test_a_sender_changed_while_the_box_listens_is_followed_there_and_back() -> None:
    ear = Ear()
    for setting in (NEEDED, Setting(115_200), Setting.parse(38_400, "7E1"), Setting(9600), NEEDED):
        ear.hear(line(setting, 6.0))
        assert ear.belief == Belief(Candidate(setting), 1.0, locked=True)
        assert ear.listening == setting


@pytest.mark.slow
def test_a_refused_setting_is_not_asked_for_again_and_told_all_the_same() -> None:
    ear = Ear(refuses=(Setting(115_200),))
    ear.hear(line(Setting(115_200), 10.0))
    assert ear.asked.count(Setting(115_200)) == 1
    assert ear.belief.candidate.setting.baud == 115_200


def test_a_refusal_counts_though_bytes_came_before_it() -> None:
    """The reader answers in its own time; what comes in between is weighed and may ask for nothing."""
    hunt = Hunt(NEEDED, NEEDED)
    assert hunt.prepare(10_000)
    heard = bytes(one.byte for one in Uart(NEEDED).feed(line(Setting(9600), 2.0)))
    wanted, at = None, 0
    while wanted is None:
        wanted = hunt.take(heard[at : at + 20], SECOND + at * 300_000, 0)
        at += 20
    for n in range(1, 40):  # of text at the right setting, too little is told to ask for anything
        hunt.take(b"$GNVTG,1.2,T,3.4,M,5.6,N,7.8,K,D", 2 * SECOND + n * SECOND // 100, 0)
    hunt.refused()
    asked = [hunt.take(heard[place : place + 20], 3 * SECOND + place * 300_000, 0) for place in range(at, 4000, 20)]
    assert wanted not in asked


@pytest.mark.parametrize("baud", [300, 921_600])
def test_noise_at_a_baud_that_a_sheet_may_name_and_hardly_anybody_uses_is_weighed_like_any(baud: int) -> None:
    meter, chance = LineMeter(MeterSettings(baud)), random.Random(baud)
    for n in range(40):
        meter.feed(Chunk(chance.randbytes(20), n * SECOND // 10, 1000))
    assert meter.hunt.belief is not None
    meter.tuned(Setting(76_800), 5 * SECOND)  # as a port would be that came back at a setting of its own
    for n in range(60, 100):
        meter.feed(Chunk(chance.randbytes(20), n * SECOND // 10, 1000))


@pytest.mark.slow
@pytest.mark.parametrize(
    ("needed", "listening", "sent"),
    [(921_600, 921_600, 115_200), (921_600, 115_200, 921_600), (300, 300, 4800), (300, 4800, 300)],
)
def test_a_line_is_found_from_such_a_baud_and_at_it(needed: int, listening: int, sent: int) -> None:
    ear = Ear(listening=Setting(listening), meter=LineMeter(MeterSettings(listening, needed=Setting(needed))))
    ear.hear(line(Setting(sent), 12.0 if sent == 300 else 6.0, rates={"GGA": 0.2} if sent == 300 else None))
    assert ear.belief.candidate == Candidate(Setting(sent))
    assert ear.belief.locked or ear.belief.confidence > 0.95


def test_doubts_are_prepared_a_few_at_a_time() -> None:
    hunt = Hunt(Setting(31_337), NEEDED)  # a baud that no other test has made ready
    turns = 1
    while not hunt.prepare(4):
        turns += 1
    assert turns > 10
    assert hunt.prepare(1)
