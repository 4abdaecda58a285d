"""The meter of one line: frames and judges its bytes, and keeps every measure that grows from them."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field

from appliance.measure.contact import Contact
from appliance.measure.ending import Ending
from appliance.measure.errors import NO_START, Errors
from appliance.measure.fix import Fix
from appliance.measure.garble import Garble
from appliance.measure.hunt import Hunt
from appliance.measure.joining import Joining
from appliance.measure.load import Load
from appliance.measure.message import MAKER, Message
from appliance.measure.performance import SecondBySecond
from appliance.measure.rate import Rate
from appliance.measure.sources import Sources
from appliance.measure.time import UtcAnchor
from appliance.measure.truth import Truth, TruthSettings
from appliance.measure.wiggle import Wiggle
from appliance.sentence.chunk import Chunk
from appliance.sentence.counters import Counters
from appliance.sentence.frame import Frame, Framer
from appliance.sentence.parse import Damaged, Sentence, parse
from appliance.sentence.rtcm import RtcmScanner
from appliance.sentence.setting import Setting


@dataclass(frozen=True, slots=True)
class MeterSettings:
    """What a meter must know of the line and of what is asked of it.

    gap_most_ns: for each needed type, its longest allowed interval. talkers: accepted ones; empty means any.
    needed: how the controller is set; None: as the line is listened to, 8N1 at baud. arrival_measured: False for a
    recording without byte times; then neither load, silence, jitter nor setting is told.
    """

    baud: int
    arrival_measured: bool = True
    checksum_required: bool = True
    talkers: frozenset[str] = frozenset()
    gap_most_ns: Mapping[str, int] = field(default_factory=dict)
    silence_most_ns: int | None = None
    needed: Setting | None = None
    truth: TruthSettings = field(default_factory=TruthSettings)


@dataclass(slots=True)
class Tally:
    """What came since the last tally, for the rows by the second.

    jitter_s: the farthest that a needed message came from its schedule; None where none has one.
    """

    bytes: int = 0
    sentences: int = 0
    damaged: int = 0
    junk: int = 0
    messages: Counter[str] = field(default_factory=Counter)
    jitter_s: float | None = None


MESSAGES_MOST = 200
"""Messages measured one by one; noise that happens to sum right must not grow the memory. Our choice."""


class LineMeter:
    """Feed it the chunks of one line in order of time; read its parts whenever wanted. hear: is told each sentence."""

    def __init__(self, settings: MeterSettings) -> None:
        self.settings = settings
        self.framer = Framer()
        self.load = Load(settings.baud, settings.silence_most_ns if settings.arrival_measured else None)
        self.errors = Errors()
        self.fix = Fix()
        self.messages: dict[tuple[str, str], Message] = {}
        self.needed: dict[str, Rate] = {
            type_: Rate(gap_ns, keeps_spread=False) for type_, gap_ns in settings.gap_most_ns.items()
        }
        self.sentences = 0
        self.listening = Setting(settings.baud)
        self.hunt = Hunt(self.listening, settings.needed or self.listening)
        self.contact = Contact(_character_ns(self.listening))
        self.garble = Garble()
        self.sources = Sources()
        self.rtcm = RtcmScanner()
        self.truth = Truth(settings.truth, settings.arrival_measured)
        self.counters: Counters | None = None
        self.wiggle: Wiggle | None = None
        self.by_second = SecondBySecond(settings.silence_most_ns if settings.arrival_measured else None)
        self.hear: Callable[[Sentence], None] | None = None
        self.last_sentence_ns: int | None = None
        self.ending = Ending()
        self.joining = Joining()
        self.rtcm_ns: int | None = None
        self.lost_here = 0
        self.lost_here_ns: int | None = None
        self._stray = 0
        self._tally = Tally()
        self._junk_told = 0

    def feed(self, chunk: Chunk) -> Setting | None:
        """The next bytes of the line. Gives the setting that the listener should be tuned to, None to leave it."""
        if self.settings.arrival_measured:
            self.joining.add(chunk, self.contact.character_ns)
        self.load.add(chunk)
        self._tally.bytes += len(chunk.data)
        self.ending.add(chunk)
        before = self.sentences
        for row in (chunk,) if chunk.data.find(b"\n", 0, -1) < 0 else _rows(chunk):
            heard_one = self.sentences > 0
            for frame in self.framer.feed(row):
                self._take(frame)
            if self.framer.stray != self._stray:
                self._count_stray(heard_one)
        if self.rtcm.feed(chunk.data):
            self.rtcm_ns = chunk.end_ns
            self.hunt.settled()
        if not self.settings.arrival_measured:
            return None
        return self.hunt.take(chunk.data, chunk.end_ns, self.sentences - before, chunk.flawed)

    def tuned(self, setting: Setting, at_ns: int) -> None:
        """The listener is at this setting from now on."""
        if setting == self.listening:
            return
        self.listening = setting
        self.hunt.tuned(setting)
        self.load.baud = setting.baud
        self.load.resumed_ns = at_ns  # what is waited for is waited for from now on
        self.contact.character_ns = _character_ns(setting)
        self.framer.flush()  # what was begun at another setting is no sentence
        self.errors.forget_recent()
        self.contact.forget_recent()
        self.garble.forget()

    @property
    def utc(self) -> UtcAnchor:
        """UTC as the line tells it."""
        return self.truth.utc

    def counted(self, counters: Counters | None, at_ns: int) -> None:
        """What the port's driver counts since it was opened; None where it cannot."""
        if counters is not None:
            before = self.counters.lost_here if self.counters else 0
            self.lost(max(0, counters.lost_here - before), at_ns)
        self.counters = counters

    def lost(self, times: int, at_ns: int) -> None:
        """This box itself lost bytes so many times."""
        if times > 0:
            self.lost_here += times
            self.lost_here_ns = at_ns

    def flush(self) -> None:
        """The stream has ended: the frame still open is judged as it is."""
        for frame in self.framer.flush():
            self._take(frame)

    def take_tally(self) -> Tally:
        """What came since this was last asked."""
        tally, self._tally = self._tally, Tally()
        tally.junk = self.framer.junk - self._junk_told
        self._junk_told = self.framer.junk
        off_s = [one.schedule.take_farthest_s() for one in self.messages.values() if one.type in self.needed]
        tally.jitter_s = max((each for each in off_s if each is not None), default=None)
        return tally

    def _take(self, frame: Frame) -> None:
        heard = parse(frame, self.settings.checksum_required)
        if isinstance(heard, Damaged):
            self._damaged(heard)
        else:
            self._sentence(heard)

    def _damaged(self, damaged: Damaged) -> None:
        if not self.sentences and not damaged.talker and self.joining.covers(damaged.frame.start_ns):
            return  # rubbish of one who joined in mid character
        self._tally.damaged += 1
        self.by_second.add(damaged.frame.end_ns, sound=False)
        self.errors.add(damaged.reason, damaged.frame.end_ns)
        message = self.messages.get((damaged.talker, damaged.type))
        if message is not None:
            message.bad[damaged.reason] += 1
        self.garble.add(damaged)
        self.hunt.damaged(damaged)
        self.contact.began(damaged.frame.start_ns)
        self.contact.damaged(damaged, message.longest if message else 0)
        if self.wiggle is not None:
            self.wiggle.damaged(damaged.frame.end_ns)

    def _sentence(self, sentence: Sentence) -> None:
        at_ns = sentence.frame.end_ns
        self.sentences += 1
        self.last_sentence_ns = at_ns
        self._tally.sentences += 1
        self.by_second.add(at_ns, sound=True)
        self.contact.began(sentence.frame.start_ns)
        if self.wiggle is not None:
            self.wiggle.sentence(sentence.type, at_ns)
        message = self._message(sentence.talker, sentence.type)
        if message is not None:
            self._tally.messages[sentence.talker + sentence.type] += 1
        opens = message is None or message.add(sentence, at_ns, self.settings.arrival_measured)
        accepted = not self.settings.talkers or sentence.talker in self.settings.talkers
        rate = self.needed.get(sentence.type) if sentence.talker != MAKER else None
        if rate is not None and accepted and opens:
            rate.add(at_ns, self.load.resumed_ns)
        if sentence.talker != MAKER:
            self.truth.add(sentence)
        if self.hear is not None:
            self.hear(sentence)
        if sentence.type in ("GGA", "RMC", "VTG", "ZDA", "GLL"):
            self._understood(sentence, at_ns)

    def _understood(self, sentence: Sentence, at_ns: int) -> None:
        content = sentence.content
        if content is None:
            return
        self.fix.add(content, at_ns)
        self.sources.add(content, at_ns)

    def _message(self, talker: str, type_: str) -> Message | None:
        message = self.messages.get((talker, type_))
        if message is None and len(self.messages) < MESSAGES_MOST:
            message = self.messages[talker, type_] = Message(talker, type_)
        return message

    def _count_stray(self, heard_one: bool) -> None:
        """Bytes outside any frame are damage, save those before the first sentence: a line joined in mid-stream."""
        new, self._stray = self.framer.stray - self._stray, self.framer.stray
        for _ in range(new if heard_one else 0):
            self.errors.add(NO_START, self.framer.stray_ns)
            self._tally.damaged += 1
            self.by_second.add(self.framer.stray_ns, sound=False)
            self.contact.began(self.framer.stray_ns)
            if self.wiggle is not None:
                self.wiggle.damaged(self.framer.stray_ns)


def _character_ns(setting: Setting) -> int:
    return round(setting.character_s * 1e9)


def _rows(chunk: Chunk) -> Iterator[Chunk]:
    """The chunk cut behind each LF: so what is counted in it comes in its order, however the stream was cut."""
    begin = 0
    while 0 < (end := chunk.data.find(b"\n", begin) + 1) < len(chunk.data):
        yield Chunk(chunk.data[begin:end], chunk.start_ns + begin * chunk.step_ns, chunk.step_ns)
        begin = end
    yield Chunk(chunk.data[begin:], chunk.start_ns + begin * chunk.step_ns, chunk.step_ns) if begin else chunk
