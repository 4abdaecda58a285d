"""The core, run over a script in a time of its own: what it shows, what it keeps, and what does not stop it."""

from __future__ import annotations

import contextlib
import json
import re
import threading
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from appliance import check
from appliance.history.reader import History
from appliance.history.rows import WatchStart
from appliance.judge import needs
from appliance.line.port import Counted, PortState, Tuned
from appliance.sentence.chunk import Chunk
from appliance.sentence.counters import Counters
from appliance.sentence.setting import Setting
from appliance.settings import Settings
from appliance.simulate.drive import Drive
from appliance.simulate.faults import Spell, apply
from appliance.simulate.receiver import Receiver, ReceiverSettings
from appliance.simulate.wire import chunks
from appliance.source import open_source
from appliance.tap.core import PICTURE, Core
from appliance.tap.inbox import Inbox, Item
from appliance.tap.keeper import Keeper
from appliance.tap.wiggling import NAME as WIGGLE

ORIGIN_NS = 900_000_000_000  # as of the script
SECOND = 1_000_000_000
RECEIVER = "from-receiver"
Box = Callable[..., Settings]
Play = Callable[..., Core]
OPEN = (ORIGIN_NS, (RECEIVER, PortState(RECEIVER, ORIGIN_NS, "open", "")))


def said(*spells: Spell, seconds: float = 20.0) -> list[Any]:
    """Each chunk at the instant at which its last byte had come."""
    bursts = Receiver(ReceiverSettings(), Drive(1), 1).epochs(0, seconds)
    feed = chunks(apply(bursts, spells, 1), 38400, origin_ns=ORIGIN_NS, most_bytes=64, most_s=1.0)
    return [OPEN, *((chunk.end_ns, (RECEIVER, chunk)) for chunk in feed)]


def at(seconds: float, what: Callable[[], object]) -> tuple[int, Callable[[], object]]:
    return ORIGIN_NS + round(seconds * SECOND), what


def shown(box: Settings) -> dict[str, Any]:
    return json.loads((box.run_folder / PICTURE).read_text())  # type: ignore[no-any-return]


def in_order(script: list[Any]) -> list[Any]:
    return sorted(script, key=lambda step: step[0])


@pytest.mark.slow
def test_a_day_in_small(play: Play, box: Box) -> None:
    """A healthy line, VTG away for two seconds, well again: picture, history and evidence tell it."""
    settings = box()
    pictures: dict[int, dict[str, Any]] = {}

    def look(second: int) -> Callable[[], object]:
        return lambda: pictures.update({second: shown(settings)})

    script = said(Spell("message-off", 15, 17, what="VTG"), seconds=30.0)
    for second in (5, 12, 16, 29):
        script.append(at(second + 0.01, look(second)))
    play(in_order(script), settings)
    assert [pictures[second]["verdict"]["state"] for second in (5, 12, 16, 29)] == ["wait", "go", "no-go", "go"]
    assert pictures[16]["faults_open"][0]["kind"] == "gap"
    assert pictures[16]["checks"][0]["state"] == "fail"
    assert pictures[16]["verdict"]["says"].startswith("VTG has been away for")
    assert pictures[29]["faults_open"] == []
    (recent,) = pictures[29]["faults_recent"]
    assert (recent["kind"], recent["start_s"], recent["end_s"]) == (
        "gap",
        pytest.approx(14.9, abs=0.1),
        pytest.approx(17.1, abs=0.1),
    )
    assert pictures[29]["lamps"] == {"pins": "mock", "green": True, "red": False, "pattern": "go"}
    assert pictures[29]["clock"]["source"] == "line"
    # The receiver's second 29 is 09:12:29; its sentences come 0.03 s later, which the anchor cannot know.
    assert pictures[29]["at_utc"].startswith("2026-05-04T09:12:2")
    with History(settings.history) as history:
        watch = history.latest()
        assert watch is not None
        assert watch.dated
        raw = b"".join(chunk.data for chunk in history.chunks(watch.id, RECEIVER))
        assert raw == b"".join(
            step[1][1].data for step in script if isinstance(step[1], tuple) and isinstance(step[1][1], Chunk)
        )
        rows = list(history.seconds(watch.id, RECEIVER, None, None))
        assert sum(row.bytes for row in rows) == len(raw)
        assert sum(row.sentences for row in rows) == raw.count(b"\n")
        assert len({row.second_ns for row in rows}) == len(rows)
        assert {row.verdict for row in rows} == {"wait", "go", "no-go"}
        full = next(row for row in rows if row.second_ns == ORIGIN_NS + 13 * SECOND)
        assert (full.messages["GNGGA"], full.quality, full.damaged) == (5, 4, 0)
        assert full.load_ratio == pytest.approx(full.bytes * 10 / 38400, abs=0.001)
        (row,) = history.faults(watch.id)
        fault = history.fault(row.id)
        assert (fault.kind, fault.message) == ("gap", "VTG")
        assert fault.end_ns is not None
        (clip,) = fault.evidence
        assert clip.chunks[0].start_ns == pytest.approx(fault.start_ns - 5 * SECOND, abs=0.3 * SECOND)
        assert clip.chunks[-1].end_ns == pytest.approx(fault.end_ns + 5 * SECOND, abs=0.3 * SECOND)


