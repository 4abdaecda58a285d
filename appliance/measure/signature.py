"""What a listener would see of NMEA 0183 text on a line that is set otherwise than he is.

A UART that listens at the wrong baud or format does not hear nothing: it hears bytes, and which ones it hears, and how
often, depends on how the line is really set. So the answer is worked out forwards: usual text goes through the wire
model bit by bit at every setting there may be, and into a receiver at the listener's own; the shares of the 256 bytes
are that candidate's signature. Whatever comes over a real line is then compared with all of them (see hunt).

The text is simulated: its digits are by chance, its shape is that of the standard. Signatures are made when first
asked for and kept; each costs some milliseconds.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterable, Iterator
from dataclasses import replace
from functools import cache
from random import Random
from typing import Literal, NamedTuple

from appliance.sentence.setting import Setting
from appliance.simulate.drive import Drive
from appliance.simulate.receiver import Burst, Receiver, ReceiverSettings
from appliance.simulate.spoil import bit_errors, inverted, joined
from appliance.simulate.uart import Uart
from appliance.simulate.wave import encode

BAUDS = (1200, 2400, 4800, 9600, 14400, 19200, 38400, 57600, 115200, 230400, 460800)
FORMATS = ("8N1", "7E1", "7O1", "8E1", "8O1")
"""As a listener can tell them apart: a second stop bit looks like a short rest, so 8N2 is heard as 8N1."""

_STRANGE = 0.03
"""Share of bytes that a signature leaves open, for noise and for text of another kind. Tuned on the bench."""
_BARE = 0.02
"""Added to every count, so that what did not occur in the sample is rare rather than impossible."""
_SAMPLE_S = 2
_REPEATS_MOST = 6
_NOISE = 0.02
"""Share of the bits that noise turns over, in the signature: two bytes in ten. Tuned on the bench."""
_CHANCE_BYTES = 700


Kind = Literal["text", "inverted", "two-talkers", "binary", "noise"]


class Candidate(NamedTuple):
    """What a line may really be: its setting, and whether it carries text, text of inverted polarity, the text of two
    talkers at once, no text at all, or text with noise on it, also where the line rests."""

    setting: Setting
    kind: Kind = "text"


def _candidates() -> Iterator[Candidate]:
    for baud in BAUDS:
        for name in FORMATS:
            yield Candidate(Setting.parse(baud, name))
            yield Candidate(Setting.parse(baud, name), "inverted")
        yield Candidate(Setting(baud), "two-talkers")
        yield Candidate(Setting(baud), "binary")
        yield Candidate(Setting(baud), "noise")


CANDIDATES: tuple[Candidate, ...] = tuple(_candidates())


class Signature:
    """Shares of the bytes, as logarithms; and the share of bytes with a framing or parity error."""

    __slots__ = ("_log_shares", "_rest", "flawed_share")

    def __init__(self, bytes_: Iterable[int], flawed: int) -> None:
        counts = Counter(bytes_)
        total = counts.total()
        known = (1 - _STRANGE) / (total + 256 * _BARE)
        floor = _STRANGE / 256
        self._log_shares = {byte: math.log((count + _BARE) * known + floor) for byte, count in counts.items()}
        self._rest = math.log(_BARE * known + floor)
        self.flawed_share = min(0.99, max(0.002, flawed / total if total else 0.0))

    def share(self, byte: int) -> float:
        """Of this byte, 0 to 1."""
        return math.exp(self._log_shares.get(byte, self._rest))

    def log_likelihood(self, seen: Counter[int]) -> float:
        """Of having seen these bytes so often."""
        return sum(count * self._log_shares.get(byte, self._rest) for byte, count in seen.items())


def signature(listening: Setting, candidate: Candidate) -> Signature:
    """What a listener at this setting sees of such a line."""
    return _signature(listening, _like(listening, candidate))


def _like(listening: Setting, candidate: Candidate) -> Candidate:
    """At another baud some candidates look alike: odd parity like even, and two talkers like one. Once the listener
    is at their baud, they are told apart."""
    setting, kind = candidate
    if setting.baud == listening.baud:
        return candidate
    if setting.parity == "O" or (setting.parity == "E" and kind == "inverted" and setting.bits == 8):
        setting = replace(setting, parity="E" if setting.bits == 7 or kind == "text" else "N")
    return Candidate(setting, "text" if kind in ("two-talkers", "noise") else kind)


def prepare(listening: Setting, most: int) -> bool:
    """Makes up to `most` of the signatures that a listener at this setting needs; whether he has all of them now.

    So a whole set, which takes a good part of a second, never holds up whoever must answer within a fifth of one.
    """
    if listening not in _unmade:
        _unmade[listening] = list({_like(listening, candidate): None for candidate in CANDIDATES})
    wanted = _unmade[listening]
    for _ in range(min(most, len(wanted))):
        _signature(listening, wanted.pop())
    return not wanted


_unmade: dict[Setting, list[Candidate]] = {}


@cache
def _signature(listening: Setting, candidate: Candidate) -> Signature:
    setting, kind = candidate
    fast = min(_REPEATS_MOST, max(1, setting.baud // listening.baud))
    line = encode(_chance(fast) if kind == "binary" else _text(0, fast), setting)
    if kind == "inverted":
        line = inverted(line)
    elif kind == "noise":
        line = bit_errors(line, setting.baud, _NOISE, seed=1)
    elif kind == "two-talkers":
        line = joined(line, encode(_text(1, fast), setting))
    heard = Uart(listening).feed(line)
    return Signature((one.byte for one in heard), sum(one.framing or one.parity for one in heard))


@cache
def _chance(times: int) -> tuple[Burst, ...]:
    """Bytes that are all alike likely, as in a maker's stream or in corrections."""
    dice = Random("chance")
    return tuple(Burst(second, dice.randbytes(_CHANCE_BYTES)) for second in range(2 * times))


@cache
def _text(talker: int, times: int) -> tuple[Burst, ...]:
    """Usual messages, with as many decimals as receivers send; those of another talker at other instants.

    times: how often over, with other figures: a listener much slower than the line hears but few bytes of each.
    """
    rates = {"GGA": 1, "VTG": 1, "RMC": 1, "GSA": 1}
    bursts: list[Burst] = []
    for number, decimals in enumerate((4, 8) * times):
        settings = ReceiverSettings(rates_hz=rates, decimals=decimals, delay_s=0.03 + 0.0031 * talker)
        receiver = Receiver(settings, Drive(number + talker, parked_s=0), number + 2 * talker)
        start_s = number * _SAMPLE_S
        bursts += [Burst(start_s + due_s, data) for due_s, data in receiver.epochs(0, _SAMPLE_S / 2)]
    return tuple(bursts)
