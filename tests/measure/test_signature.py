"""What a listener sees of a line set otherwise: the shares agree with what a bit-level simulation gave elsewhere."""

from __future__ import annotations

import math
from collections import Counter

import pytest

from appliance.measure import sampling
from appliance.measure.sampling import FLAWED, _words
from appliance.measure.signature import (
    _KEPT_MOST,
    BAUDS,
    CANDIDATES,
    FORMATS,
    Candidate,
    Signature,
    _heard,
    _made,
    _unmade,
    prepare,
    signature,
)
from appliance.sentence.setting import Setting
from appliance.simulate.drive import Drive
from appliance.simulate.receiver import Receiver, ReceiverSettings
from appliance.simulate.uart import Received, Uart
from appliance.simulate.wave import encode

LISTENING = Setting(38_400)


def heard(setting: Setting, listening: Setting = LISTENING) -> list[Received]:
    """Text of another seed than the signature's own."""
    bursts = Receiver(ReceiverSettings(), Drive(77), 77).epochs(0, 2)
    return Uart(listening).feed(encode(bursts, setting))


def test_every_setting_and_kind_is_a_candidate_once() -> None:
    assert len(CANDIDATES) == len(set(CANDIDATES)) == len(BAUDS) * (2 * len(FORMATS) + 3)


@pytest.mark.parametrize(
    ("setting", "flawed_share"),
    [
        # From a bit-level simulation made apart from this program; typical text, so no more than a tenth is claimed.
        (Setting(38_400), 0.0),
        (Setting(4800), 0.61),
        (Setting(9600), 0.48),
        (Setting(19_200), 0.53),
        (Setting(115_200), 0.48),
        (Setting.parse(38_400, "7E1"), 0.0),
        (Setting.parse(38_400, "8E1"), 0.52),
    ],
    ids=str,
)
def test_the_share_of_flawed_bytes(setting: Setting, flawed_share: float) -> None:
    seen = signature(LISTENING, Candidate(setting))
    sound_share = sum(math.exp(seen.log_likelihood(Counter([byte]), marked=True)) for byte in range(FLAWED))
    assert 1 - sound_share == pytest.approx(flawed_share, abs=0.1)


@pytest.mark.parametrize("setting", [Setting(9600), Setting(115_200), Setting.parse(38_400, "7E1")], ids=str)
def test_what_is_heard_is_likeliest_by_its_own_signature(setting: Setting) -> None:
    seen = Counter(one.byte for one in heard(setting))
    likelihoods = {one: signature(LISTENING, Candidate(one)).log_likelihood(seen) for one in map(Setting, BAUDS)}
    likelihoods[setting] = signature(LISTENING, Candidate(setting)).log_likelihood(seen)
    assert max(likelihoods, key=likelihoods.__getitem__) == setting


@pytest.mark.parametrize(("sent", "other"), [("8E1", "8O1"), ("8O1", "8E1")])
def test_which_bytes_are_flawed_tells_even_from_odd_parity(sent: str, other: str) -> None:
    words = [one.byte + FLAWED * one.framing for one in heard(Setting.parse(38_400, sent))[:60]]
    true, false = (signature(LISTENING, Candidate(Setting.parse(38_400, name))) for name in (sent, other))
    seen = Counter(words)
    assert true.log_likelihood(seen, marked=True) > false.log_likelihood(seen, marked=True) + 100
    alone = Counter(word & 255 for word in words)
    assert true.log_likelihood(alone) == pytest.approx(false.log_likelihood(alone), abs=1)


def test_the_shares_are_shares_and_nothing_is_impossible() -> None:
    made = Signature(b"aab")
    shares = [math.exp(made.log_likelihood(Counter({byte: 1}))) for byte in range(256)]
    assert sum(shares) == pytest.approx(1.0, abs=1e-9)
    assert min(shares) > 1e-5
    assert shares[ord("a")] > shares[ord("b")] > shares[0]


def test_of_nothing_heard_nothing_is_known() -> None:
    made = Signature(b"")
    assert made.log_likelihood(Counter(b"ab")) == pytest.approx(2 * math.log(1 / 256))


def test_a_call_makes_no_more_than_it_may() -> None:
    listening = Setting(31_250)  # a baud that no other test has made ready
    turns = 0
    while not prepare(listening, 5):
        turns += 1
        assert turns < 100
    assert turns >= 10
    assert prepare(listening, 0)


def test_what_levels_mean_is_kept_by_format_for_so_many_and_no_less_true(monkeypatch: pytest.MonkeyPatch) -> None:
    near = [one for one in CANDIDATES if one.setting.baud in (38_400, 57_600) and one.kind in ("text", "inverted")]
    heard = [_heard(Setting(baud), one) for baud in (38_400, 40_000) for one in near]
    assert 100 < len(_words(8, "N")) <= sampling._WORDS_MOST
    monkeypatch.setattr(sampling, "_WORDS_MOST", 50)
    _words.cache_clear()
    assert [_heard(Setting(baud), one) for baud in (38_400, 40_000) for one in near] == heard
    assert _words.cache_info().currsize == 1  # of both bauds
    assert len(_words(8, "N")) <= 50


def test_a_hunt_through_all_settings_fills_no_memory() -> None:
    for baud in BAUDS:
        for name in FORMATS[:2]:
            prepare(Setting.parse(baud, name), 1)
    assert len(_made) <= _KEPT_MOST
    assert set(_unmade) <= set(_made)
    assert Setting.parse(BAUDS[-1], FORMATS[1]) in _made  # the last one asked for
    assert not prepare(Setting.parse(BAUDS[0], FORMATS[0]), 0)  # forgotten, so it is made anew