def test_other_needs_begin_a_new_watch_and_no_byte_is_missed(play: Play, box: Box) -> None:
    """Verdict and faults begin anew; what was judged by the old sheet stays judged by it."""
    settings = box()
    pictures: dict[int, dict[str, Any]] = {}
    cores: list[Core] = []
    script = said(Spell("message-off", 13, 30, what="VTG"), seconds=30.0)
    usual = needs.text("rate-section").replace("usual set", "without speed")
    toml = re.sub(r"\[message\.VTG\][^[]*", "", usual)
    script.append(at(15.01, lambda: cores[0].renew(needs.from_toml(toml, "no-speed"), toml)))

    def look(second: int) -> Callable[[], object]:
        return lambda: pictures.update({second: shown(settings)})

    script += [at(second + 0.02, look(second)) for second in (14, 16, 29)]
    play(in_order(script), settings, at_start=cores.append)
    assert [pictures[second]["verdict"]["state"] for second in (14, 16, 29)] == ["no-go", "wait", "go"]
    assert [pictures[second]["needs"]["name"] for second in (14, 16)] == ["rate-section", "no-speed"]
    assert pictures[14]["faults_open"]
    assert pictures[16]["faults_open"] == pictures[16]["faults_recent"] == []
    assert pictures[16]["lines"][0]["port_state"] == "open"
    assert pictures[16]["watch"]["seconds"] < 2
    with History(settings.history) as history:
        first, then = history.watch(1), history.watch(2)
        assert (first.ended_how, first.needs_name) == ("stopped", "rate-section")
        assert (then.needs_name, then.needs_toml) == ("no-speed", toml)
        assert first.ended_ns == then.started_ns
        assert [fault.kind for fault in history.faults(1)] == ["gap"]
        assert [fault.kind for fault in history.faults(2) if fault.kind != "silent"] == []  # the script ends in silence
        raw = b"".join(chunk.data for watch in (1, 2) for chunk in history.chunks(watch, RECEIVER))
        assert raw == b"".join(
            step[1][1].data for step in script if isinstance(step[1], tuple) and isinstance(step[1][1], Chunk)
        )
        assert [mark.note for mark in history.marks(1)] == [
            "Needs changed to “Rate and section controller, without speed”; a new watch began."
        ]
        assert "before, “Rate and section controller, usual set”" in history.marks(2)[0].note
        assert [row.setting.baud for row in history.tunings(2, RECEIVER)] == [38400]


