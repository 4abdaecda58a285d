"""The lines of the bench of the wire: what is on them, how they are spoilt, and what should be said of them."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from random import Random

from appliance.judge import needs as needs_of
from appliance.judge.needs import Needs
from appliance.measure.signature import BAUDS, FORMATS
from appliance.sentence.rtcm import crc24q
from appliance.sentence.setting import Setting
from appliance.simulate import spoil
from appliance.simulate.drive import Drive
from appliance.simulate.receiver import Burst, Receiver, ReceiverSettings
from appliance.simulate.wave import Waveform, encode

SECONDS = 10.0
CLEAN_RUN_S = 8.0
"""Asked of a line before a go: so that one of ten seconds can be seen to go."""
NEEDED = Setting(38_400)
COMMON = {"GGA": 5.0, "VTG": 5.0, "RMC": 1.0, "ZDA": 1.0}
SPARSE = {"GGA": 1.0, "VTG": 1.0}
BESIDE = ("GSA", "GSV", "GST", "GLL", "HDT")


@dataclass(slots=True)
class Case:
    """One line. name: what should be said of it, "" for a healthy one; how: what is done to it, if not one thing only.

    rates_hz: of the messages sent, the needed ones first. setting: of the sender. marks: whether the listener's kernel
    marks flawed bytes. joined_s: when one begins to listen.
    """

    name: str
    seed: int
    setting: Setting = NEEDED
    rates_hz: dict[str, float] = field(default_factory=lambda: dict(COMMON))
    marks: bool = True
    how: str = ""
    joined_s: float = 0.0

    def __str__(self) -> str:
        traffic = "common" if self.rates_hz.get("ZDA") else "sparse"
        return f"seed {self.seed}: {self.how or self.name or 'healthy'}, {self.setting}, {traffic}, " + (
            "marks" if self.marks else "no marks"
        )


def sheet(case: Case) -> Needs:
    """The usual sheet with what this line carries: the sparse set, or other rates than the usual ones."""
    words = needs_of.text("rate-section").replace("clean_run_s = 10.0", f"clean_run_s = {CLEAN_RUN_S}")
    for type_ in COMMON:
        begin = words.index(f"[message.{type_}]")
        end = words.index("\n[", begin) + 1
        hz = case.rates_hz.get(type_)
        asked = f"[message.{type_}]\nrate_hz = {hz}\ngap_most_s = {2.5 if hz == 1 else 3 / hz}\n\n" if hz else ""
        words = words[:begin] + asked + words[end:]
    if "ZDA" not in case.rates_hz:
        words = words.replace("date_required = true", "date_required = false")
    return needs_of.from_toml(words, "bench")


def bursts(case: Case, seed_shift: int = 0) -> Iterator[Burst]:
    """What the receiver sends; another receiver with another shift."""
    dice = Random(f"bursts {case.seed} {seed_shift}")
    settings = ReceiverSettings(
        talker=dice.choice(("GN", "GP")),
        rates_hz=case.rates_hz,
        decimals=dice.choice((8, 9)) if case.how == "any" else 8,
        delay_s=dice.uniform(0.02, 0.08),
    )
    until_s = SECONDS + case.joined_s
    return Receiver(settings, Drive(case.seed + seed_shift), case.seed + seed_shift).epochs(0, until_s)


def waveform(case: Case) -> Waveform:
    """The line of a case as it is heard, spoilt by what is done to it."""
    dice = Random(f"wave {case.seed}")
    ppm = dice.uniform(-5000, 5000)
    said = _corrections(case) if case.name == "binary" else bursts(case)
    wave = encode(said, case.setting, ppm, to_s=SECONDS + case.joined_s)
    if case.joined_s:
        return spoil.joined_in(wave, case.joined_s)
    spoiler = SPOILS.get(case.how or case.name)
    return spoiler(case, wave, dice) if spoiler else wave


def _noisy(case: Case, wave: Waveform, dice: Random) -> Waveform:
    return spoil.bit_errors(wave, case.setting.baud, dice.choice((0.0005, 0.002, 0.005)), case.seed)


def _loose(case: Case, wave: Waveform, dice: Random) -> Waveform:
    lengths = [dice.uniform(0.004, 0.06) for _ in range(dice.randint(8, 16))]
    starts = [dice.choice(busy(case)) for _ in lengths]
    return spoil.contact_loss(wave, sorted(zip(starts, lengths, strict=True)))


def _noise_in_bursts(case: Case, wave: Waveform, dice: Random) -> Waveform:
    """An engine's ignition or a relay: so many spells a second, each of some characters."""
    rate_hz, length_s, share = dice.uniform(3, 10), dice.uniform(0.001, 0.02), dice.choice((0.1, 0.3, 0.5))
    return spoil.error_bursts(wave, case.setting.baud, rate_hz, length_s, case.seed, share=share)


