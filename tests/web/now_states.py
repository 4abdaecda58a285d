"""Twelve states of a cab, each as the listening part shows it, to see what the *now* page makes of them.

    python -m tests.web.now_states FOLDER

writes a screenshot of each in FOLDER, as on a phone, and `now.webp` with all twelve. What the receiver says comes from
the simulator; where the wire matters it is drawn bit by bit and heard by a simulated UART. All places are invented.
"""

from __future__ import annotations

import logging
import shutil
import sys
import tempfile
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from werkzeug.serving import make_server

from appliance import settings as settings_of
from appliance.history.rows import WatchStart
from appliance.line.port import PortState, Tuned
from appliance.sentence.chunk import Chunk
from appliance.sentence.setting import Setting
from appliance.simulate import spoil
from appliance.simulate.drive import Drive
from appliance.simulate.faults import Spell, apply
from appliance.simulate.receiver import Burst, Receiver, ReceiverSettings
from appliance.simulate.uart import Received, Uart
from appliance.simulate.wave import Waveform, encode
from appliance.simulate.wire import chunks
from appliance.site import create_app
from appliance.tap.keeper import Keeper
from appliance.tap.listening import Listening
from appliance.tap.publish import publish
from appliance.tap.shown import live_picture
from appliance.watch import CONTROLLER, RECEIVER

NEEDED = Setting(38_400)
ORIGIN_NS = 900_000_000_000
STEP_NS = 20_000_000
MACHINE = "Larkmere tractor 3"  # invented
WIDTH, HEIGHT, ACROSS, GUTTER = 390, 844, 4, 12
COLOURS = 24
GONE = "The port /dev/ttyUSB0 is gone: its adapter was pulled out, or its plug is loose."

Spoil = Callable[[Waveform], Waveform]


@dataclass(slots=True, frozen=True)
class Case:
    """One state. may: the answer to "may I drive off?", as the page words it. because, tries: what must be read there
    of why, and of what to try ("" where nothing is to be tried)."""

    name: str
    may: str
    because: str
    tries: str
    seconds: float = 20.0
    spells: tuple[Spell, ...] = ()
    setting: Setting = NEEDED
    drawn: bool = False
    spoilt: Spoil | None = None
    crossed: bool = False
    gone: bool = False
    asks: dict[str, str] = field(default_factory=dict)


LET_GO = [(5.0 + 0.6 * n + 0.065 + n * 0.0011, 0.004 + n * 0.003) for n in range(14)]
"""When a pin lets go, and for how long, in s."""
GO, NOT_YET, NO = "Nothing on this line holds you back", "Not yet", "Do not drive off"
ALL = 1000.0

CASES = (
    Case("waiting", NOT_YET, "a go needs a clean run", "", seconds=6),
    Case("go", GO, "All that the controller needs is coming", "", seconds=90),
    Case("silent", NO, "Nothing has come from the receiver", "plug", spells=(Spell("silence", 14, ALL),)),
    Case("wrong baud", NO, "talks at 9,600 baud; the controller needs 38,400", "38,400 baud",
         setting=Setting(9600), drawn=True, seconds=14),
    Case("message missing", NO, "VTG is needed and has never come", "Switch the missing message on",
         spells=(Spell("message-off", -1, ALL, what="VTG"),)),
    Case("no fix", NO, "The receiver has no fix", "into the open", spells=(Spell("no-fix", 12, ALL),), seconds=24),
    Case("quality refused", NO, "which the controller does not accept", "corrections",
         spells=(Spell("quality", 14, ALL, 2),), seconds=24, asks={"qualities = [": "qualities = [4, 5]"}),
    Case("contact lost", NO, "Contact was lost", "wiggle test", drawn=True, seconds=14,
         spoilt=lambda wave: spoil.contact_loss(wave, LET_GO)),
    Case("pins crossed", NO, "crossed", "2 and 3", drawn=True, crossed=True, seconds=10),
    Case("position frozen", NO, "position has stood still", "receiver", spells=(Spell("frozen", 40, ALL),), seconds=60),
    Case("box trouble", NO, "port", "box", gone=True, seconds=20),
    Case("came back", GO, "It was no-go", "wiggle test", spells=(Spell("silence", 20, 26),), seconds=75),
)  # fmt: skip


def picture(case: Case, folder: Path) -> dict[str, Any]:
    """What the listening part shows at the end of the case."""
    (folder / "run").mkdir(parents=True, exist_ok=True)
    words = "[line.from-controller]\nport = '/dev/ttyUSB1'\n" if case.crossed else ""
    text = f'machine = "{MACHINE}"\nhistory = "h.db"\nrun_folder = "run"\n[line.from-receiver]\nport = "/dev/ttyUSB0"\n'
    box = settings_of.from_toml(text + words, "box", folder)
    needs = box.load_needs()
    if case.asks:
        needs = replace(needs, qualities=frozenset({4, 5}))
    keeper = Keeper(box.history, WatchStart(ORIGIN_NS, ORIGIN_NS, needs.name, "", MACHINE, "0"))  # never started
    listening = Listening(box, needs, keeper, lambda _note: None, started_ns=ORIGIN_NS)
    for line in box.lines:
        listening.handle((line.name, PortState(line.name, ORIGIN_NS, "open", "")))
    end_ns = ORIGIN_NS + round(case.seconds * 1e9)
    (_hear_drawn if case.drawn else _hear)(case, listening)
    if case.gone:
        at_ns = end_ns - 4_000_000_000
        _look_until(listening, at_ns)
        listening.handle((RECEIVER, PortState(RECEIVER, at_ns, "lost", GONE)))
    _look_until(listening, end_ns)
    shown = {"dropped": 0, "history_says": "", "says": []}
    return live_picture(listening, box, 1, lamps=None, box=shown, now_ns=end_ns)


