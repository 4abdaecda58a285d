"""A watch in which the port was tuned is judged from history as it was heard live."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from appliance import picture
from appliance.check import Recording
from appliance.history.rows import TuningRow, WatchStart
from appliance.history.writer import HistoryWriter
from appliance.judge import needs
from appliance.sentence.chunk import Chunk
from appliance.sentence.rtcm import crc24q
from appliance.sentence.setting import Setting
from appliance.simulate.drive import Drive
from appliance.simulate.receiver import Burst, Receiver, ReceiverSettings
from appliance.simulate.uart import Received, Uart
from appliance.simulate.wave import Waveform, encode
from appliance.source import open_source
from appliance.watch import RECEIVER, Watch

ORIGIN_NS = 5_000 * 1_000_000_000
STEP_NS = 20_000_000
SECONDS = 10.0
NEEDED = Setting(38_400)
USUAL = needs.load("rate-section")


def line(setting: Setting) -> Waveform:
    return encode(Receiver(ReceiverSettings(), Drive(1), 1).epochs(0, SECONDS), setting, to_s=SECONDS)


def runs(received: list[Received], setting: Setting) -> Iterator[Chunk]:
    """Bytes back to back as one chunk each, with the marks of the kernel."""
    step_ns, begin = round(setting.character_s * 1e9), 0
    for place in range(1, len(received) + 1):
        rests = place < len(received) and received[place].end_s - received[place - 1].end_s > 1.5 * setting.character_s
        if place == len(received) or rests:
            run = received[begin:place]
            flawed = tuple(n for n, one in enumerate(run) if one.framing or one.parity)
            yield Chunk(bytes(one.byte for one in run), ORIGIN_NS + round(run[0].end_s * 1e9), step_ns, flawed)
            begin = place


def lived(wave: Waveform, path: Path) -> tuple[dict[str, Any], set[str], list[TuningRow]]:
    """The watch as it was live: how the line was said to be set, the kinds of faults, how the port was tuned."""
    watch, tunings = Watch(USUAL, {RECEIVER: NEEDED.baud}, ORIGIN_NS), [TuningRow(RECEIVER, ORIGIN_NS, NEEDED)]
    uart, kinds = Uart(NEEDED), set()
    with HistoryWriter(path) as writer:
        writer.begin_watch(WatchStart(ORIGIN_NS, 10**18, "rate-section", "", "Tractor 3", "0"))
        writer.add_tuning(tunings[0])
        for from_ns in range(0, wave.end_ns, STEP_NS):
            to_ns = min(from_ns + STEP_NS, wave.end_ns)
            watch.prepare()
            while watch.due(ORIGIN_NS + from_ns):
                kinds |= {fault.kind for fault in watch.look(watch.next_look_ns).opened}
            for chunk in runs(uart.feed(wave.within(from_ns, to_ns)), tunings[-1].setting):
                writer.add_chunk(RECEIVER, chunk)
                if (wanted := watch.feed(RECEIVER, chunk)) is not None:
                    tunings.append(TuningRow(RECEIVER, ORIGIN_NS + to_ns, wanted))
                    writer.add_tuning(tunings[-1])
                    watch.receiver.tuned(wanted, ORIGIN_NS + to_ns)
                    uart = Uart(wanted)
                    break
        kinds |= {fault.kind for fault in watch.look(watch.last_ns).opened}
        writer.end_watch(ORIGIN_NS + wave.end_ns)
    return picture.setting(watch.receiver, RECEIVER), kinds, tunings


def judged(path: Path) -> dict[str, Any]:
    recording = Recording(open_source(path, USUAL), USUAL)
    recording.run()
    return recording.result()


@pytest.mark.slow
@pytest.mark.parametrize(
    ("setting", "fault"),
    [
        (Setting(115_200), "baud-wrong"),
        (Setting(9600), "baud-wrong"),
        (Setting.parse(38_400, "7E1"), "format-wrong"),
        (Setting.parse(38_400, "8E1"), "format-wrong"),
        (NEEDED, ""),
    ],
    ids=str,
)
def test_it_is_judged_as_it_was_heard(setting: Setting, fault: str, tmp_path: Path) -> None:
    said, kinds, tunings = lived(line(setting), tmp_path / "history.db")
    result = judged(tmp_path / "history.db")
    assert tunings[-1].setting == setting
    assert (said["baud"], said["format"], said["confidence"]) == (setting.baud, setting.name, 1.0)
    assert result["setting"] == said
    assert {one["kind"] for one in result["faults"]} == kinds
    assert (fault in kinds) == bool(fault)


def test_bytes_on_both_sides_of_a_tuning_are_told_apart_though_history_joins_them(tmp_path: Path) -> None:
    """From 8N1 to 7E1 a character takes as long as before: history keeps the bytes as one run."""
    text = next(Receiver(ReceiverSettings(), Drive(1), 1).epochs(0, 1)).data
    step_ns = round(NEEDED.character_s * 1e9)
    even = Setting.parse(38_400, "7E1")
    before = bytes(byte | (byte.bit_count() & 1) << 7 for byte in text)
    tuned_ns = ORIGIN_NS + len(before) * step_ns - step_ns // 2
    with HistoryWriter(tmp_path / "history.db") as writer:
        writer.begin_watch(WatchStart(ORIGIN_NS, 10**18, "rate-section", "", "Tractor 3", "0"))
        writer.add_chunk(RECEIVER, Chunk(before, ORIGIN_NS, step_ns))
        writer.add_tuning(TuningRow(RECEIVER, tuned_ns, even))
        writer.add_chunk(RECEIVER, Chunk(text, ORIGIN_NS + len(before) * step_ns, step_ns))
        writer.end_watch(ORIGIN_NS + 10**9)
    result = judged(tmp_path / "history.db")
    assert (result["setting"]["format"], result["setting"]["confidence"]) == ("7E1", 1.0)
    assert sum(one["count"] for one in result["messages"]) == text.count(b"\n")


def test_a_watch_without_a_sentence_is_judged_where_the_wire_says_why(tmp_path: Path) -> None:
    said = []
    for second in range(int(SECONDS)):
        body = b"\xd3\x00\x20" + bytes(range(32))
        said.append(Burst(second / 2, body + crc24q(body).to_bytes(3, "big")))
    _, kinds, _ = lived(encode(said, NEEDED, to_s=SECONDS / 2), tmp_path / "history.db")
    result = judged(tmp_path / "history.db")
    assert "binary" in kinds
    assert {one["kind"] for one in result["faults"]} == kinds
    assert result["verdict"] == "no-go"