def test_other_needs_find_the_port_as_it_is_tuned(play: Play, box: Box) -> None:
    settings = box()
    cores: list[Core] = []
    odd = Setting.parse(9600, "8E1")
    tuned = Tuned(RECEIVER, ORIGIN_NS + SECOND, odd, "")
    script: list[Any] = [OPEN, (ORIGIN_NS + SECOND, (RECEIVER, tuned))]
    script.append(at(2, lambda: cores[0].renew(needs.load("alive"), needs.text("alive"))))
    pictures: list[dict[str, Any]] = []
    script.append(at(3, lambda: pictures.append(shown(settings))))
    play(script, settings, at_start=cores.append)
    assert (pictures[0]["lines"][0]["baud"], pictures[0]["lines"][0]["format"]) == (9600, "8E1")
    with History(settings.history) as history:
        assert [row.setting for row in history.tunings(2, RECEIVER)] == [odd]


def test_with_faulty_settings_the_lamps_never_say_go(play: Play, box: Box) -> None:
    """What the box wrote of its own card's fault stands above what the line says, to lamps, page and history."""
    settings = replace(box(), faulty="The settings on the card cannot be used: row 3.")
    pictures: list[dict[str, Any]] = []
    looks = [at(second, lambda: pictures.append(shown(settings))) for second in range(2, 28)]
    play(in_order([*said(seconds=28.0), *looks]), settings)
    assert len(pictures) == 26
    for picture in pictures:
        assert (picture["verdict"]["state"], picture["verdict"]["says"]) == ("no-go", settings.faulty)
        assert (picture["lamps"]["pattern"], picture["lamps"]["green"]) == ("no-go", False)
        assert settings.faulty in picture["box"]["says"]
    assert pictures[-1]["causes"][0]["id"] == "settings"
    with History(settings.history) as history:
        assert [fault.kind for fault in history.faults(1)] == ["settings-faulty"]


def test_the_history_judges_like_the_live_watch(play: Play, box: Box) -> None:
    settings = box()
    pictures: list[dict[str, Any]] = []
    spells = (Spell("silence", 12, 14), Spell("quality", 16, 17, 9))
    play(in_order([*said(*spells, seconds=28.0), at(27.9, lambda: pictures.append(shown(settings)))]), settings)
    needs = settings.load_needs()
    recording = check.Recording(open_source(settings.history, needs), needs)
    recording.run()
    live = [(one["kind"], one["start_s"], one["end_s"]) for one in reversed(pictures[0]["faults_recent"])]
    begun_s = (recording.watch.started_ns - ORIGIN_NS) / 1e9 if recording.watch else 0.0
    judged = [(one["kind"], one["start_s"] + begun_s, one["end_s"] + begun_s) for one in recording.result()["faults"]]
    assert [kind for kind, *_ in live] == ["silent", "quality-not-accepted"]
    for one, two in zip(live, judged, strict=True):
        assert one[0] == two[0]
        assert one[1:] == pytest.approx(two[1:], abs=0.002)


def test_the_shape_of_the_picture(play: Play, box: Box) -> None:
    settings = box(controller='[line.from-controller]\nport = "/dev/none"')
    controller = (
        ORIGIN_NS,
        ("from-controller", PortState("from-controller", ORIGIN_NS, "missing", "It is not there.")),
    )
    pictures: list[dict[str, Any]] = []
    script = [OPEN, controller, *said(seconds=3.0)[1:], at(2.9, lambda: pictures.append(shown(settings)))]
    play(in_order(script), settings)
    (picture,) = pictures
    assert picture.keys() == {
        "format", "version", "at_utc", "machine", "verdict", "needs", "checks", "lines", "watch", "clock", "lamps",
        "wiggle", "box", "controller_saw", "proof", "causes", "faults_open", "faults_recent", "marks",
    }  # fmt: skip
    assert (picture["format"], picture["machine"]) == (1, "Larkmere tractor 3")
    receiver, controller_row = picture["lines"]
    assert (receiver["name"], receiver["port_state"], receiver["port_says"]) == (RECEIVER, "open", "")
    assert (controller_row["port_state"], controller_row["port_says"]) == ("missing", "It is not there.")
    assert receiver["bytes"]["total"] > 1500
    assert receiver["setting"].keys() == {"line", "baud", "format", "carries", "needed_baud", "confidence"}
    assert (receiver["setting"]["baud"], receiver["setting"]["needed_baud"]) == (38400, 38400)
    assert (receiver["counters"], receiver["floor_s"]) == (None, None)
    assert controller_row["setting"]["line"] == "from-controller"
    assert picture["controller_saw"] == {
        "asked": ["position", "speed"], "lost_s": {"position": 0, "speed": 0}, "spans": [],
    }  # fmt: skip
    assert receiver["motion"].keys() >= {"speed_ratio", "largest_jump_m", "cep_m"}
    assert receiver["clock"].keys() >= {"offset_s", "slope_ppm", "steps", "epochs", "box_ahead_s"}
    assert picture["wiggle"] is False
    assert picture["watch"]["seconds"] == pytest.approx(2.9, abs=1.0)
    assert picture["box"] == {"dropped": 0, "history_says": "", "says": []}
    assert {one["line"] for one in picture["checks"]} == {RECEIVER}


