"""How often the box names right what is wrong with a wire: a confusion table over seeded lines.

    python tests/bench/wire.py [lines]

Each line is ten seconds of traffic, drawn bit by bit, spoiled, and heard by a simulated UART at the setting that the
hunt asks for, through the same watch that judges a live line. Half of the lines carry the common set of messages, half
are sparse (1 Hz); half of the listeners have a kernel that marks flawed bytes, half do not. The last word counts for
faults; for settings, what is believed five seconds after the first byte.

Formats that a listener without marks cannot tell apart count as one: parity that is never looked at.
"""

from __future__ import annotations

import sys
import time
from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from random import Random

from appliance.judge import needs as needs_of
from appliance.judge.needs import Needs
from appliance.judge.wire import SURE
from appliance.measure.signature import BAUDS, FORMATS
from appliance.sentence.chunk import Chunk
from appliance.sentence.rtcm import crc24q
from appliance.sentence.setting import Setting
from appliance.simulate import spoil
from appliance.simulate.drive import Drive
from appliance.simulate.receiver import Burst, Receiver, ReceiverSettings
from appliance.simulate.uart import Uart
from appliance.simulate.wave import Waveform, encode
from appliance.watch import CONTROLLER, RECEIVER, Watch

SECONDS = 10.0
STEP_NS = 20_000_000
ORIGIN_NS = 1_000_000_000_000
NEEDED = Setting(38_400)
COMMON = {"GGA": 5.0, "VTG": 5.0, "RMC": 1.0, "ZDA": 1.0}
SPARSE = {"GGA": 1.0, "VTG": 1.0}


@dataclass(slots=True)
class Case:
    """One line. name: what should be said of it; "" for a healthy one."""

    name: str
    seed: int
    setting: Setting = NEEDED
    sparse: bool = False
    marks: bool = True

    def rates(self) -> dict[str, float]:
        return SPARSE if self.sparse else COMMON


def sheet(case: Case) -> Needs:
    """The usual sheet; for sparse traffic its messages at 1 Hz."""
    usual = needs_of.load("rate-section")
    if not case.sparse:
        return usual
    words = (
        needs_of.text("rate-section")
        .replace("rate_hz = 5.0", "rate_hz = 1.0")
        .replace("gap_most_s = 0.6", "gap_most_s = 2.5")
    )
    kept = words.split("[message.RMC]", maxsplit=1)[0] + "[fix]" + words.split("[fix]", maxsplit=1)[1]
    return needs_of.from_toml(kept.replace("date_required = true", "date_required = false"), "sparse")


def bursts(case: Case, seed_shift: int = 0) -> Iterator[Burst]:
    dice = Random(f"bursts {case.seed} {seed_shift}")
    settings = ReceiverSettings(
        talker=dice.choice(("GN", "GP")),
        rates_hz=case.rates(),
        decimals=8,
        delay_s=dice.uniform(0.02, 0.08),
    )
    return Receiver(settings, Drive(case.seed + seed_shift), case.seed + seed_shift).epochs(0, SECONDS)


def waveform(case: Case) -> Waveform:
    """The line of a case as it is heard, spoiled by what its name says."""
    dice = Random(f"wave {case.seed}")
    ppm = dice.uniform(-5000, 5000)
    said = _corrections(case) if case.name == "binary" else bursts(case)
    wave = encode(said, case.setting, ppm, to_s=SECONDS)
    spoiler = SPOILS.get(case.name)
    return spoiler(case, wave, dice) if spoiler else wave


def _noisy(case: Case, wave: Waveform, dice: Random) -> Waveform:
    return spoil.bit_errors(wave, case.setting.baud, dice.choice((0.0005, 0.002, 0.005)), case.seed)


def _loose(case: Case, wave: Waveform, dice: Random) -> Waveform:
    lengths = [dice.uniform(0.004, 0.06) for _ in range(dice.randint(8, 16))]
    starts = [dice.choice(_busy(case)) for _ in lengths]
    return spoil.contact_loss(wave, sorted(zip(starts, lengths, strict=True)))


