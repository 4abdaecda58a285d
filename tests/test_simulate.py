"""`linelamp simulate`: what is written can be judged, and the truth beside it is what was done."""

from __future__ import annotations

import json
import re
from datetime import UTC, datetime, timedelta
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner, Result

from appliance.cli import main
from appliance.history.reader import History
from appliance.simulate.drive import Drive
from appliance.simulate.faults import FAULTS
from appliance.simulate.intermittent import WHERE, NowhereError, spells
from appliance.simulate.troubles import TROUBLES


def call(*words: object) -> Result:
    result = CliRunner().invoke(main, [str(word) for word in words])
    assert result.exception is None or isinstance(result.exception, SystemExit), result.exception
    return result


def made(path: Path, *words: object) -> dict[str, Any]:
    """The truth of a recording that was made so."""
    result = call("simulate", *words, "--out", path)
    assert result.exit_code == 0, result.stderr
    told: dict[str, Any] = json.loads(path.with_name(path.name + ".truth.json").read_text())
    return told


def judged(path: Path) -> dict[str, Any]:
    told: dict[str, Any] = json.loads(call("check", path, "--json").stdout)
    return told


def test_its_help_lists_every_fault_with_a_line() -> None:
    text = call("simulate", "--help").output
    for name in (*FAULTS, *TROUBLES):
        assert re.search(rf"(?m)^  {re.escape(name)}  +\S", text), name
    assert all(f"--where {name}" in text for name in WHERE)


def test_a_recording_without_faults_goes(tmp_path: Path) -> None:
    told = made(tmp_path / "well.nmea", "--seconds", 40)
    assert told["faults"] == []
    assert judged(tmp_path / "well.nmea")["verdict"] == "go"


def test_a_pair_of_faults_is_found_where_the_truth_says(tmp_path: Path) -> None:
    path = tmp_path / "pair.nmea"
    told = made(path, "silence", "talker@GL", "--seconds", 120, "--times", 2, "--seed", 4)
    assert [one["fault"] for one in told["faults"]].count("silence") == 2
    assert {one["what"] for one in told["faults"] if one["fault"] == "talker"} == {"GL"}
    found = [one["start_s"] for one in judged(path)["faults"] if one["kind"] == "silent"]
    begun = [one["start_s"] for one in told["faults"] if one["fault"] == "silence"]
    assert found == pytest.approx(begun, abs=0.6)


def test_the_same_seed_makes_the_same_bytes(tmp_path: Path) -> None:
    words = ("noise=0.01", "--seconds", 30, "--rate", "GGA=10", "--rate", "GSA=1", "--baud", 115200)
    for name, seed in (("one", 7), ("two", 7), ("three", 8)):
        made(tmp_path / name, *words, "--seed", seed)
    first, second, third = ((tmp_path / name).read_bytes() for name in ("one", "two", "three"))
    assert first == second
    assert first != third
    assert first.count(b"$GNGGA") > 150
    assert b"$GNGSA" in first


@pytest.mark.parametrize("name", TROUBLES)
def test_a_trouble_is_made_of_its_faults(tmp_path: Path, name: str) -> None:
    told = made(tmp_path / "it.nmea", name, "--seconds", 200, "--from", 60, "--to", 120)
    assert [one["fault"] for one in told["faults"]] == [part.fault for part in TROUBLES[name].parts]
    assert all(60 <= one["start_s"] <= 135 for one in told["faults"])


def test_a_power_dip_looks_like_one(tmp_path: Path) -> None:
    made(tmp_path / "dip.nmea", "power-dip", "--seconds", 120, "--from", 60, "--to", 65)
    assert judged(tmp_path / "dip.nmea")["causes"][0]["id"] == "power-dips"


def test_a_story_is_told_with_its_truth(tmp_path: Path) -> None:
    told = made(tmp_path / "story.nmea", "--story", "an afternoon in the cab", "--seconds", 60)
    assert [one["fault"] for one in told["faults"]] == ["message-off", "noise"]