def test_figures_that_run_on_are_shown_each_second_and_what_has_weight_at_once(play: Play, box: Box) -> None:
    settings = box()
    pictures: dict[int, dict[str, Any]] = {}

    def keep(tenth: int) -> Callable[[], None]:
        return lambda: pictures.update({tenth: shown(settings)})

    script = said(Spell("no-checksum", 8.0, 8.3), seconds=10.0)
    script += [at(tenth / 10, keep(tenth)) for tenth in range(20, 100)]
    play(in_order(script), settings)
    assert all(tenth / 10 - picture["watch"]["seconds"] <= 1.1 for tenth, picture in pictures.items())
    before = [picture["at_utc"] for tenth, picture in pictures.items() if tenth < 80]
    assert 6 <= len(set(before)) <= 18  # of 30 looks
    damaged = [tenth for tenth, picture in pictures.items() if picture["lines"][0]["damaged"]]
    assert 80 < damaged[0] <= 84


def test_what_the_port_tells_of_itself_is_shown(play: Play, box: Box) -> None:
    settings, pictures = box(), []
    told: list[PortState | Counted | Tuned] = [
        PortState(RECEIVER, ORIGIN_NS, "open", "", 0.016),
        Counted(RECEIVER, ORIGIN_NS, Counters(3, 1, 0, 2, 5)),
        Tuned(RECEIVER, ORIGIN_NS + SECOND, Setting(9600), "", 0.001),
    ]
    script = [(one.at_ns, (RECEIVER, one)) for one in told]
    play([*script[:2], at(0.5, keep := lambda: pictures.append(shown(settings))), script[2], at(1.5, keep)], settings)
    lines = [picture["lines"][0] for picture in pictures]
    assert [(line["baud"], line["floor_s"]) for line in lines] == [(38400, 0.016), (9600, 0.001)]
    assert lines[0]["counters"] == {"framing": 3, "parity": 1, "breaks": 0, "lost_here": 7}
    assert lines[1]["setting"] == {
        "line": RECEIVER, "baud": 9600, "format": "8N1", "carries": None, "needed_baud": 38400, "confidence": None,
    }  # fmt: skip


def test_a_wiggle_test_shows_in_file_picture_lamps_and_marks(play: Play, box: Box) -> None:
    settings = box()
    cores: list[Core] = []
    seen: list[tuple[dict[str, Any], dict[str, Any]]] = []

    def look() -> None:
        seen.append((shown(settings), json.loads((settings.run_folder / WIGGLE).read_text())))

    def find() -> None:
        (thread,) = [one for one in threading.enumerate() if one.name == "core"]
        cores.append(thread._target.__self__)  # type: ignore[attr-defined]

    script = [
        *said(Spell("message-off", 14, 15, what="VTG"), seconds=20.0), at(0.0, find),
        at(12.0, lambda: cores[0].wiggle(True)), at(13.9, look), at(14.45, look),
        at(16.0, lambda: cores[0].wiggle(False)), at(17.0, look),
    ]  # fmt: skip
    play(in_order(script), settings)
    before, during, after = seen
    assert [picture["lamps"]["pattern"] for picture, _ in seen[::2]] == ["wiggle", "no-go"]
    assert [(picture["wiggle"], wiggle["on"]) for picture, wiggle in seen] == [(True, True)] * 2 + [(False, False)]
    assert [wiggle["count"] for _, wiggle in (before, during)] == [0, 2]  # of those at 14.0 s and 14.2 s
    assert after[1]["missing"] == after[1]["count"] == 5
    with History(settings.history) as history:
        assert [(mark.source, mark.note) for mark in history.marks(1)] == [
            ("box", "Wiggle test began"),
            ("box", "Wiggle test ended: 5 losses in 4.0 s: 0 damaged, 5 missing"),
        ]