def _joined(case: Case, wave: Waveform, dice: Random) -> Waveform:
    return spoil.joined(wave, encode(bursts(case, 1000), case.setting, dice.uniform(-5000, 5000), to_s=SECONDS))


def _nothing(_case: Case, wave: Waveform, _dice: Random) -> Waveform:
    return Waveform(1, [], 0, wave.end_ns)


SPOILS: dict[str, Callable[[Case, Waveform, Random], Waveform]] = {
    "polarity-inverted": lambda _case, wave, _dice: spoil.inverted(wave),
    "noise": _noisy,
    "contact-loss": _loose,
    "two-talkers": _joined,
    "line-held-low": lambda _case, wave, dice: spoil.held_low(wave, [(dice.uniform(3.0, 5.0), SECONDS)]),
    "silent": _nothing,
    "pins-crossed": _nothing,
}


def _busy(case: Case) -> list[float]:
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


@dataclass(slots=True)
class Outcome:
    """What was said. setting: as believed 5 s after the first byte; heard: whether any byte came."""

    said: list[str]
    setting: Setting | None
    first_no_go_s: float | None
    tuned: int


def run(case: Case) -> Outcome:
    """One line through UART, hunt and judge."""
    watch = Watch(sheet(case), {RECEIVER: NEEDED.baud, CONTROLLER: NEEDED.baud}, ORIGIN_NS)
    line = waveform(case)
    uart, listening, tuned = Uart(NEEDED, case.seed), NEEDED, 0
    other = Uart(NEEDED, case.seed) if case.name == "pins-crossed" else None
    other_line = encode(bursts(case), NEEDED, to_s=SECONDS) if other else None
    named: Counter[str] = Counter()
    setting, first_byte_s, first_no_go_s = None, None, None
    for from_ns in range(0, line.end_ns, STEP_NS):
        to_ns = min(from_ns + STEP_NS, line.end_ns)
        if from_ns % 40_000_000 == 0:
            watch.prepare()
        while watch.next_look_ns <= ORIGIN_NS + from_ns:
            for check in watch.look(watch.next_look_ns).checks:
                if check.state == "fail":
                    named[check.id] += 1
                    first_no_go_s = first_no_go_s or from_ns / 1e9
        if other and other_line:
            for chunk in _chunks(other.feed(other_line.within(from_ns, to_ns)), NEEDED, marks=False):
                watch.feed(CONTROLLER, chunk)
        for chunk in _chunks(uart.feed(line.within(from_ns, to_ns)), listening, marks=case.marks):
            first_byte_s = from_ns / 1e9 if first_byte_s is None else first_byte_s
            wanted = watch.feed(RECEIVER, chunk)
            if wanted is not None:
                watch.receiver.tuned(wanted, ORIGIN_NS + to_ns)
                uart, listening, tuned = Uart(wanted, case.seed), wanted, tuned + 1
                break
        if first_byte_s is not None and setting is None and to_ns / 1e9 >= min(first_byte_s + 5, SECONDS - 0.1):
            belief = watch.receiver.hunt.belief
            setting = belief.candidate.setting if belief and (belief.locked or belief.confidence >= SURE) else None
    checks = watch.look(ORIGIN_NS + line.end_ns).checks
    said = [check.id for check in checks if check.state == "fail"]
    if case.name in ("noise", "contact-loss", "two-talkers", ""):  # they come and go: what was said at any time
        said += [id_ for id_, _ in named.most_common() if id_ not in said]
    return Outcome(said, setting, first_no_go_s, tuned)


def _chunks(received: list, setting: Setting, *, marks: bool) -> Iterator[Chunk]:  # type: ignore[type-arg]
    """Bytes back to back as one chunk each, with their true times."""
    step_ns = round(setting.character_s * 1e9)
    begin = 0
    for place in range(1, len(received) + 1):
        if place == len(received) or (received[place].end_s - received[place - 1].end_s) * 1e9 > 1.5 * step_ns:
            run_ = received[begin:place]
            flawed = tuple(n for n, one in enumerate(run_) if one.framing or one.parity) if marks else None
            start_ns = ORIGIN_NS + round(run_[0].end_s * 1e9)
            yield Chunk(bytes(one.byte for one in run_), start_ns, step_ns, flawed)
            begin = place


