"""Fields by name: the box's own grammar for what it judges, pynmea2's names for the rest; nothing ever raises."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from appliance.fields import fields_by_name, words
from appliance.sentence.checksum import checksum
from appliance.sentence.chunk import Chunk
from appliance.sentence.frame import Framer
from appliance.sentence.parse import Sentence, parse


def heard(body: str) -> Sentence:
    raw = b"$%s*%02X\r\n" % (body.encode(), checksum(body.encode()))
    sentence = parse(Framer().feed(Chunk(raw, 0, 0))[0])
    assert isinstance(sentence, Sentence), sentence
    return sentence


def test_what_is_judged_is_named_by_the_grammar() -> None:
    named = dict(fields_by_name(heard("GPGGA,123519,4807.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,")))
    assert len(named) >= 12
    assert "08" in named.values()
    assert [value for _, value in fields_by_name(heard("GPHDT,74.20,T"))] == ["74.20", "T"]


@pytest.mark.parametrize(
    ("body", "expected"),
    [
        # Names are pynmea2's own (its tests hold these sentences); values must stay beside them.
        ("GPXTE,A,A,0.67,L,N", {"Cross Track Error Distance": "0.67", "Correction Direction (L or R)": "L"}),
        ("PGRME,15.0,M,45.0,M,25.0,M", {"Estimated Vert. Position Error": "45.0"}),
        ("PTNL,GGK,113616.00,041006,4724.5248557,N,00937.1063064,E,3,12,1.7,EHT1171.742,M",
         {"Sentence Type": "GGK", "Latitude": "4724.5248557", "Meters": "M"}),
        ("GPRTE,2,1,c,0,W3IWI,DRIVWY", {"Start Type": "c", "field 5": "W3IWI", "field 6": "DRIVWY"}),
        ("PMTK001,604,3", {"field 1": "604", "field 2": "3"}),
        ("CCGPQ,GGA", {"field 1": "GGA"}),
        ("GPZZZ,a,,b", {"field 1": "a", "field 2": "", "field 3": "b"}),
        ("PXXX", {}),
    ],
)  # fmt: skip
def test_the_rest_is_named_by_pynmea2(body: str, expected: dict[str, str]) -> None:
    named = dict(fields_by_name(heard(body)))
    assert expected.items() <= named.items()
    assert bool(named) == bool(expected)


@pytest.mark.parametrize(
    ("talker", "type_", "said"),
    [("GP", "XTE", "Cross-Track Error, Measured"), ("P", "GRME", "a maker's own sentence"), ("GP", "ZZZ", ""),
     ("GP", "TalkerSentence", ""), ("GP", "", "")],
)  # fmt: skip
def test_what_a_type_tells(talker: str, type_: str, said: str) -> None:
    assert words(talker, type_) == said


def test_each_type_that_is_judged_has_words() -> None:
    for type_ in ("GGA", "RMC", "VTG", "ZDA", "GLL", "GSA", "GST", "GSV", "HDT"):
        assert words("GN", type_)


addresses = st.from_regex(r"(?:GP|GN|II|CC|HC)[A-Z]{3}|P[A-Z0-9]{1,8}", fullmatch=True) | st.sampled_from(
    ["PGRME", "PGRMZ", "PTNL", "PUBX", "PASHR", "PSRF103", "PMGNST", "PNORBT8", "PRDID", "PFEC", "PKWDSPL", "GPALM",
     "GPRTE", "GPWPL", "GPBOD", "GPDTM", "GPGBS", "GPGRS", "GPMSS", "WIMWV", "WIMWD", "HEROT", "GPR00", "GPTXT"]
)  # fmt: skip
values = st.lists(
    st.text(st.characters(min_codepoint=0x20, max_codepoint=0x7E, exclude_characters="$!*,\\~^"), max_size=9)
)


@given(address=addresses, values=values)
def test_nonsense_keeps_every_value_in_order(address: str, values: list[str]) -> None:
    body = ",".join([address, *values])
    raw = b"$%s*%02X\r\n" % (body.encode(), checksum(body.encode()))
    sentence = parse(Framer().feed(Chunk(raw, 0, 0))[0])
    if isinstance(sentence, Sentence):
        assert [value for _, value in fields_by_name(sentence)] == sentence.fields == values
        assert all(isinstance(name, str) and name for name, _ in fields_by_name(sentence))
        assert isinstance(words(sentence.talker, sentence.type), str)