def test_a_test_that_is_on_at_the_stop_is_ended(play: Play, box: Box) -> None:
    settings = box()
    play(said(seconds=2.0), settings, lambda core: core.wiggle(True).wait(10))
    with History(settings.history) as history:
        began, ended = history.marks(1)
        assert began.note == "Wiggle test began"
        assert ended.note.startswith("Wiggle test ended with its watch: ")


def test_what_the_controller_says_is_shown_with_its_time(play: Play, box: Box) -> None:
    settings, pictures = box(controller='[line.from-controller]\nport = "/dev/none"'), []
    asked = Chunk(b"$CCGPQ,GGA*2B\r\nset rate 1\r\n", ORIGIN_NS + SECOND, 1000)
    play([(asked.end_ns, ("from-controller", asked)), at(1.5, lambda: pictures.append(shown(settings)))], settings)
    receiver, controller = pictures[0]["lines"]
    assert receiver["said"] == []
    assert [row["text"] for row in controller["said"]] == ["set rate 1", "$CCGPQ,GGA*2B"]
    assert [row["at_s"] for row in controller["said"]] == [1.0, 1.0]
    assert controller["said"][0]["at_utc"].endswith("Z")


def test_before_a_port_has_said_anything_it_is_missing(play: Play, box: Box) -> None:
    settings, pictures = box(), []
    play([at(1.0, lambda: pictures.append(shown(settings)))], settings)
    assert pictures[0]["lines"][0]["port_state"] == "missing"
    assert "not been opened yet" in pictures[0]["lines"][0]["port_says"]
    assert pictures[0]["clock"]["source"] == "box"


def test_a_port_that_is_missing_is_no_go_and_a_stop_is_no_fault(play: Play, box: Box) -> None:
    settings, pictures = box(), []
    gone = PortState(RECEIVER, ORIGIN_NS + SECOND, "missing", "Nothing is plugged in.")
    ended = PortState(RECEIVER, ORIGIN_NS + 4 * SECOND, "stopped", "")
    script = [
        (gone.at_ns, (RECEIVER, gone)),
        at(3.0, lambda: pictures.append(shown(settings))),
        (ended.at_ns, (RECEIVER, ended)),
        at(5.0, lambda: pictures.append(shown(settings))),
    ]
    play(script, settings)
    for picture in pictures:
        assert (picture["verdict"]["state"], picture["verdict"]["says"]) == ("no-go", "Nothing is plugged in.")
        assert [one["kind"] for one in picture["faults_open"]] == ["port-lost"]
    assert pictures[1]["lines"][0]["port_state"] == "stopped"


def test_a_fault_that_lasts_at_the_stop_is_kept_with_its_evidence(play: Play, box: Box) -> None:
    settings = box()
    play(said(Spell("quality", 12, 99, 9), seconds=15.0), settings)
    with History(settings.history) as history:
        (row,) = [one for one in history.faults(None) if one.kind == "quality-not-accepted"]
        assert row.end_ns is not None
        (clip,) = history.fault(row.id).evidence
        assert clip.chunks


def test_stopping_within_a_sentence_is_no_fault(play: Play, box: Box) -> None:
    settings = box()
    script = said(seconds=12.0)
    at_ns, (line, last) = script[-1]
    script[-1] = (at_ns, (line, Chunk(last.data[:-9], last.start_ns, last.step_ns)))
    play(script, settings)
    with History(settings.history) as history:
        assert "sentence-damaged" not in [fault.kind for fault in history.faults(None)]


