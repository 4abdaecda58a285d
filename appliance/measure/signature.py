"""What a listener would see of NMEA 0183 text on a line that is set otherwise than he is.

A UART that listens at the wrong baud or format does not hear nothing: it hears bytes, and which ones it hears, and how
often, depends on how the line is really set. So the answer is worked out forwards: usual text is drawn bit by bit at
every setting there may be, and put through a receiver at the listener's own; the shares of the 256 bytes are that
candidate's signature. Whatever comes over a real line is then compared with all of them (see hunt).

The text is simulated: its digits are by chance, its shape is that of the standard. Signatures are made when first
asked for and kept for the last few listeners; each costs some milliseconds.
"""

from __future__ import annotations

import math
from array import array
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import replace
from functools import cache, lru_cache
from random import Random
from typing import Literal, NamedTuple

from appliance.measure.sampling import FLAWED, drawn, heard, turned
from appliance.sentence.setting import Setting
from appliance.simulate.drive import Drive
from appliance.simulate.receiver import Burst, Receiver, ReceiverSettings
from appliance.simulate.spoil import bit_errors, joined
from appliance.simulate.uart import Uart
from appliance.simulate.wave import encode

BAUDS = (1200, 2400, 4800, 9600, 14400, 19200, 38400, 57600, 115200, 230400, 460800)
FORMATS = ("8N1", "7E1", "7O1", "8E1", "8O1")
"""As a listener can tell them apart: a second stop bit looks like a short rest, so 8N2 is heard as 8N1."""

_STRANGE = 0.03
"""Share of bytes that a signature leaves open, for noise and for text of another kind. Tuned on the bench."""
_BARE = 0.02
"""Added to every count, so that what did not occur in the sample is rare rather than impossible."""
_BURSTS = 3
"""Of sample text for a listener at its own baud, 300 bytes each. The slower he is, the fewer bytes he hears of each,
and the more are said: up to _BURSTS_MOST."""
_BURSTS_MOST = 24
_CLOCKS_OFF = (0.0, -0.004, 0.004)
"""Errors of the sender's clock, burst by burst. At twice the listener's baud his samples fall on the edges of bits,
and the error alone decides which bit is seen. Some tenths of a percent are common practice, no source."""
_NOISE = 0.02
"""Share of the bits that noise turns over, in the signature: two bytes in ten. Tuned on the bench."""
_CHANCE_BYTES = 700
_KEPT_MOST = 4
"""Settings of a listener of which signatures are kept, the last ones asked for: a set takes half a MB, and a hunt on
a line of noise may go through all that there are. Our choice: two lines, each with the one before."""
_NEAR = 2
"""Up to so many times the baud, what is heard depends on each bit of the sender's, and on which parity he sends."""


Kind = Literal["text", "inverted", "two-talkers", "binary", "noise"]


class Candidate(NamedTuple):
    """What a line may really be: its setting, and whether it carries text, text of inverted polarity, the text of two
    talkers at once, no text at all, or text with noise on it, also where the line rests."""

    setting: Setting
    kind: Kind = "text"


def _at(baud: int) -> Iterator[Candidate]:
    for name in FORMATS:
        yield Candidate(Setting.parse(baud, name))
        yield Candidate(Setting.parse(baud, name), "inverted")
    yield Candidate(Setting(baud), "two-talkers")
    yield Candidate(Setting(baud), "binary")
    yield Candidate(Setting(baud), "noise")


CANDIDATES: tuple[Candidate, ...] = tuple(one for baud in BAUDS for one in _at(baud))


@cache
def candidates(odd_bauds: tuple[int, ...]) -> tuple[Candidate, ...]:
    """CANDIDATES, and those at these bauds beside: a port, or a controller, may be set to one that is not in BAUDS."""
    return CANDIDATES + tuple(one for baud in odd_bauds for one in _at(baud))


class Signature:
    """Shares of the bytes, as logarithms: of the bytes alone, and of bytes told apart by whether they were flawed.

    words: bytes as heard, those with a framing or parity error with FLAWED added.
    """

    __slots__ = ("_bytes", "_words")

    def __init__(self, words: Sequence[int]) -> None:
        self._bytes = _log_shares(Counter(word & 255 for word in words), FLAWED)
        self._words = _log_shares(Counter(words), 2 * FLAWED)

    def share(self, byte: int) -> float:
        """Of this byte, 0 to 1."""
        return math.exp(self._bytes[byte])

    def log_likelihood(self, seen: Counter[int], marked: bool = False) -> float:
        """Of having seen these bytes so often. marked: they are words, for the port marks what is flawed.

        Which bytes are flawed says more than how many: parity that the listener does not look for is his stop bit,
        so that even and odd parity spoil just those bytes that the other leaves sound.
        """
        shares = self._words if marked else self._bytes
        return sum([count * shares[word] for word, count in seen.items()])


