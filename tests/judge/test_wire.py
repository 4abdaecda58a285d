"""Rules about the wire: each name fails on its cause and on no other, with figures and what to try."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from random import Random

import pytest

from appliance.judge import needs
from appliance.judge.check import Check
from appliance.judge.judge import ABOUT_THE_WIRE
from appliance.judge.wire import EXPLAINS_SILENCE, EXPLAINS_TEXT, WIRE_IDS
from appliance.sentence.chunk import Chunk
from appliance.sentence.counters import Counters
from appliance.sentence.rtcm import crc24q
from appliance.sentence.setting import Setting
from appliance.simulate.drive import Drive
from appliance.simulate.receiver import Burst, Receiver, ReceiverSettings
from appliance.simulate.spoil import bit_errors, contact_loss, held_low, inverted, joined
from appliance.simulate.uart import Received, Uart
from appliance.simulate.wave import Waveform, encode
from appliance.watch import CONTROLLER, RECEIVER, Watch

ORIGIN_NS = 1_000_000_000_000
STEP_NS = 20_000_000
SECONDS = 8.0
NEEDED = Setting(38_400)
USUAL = needs.load("rate-section")


def bursts(seed: int = 1) -> Iterator[Burst]:
    return Receiver(ReceiverSettings(delay_s=0.03 + 0.004 * seed), Drive(seed), seed).epochs(0, SECONDS)


def line(setting: Setting = NEEDED, seed: int = 1) -> Waveform:
    return encode(bursts(seed), setting, to_s=SECONDS)


def corrections() -> Waveform:
    dice, said = Random(1), []
    for half_second in range(int(2 * SECONDS)):
        body = b"\xd3\x00\x80" + dice.randbytes(128)
        said.append(Burst(half_second / 2 + 0.1, body + crc24q(body).to_bytes(3, "big")))
    return encode(said, NEEDED, to_s=SECONDS)


def loose() -> Waveform:
    begins = [next(t for t in line().times_ns if t >= n * 1e9 + 2e8) / 1e9 + 0.008 for n in range(1, 8)]
    return contact_loss(line(), [(begin, 0.015) for begin in begins])


def nothing() -> Waveform:
    return Waveform(1, [], 0, line().end_ns)


def chunk(received: list[Received], setting: Setting) -> Chunk:
    """The bytes of one step, back to back up to the last of them."""
    step_ns = round(setting.character_s * 1e9)
    flawed = tuple(n for n, one in enumerate(received) if one.framing or one.parity)
    start_ns = ORIGIN_NS + round(received[-1].end_s * 1e9) - (len(received) - 1) * step_ns
    return Chunk(bytes(one.byte for one in received), start_ns, step_ns, flawed)


def runs(received: list[Received], setting: Setting) -> Iterator[Chunk]:
    begin = 0
    for place in range(1, len(received) + 1):
        rests = place < len(received) and received[place].end_s - received[place - 1].end_s > 1.5 * setting.character_s
        if place == len(received) or rests:
            yield chunk(received[begin:place], setting)
            begin = place


def seen(wave: Waveform, other: Waveform | None = None, counters: Counters | None = None) -> dict[str, Check]:
    """The checks of the line as a whole at the end, by name, after the port was tuned as asked."""
    watch = Watch(USUAL, {RECEIVER: NEEDED.baud, CONTROLLER: NEEDED.baud}, ORIGIN_NS)
    uart, listening, beside = Uart(NEEDED), NEEDED, Uart(NEEDED)
    for from_ns in range(0, wave.end_ns, STEP_NS):
        to_ns = min(from_ns + STEP_NS, wave.end_ns)
        watch.prepare()
        while watch.due(ORIGIN_NS + from_ns):
            watch.look(watch.next_look_ns)
        if other is not None:
            for piece in runs(beside.feed(other.within(from_ns, to_ns)), NEEDED):
                watch.feed(CONTROLLER, piece)
        for piece in runs(uart.feed(wave.within(from_ns, to_ns)), listening):
            if (wanted := watch.feed(RECEIVER, piece)) is not None:
                watch.receiver.tuned(wanted, ORIGIN_NS + to_ns)
                uart, listening = Uart(wanted), wanted
                break
    if counters is not None:
        watch.receiver.counted(counters, ORIGIN_NS + wave.end_ns)
    checks = watch.look(ORIGIN_NS + wave.end_ns).checks
    return {one.id: one for one in checks if one.id not in watch_messages(checks)}


def watch_messages(checks: Iterable[Check]) -> set[str]:
    """Rules that speak of single messages; asked one by one below."""
    return {one.id for one in checks if one.message}


def failing(checks: dict[str, Check]) -> set[str]:
    return {id_ for id_, one in checks.items() if one.state == "fail"}


CASES: dict[str, tuple[Callable[[], Waveform], tuple[str, ...]]] = {
    "baud-wrong": (lambda: line(Setting(9600)), ("9,600 baud", "needs 38,400", "sure to 99 %", "Set the receiver")),
    "format-wrong": (lambda: line(Setting.parse(38_400, "7E1")), ("talks 7E1", "needs 8N1", "sure to", "Set the")),
    "polarity-inverted": (lambda: inverted(line()), ("38,400 8N1", "sure to", "converter")),
    # Of 16 messages two pass while it listens whether it is faster text.
    "binary": (corrections, ("14 RTCM 3 messages", "(sure)", "Switch them off")),
    "two-talkers": (lambda: joined(line(), line(seed=5)), ("two texts", "Leave only one")),
    "contact-loss": (loose, ("7 times", "15 ms", "Wiggle plug and cable")),
    "noise": (lambda: bit_errors(line(), NEEDED.baud, 0.001, 1), ("sentences were garbled", "last 10 s", "screen")),
    "line-held-low": (lambda: held_low(line(), [(4.0, SECONDS)]), ("sure to 70 %", "Unplug one end")),
}


@pytest.mark.slow
@pytest.mark.parametrize("name", CASES)
def test_each_name_fails_on_its_cause_and_it_alone(name: str) -> None:
    wave, words = CASES[name]
    checks = seen(wave())
    assert failing(checks) & WIRE_IDS == {name}
    for word in words:
        assert word in checks[name].says
    assert checks[name].at_ns >= ORIGIN_NS


def test_pins_crossed_where_the_text_comes_on_the_other_line() -> None:
    checks = seen(nothing(), other=line())
    assert failing(checks) & ABOUT_THE_WIRE == {"pins-crossed"}  # and not silent as well
    assert "pins 2 and 3 are crossed" in checks["pins-crossed"].says
    assert "straight cable" in checks["pins-crossed"].says
    assert checks["silent"].state == "unknown"


def test_a_silent_line_beside_a_silent_one_is_silent() -> None:
    assert failing(seen(nothing(), other=nothing())) & ABOUT_THE_WIRE == {"silent"}


def test_bytes_that_the_box_lost_are_not_blamed_on_the_line() -> None:
    checks = seen(line(), counters=Counters(0, 0, 0, 2, 1))
    assert failing(checks) == {"tap-overrun"}
    assert "3 times" in checks["tap-overrun"].says
    assert "not to blame" in checks["tap-overrun"].says


@pytest.mark.parametrize("told", ["by the port", "by the queue"])
def test_what_the_box_lost_is_neither_noise_nor_a_loose_contact(told: str) -> None:
    """Characters are missing with their time, as where contact is lost; the port's count comes a tenth late."""
    watch = Watch(USUAL, {RECEIVER: NEEDED.baud}, ORIGIN_NS)
    watch.receiver.counted(Counters(0, 0, 0, 0, 0) if told == "by the port" else None, ORIGIN_NS)
    uart, wave, blamed = Uart(NEEDED), line(), set[str]()
    named = False
    for from_ns in range(0, wave.end_ns, STEP_NS):
        received = uart.feed(wave.within(from_ns, from_ns + STEP_NS))
        lost = from_ns % 1_000_000_000 == 240_000_000
        counted_ns = from_ns - 100_000_000
        times = 1 + counted_ns // 1_000_000_000
        if told == "by the queue" and lost:
            watch.receiver.lost(1, ORIGIN_NS + from_ns)
        elif told == "by the port" and counted_ns % 1_000_000_000 == 240_000_000:
            watch.receiver.counted(Counters(0, 0, 0, times, 0), ORIGIN_NS + from_ns)
        for piece in runs(received[20:] if lost else received, NEEDED):
            watch.feed(RECEIVER, piece)
        while watch.due(ORIGIN_NS + from_ns + STEP_NS):
            checks = watch.look(watch.next_look_ns).checks
            failed = {one.id for one in checks if one.state == "fail"}
            named = named or "tap-overrun" in failed
            known = told == "by the queue" or "tap-overrun" in failed  # till the port has told, damage is only damage
            blamed |= failed - {"tap-overrun"} if known else failed & WIRE_IDS
    assert watch.receiver.errors.total >= 5
    assert named
    assert blamed == set()


