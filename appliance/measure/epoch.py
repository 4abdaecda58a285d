"""Epochs: all that was sent for one UTC instant.

Most sentences name their instant; VTG does not, and a ZDA may be stamped some hundredths late. So sentences are grouped
by UTC within a tolerance and by burst: what has no time belongs to the burst that it came in. The order within an
epoch is the maker's. A sentence without time that stands alone between two bursts belongs to the nearer one; where no
rest tells the bursts apart (a full line, a backlog, a log without byte times), to the side where its type usually is.
"""

from __future__ import annotations

from collections import Counter, deque
from collections.abc import Mapping
from dataclasses import dataclass, field
from statistics import median

from appliance.sentence.parse import Sentence
from appliance.sentence.types import GGA, GLL, RMC, VTG, ZDA, Content

DAY_S = 86_400.0
LATE_STAMP_S = 0.06
"""How far apart the times of one epoch may be: a survey-class receiver stamps its ZDA 0.05 s after its GGA."""
_SAME_SHARE = 0.75
"""And never as far as this share of the usual step from epoch to epoch, so that 20 Hz keep apart. Our choice."""
REST_NS = 20_000_000
"""A rest between two bursts is longer than the 16 ms for which a USB adapter may hold bytes. Our choice."""
QUIET_NS = 400_000_000
"""After so long a quiet an epoch is closed without waiting for the next. Our choice: epochs are sent in one go."""
GAP_S = 10.0
"""After a longer gap nothing is taken over from before it, in all that is made of epochs. Our choice."""
SENTENCES_MOST = 200
"""An epoch is closed when it holds so many, so that a stream without times cannot fill the memory. Our choice."""
_LEADS_MOST = 8
_LEADS_LEAST = 2
_STEPS_KEPT = 9
_TIMED = frozenset({"GGA", "RMC", "ZDA", "GLL", "GST"})
_ONCE = frozenset({"VTG", "HDT"})
"""Types without time that come once in an epoch. (Satellites in view and used come in several.)"""
_SINGLE = _ONCE | _TIMED


def elapsed_s(before_s: float, after_s: float) -> float:
    """From one time of day to another, within half a day either way; the day of a leap second (`:60`) is longer."""
    day_s = DAY_S + 1 if before_s >= DAY_S else DAY_S
    step_s = after_s - before_s
    return step_s + day_s if step_s < -DAY_S / 2 else step_s - DAY_S if step_s > DAY_S / 2 else step_s


@dataclass(slots=True)
class Epoch:
    """One epoch, closed. time_s: the UTC of day that most of it names, None where none does.

    start_ns: the byte time of its first character; end_ns: of its last. contents: type -> what it said (of a type
    that came twice, the last). missing: needed types that were due in it and never came.
    """

    time_s: float | None
    start_ns: int
    end_ns: int
    sentences: list[Sentence] = field(default_factory=list)
    contents: dict[str, Content] = field(default_factory=dict)
    missing: tuple[str, ...] = ()

    @property
    def gga(self) -> GGA | None:
        return self.contents.get("GGA")  # type: ignore[return-value]

    @property
    def rmc(self) -> RMC | None:
        return self.contents.get("RMC")  # type: ignore[return-value]

    @property
    def vtg(self) -> VTG | None:
        return self.contents.get("VTG")  # type: ignore[return-value]

    @property
    def zda(self) -> ZDA | None:
        return self.contents.get("ZDA")  # type: ignore[return-value]

    @property
    def gll(self) -> GLL | None:
        return self.contents.get("GLL")  # type: ignore[return-value]