def _joined(case: Case, wave: Waveform, dice: Random) -> Waveform:
    return spoil.joined(wave, encode(bursts(case, 1000), case.setting, dice.uniform(-5000, 5000), to_s=SECONDS))


def _nothing(_case: Case, wave: Waveform, _dice: Random) -> Waveform:
    return Waveform(1, [], 0, wave.end_ns)


SPOILS: dict[str, Callable[[Case, Waveform, Random], Waveform]] = {
    "polarity-inverted": lambda _case, wave, _dice: spoil.inverted(wave),
    "noise": _noisy,
    "bursts of noise": _noise_in_bursts,
    "contact-loss": _loose,
    "two-talkers": _joined,
    "line-held-low": lambda _case, wave, dice: spoil.held_low(wave, [(dice.uniform(3.0, 5.0), SECONDS)]),
    "silent": _nothing,
    "pins-crossed": _nothing,
}


def busy(case: Case) -> list[float]:
    """Instants at which the line carries something."""
    found = []
    for due_s, data in bursts(case):
        length_s = len(data) * case.setting.character_s
        found += [due_s + share * length_s for share in (0.1, 0.3, 0.5, 0.7)]
    return found


def _corrections(case: Case) -> Iterator[Burst]:
    dice = Random(f"corrections {case.seed}")
    for second in range(int(SECONDS)):
        data = b""
        for _ in range(dice.randint(2, 4)):
            payload = dice.randbytes(dice.randint(20, 180))
            body = b"\xd3" + len(payload).to_bytes(2, "big") + payload
            data += body + crc24q(body).to_bytes(3, "big")
        yield Burst(second + 0.1, data)


FAULTS = (
    "polarity-inverted", "binary", "two-talkers", "contact-loss", "noise", "bursts of noise", "line-held-low", "silent",
    "pins-crossed", "overrun of the port", "overrun of the queue",
)  # fmt: skip
NAMES = {
    "bursts of noise": "noise",
    "overrun of the port": "tap-overrun",
    "overrun of the queue": "tap-overrun",
}
"""Of what is done to a line, where it has not its own name."""


def cases(count: int) -> Iterator[Case]:
    """As many of each: every setting in turn, healthy, every fault in turn."""
    dice = Random("cases")
    settings = [Setting.parse(baud, name) for baud in BAUDS for name in FORMATS]
    for seed in range(count):
        sparse, marks = dice.random() < 0.5, dice.random() < 0.5
        turn, kind = divmod(seed, 3)
        if kind == 0:
            setting = settings[turn % len(settings)]
            slow = setting.baud < 9600  # a line that cannot carry the common set at all
            wrong = "" if setting == NEEDED else "baud-wrong" if setting.baud != NEEDED.baud else "format-wrong"
            yield Case(wrong, seed, setting, dict(SPARSE if sparse or slow else COMMON), marks)
        elif kind == 1:
            case = Case("", seed, NEEDED, dict(SPARSE if sparse else COMMON), marks)
            yield _in_mid_stream(case) if turn % 2 else case
        else:
            how = FAULTS[turn % len(FAULTS)]
            baud = dice.choice((9600, 19_200, 38_400, 115_200)) if how == "polarity-inverted" else NEEDED.baud
            yield Case(NAMES.get(how, how), seed, Setting(baud), dict(SPARSE if sparse else COMMON), marks, how)


def healthy_cases(count: int) -> Iterator[Case]:
    """Healthy lines of every kind: rates, messages beside the needed ones, and every other one joined in mid-stream."""
    for seed in range(count):
        dice = Random(f"healthy {seed}")
        hz = dice.choice((1.0, 2.0, 4.0, 5.0, 10.0))
        rates = {"GGA": hz, "VTG": hz}
        if dice.random() < 0.7:
            rates |= {"RMC": 1.0, "ZDA": 1.0}
        most = 1 if hz == 10 else len(BESIDE)  # what 38,400 baud can carry
        rates |= dict.fromkeys(dice.sample(BESIDE, dice.randint(0, min(most, 3))), 1.0)
        case = Case("", 100_000 + seed, NEEDED, rates, dice.random() < 0.5, "any")
        yield _in_mid_stream(case) if seed % 2 else case


def _in_mid_stream(case: Case) -> Case:
    """Where the line carries something: within a burst, a sentence and a character."""
    dice = Random(f"joined {case.seed}")
    case.joined_s = 0.001
    case.joined_s = dice.choice([t for t in busy(case) if t < 3]) + dice.uniform(0, 0.01)
    return case
