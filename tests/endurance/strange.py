"""What is said strangely, with a right sum, through the whole of a box.

    python tests/endurance/strange.py [first seed; 1] [seeds; 200] [--seconds MOST] [--pages EACH]

Each seed draws a line's speed, a sheet of needs, the box's own clock and the traffic (strange_talk.py). It goes through
the tap's own parts, as in month.py: meters, judge, faults, picture, wiggle test, other needs, and the keeper with its
history; ports go and come, are tuned and count. Then every page is asked for, in the seed's language, every form is
taken away, the commissioning sheet is made, and `check` judges the same traffic as plain log, as log with TAG blocks
and as history. Nothing may be raised, no page may fail, no text of a page may be without its template, and what is told
to other programs must be plain JSON. What each seed found is told, and the command ends with 1 then.
"""

from __future__ import annotations

import argparse
import json
import re
import runpy
import sys
import tempfile
import traceback
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any
from unittest import mock

import pynmea2

from appliance import check
from appliance.history.reader import History
from appliance.recording import RecordingError
from appliance.site import create_app, job, page_text
from appliance.site.figures import FIGURES
from appliance.site.languages import LANGUAGES
from appliance.site.phrases import Phrases
from appliance.source import open_source
from appliance.take.forms import FORMS
from appliance.take.sheet import Report, TooShort, build, pdf
from appliance.take.span import last
from appliance.tap.core import PICTURE
from appliance.watch import CONTROLLER, RECEIVER

if TYPE_CHECKING:
    from tests.endurance.strange_box import MACHINE, StrangeBox
else:  # as a script it finds its neighbour only
    from strange_box import MACHINE, StrangeBox

PHRASES = Path(__file__).parents[2] / "image-build" / "page" / "phrases.py"
LIVE = ("/", "/messages", "/wiggle", "/needs", "/box", "/picture", "/help")
PAST = (
    "/day",
    "/day.json",
    "/track",
    "/pattern",
    "/job",
    "/job/sheet",
    "/take",
    "/take/sizes.json",
    "/faults",
    "/watches",
)
NAMED = ("Text Transmission", *(name for name, *_ in pynmea2.types.talker.TXT.fields))
"""What a type that is not judged is called, and its fields: as pynmea2 has it, in English."""
TYPED = re.compile(
    "|".join(
        (
            f"(?<!UTC), {MACHINE}",
            f"(?<=UTC, ){MACHINE}",
            "any words",
            r"(?<=\(sent )[^,]*(?=, should)",
            ": row 12",
            "Drawn by chance",
            "(?<=>)alive: ",
            "(?<=[ >])-?(?:nan|inf)(?![a-z])",
            *NAMED,
        )
    )
)
"""What somebody wrote, and what a field was said to hold."""
SECONDS_MOST = 60.0
FAULTS_SHOWN = 25