def _log_shares(counts: Counter[int], kinds: int) -> array[float]:
    """Logarithms of the shares of so many kinds of words; of those that did not occur, all the same."""
    bare = _BARE * FLAWED / kinds
    known = (1 - _STRANGE) / (counts.total() + kinds * bare)
    floor = _STRANGE / kinds
    shares = array("d", [math.log(bare * known + floor)]) * kinds
    for word, count in counts.items():
        shares[word] = math.log((count + bare) * known + floor)
    return shares


def signature(listening: Setting, candidate: Candidate) -> Signature:
    """What a listener at this setting sees of such a line."""
    return _signature(listening, _like(listening, candidate))


@lru_cache(maxsize=_KEPT_MOST)
def signatures(listening: Setting, odd_bauds: tuple[int, ...] = ()) -> dict[Candidate, Signature]:
    """Of every candidate; those that look alike have one and the same. odd_bauds: as of candidates."""
    return {candidate: signature(listening, candidate) for candidate in candidates(odd_bauds)}


def _like(listening: Setting, candidate: Candidate) -> Candidate:
    """At another baud some candidates look alike: odd parity like even, but for bauds nearby, and two talkers like one.
    Once the listener is at their baud, they are told apart."""
    setting, kind = candidate
    if setting.baud == listening.baud:
        return candidate
    near = listening.baud <= _NEAR * setting.baud and setting.baud <= _NEAR * listening.baud
    if kind == "inverted" and setting.bits == 8:
        setting = replace(setting, parity="N")
    elif setting.parity == "O" and not (near and kind == "text"):
        setting = replace(setting, parity="E")
    return Candidate(setting, "text" if kind in ("two-talkers", "noise") else kind)


def prepare(listening: Setting, most: int, odd_bauds: tuple[int, ...] = ()) -> bool:
    """Makes up to `most` of the signatures that a listener at this setting needs; whether he has all of them now.

    So a whole set, which takes a good part of a second, never holds up whoever must answer within a fifth of one.
    """
    if _unmade.get(listening) == []:  # asked at every tick of the box
        return True
    _made_for(listening)
    if listening not in _unmade:
        _unmade[listening] = list({_like(listening, candidate): None for candidate in candidates(odd_bauds)})
    wanted = _unmade[listening]
    for _ in range(min(most, len(wanted))):
        _signature(listening, wanted.pop())
    return not wanted


_unmade: dict[Setting, list[Candidate]] = {}
_made: dict[Setting, dict[Candidate, Signature]] = {}


def _made_for(listening: Setting) -> dict[Candidate, Signature]:
    """Those that are kept for this listener, who becomes the last that asked."""
    _made[listening] = _made.pop(listening, {})
    while len(_made) > _KEPT_MOST:
        forgotten = next(iter(_made))
        del _made[forgotten]
        _unmade.pop(forgotten, None)
    return _made[listening]


def _signature(listening: Setting, candidate: Candidate) -> Signature:
    made = _made_for(listening)
    if candidate not in made:
        made[candidate] = Signature(_heard(listening, candidate))
    return made[candidate]


def _heard(listening: Setting, candidate: Candidate) -> list[int]:
    if candidate.kind in ("two-talkers", "noise"):
        return _heard_in_full(listening, candidate)
    setting, kind = candidate
    bits = setting.baud / listening.baud
    bursts = min(_BURSTS_MOST, max(1, round(_BURSTS * bits)))
    said = _chance(bursts) if kind == "binary" else _text(0, bursts)
    rest_bits = 20 + int(20 * bits)
    found: list[int] = []
    for number, burst in enumerate(said):
        levels = drawn(burst.data, setting, rest_bits)
        off = _CLOCKS_OFF[number % len(_CLOCKS_OFF)]
        found += heard(turned(levels) if kind == "inverted" else levels, bits * (1 + off), listening)
    return found


def _heard_in_full(listening: Setting, candidate: Candidate) -> list[int]:
    """Of what is a matter of fractions of bits: through the whole model of the wire."""
    setting, kind = candidate
    line = encode(_text(0, _BURSTS), setting)
    if kind == "noise":
        line = bit_errors(line, setting.baud, _NOISE, seed=1)
    else:
        line = joined(line, encode(_text(1, _BURSTS), setting))
    return [one.byte + FLAWED * (one.framing or one.parity) for one in Uart(listening).feed(line)]


@cache
def _chance(bursts: int) -> tuple[Burst, ...]:
    """Bytes that are all alike likely, as in a maker's stream or in corrections."""
    dice = Random("chance")
    return tuple(Burst(second, dice.randbytes(_CHANCE_BYTES)) for second in range(bursts))


@cache
def _text(talker: int, bursts: int) -> tuple[Burst, ...]:
    """Usual messages, with as many decimals as receivers send; those of another talker at other instants."""
    rates = {"GGA": 1, "VTG": 1, "RMC": 1, "GSA": 1}
    said: list[Burst] = []
    for number in range(bursts):
        settings = ReceiverSettings(rates_hz=rates, decimals=(8, 4)[number % 2], delay_s=0.03 + 0.0031 * talker)
        receiver = Receiver(settings, Drive(number + talker, parked_s=0), number + 2 * talker)
        said += [Burst(number + due_s, data) for due_s, data in receiver.epochs(0, 1)]
    return tuple(said)
