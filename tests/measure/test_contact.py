"""Losses of contact: told from noise and from delay, by the time and the characters that are missing."""

from __future__ import annotations

import pytest

from appliance.measure.contact import Contact
from appliance.measure.meter import LineMeter, MeterSettings
from appliance.sentence.frame import Frame
from appliance.sentence.parse import Damaged
from appliance.sentence.setting import Setting
from appliance.simulate.drive import Drive
from appliance.simulate.receiver import Receiver, ReceiverSettings
from appliance.simulate.spoil import bit_errors, contact_loss
from appliance.simulate.uart import Uart, to_chunks
from appliance.simulate.wave import Waveform, encode

CHARACTER = 260_417
MS = 1_000_000
USUAL = 80
BAUD = 38_400


def damaged(length: int, took_ns: int, reason: str = "checksum-bad", start_ns: int = 0) -> Damaged:
    return Damaged(Frame(b"$" + b"x" * (length - 1), start_ns, start_ns + took_ns), reason, "")


def told(length: int, took_ns: int, usual: int = USUAL) -> list[int]:
    contact = Contact(CHARACTER)
    contact.damaged(damaged(length, took_ns), usual)
    return [loss.length_ns for loss in contact.recent(took_ns)]


def test_characters_and_their_time_are_missing() -> None:
    rest_ns = 40 * CHARACTER
    assert told(USUAL - 40, (USUAL - 41) * CHARACTER + rest_ns) == [rest_ns]


@pytest.mark.parametrize(
    ("length", "took_ns"),
    [
        (USUAL, (USUAL - 1) * CHARACTER),  # noise: garbled in its place
        (USUAL, (USUAL - 1) * CHARACTER + 20 * MS),  # delayed by the operating system: none is missing
        (USUAL - 2, (USUAL - 1) * CHARACTER),  # shorter than a UART's own timing tells
        (USUAL - 40, (USUAL - 41) * CHARACTER),  # characters are missing, but not their time: read too late here
    ],
)
def test_what_is_none(length: int, took_ns: int) -> None:
    assert told(length, took_ns) == []


def test_of_an_unknown_message_the_rest_alone_tells() -> None:
    assert told(30, 29 * CHARACTER + 20 * MS, usual=0) == [20 * MS]


def test_what_noise_makes_of_a_resting_line_is_no_loss() -> None:
    contact = Contact(CHARACTER)
    for raw, reason in ((b"!\xe5\xc7\x9c\x90\n", "alphabet-wrong"), (b"$GPVTG,\x97\x92L\xe9 \xff", "cut-short")):
        contact.damaged(Damaged(Frame(raw, 0, 700 * MS), reason), 0)
        contact.began(10**9)
    assert contact.count == 0


def test_noise_leaves_some_time_unused_for_each_character_that_it_makes() -> None:
    raw = b"$GPGGA," + b"\xe5" * 20 + b"x" * (USUAL - 40)
    contact = Contact(CHARACTER)
    contact.damaged(Damaged(Frame(raw, 0, (len(raw) + 9) * CHARACTER), "alphabet-wrong"), USUAL)
    assert contact.count == 0
    contact.damaged(Damaged(Frame(raw, 0, (len(raw) + 19) * CHARACTER), "alphabet-wrong"), USUAL)
    assert contact.count == 1


@pytest.mark.parametrize(("rest_characters", "count"), [(0, 0), (3, 0), (4, 1), (100, 1)])
def test_a_sentence_that_breaks_off_before_a_rest(rest_characters: int, count: int) -> None:
    contact = Contact(CHARACTER)
    contact.damaged(damaged(30, 29 * CHARACTER, "cut-short"), USUAL)
    contact.began(29 * CHARACTER + (1 + rest_characters) * CHARACTER)
    contact.began(10**12)  # counted once
    assert contact.count == count
    assert contact.longest_ns == count * rest_characters * CHARACTER


@pytest.mark.parametrize(
    ("end", "count"),
    [
        (b"*6", 1),  # three characters fewer, and then nothing
        (b"*6B", 1),
        (b"*", 1),
        (b"*6B\x8d\x8a", 0),  # noise on the line end
        (b"*6Bxx", 0),
    ],
)
def test_a_sentence_that_breaks_off_within_its_sum(end: bytes, count: int) -> None:
    raw = b"$" + b"x" * (USUAL - 5 - 1) + end
    contact = Contact(CHARACTER)
    contact.damaged(Damaged(Frame(raw, 0, (len(raw) - 1) * CHARACTER), "cut-short", ""), USUAL)
    contact.began(10**9)
    assert contact.count == count


def test_they_are_recent_for_ten_seconds_or_until_the_port_is_tuned() -> None:
    contact = Contact(CHARACTER)
    for start_s in (0, 5):
        contact.damaged(damaged(30, 29 * CHARACTER + 20 * MS, start_ns=start_s * 10**9), USUAL)
    assert len(contact.recent(10**10 - 1)) == 2
    assert len(contact.recent(10**10)) == 1
    contact.forget_recent()
    assert contact.recent(10**10) == []
    assert contact.count == 2


def heard(line: Waveform) -> LineMeter:
    setting, meter = Setting(BAUD), LineMeter(MeterSettings(BAUD))
    for chunk in to_chunks(Uart(setting).feed(line), setting):
        meter.feed(chunk)
    return meter


def healthy() -> Waveform:
    return encode(Receiver(ReceiverSettings(), Drive(1), 1).epochs(0, 6), Setting(BAUD), to_s=6)


def test_losses_in_mid_sentence_are_counted_with_their_lengths() -> None:
    line = healthy()
    busy_s = [t_ns / 1e9 for t_ns in line.times_ns]
    begins = [next(t for t in busy_s if t >= second + 0.2) + 0.008 for second in range(1, 6)]
    meter = heard(contact_loss(line, [(begin, 0.012) for begin in begins]))
    losses = meter.contact.recent(6 * 10**9)
    assert len(losses) == 5
    for loss in losses:  # right to a character at either end
        assert abs(loss.length_ns - 12 * MS) <= 2 * CHARACTER


def test_neither_health_nor_noise_looks_like_a_loss() -> None:
    assert heard(healthy()).contact.count == 0
    noisy = heard(bit_errors(healthy(), BAUD, 0.002, 1))
    assert noisy.errors.total > 10
    assert noisy.contact.count <= 0.1 * noisy.errors.total