def test_text_that_overlaps_by_a_few_characters_is_two_talkers() -> None:
    """All that was due comes whole, and each second one more that is garbled."""
    watch = Watch(USUAL, {RECEIVER: NEEDED.baud}, ORIGIN_NS)
    step_ns = round(NEEDED.character_s * 1e9)
    for number, (due_s, data) in enumerate(bursts()):
        vtg = data[data.index(b"VTG") - 3 :].partition(b"\n")[0] + b"\n"
        extra = vtg.replace(b",K,", b"\xd4K\xb1") if number % 5 == 2 else b""
        watch.feed(RECEIVER, Chunk(data + extra, ORIGIN_NS + round(due_s * 1e9), step_ns))
        while watch.due(ORIGIN_NS + round(due_s * 1e9) + 100_000_000):
            checks = watch.look(watch.next_look_ns).checks
    found = {one.id: one for one in checks}
    assert {id_ for id_, one in found.items() if one.state == "fail"} & WIRE_IDS == {"two-talkers"}
    assert "none that was due is missing" in found["two-talkers"].says


def test_a_line_held_low_in_mid_character_is_told_by_its_last_byte() -> None:
    digit_s = next(t for t in line().times_ns if t >= 4.2e9) / 1e9 + 0.0052  # amid the position of a GGA
    checks = seen(held_low(line(), [(digit_s, SECONDS)]))
    assert failing(checks) & ABOUT_THE_WIRE == {"line-held-low"}