def test_marks_of_page_and_button_are_shown_and_kept(play: Play, box: Box) -> None:
    settings = box()
    cores: list[Core] = []
    script = said(seconds=8.0)

    def button(down: bool) -> Callable[[], None]:
        def press() -> None:
            assert cores[0]._lamps is not None
            pin = cores[0]._lamps.factory.pin(settings.button)
            pin.drive_low() if down else pin.drive_high()

        return press

    script += [
        at(2.0, lambda: cores[0].mark("page", "x" * 300)), at(3.0, button(True)), at(3.5, button(False)),
        at(5.0, lambda: pictures.append(shown(settings))),
    ]  # fmt: skip
    pictures: list[dict[str, Any]] = []
    script.insert(0, at(0.0, lambda: cores.append(find())))

    def find() -> Core:
        (thread,) = [one for one in threading.enumerate() if one.name == "core"]
        return thread._target.__self__  # type: ignore[attr-defined,no-any-return]

    core = play(in_order(script), settings)
    assert [(mark["source"], len(mark["note"])) for mark in pictures[0]["marks"]] == [("button", 0), ("page", 200)]
    assert pictures[0]["marks"][1]["at_s"] == pytest.approx(2.0, abs=0.1)
    assert not core.stop_asked.is_set()
    with History(settings.history) as history:
        assert [mark.source for mark in history.marks(1)] == ["page", "button"]


def test_a_mark_at_the_very_end_is_kept(play: Play, box: Box) -> None:
    settings = box()

    def late(core: Core) -> None:
        core._stopping.set()  # as a stop does, with a mark that came with it
        core.mark("page", "late")

    play(said(seconds=1.0), settings, late)
    with History(settings.history) as history:
        assert [mark.note for mark in history.marks(1)] == ["late"]


def test_a_button_held_asks_for_a_stop(play: Play, box: Box) -> None:
    settings = box()

    def hold(core: Core) -> None:
        assert core._lamps is not None
        core._lamps.factory.pin(settings.button).drive_low()
        until = time.monotonic() + 10
        while not core.stop_asked.wait(0.01):
            assert time.monotonic() < until

    play(said(seconds=1.0), settings, hold)
    with History(settings.history) as history:
        assert [mark.note for mark in history.marks(1)] == ["asked for a clean stop"]


def test_lamps_that_do_not_work_are_said_and_listening_goes_on(play: Play, box: Box) -> None:
    """This machine has no pins of a Pi; where it has, the test has nothing to show."""
    settings, pictures = box(pins="pi"), []
    if Path("/dev/gpiochip0").exists():
        pytest.skip("this machine has pins")
    play(in_order([*said(seconds=12.0), at(11.9, lambda: pictures.append(shown(settings)))]), settings)
    (picture,) = pictures
    assert picture["verdict"]["state"] == "go"
    assert picture["lamps"] == {"pins": "none", "green": False, "red": False, "pattern": "dark"}
    (says,) = picture["box"]["says"]
    assert says.startswith("The lamps do not work, so they are dark whatever the verdict: The lamps cannot be reached")


@pytest.mark.slow
def test_what_the_box_itself_lost_is_owned_up_to(box: Box) -> None:
    settings = box()
    settings.history.mkdir()
    inbox, needs = Inbox(most=1), settings.load_needs()
    keeper = Keeper(settings.history, WatchStart(0, 0, "", "", "", ""))
    for _ in range(2):
        inbox.put(RECEIVER, Chunk(b"12345678", time.monotonic_ns(), 1000))
    keeper.start()
    core = Core(settings, needs, inbox, keeper)
    for _ in range(50_010):
        core._keeper.chunk(RECEIVER, Chunk(b"", 0, 0))
    core.start()
    until = time.monotonic() + 10
    while not (settings.run_folder / PICTURE).exists() or not shown(settings)["box"]["history_says"]:
        assert time.monotonic() < until
        time.sleep(0.02)
    told = shown(settings)["box"]
    assert core.stop(10)
    assert keeper.stop(0, 10)
    assert told["dropped"] == 8
    assert "The box itself lost 8 bytes" in told["says"][1]
    assert "History cannot be written" in told["says"][0]
    assert "entries could not be kept" in told["says"][2]