@dataclass
class Trial:
    """One seed's box, and what it found that must not be."""

    box: StrangeBox
    found: list[str] = field(default_factory=list)
    fallen: set[str] = field(default_factory=set)

    def go(self, say: Phrases | None) -> None:
        """From the first byte to the last page."""
        with self._noted("live"):
            self.box.live()
            if say is not None:
                self.visited(say)
                with self._noted("signed"):
                    self.signed()
            with self._noted("checked"):
                self.checked()

    def visited(self, say: Phrases) -> None:
        """Asks for every page; notes those that fail, and the texts that no template makes."""
        folder, code = self.box.folder, list(LANGUAGES)[self.box.seed % len(LANGUAGES)]
        app = create_app(
            self.box.run / PICTURE, self.box.settings.history, self.box.run / "none.sock", machine=MACHINE,
            pin="405162", needs_folders=[folder / "needs"], state_folder=folder / "web",
        )  # fmt: skip
        app.testing = True
        client = app.test_client()
        for path in self._paths():
            with self._noted(f"GET {path} in {code}"):
                if path in LIVE:
                    self.box.show()  # an older one would not count
                answer: Any
                with client.get(path, headers={"Accept-Language": code}) as answer:
                    self._answered(answer)
                    if code == "en" and answer.mimetype == "text/html":
                        self._untold(answer.text, say, path)
        for path in ("/live", "/messages/live", "/wiggle/live"):
            with self._noted(path):
                self.box.show()
                with client.get(path, headers={"Accept-Language": code}) as stream:
                    assert next(iter(stream.response))

    def _answered(self, answer: Any) -> None:
        told = answer.text if answer.mimetype in ("text/html", "application/json") else f"{len(answer.data)} bytes"
        assert answer.status_code < 500, f"{answer.status_code}: {told.partition('<main>')[2]}"
        if answer.mimetype == "application/json":
            json.loads(told, parse_constant=_no_number)

    @contextmanager
    def _noted(self, what: str) -> Iterator[None]:
        """What is raised is noted, and the rest gone on with."""
        try:
            yield
        except Exception:  # all there is to find
            self.found.append(f"{what}\n{traceback.format_exc()}")

    def _untold(self, page: str, say: Phrases, path: str) -> None:
        for text in page_text.texts(TYPED.sub("", page)):
            if not say.read_back(text)[1] and text not in self.fallen:
                self.fallen.add(text)
                self.found.append(f"GET {path}: no template makes {text!r}")

    def _paths(self) -> Iterator[str]:
        yield from LIVE
        with History(self.box.settings.history) as history:
            watches = history.watches()
            faults = history.faults(None, FAULTS_SHOWN)
        for watch in watches:
            for path in PAST:
                yield f"{path}?watch={watch.id}"
                if path in ("/day.json", "/day", "/job/sheet"):
                    yield f"{path}?watch={watch.id}&anyway=yes"
            for form in FORMS:
                yield f"/take/{form}?watch={watch.id}&ticket=t{form}"
                yield f"/take/{form}?watch={watch.id}&line={CONTROLLER}"
            yield f"/compare?before={watch.id}&after={watches[0].id}"
        for fault in faults:
            yield f"/fault/{fault.id}"
            yield f"/fault/{fault.id}/text"
        yield "/nowhere"
        yield "/picture"

    def signed(self) -> None:
        """Makes the commissioning sheet as a PDF."""
        with History(self.box.settings.history) as history:
            watch = history.watch(1)
            try:
                made = build(history, watch, last(watch), datetime(2026, 5, 4, 18, tzinfo=UTC), anyway=True)
            except TooShort:
                return
            assert isinstance(made, Report)
            pdf.written(made)

    def checked(self) -> None:
        """Judges what was heard, as a file of each form."""
        tagged = self.box.folder / "tagged.log"
        with History(self.box.settings.history) as history:
            watch = history.latest()
            assert watch is not None
            tagged.write_bytes(b"".join(FORMS["text"].lines(history, watch, RECEIVER, None, None)))
        for path in (self.box.folder / "plain.log", tagged, self.box.settings.history):
            try:
                whole = check.Recording(open_source(path, self.box.needs), self.box.needs)
                whole.run()
            except RecordingError:
                continue
            json.dumps(whole.result(), allow_nan=False)


def _no_number(what: str) -> None:
    raise AssertionError(f"{what} is no JSON (RFC 8259, 6)")


@contextmanager
def patient() -> Iterator[None]:
    """A page waits for its sheet, however slow this machine is just now."""
    with mock.patch.object(job, "WAIT_S", 60.0):
        yield


def mirror() -> Phrases:
    """A language in which every text is translated, by itself."""
    return Phrases({text: text for text in runpy.run_path(str(PHRASES))["gathered"]()}, FIGURES["de"])


def tried(seed: int, say: Phrases | None, seconds_most: float = SECONDS_MOST) -> Trial:
    """One seed, from its first byte to its last page (say: None: to none)."""
    with tempfile.TemporaryDirectory(dir="/dev/shm" if Path("/dev/shm").is_dir() else None) as name, patient():
        box = StrangeBox(Path(name), seed, seconds_most)
        trial = Trial(box)
        try:
            with mock.patch("time.time_ns", box.box_clock):
                trial.go(say)
        finally:
            if box.keeper.is_alive():
                box.keeper.stop(box.now_ns, 10.0)
    return trial


def main(arguments: list[str] | None = None) -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("first", type=int, nargs="?", default=1)
    parser.add_argument("seeds", type=int, nargs="?", default=200)
    parser.add_argument("--seconds", type=float, default=SECONDS_MOST, help="of traffic, at most, of one seed")
    parser.add_argument("--pages", type=int, default=1, help="of every so many seeds the pages are asked for")
    asked = parser.parse_args(arguments)
    say, sentences, faults, bad = mirror(), 0, 0, 0
    for seed in range(asked.first, asked.first + asked.seeds):
        one = tried(seed, say if seed % asked.pages == 0 else None, asked.seconds)
        sentences, faults, bad = sentences + one.box.talk.sentences, faults + one.box.faults, bad + bool(one.found)
        for found in one.found:
            print(f"seed {seed}: {found}", flush=True)
    heard = f"{sentences:,} sentences, {faults:,} faults"
    print(f"{asked.seeds} seeds from {asked.first}: {heard}; {bad} seeds found something")
    return bad > 0


if __name__ == "__main__":
    sys.exit(main())