def _look_until(listening: Listening, until_ns: int) -> None:
    while listening.watch.next_look_ns <= until_ns:
        listening.look(listening.watch.next_look_ns)


def _bursts(case: Case) -> Iterator[Burst]:
    drive = Drive(3, plan="field", parked_s=5.0)
    sent = ReceiverSettings(start_utc=datetime(2026, 5, 4, 9, 12, tzinfo=UTC))
    return apply(Receiver(sent, drive, 3).epochs(0.0, case.seconds), case.spells, 3)


def _hear(case: Case, listening: Listening) -> None:
    """Whole bursts, as a sound wire carries them."""
    until_s = case.seconds - (4.0 if case.gone else 0.0)
    said = (burst for burst in _bursts(case) if burst.due_s < until_s)
    for chunk in chunks(said, NEEDED.baud, origin_ns=ORIGIN_NS, most_bytes=4096, most_s=1.0):
        if chunk.end_ns <= ORIGIN_NS + case.seconds * 1e9:
            _look_until(listening, chunk.end_ns)
            listening.handle((RECEIVER, chunk))


def _hear_drawn(case: Case, listening: Listening) -> None:
    """Bit by bit, heard at the setting that the watch asks for. crossed: the receiver is on the other line."""
    wave = encode(_bursts(case), case.setting, to_s=case.seconds)
    if case.spoilt:
        wave = case.spoilt(wave)
    line = CONTROLLER if case.crossed else RECEIVER
    at, uart = NEEDED, Uart(NEEDED, 3)
    for from_ns in range(wave.start_ns, wave.end_ns, STEP_NS):
        to_ns = min(from_ns + STEP_NS, wave.end_ns)
        listening.watch.prepare()
        _look_until(listening, ORIGIN_NS + from_ns)
        for chunk in _chunks(uart.feed(wave.within(from_ns, to_ns)), at):
            wanted = listening.handle((line, chunk))
            if wanted is not None:
                listening.handle((line, Tuned(line, ORIGIN_NS + to_ns, wanted, "")))
                at, uart = wanted, Uart(wanted, 3)
                break


def _chunks(received: list[Received], setting: Setting) -> Iterator[Chunk]:
    """Bytes back to back as one chunk each, flawed ones marked, as a kernel does that can."""
    step_ns, begin = round(setting.character_s * 1e9), 0
    for place in range(1, len(received) + 1):
        if place == len(received) or (received[place].end_s - received[place - 1].end_s) * 1e9 > 1.5 * step_ns:
            run = received[begin:place]
            flawed = tuple(n for n, one in enumerate(run) if one.framing or one.parity)
            yield Chunk(bytes(one.byte for one in run), ORIGIN_NS + round(run[0].end_s * 1e9), step_ns, flawed)
            begin = place


def shots(folder: Path) -> None:
    """A screenshot of each state, and one picture of them all."""
    from PIL import Image
    from playwright.sync_api import sync_playwright

    from tests.web.conftest import FLAGS

    with sync_playwright() as playwright, tempfile.TemporaryDirectory() as work:
        opened = playwright.chromium.launch(executable_path=shutil.which("chromium"), args=FLAGS)
        page = opened.new_page(viewport={"width": WIDTH, "height": HEIGHT}, color_scheme="light", has_touch=True)
        for case in CASES:
            with served(picture(case, Path(work)), Path(work)) as address:
                page.goto(address)
                page.screenshot(path=folder / f"{case.name}.png")
        opened.close()
    down = -(-len(CASES) // ACROSS)
    whole = Image.new("L", ((WIDTH + GUTTER) * ACROSS, (HEIGHT + GUTTER) * down), 128).convert("RGB")
    for number, case in enumerate(CASES):
        at = (number % ACROSS * (WIDTH + GUTTER), number // ACROSS * (HEIGHT + GUTTER))
        whole.paste(Image.open(folder / f"{case.name}.png").convert("RGB"), at)
    whole.quantize(COLOURS).convert("RGB").save(folder / "now.webp", lossless=True, quality=100, method=6)


@contextmanager
def served(shown: dict[str, Any], folder: Path) -> Iterator[str]:
    """The page over a picture that stays as it is; gives its address."""
    path = folder / "run" / "picture.json"
    publish(path, shown)
    app = create_app(path, folder / "none.db", folder / "none.sock", machine=MACHINE)
    server = make_server("127.0.0.1", 0, app, threaded=True)
    thread = threading.Thread(target=server.serve_forever)
    thread.start()
    ending: threading.Event = app.extensions["linelamp-stop"]
    try:
        yield f"http://127.0.0.1:{server.server_port}/"
    finally:
        ending.set()
        server.shutdown()
        thread.join()
        server.server_close()


if __name__ == "__main__":
    logging.getLogger("werkzeug").setLevel(logging.ERROR)
    target = Path(sys.argv[1])
    target.mkdir(parents=True, exist_ok=True)
    shots(target)
