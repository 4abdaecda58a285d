"""Published sentences and real recordings: which of them claim what cannot be, and why.

Published sentences were sent by real receivers, so but for the ones that are odd none may be called inconsistent. Each
is held for 5 s here, as a receiver would that goes on saying it.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

from appliance.measure.claims import Claims
from appliance.measure.epoch import Epoch, Epochs
from appliance.measure.trouble import Trouble, Troubles
from appliance.recording import plain
from appliance.sentence.frame import Frame, Framer
from appliance.sentence.parse import Sentence, parse

SECOND = 1_000_000_000
DAY_S = 86_400

ODD: dict[str, set[str]] = {}
"""Published sentence -> what it raises, held alone for 5 s. None of them contradicts itself: A beside R, D, A or no
mode, V beside N, and 8 satellites without a position with a quality of 0 are all as real receivers have it."""


def said(row: str) -> Sentence:
    sentence = parse(Frame(row.encode() + b"\r\n", 0, 0))
    assert isinstance(sentence, Sentence)
    return sentence


def held(*rows: str) -> set[str]:
    """The kinds that sentences raise which are said together, once a second for 20 s."""
    troubles, sentences = Troubles(), [said(row) for row in rows]
    claims = Claims(troubles)
    contents = {one.type: one.content for one in sentences if one.content is not None}
    for second in range(20):
        claims.take(Epoch(float(second), second * SECOND, second * SECOND, sentences, contents))
    return {trouble.kind for trouble in troubles.take_ended()} | set(troubles.lasting)


def test_a_published_sentence_alone_claims_nothing_that_cannot_be(published: dict[str, Any]) -> None:
    assert held(published["says"]) == ODD.get(published["says"], set())


ATOMIC = (  # ship log of NOAA PSL, ATOMIC 2020: one epoch, quality 2 beside mode D
    "$GPGGA,195959.00,1541.31258893,N,05130.51204125,W,2,06,1.5,9.2,M,-37.6,M,4.0,0138*7E",
    "$GPRMC,195959.00,A,1541.31258893,N,05130.51204125,W,0.26,147.44,140120,16.9,W,D*0B",
    "$GPVTG,147.44,T,164.31,M,0.26,N,0.49,K,D*2C",
    "$GPZDA,195959.00,14,01,2020,00,00*6A",
    "$GPGLL,1541.31258893,N,05130.51204125,W,195959.00,A,D*7B",
)
COLD = (  # tests of pynmeagps: alive, no fix
    "$GNRMC,,V,,,,,,,,,,N,V*37",
    "$GNGGA,,,,,,0,00,99.99,,,,,,*56",
    "$GNVTG,,,,,,,,,N*2E",
)
ATOMIC_RMC, COLD_RMC = ATOMIC[1], COLD[0]


def test_published_epochs_are_consistent() -> None:
    assert held(*ATOMIC) == set()
    assert held(*COLD) == set()
    # gpsinformation.org: quality 1, status A, no mode yet (v2.0)
    assert held(
        "$GPGGA,123519,4807.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,*47",
        "$GPRMC,123519,A,4807.038,N,01131.000,E,022.4,084.4,230394,003.1,W*6A",
    ) == set()  # fmt: skip


def test_published_sentences_of_different_receivers_contradict_each_other() -> None:
    """Put together, each is what the other denies: so none of the rules is asleep."""
    assert held(ATOMIC[0], COLD_RMC) == {"status-contradicts"}  # quality 2 beside V and N
    assert held(COLD[1], ATOMIC_RMC) == {"status-contradicts"}  # no fix beside A
    # A public Java test file's RMC in Tasmania beside a public C test file's GGA in Brittany: N beside S.
    assert held(
        "$GNGGA,104710.00,4832.5844943,N,00229.8320136,E,5,12,0.84,80.418,M,46.332,M,1.0,0000*5A",
        "$GNRMC,034152.00,A,3607.9701510,S,14655.8342969,E,0.015,,191021,,,R,V*14",
    ) == {"hemisphere-flips"}  # fmt: skip


def epochs(path: Path) -> Iterator[Epoch]:
    """The epochs of a plain log, dated by its own UTC."""
    framer, grouped = Framer(), Epochs()
    for recorded in plain(path):
        for frame in framer.feed(recorded.chunk):
            sentence = parse(frame)
            if isinstance(sentence, Sentence):
                yield from grouped.add(sentence)
    yield from grouped.flush()


def judged(path: Path) -> list[Trouble]:
    troubles, found = Troubles(), list[Trouble]()
    claims = Claims(troubles)
    for epoch in epochs(path):
        claims.take(epoch)
        found += troubles.take_ended()
    return found + list(troubles.lasting.values())


def clock(trouble: Trouble) -> str:
    second = trouble.since_ns // SECOND % DAY_S
    return f"{second // 3600:02d}:{second // 60 % 60:02d}:{second % 60:02d}"


def test_road(recordings: Path) -> None:
    """2.5 hours of a consumer receiver in the mountains, looked at by hand.

    height-jump, 2, both true: at 00:50:18 the height is 2230.5 m, 2 s and 45 m further on 2177.9, where the fix
    changed from 1 to 2; at 00:51:58 2100.6 m, 2 s and 47 m further on 2053.2, with no change of the fix. No road
    falls so; the receiver's height had been off by 50 m and was put right at once, twice.

    satellites-falling, 2: from 00:04:36 to 00:04:42 5 are left of 9, for four epochs; from 00:16:36 to 00:17:10, the
    vehicle hardly moving, 3 to 5 of 9.

    hdop-rising, 8: at 00:26:10 3.5 and more for 6 s; the others from 00:55 to 01:06: stretches of dilutions between 3.2
    and 176, where 1.9 is usual, with single better epochs between them; 3 to 8 satellites, so a valley or trees. (Ours
    are capped at 8, twice what is allowed.)

    Nothing contradicts: quality and mode change in the same epoch 47 times.
    """
    found = judged(recordings / "road-vehicle-2s.nmea")
    fails = [
        (one.kind, clock(one), one.note, round(one.measured or 0, 1)) for one in found if one.kind == "height-jump"
    ]
    assert fails == [("height-jump", "00:50:20", "fix-changed", 52.6), ("height-jump", "00:52:00", "fix-same", 47.4)]
    assert [clock(one) for one in found if one.kind == "satellites-falling"] == ["00:04:40", "00:16:40"]
    rising = [clock(one) for one in found if one.kind == "hdop-rising"]
    assert len(rising) == 8
    assert (rising[0], rising[-1]) == ("00:26:10", "01:06:22")
    assert {one.kind for one in found} == {"height-jump", "satellites-falling", "hdop-rising"}


def test_rtk(recordings: Path) -> None:
    """Quality 5 and 2 beside mode D, several talkers, ages of 1 and 2 s: nothing.

    At 23:57:02 its height is off by 5.5 m for one epoch, with 5 satellites and a dilution of 2.6: as far as that
    dilution allows at quality 2.
    """
    assert judged(recordings / "rtk-class-1hz.nmea") == []