def test_a_history_is_as_if_a_box_had_listened(tmp_path: Path) -> None:
    path = tmp_path / "day.db"
    made(path, "silence", "--seconds", 90, "--from", 40, "--to", 45)
    with History(path) as history:
        watch = history.latest()
        assert watch is not None
        assert watch.dated
        faults = history.faults(watch.id)
        assert [one.kind for one in faults] == ["silent"]
        assert history.fault(faults[0].id).evidence
        assert len(list(history.seconds(watch.id))) in range(89, 93)
        assert list(history.losses(watch.id))
    result = judged(path)
    assert [one["kind"] for one in result["faults"]] == ["silent"]
    begun = datetime.fromisoformat(result["span"]["start_utc"])
    assert abs(begun - datetime(2026, 5, 4, 9, 12, tzinfo=UTC)) < timedelta(seconds=0.1)  # to which the line tells it


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (["silense"], "There is no fault 'silense'; there are trees, "),
        (["noise=lots"], "noise=lots: 'lots' is no number; give noise=0.01 (chance for each byte)."),
        (["trees=3"], "it takes no intensity"),
        (["--plan", "moon"], "There is no plan 'moon'; there are field, "),
        (["--where", "moon"], "There is no place or state 'moon'"),
        (["--story", "x"], "There is no story 'x'"),
        (["--baud", "9601"], "9601 is no usual baud"),
        (["--rate", "GGA"], "MESSAGE=HZ, such as GGA=10"),
        (["--rate", "XYZ=1"], "There is no message 'XYZ'"),
        (["--decimals", "80"], "80 is not in the range"),
        (["--quality", "33"], "The receiver cannot be set so"),
        (["--seconds", "1"], "too short to tell anything"),
        (["silence", "--from", "90", "--to", "30"], "cannot be on from 90 to 30 s"),
        (["silence", "--where", "shed", "--seconds", "60"], "the machine is never there: at the shed"),
        (["silence", "--times", "99", "--seconds", "60"], "have no room"),
        (["--out", "no/such/x.nmea"], "There is no folder no/such to write x.nmea to"),
        (["--needs", "none", "--out", "x.db"], "none"),
    ],
)
def test_what_cannot_be_made_is_said_and_nothing_is_written(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, words: list[str], says: str
) -> None:
    monkeypatch.chdir(tmp_path)
    result = call("simulate", "--out", "x.nmea", *words)
    assert result.exit_code == 2
    assert says in result.stderr
    assert list(tmp_path.iterdir()) == []


def test_what_is_there_is_not_written_over(tmp_path: Path) -> None:
    path = tmp_path / "mine.nmea"
    path.write_text("mine")
    assert "is there already" in call("simulate", "--out", path, "--seconds", 5).stderr
    assert path.read_text() == "mine"


@pytest.mark.parametrize("where", [name for name in WHERE if name != "anywhere"])
def test_spells_come_where_they_should(where: str) -> None:
    drive = Drive(2, plan="day")
    found = spells(
        "silence", drive, from_s=0, to_s=7200, times=10, lasts_s=(2, 4), seed=3, where=where, apart_s=20.0
    )  # fmt: skip
    assert len(found) == 10
    assert all(WHERE[where].holds(drive, one.start_s // 1) or WHERE[where].holds(drive, one.start_s) for one in found)
    assert all(2 <= one.end_s - one.start_s <= 4 for one in found)
    assert all(later.start_s - one.end_s >= 20 for one, later in pairwise(found))


def test_a_share_of_spells_comes_anyhow() -> None:
    drive = Drive(2, plan="day")
    found = spells(
        "silence", drive, from_s=0, to_s=20_000, times=100, lasts_s=(1, 2), seed=3, where="hollow", anyhow=0.5
    )  # fmt: skip
    there = sum(WHERE["hollow"].holds(drive, one.start_s) for one in found)
    assert 35 <= there <= 75


def test_nowhere_is_said() -> None:
    with pytest.raises(NowhereError, match="never there"):
        spells("silence", Drive(1, plan="parked"), from_s=0, to_s=60, times=1, lasts_s=(1, 2), seed=1, where="fast")