def test_bytes_dropped_while_the_core_asks_are_owned_up_to_at_the_next_look(box: Box) -> None:
    class Dropping(Inbox):
        told = iter([0, 8, 8, 8, 8, 8, 8, 8])
        dropped = property(lambda self: next(self.told))

    settings = box()
    core = Core(settings, settings.load_needs(), Dropping(), Keeper(settings.history, WatchStart(0, 0, "", "", "", "")))
    for now_ns in range(4):
        core._own_up(now_ns)
    receiver = core._listening.watch.receiver
    assert (receiver.lost_here, receiver.lost_here_ns) == (1, 1)


def test_a_backlog_that_takes_long_is_no_standstill_and_holds_up_no_look(box: Box) -> None:
    """Bytes come faster than they can be judged: each piece takes 3 s, and brings two more."""
    settings = box()
    ages_s: list[float] = []
    seen = threading.Event()
    now_ns = ORIGIN_NS

    class Flooded(Inbox):
        def take(self, timeout_s: float) -> Item | None:
            nonlocal now_ns
            item = super().take(min(timeout_s, 0))  # it does not wait: its time is another
            ages_s.append((now_ns - core.heartbeat_ns) / 1e9)
            now_ns += 3 * SECOND if item else 1_000_000
            for _ in range(0 if seen.is_set() else 2):
                self.put(RECEIVER, Chunk(b"$GPHDT,74.20,T*34\r\n", now_ns - SECOND, 1000))
            return item

    inbox, needs = Flooded(most=20), settings.load_needs()
    keeper = Keeper(settings.history, WatchStart(now_ns, 0, needs.name, "", "", ""))
    core = Core(settings, needs, inbox, keeper, clock=lambda: now_ns)
    keeper.start()
    core.start()
    until = time.monotonic() + 20
    while not (settings.run_folder / PICTURE).exists() or len(ages_s) < 100:
        assert time.monotonic() < until
        time.sleep(0.001)
    seen.set()
    assert core.stop(20)
    assert keeper.stop(now_ns, 20)
    assert max(ages_s) <= 3.1


def test_the_picture_is_whole_whenever_it_is_read(play: Play, box: Box) -> None:
    settings = box()
    found: list[float] = []
    done = threading.Event()

    def read() -> None:
        while not done.is_set():
            with contextlib.suppress(FileNotFoundError):
                found.append(shown(settings)["watch"]["seconds"])
            time.sleep(0.0005)

    reader = threading.Thread(target=read)
    reader.start()
    try:
        play(said(seconds=25.0), settings)
    finally:
        done.set()
        reader.join()
    assert len(found) > 10
    assert found == sorted(found)
    assert [path.name for path in settings.run_folder.iterdir()] == [PICTURE]


def test_its_heart_beats_in_silence(play: Play, box: Box) -> None:
    def beats(core: Core) -> None:
        assert core.is_alive()
        before = core.heartbeat_ns
        until = time.monotonic() + 10
        while core.heartbeat_ns == before:
            assert time.monotonic() < until
            time.sleep(0.001)

    core = play([], None, beats)
    assert not core.is_alive()


def test_what_lies_in_the_inbox_at_the_stop_is_judged_and_kept(box: Box) -> None:
    settings, inbox = box(needs="alive"), Inbox()
    for n in range(2000):
        inbox.put(RECEIVER, Chunk(b"%d," % n, ORIGIN_NS + n * 10_000_000, 1000))
    keeper = Keeper(settings.history, WatchStart(ORIGIN_NS, 0, "alive", "", "", ""))
    core = Core(settings, settings.load_needs(), inbox, keeper, clock=lambda: ORIGIN_NS + 20 * SECOND)
    core._stopping.set()  # the stop comes before the first turn
    keeper.start()
    core.start()
    assert core.stop(20)
    assert keeper.stop(ORIGIN_NS + 20 * SECOND, 20)
    with History(settings.history) as history:
        assert b"".join(chunk.data for chunk in history.chunks(1, RECEIVER)) == b"".join(
            b"%d," % n for n in range(2000)
        )