WIRE = (
    "polarity-inverted", "baud-wrong", "format-wrong", "binary", "two-talkers", "contact-loss", "noise",
    "line-held-low", "silent", "pins-crossed",
)  # fmt: skip


def cases(count: int) -> Iterator[Case]:
    """As many of each: healthy, every setting in turn, every fault in turn."""
    dice = Random("cases")
    settings = [Setting.parse(baud, name) for baud in BAUDS for name in FORMATS]
    for seed in range(count):
        sparse, marks = dice.random() < 0.5, dice.random() < 0.5
        kind = seed % 3
        if kind == 0:
            setting = settings[seed // 3 % len(settings)]
            if setting.baud < 9600 and not sparse:
                sparse = True  # a line that cannot carry the common set at all
            wrong = "" if setting == NEEDED else "baud-wrong" if setting.baud != NEEDED.baud else "format-wrong"
            yield Case(wrong, seed, setting, sparse, marks)
        elif kind == 1:
            yield Case("", seed, NEEDED, sparse, marks)
        else:
            name = ("polarity-inverted", "binary", "two-talkers", "contact-loss", "noise", "line-held-low", "silent",
                    "pins-crossed")[seed // 3 % 8]  # fmt: skip
            baud = dice.choice((9600, 19_200, 38_400, 115_200)) if name == "polarity-inverted" else NEEDED.baud
            yield Case(name, seed, Setting(baud), sparse, marks)


def alike(found: Setting | None, true: Setting, marks: bool) -> bool:
    """Whether the setting told is right, as far as the listener can tell."""
    if found == true:
        return True
    return found is not None and not marks and found.baud == true.baud and found.bits == true.bits


def main(count: int) -> int:
    started = time.perf_counter()
    table: Counter[tuple[str, str]] = Counter()
    right_settings = settings = right_faults = faults = false_alarms = healthy = disturbed = 0
    for case in cases(count):
        outcome = run(case)
        wire = [id_ for id_ in outcome.said if id_ in WIRE]
        told = next((id_ for id_ in wire if id_ == case.name), wire[0] if wire else (outcome.said or ["nothing"])[0])
        if case.name in ("baud-wrong", "format-wrong"):
            settings += 1
            right_settings += alike(outcome.setting, case.setting, case.marks)
            if not alike(outcome.setting, case.setting, case.marks):
                print(f"  seed {case.seed}: {case.setting} {'sparse' if case.sparse else 'common'} "
                      f"{'marks' if case.marks else 'no marks'}: believed {outcome.setting}")  # fmt: skip
            invisible = case.name == "format-wrong" and not case.marks and case.setting.bits == 8
            table["unseen parity" if invisible else case.name, told if outcome.said else "nothing"] += 1
        elif case.name == "":
            healthy += 1
            false_alarms += bool(outcome.said)
            disturbed += outcome.tuned > 0
            table["healthy", outcome.said[0] if outcome.said else "nothing"] += 1
        else:
            faults += 1
            first = wire[0] if wire else "nothing"
            right_faults += first == case.name
            table[case.name, first] += 1
            if first != case.name:
                print(f"  seed {case.seed}: {case.name} {'sparse' if case.sparse else 'common'} "
                      f"{'marks' if case.marks else 'no marks'}: said {outcome.said}")  # fmt: skip
    print(f"\n{'the line is':20}{'the box says':22}{'lines':>6}")
    for (true, told), number in sorted(table.items()):
        print(f"{true:20}{told:22}{number:>6}")
    print(f"\nsettings told right within 5 s: {right_settings} of {settings}")
    print(f"faults named right: {right_faults} of {faults}")
    print(f"healthy lines called faulty: {false_alarms} of {healthy}; disturbed by hunting: {disturbed}")
    print(f"{count} lines of {SECONDS:.0f} s in {time.perf_counter() - started:.0f} s")
    good = right_settings >= 0.99 * settings and right_faults >= 0.97 * faults and not false_alarms and not disturbed
    return 0 if good else 1


if __name__ == "__main__":
    sys.exit(main(int(sys.argv[1]) if len(sys.argv) > 1 else 1000))
