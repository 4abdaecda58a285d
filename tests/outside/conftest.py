"""Published sentences, and sentences generated of every type of the grammar."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Any

import pytest
from hypothesis import strategies as st

from appliance.sentence.checksum import checksum

PUBLISHED = tomllib.loads((Path(__file__).parent / "published.toml").read_text(encoding="utf-8"))

TALKERS = ("GP", "GL", "GA", "GB", "BD", "GI", "GQ", "GN")


def pytest_generate_tests(metafunc: pytest.Metafunc) -> None:
    """`published`: each good row of the table; `refused`: each refused one."""
    for name, key in (("published", "good"), ("refused", "refused")):
        if name in metafunc.fixturenames:
            rows = PUBLISHED[key]
            metafunc.parametrize(name, rows, ids=[row["says"] for row in rows])


def _seal(talker: str, type_: str, fields: list[str]) -> bytes:
    body = ",".join([talker + type_, *fields]).encode("ascii")
    return b"$" + body + b"*%02X\r\n" % checksum(body)


def _maybe(value: st.SearchStrategy[str]) -> st.SearchStrategy[str]:
    """A null field now and then."""
    return st.integers(0, 5).flatmap(lambda dice: value if dice else st.just(""))


def _decimals(most: int = 8) -> st.SearchStrategy[str]:
    return st.text("0123456789", min_size=1, max_size=most).map(lambda digits: "." + digits)


def _number(most: int, width: int = 0, decimals: int = 8) -> st.SearchStrategy[str]:
    whole = st.integers(0, most).map(lambda n: f"{n:0{width}d}")
    return st.builds("".join, st.tuples(whole, st.one_of(st.just(""), _decimals(decimals))))


def _signed(most: int) -> st.SearchStrategy[str]:
    return st.builds("".join, st.tuples(st.sampled_from(["", "-"]), _number(most)))


def _angle(degrees: int, width: int, sides: str) -> st.SearchStrategy[list[str]]:
    inside = st.builds(
        lambda degree, minute, rest: f"{degree:0{width}d}{minute:02d}{rest}",
        st.integers(0, degrees - 1),
        st.integers(0, 59),
        st.one_of(st.just(""), _decimals()),
    )
    value = st.one_of(*[inside] * 9, st.just(f"{degrees:0{width}d}00.0000"))
    whole = st.tuples(value, st.sampled_from(sides)).map(list)
    return st.one_of(whole, whole, whole, st.just(["", ""]))


_POSITION = st.tuples(_angle(90, 2, "NS"), _angle(180, 3, "EW")).map(lambda pair: [*pair[0], *pair[1]])
_SECONDS = st.one_of(*[st.integers(0, 59)] * 5, st.just(60))
_TIME = st.builds(
    lambda hour, minute, second, rest: f"{hour:02d}{minute:02d}{second:02d}{rest}",
    st.integers(0, 23),
    st.integers(0, 59),
    _SECONDS,
    st.one_of(st.just(""), _decimals()),
)
_TURN = _number(359)
_DATE = st.dates().map(lambda day: f"{day.day:02d}{day.month:02d}{day.year % 100:02d}")
_MODE = st.sampled_from("ADEFMNPRS")
_STATUS = st.sampled_from("AV")
_SATELLITE = st.integers(1, 120).flatmap(lambda n: st.sampled_from([f"{n}", f"{n:02d}", f"{n:03d}"]))
_COUNT = st.integers(0, 40).flatmap(lambda n: st.sampled_from([f"{n}", f"{n:02d}"]))
_SYSTEM = st.sampled_from("0123456789ABCDEF")


def _row(*fields: st.SearchStrategy[str] | str) -> st.SearchStrategy[list[str]]:
    """One strategy for each field, null now and then; a letter that is always there is given as it is."""
    return st.tuples(*(st.just(field) if isinstance(field, str) else _maybe(field) for field in fields)).map(list)


def _joined(*parts: st.SearchStrategy[list[str]]) -> st.SearchStrategy[list[str]]:
    return st.tuples(*parts).map(lambda lists: [field for part in lists for field in part])


def _cut(fields: st.SearchStrategy[list[str]], least: int, most: int) -> st.SearchStrategy[list[str]]:
    """As older versions of the standard have it: without the last fields."""
    return st.tuples(fields, st.integers(least, most)).map(lambda pair: pair[0][: pair[1]])


def _in_view() -> st.SearchStrategy[list[str]]:
    degrees, azimuth = st.integers(0, 90).map(str), st.integers(0, 359).map(lambda n: f"{n:03d}")
    group = _row(_SATELLITE, degrees, azimuth, st.integers(0, 99).map(str))
    groups = st.lists(group, max_size=4).map(lambda many: [field for one in many for field in one])
    return _joined(_row(st.integers(1, 9).map(str), st.integers(1, 9).map(str), _COUNT), groups)


_RMC = _joined(
    _row(_TIME, _STATUS),
    _POSITION,
    _row(_number(200), _TURN, _DATE, _number(179), st.sampled_from("EW"), _MODE, st.sampled_from("SCUV")),
)
_FIELDS: dict[str, st.SearchStrategy[list[str]]] = {
    "GGA": _joined(
        _row(_TIME),
        _POSITION,
        _row(st.integers(0, 9).map(str), _COUNT, _number(99), _signed(9000), "M", _signed(110), "M"),
        _row(_number(999), st.integers(0, 1023).map(lambda n: f"{n:04d}")),
    ),
    "RMC": _cut(_RMC, 11, 13),
    "VTG": _cut(_row(_TURN, "T", _TURN, "M", _number(200), "N", _number(370), "K", _MODE), 8, 9),
    "ZDA": _joined(
        _row(_TIME),
        st.one_of(
            st.dates().map(lambda day: [f"{day.day:02d}", f"{day.month:02d}", f"{day.year:04d}"]),
            st.just(["", "", ""]),
        ),
        _row(st.integers(-13, 13).map(lambda n: f"{n:03d}" if n < 0 else f"{n:02d}"), st.just("00")),
    ),
    "GLL": _cut(_joined(_POSITION, _row(_TIME, _STATUS, _MODE)), 6, 7),
    "GSA": _cut(
        _row(
            st.sampled_from("MA"),
            st.sampled_from("123"),
            *[_SATELLITE] * 12,
            _number(99),
            _number(99),
            _number(99),
            _SYSTEM,
        ),
        17,
        18,
    ),
    "GST": _row(_TIME, *[_number(999)] * 3, _TURN, *[_number(999)] * 3),
    "GSV": st.one_of(_in_view(), _joined(_in_view(), _row(_SYSTEM))),
    "HDT": _row(_TURN, "T"),
}


@pytest.fixture(scope="session")
def said() -> dict[str, st.SearchStrategy[bytes]]:
    """Type -> sentences of that type from all talkers: nulls, 0 to 8 decimals, older and newer numbers of fields."""

    def sentences(type_: str, fields: st.SearchStrategy[list[str]]) -> st.SearchStrategy[bytes]:
        return st.builds(_seal, st.sampled_from(TALKERS), st.just(type_), fields)

    return {type_: sentences(type_, fields) for type_, fields in _FIELDS.items()}


@pytest.fixture(scope="session")
def published_rows() -> list[dict[str, Any]]:
    """All good rows of the table of published sentences."""
    rows: list[dict[str, Any]] = PUBLISHED["good"]
    return rows