@pytest.mark.parametrize(("last", "held"), [(b"", False), (b"\0", True)])
def test_corrections_that_end_in_a_zero_are_not_held_low(last: bytes, held: bool) -> None:
    """Of a message's CRC one byte in 256 is 0. A break behind it has its mark."""
    dice = Random(2)
    watch = Watch(USUAL, {RECEIVER: NEEDED.baud}, ORIGIN_NS)
    message = b""
    while not message.endswith(b"\0"):
        body = b"\xd3\x00\x80" + dice.randbytes(128)
        message = body + crc24q(body).to_bytes(3, "big")
    said: set[str] = set()
    for tenth in range(300):
        at_ns = ORIGIN_NS + tenth * 100_000_000
        if tenth < 50:
            broke = last if tenth == 49 else b""
            flawed = (len(message),) if broke else ()
            watch.feed(RECEIVER, Chunk(message + broke, at_ns, 260_417, flawed))
        while watch.due(at_ns + 50_000_000):
            said |= {one.id for one in watch.look(watch.next_look_ns).checks if one.state == "fail"}
    assert "binary" in said
    assert ("line-held-low" in said) == held


def test_a_break_that_the_kernel_counted_makes_it_surer() -> None:
    checks = seen(held_low(line(), [(4.0, SECONDS)]), counters=Counters(0, 0, 1, 0, 0))
    assert "sure to 95 %" in checks["line-held-low"].says


@pytest.mark.parametrize("seed", range(1, 4))
def test_a_healthy_line_fails_none(seed: int) -> None:
    checks = seen(line(seed=seed), other=line(seed=seed + 1))
    assert failing(checks) == set()
    assert {checks[id_].state for id_ in WIRE_IDS} == {"pass"}


def test_inverted_at_another_baud_tells_both() -> None:
    assert failing(seen(inverted(line(Setting(9600))))) & WIRE_IDS == {"polarity-inverted", "baud-wrong"}


@pytest.mark.slow
@pytest.mark.parametrize("name", ["polarity-inverted", "binary"])
def test_nothing_is_asked_of_a_text_that_does_not_get_through(name: str) -> None:
    checks = seen(CASES[name][0]())
    assert failing(checks) == {name}
    assert {one.state for id_, one in checks.items() if id_ not in ABOUT_THE_WIRE} == {"unknown"}


def test_a_text_that_gets_through_is_still_judged() -> None:
    """Read at the line's own baud, its sentences are as good as any."""
    checks = seen(CASES["baud-wrong"][0]())
    assert {one.state for id_, one in checks.items() if id_ not in ABOUT_THE_WIRE} != {"unknown"}


def test_every_name_was_tried() -> None:
    assert {*CASES, "pins-crossed", "tap-overrun"} == WIRE_IDS
    assert EXPLAINS_SILENCE | EXPLAINS_TEXT <= WIRE_IDS