class Epochs:
    """Feed it the good sentences of one line in order; it gives the epochs that each one closes.

    needed: type -> how many a second are asked for; a type asked for less often than others is due only in every
    so-manieth epoch. complete, incomplete: epochs closed; missing: type -> epochs in which it was due and never came;
    absent: epochs of which nothing came at all, as far as the steps of UTC tell.
    """

    def __init__(self, needed: Mapping[str, float] | None = None) -> None:
        self.complete = 0
        self.incomplete = 0
        self.absent = 0
        self.missing: Counter[str] = Counter()
        self._every_s = {type_: 1 / rate_hz for type_, rate_hz in (needed or {}).items() if rate_hz > 0}
        self._slack_s = min(self._every_s.values(), default=0.0) / 2
        self._open: Epoch | None = None
        self._keys: set[tuple[str, str]] = set()
        self._loose: list[Sentence] = []
        self._loose_rest_ns = 0
        self._leads: Counter[tuple[str, str]] = Counter()  # asked for a type that is not in it, it keeps none
        self._last: Epoch | None = None
        self._last_time_s: float | None = None
        self._steps_s: deque[float] = deque(maxlen=_STEPS_KEPT)
        self._step_s: float | None = None
        self._seen: dict[str, tuple[float | None, int]] = {}

    @property
    def step_s(self) -> float | None:
        """The usual step of UTC from one epoch to the next; None before two steps."""
        return self._step_s

    def add(self, sentence: Sentence) -> list[Epoch]:
        """One sentence. Gives the epochs that are over, mostly none or one."""
        closed: list[Epoch] = []
        epoch, time_s = self._open, _told(sentence)
        if epoch is None:
            self._begin([sentence])
        elif len(epoch.sentences) + len(self._loose) >= SENTENCES_MOST:
            self._turn([sentence], closed)
        elif time_s is None:
            self._timeless(epoch, sentence, closed)
        else:
            self._timed(epoch, sentence, time_s, closed)
        return closed

    def tick(self, now_ns: int) -> list[Epoch]:
        """The time passed: an epoch after which nothing came for 0.4 s is over."""
        end_ns = self._end_ns()
        return self.flush() if end_ns is not None and now_ns - end_ns >= QUIET_NS else []

    def flush(self) -> list[Epoch]:
        """The stream has ended, or rests: the epoch still open is closed."""
        closed: list[Epoch] = []
        self._turn([], closed)
        return closed

    def _end_ns(self) -> int | None:
        if self._loose:
            return self._loose[-1].frame.end_ns
        return self._open.end_ns if self._open else None

    def _timeless(self, epoch: Epoch, sentence: Sentence, closed: list[Epoch]) -> None:
        key, end_ns = (sentence.talker, sentence.type), self._end_ns()
        again = key in self._keys
        if self._loose and not again:
            again = key in [(waiting.talker, waiting.type) for waiting in self._loose]
        rest_ns = sentence.frame.start_ns - end_ns if end_ns is not None else 0
        if (again and sentence.type in _SINGLE) or (rest_ns > REST_NS and epoch.time_s is None):
            self._turn([sentence], closed)
            return
        if self._loose or (rest_ns > REST_NS and epoch.time_s is not None):
            self._loose_rest_ns = self._loose_rest_ns if self._loose else rest_ns
            self._loose.append(sentence)
        elif epoch.time_s is not None and self._is_led(sentence.type, epoch):
            self._turn([sentence], closed)
        else:
            self._append(epoch, sentence)

    def _is_led(self, type_: str, epoch: Epoch) -> bool:
        """Whether this type usually comes before something that the epoch holds already."""
        return any(self._leads[type_, told] >= _LEADS_LEAST for told in epoch.contents)

    def _timed(self, epoch: Epoch, sentence: Sentence, time_s: float, closed: list[Epoch]) -> None:
        again = (sentence.talker, sentence.type) in self._keys
        if epoch.time_s is None:
            rest_ns = sentence.frame.start_ns - epoch.end_ns
            belongs = rest_ns <= REST_NS or self._leads[epoch.sentences[-1].type, sentence.type] >= _LEADS_LEAST
        else:
            apart_s = abs(elapsed_s(epoch.time_s, time_s))
            step_s = self.step_s
            belongs = apart_s <= LATE_STAMP_S and (apart_s < 0.001 or not step_s or apart_s < _SAME_SHARE * step_s)
        if belongs and not again:
            if self._loose:
                for waiting in self._loose:
                    self._append(epoch, waiting)
                self._loose.clear()
            self._append(epoch, sentence)
            return
        nearer_next = self._loose and sentence.frame.start_ns - self._loose[-1].frame.end_ns < self._loose_rest_ns
        ahead = list(self._loose) if nearer_next else []
        if nearer_next:
            self._loose.clear()
        self._turn([*ahead, sentence], closed)

    def _begin(self, sentences: list[Sentence]) -> None:
        first = sentences[0].frame
        self._open, self._keys = Epoch(None, first.start_ns, first.end_ns), set()
        for sentence in sentences:
            self._append(self._open, sentence)

    def _append(self, epoch: Epoch, sentence: Sentence) -> None:
        epoch.sentences.append(sentence)
        epoch.end_ns = max(epoch.end_ns, sentence.frame.end_ns)
        self._keys.add((sentence.talker, sentence.type))
        content = sentence.content
        if content is None:
            return
        time_s = getattr(content, "time_s", None)
        if time_s is not None and (
            epoch.time_s is None or (epoch.contents.keys() == {"ZDA"} and sentence.type != "ZDA")
        ):
            epoch.time_s = time_s
        epoch.contents[sentence.type] = content

    def _turn(self, sentences: list[Sentence], closed: list[Epoch]) -> None:
        """The open epoch is over, with what stood loose behind it; the next begins with these sentences."""
        epoch, self._open = self._open, None
        if epoch is not None:
            for sentence in self._loose:
                self._append(epoch, sentence)
            self._close(epoch)
            closed.append(epoch)
        self._loose.clear()
        if sentences:
            self._begin(sentences)

    def _close(self, epoch: Epoch) -> None:
        self._learn(epoch)
        before, self._last = self._last, epoch
        if before is None or epoch.start_ns - before.start_ns > GAP_S * 1e9:
            self._seen = dict.fromkeys(self._every_s, (epoch.time_s, epoch.start_ns))  # it may have begun in its middle
        else:
            self._count(epoch)
        if epoch.time_s is not None:
            self._last_time_s = epoch.time_s

    def _learn(self, epoch: Epoch) -> None:
        """On which side of what has a time the types without stand; and the usual step."""
        if epoch.time_s is None:
            return
        ahead: list[str] = []
        for place, sentence in enumerate(epoch.sentences):
            if sentence.type in _ONCE:
                for other in epoch.sentences[:place]:
                    self._lead(sentence.type, other, -1)
                ahead.append(sentence.type)
            else:
                for type_ in ahead:
                    self._lead(type_, sentence, 1)
        if self._last_time_s is None:
            return
        step_s = elapsed_s(self._last_time_s, epoch.time_s)
        usual_s = self.step_s
        if 0 < step_s <= GAP_S:
            self._steps_s.append(step_s)
            self._step_s = median(self._steps_s) if len(self._steps_s) > 1 else None
            self.absent += max(0, round(step_s / usual_s) - 1) if usual_s else 0

    def _lead(self, type_: str, other: Sentence, by: int) -> None:
        if other.type in _TIMED:
            score = self._leads[type_, other.type] + by
            if -_LEADS_MOST <= score <= _LEADS_MOST:
                self._leads[type_, other.type] = score

    def _count(self, epoch: Epoch) -> None:
        missing = []
        for type_, every_s in self._every_s.items():
            if type_ in epoch.contents:
                self._seen[type_] = epoch.time_s, epoch.start_ns
            elif self._is_due(type_, every_s, epoch):
                missing.append(type_)
                self._seen[type_] = epoch.time_s, epoch.start_ns
        epoch.missing = tuple(missing)
        self.missing.update(missing)
        self.incomplete += bool(missing)
        self.complete += not missing

    def _is_due(self, type_: str, every_s: float, epoch: Epoch) -> bool:
        """In step with where it came before; so the first epoch after a gap does not miss what fell into the gap.

        By UTC where both tell it, since arrivals swing; by arrival only what is due in every epoch.
        """
        time_s, start_ns = self._seen[type_]
        if time_s is not None and epoch.time_s is not None:
            since_s = elapsed_s(time_s, epoch.time_s)
        elif every_s <= 2.001 * self._slack_s:
            since_s = (epoch.start_ns - start_ns) / 1e9
        else:
            return False
        times = round(since_s / every_s)
        return times > 0 and abs(since_s - times * every_s) <= self._slack_s + 0.001


def _told(sentence: Sentence) -> float | None:
    """The UTC of day that the sentence names, None where its type names none."""
    return getattr(sentence.content, "time_s", None)
