"""The table of causes, the ranking, and what a watch makes of its findings. The bench shows how well it hits."""

from __future__ import annotations

import json
import math
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from appliance import check
from appliance.judge import causes
from appliance.judge.causes import Finding, Known, Suspect, rank
from appliance.judge.causes_table import Cause, Evidence, TableError, read, table
from appliance.judge.check import Check
from appliance.judge.faults import Fault, Faults
from appliance.judge.inquiry import AGAIN_NS, LATELY_NS, NOW_NS, Inquiry, facts
from appliance.judge.needs import Needs
from appliance.judge.words import SAYS
from appliance.measure.meter import LineMeter, MeterSettings
from appliance.sentence.checksum import checksum
from appliance.sentence.chunk import Chunk
from appliance.simulate.drive import Drive
from appliance.simulate.faults import Spell
from appliance.simulate.receiver import Receiver, ReceiverSettings
from appliance.source import open_source

SECOND = 1_000_000_000
ROW = """
[loose]
says = "A plug is loose."
prior = -2.0
minutes = 5
first = "Push it in at {baud} baud."
proof = "It holds."
source = "common practice, no source"
evidence = [{ found = ["silent"], weight = 4.0 }]
"""


def finding(id_: str, message: str = "", **more: Any) -> Finding:
    usual: dict[str, Any] = {
        "times": 1,
        "lasting": True,
        "measured": 5.0,
        "needed": 1.0,
        "note": "",
        "says": "It is so.",
    }
    return Finding(id_, message, **(usual | more))


def cause(name: str, *evidence: Evidence, prior: float = 0.0, minutes: int = 5) -> Cause:
    return Cause(name, f"It is {name}.", prior, minutes, "try", "proof", "source", evidence)


def test_every_row_of_the_table_says_all_that_a_technician_needs() -> None:
    for one in table():
        assert one.says.endswith(".")
        assert one.first.endswith((".", "}."))
        assert one.proof.endswith(".")
        assert one.source
        assert 1 <= one.minutes <= 30
        assert one.prior < 0  # before any evidence no cause is likely


def test_every_check_that_can_fail_speaks_for_some_cause() -> None:
    speaking = {id_ for one in table() for row in one.evidence if row.weight > 0 for id_ in row.found}
    assert set(SAYS) - speaking == set()


def test_every_template_of_the_table_can_be_filled() -> None:
    known = Known([finding(id_, "GGA", note=note) for id_ in SAYS for note in ("", "days")], {})
    for one in table():
        for row in one.evidence:
            told = [one for one in known.findings if one.id in row.found]
            assert "{" not in causes._reason(row, told, known)
        assert "{" not in causes._suspect(one, 0.5, [], known).first


@pytest.mark.parametrize(
    ("old", "new", "says"),
    [
        ('"silent"', '"silnt"', "silnt"),
        ("weight = 4.0", "wieght = 4.0", "wieght"),
        ("minutes = 5\n", "", "minutes"),
        ("weight = 4.0", "weight = -4.0", "nothing speaks for it"),
        ("weight = 4.0", "weight = 4.0, facts = { byts = [0, 0] }", "byts"),
        ('found = ["silent"]', "facts = { bytes = [0, 0] }", "must say why"),
    ],
)
def test_a_wrong_table_is_refused_by_name(old: str, new: str, says: str) -> None:
    assert read(ROW)
    with pytest.raises(TableError, match=says):
        read(ROW.replace(old, new))


def test_shares_are_those_of_bayes_rule_among_what_explains_the_same() -> None:
    """Log-odds are added up; the share is that of a softmax with "something else" at 0."""
    one = cause("one", Evidence(3.0, ("silent",)), Evidence(-1.0, ("noise",)), prior=-1.0)
    rival = cause("rival", Evidence(1.5, ("silent", "noise")), prior=-1.0)
    apart = cause("apart", Evidence(2.5, ("age-high",)))
    ranked = rank(Known([finding("silent"), finding("noise"), finding("age-high")]), [rival, one, apart])
    whole = 1 + math.exp(1.0) + math.exp(0.5)
    assert [suspect.cause.id for suspect in ranked] == ["apart", "one", "rival"]
    assert ranked[0].weight == pytest.approx(1 / (1 + math.exp(-2.5)))
    assert ranked[1].weight == pytest.approx(math.exp(1.0) / whole)
    assert ranked[2].weight == pytest.approx(math.exp(0.5) / whole)


def test_a_hint_alone_makes_no_suspect() -> None:
    known = Known([finding("silent")])
    assert not rank(known, [cause("one", Evidence(1.0, ("silent",)), prior=3.0)])
    assert rank(known, [cause("one", Evidence(1.1, ("silent",)))])


def test_of_two_as_likely_the_cheaper_is_tried_first_and_three_are_shown_at_most() -> None:
    rows = [cause(str(minutes), Evidence(2.0, ("silent",)), minutes=minutes) for minutes in (15, 3, 10, 5)]
    assert [one.cause.id for one in rank(Known([finding("silent")]), rows)] == ["3", "5", "10"]


def test_of_three_shown_one_explains_the_second_trouble() -> None:
    """Four explain a silence better than the fifth explains old corrections; all the same that one is shown."""
    rows = [cause(str(at), Evidence(3.0, ("silent",)), prior=-at / 10) for at in range(4)]
    rows.append(cause("other", Evidence(1.5, ("age-high",)), prior=-3.0))
    both = rank(Known([finding("silent"), finding("age-high")]), rows)
    assert [one.cause.id for one in both] == ["0", "1", "other"]
    assert [one.cause.id for one in rank(Known([finding("silent")]), rows)] == ["0", "1", "2"]


def test_what_a_line_cannot_tell_apart_is_said() -> None:
    """A leap of the position comes of the sky or of a base that moved: neither is believed by more than half."""
    first, second = rank(Known([finding("position-jump")]))[:2]
    assert {first.cause.id, second.cause.id} == {"sky-antenna", "corrections"}
    assert first.weight == pytest.approx(second.weight)
    assert first.weight < 0.5
    assert causes.HARDLY_TOLD.format(others=second.cause.says) in first.because_says
    assert causes.HARDLY_TOLD.format(others=first.cause.says) in second.because_says
    (alone,) = rank(Known([finding("age-high")]))
    assert alone.alike == []


def test_bytes_lost_without_a_strange_character_may_be_lost_in_the_box_unless_its_port_counted() -> None:
    """Bits that turn make characters that no sentence holds (IEC 61162-1: printable ASCII); bytes lost do not."""
    damage = [finding("noise"), finding("checksum-bad"), finding("sentence-damaged")]
    told = {"errored_share": 0.2, "damage_count": 60, "strange_share": 0.0, "cut_share": 0.1}
    assert [one.cause.id for one in rank(Known(damage, told))][:2] == ["noise", "box"]
    for name, value in (("strange_share", 0.1), ("lost_here", 0.0), ("damage_count", 20.0)):
        assert "box" not in [one.cause.id for one in rank(Known(damage, {**told, name: value}))]


def test_nothing_is_said_without_a_reason() -> None:
    sure = cause("sure", Evidence(1.0, ("noise",)), prior=9.0)
    assert rank(Known([finding("silent")]), [sure]) == []
    assert rank(Known([], {})) == []


@pytest.mark.parametrize(
    ("row", "holds"),
    [
        (Evidence(2, ("gap",)), True),
        (Evidence(2, ("gap",), without=("noise",)), False),
        (Evidence(2, ("gap",), without=("silent",)), True),
        (Evidence(2, ("gap",), messages=("RMC",)), False),
        (Evidence(2, ("gap",), notes=("was",)), True),
        (Evidence(2, ("gap",), notes=("is",)), False),
        (Evidence(2, ("gap",), measured=(4, 5)), True),
        (Evidence(2, ("gap",), measured=(5, 9)), False),
        (Evidence(2, ("gap",), ratio=(8, 9)), True),
        (Evidence(2, ("gap",), ratio=(10, 99)), False),
        (Evidence(2, ("gap",), times=(2, 9)), False),
        (Evidence(2, ("gap",), lasting=True), False),
        (Evidence(2, ("gap",), lasting=False), True),
        (Evidence(2, ("gap",), facts={"bytes": (1, 9)}), True),
        (Evidence(2, ("gap",), facts={"bytes": (8, 9)}), False),
        (Evidence(2, ("gap",), facts={"other_bytes": (0, 9)}), False),  # not known
        (Evidence(2, ("silent",), facts={"bytes": (1, 9)}), False),
        (Evidence(2, facts={"bytes": (1, 9)}, because="some came"), True),
    ],
)
def test_evidence_holds_only_if_all_that_it_names_does(row: Evidence, holds: bool) -> None:
    gap = finding("gap", "GGA", measured=4.5, needed=0.5, lasting=False, note="was", times=1)
    known = Known([gap, finding("noise")], {"bytes": 5})
    assert bool(rank(known, [cause("one", row)])) == holds


def test_reasons_tell_figures_and_times_and_what_speaks_against() -> None:
    row = cause(
        "one",
        Evidence(3.0, ("gap",), because="{message} stayed away {times}, for up to {m}"),
        Evidence(2.0, ("silent",)),
        Evidence(-1.0, facts={"load_worst": (0, 0.5)}, because="the line was {load_worst} full"),
    )
    told = [
        finding("gap", "GGA", times=2),
        finding("gap", "VTG"),
        finding("silent", says="Nothing came for 2.5 s. Try."),
    ]
    suspect = rank(Known(told, {"load_worst": 0.21}), [row])[0]
    assert suspect.because_says == (
        "GGA and VTG stayed away 3 times, for up to 5 s; Nothing came for 2.5 s. Against it: the line was 21 % full."
    )


# Worked by hand from the published symptoms: what the technician would see, and the cause that was found in the end.
@pytest.mark.parametrize(
    ("known", "first"),
    [
        (Known([finding("sentence-long", note="GGA")], {"fine_count": 1, "fine": "VTG"}), "position-form"),
        (Known([finding("silent")], {"bytes": 0, "other_bytes": 50, "restarts": 0}), "output-off"),
        (Known([finding("silent")], {"bytes": 0, "restarts": 0}), "pins-crossed"),
        (Known([finding("talker-not-accepted", "GGA", note="GN")], {}), "talker-unknown"),
        (Known([finding("position-frozen", note="")], {}), "receiver-mode"),
        (Known([finding("load-high"), finding("late"), finding("gap", "GGA")], {"load_wanted": 1.38}), "line-full"),
        (Known([finding("satellites-few"), finding("hdop-high"), finding("no-fix")], {"restarts": 0}), "sky-antenna"),
        (Known([finding("date-rolled-over")], {}), "roll-over"),
        (Known([finding("two-talkers"), finding("checksum-bad")], {}), "outputs-joined"),
        (Known([], {"found": 0, "clean_enough": 1, "clean": 60, "fine_count": 4}), "controller"),
    ],
)
def test_published_symptoms_point_to_the_cause_that_was_found(known: Known, first: str) -> None:
    assert rank(known)[0].cause.id == first


def said(*bodies: str, start_s: float = 0.0, every_s: float = 0.2, rounds: int = 50) -> list[Chunk]:
    text = b"".join(f"${body}*{checksum(body.encode()):02X}\r\n".encode() for body in bodies)
    return [Chunk(text, round((start_s + n * every_s) * SECOND), 1_041_667) for n in range(rounds)]


def test_the_arithmetic_of_a_full_line(usual: Needs) -> None:
    """The table of the trade: GGA 5, VTG 5, RMC 1, ZDA 1 at 92, 47, 87 and 38 characters are 820 bytes a second."""
    sheet = replace(usual, baud=9600)
    meter = LineMeter(MeterSettings(baud=9600))
    bodies = [
        f"GN{type_},".ljust(length - 6, "0") for type_, length in (("GGA", 92), ("VTG", 47), ("RMC", 87), ("ZDA", 38))
    ]
    for type_, body in zip(("GGA", "VTG", "RMC", "ZDA"), bodies, strict=True):
        meter._message("GN", type_).longest = len(body) + 6  # type: ignore[union-attr]
    meter.load.add(Chunk(b"x" * 600, SECOND, 1_041_667))
    told = facts(sheet, meter, None, [], 0.0)
    assert told["load_wanted"] == pytest.approx(0.854, abs=0.001)
    assert told["baud_fits"] == 19_200
    assert "GNGGA 5 x 92 + GNVTG 5 x 47 + GNRMC 1 x 87 + GNZDA 1 x 38 = 820 characters a second" in str(
        told["arithmetic"]
    )
    assert facts(replace(sheet, baud=38_400), meter, None, [], 0.0)["load_wanted"] == pytest.approx(0.2135, abs=0.001)


def test_of_many_kinds_of_messages_the_heaviest_are_added_up_in_words(usual: Needs) -> None:
    meter = LineMeter(MeterSettings(baud=9600))
    for number in range(20):
        meter._message(f"G{chr(65 + number)}", "GGA").longest = 60 + number  # type: ignore[union-attr]
    meter.load.add(Chunk(b"x" * 600, SECOND, 1_041_667))
    told = str(facts(usual, meter, None, [], 0.0)["arithmetic"])
    assert told.startswith("GIGGA 5 x 68 + GJGGA 5 x 69 + ")
    assert " + GTGGA 5 x 79 + … = 6,950 characters a second" in told


def test_a_receiver_that_tells_of_its_buffer_is_believed(usual: Needs) -> None:
    meter = LineMeter(MeterSettings(baud=9600))
    assert facts(usual, meter, None, [], 0.0)["buffer_told"] == 0
    for chunk in said("GNTXT,01,01,00,txbuf alloc", rounds=1):
        meter.feed(chunk)
    assert facts(usual, meter, None, [], 0.0)["buffer_told"] == 1


def fault(kind: str, start_s: float, end_s: float | None, measured: float | None = None) -> tuple[Fault, str]:
    end_ns = None if end_s is None else int(end_s * SECOND)
    return Fault(kind, "from-receiver", "", int(start_s * SECOND), end_ns, "It is so.", measured, None, ""), ""


@pytest.mark.parametrize(("cold_s", "restarts"), [(12.0, 1), (20.0, 1), (40.0, 0), (5.0, 0)])
def test_a_restart_is_a_silence_after_which_there_is_no_fix(usual: Needs, cold_s: float, restarts: int) -> None:
    meter = LineMeter(MeterSettings(baud=38_400))
    told = facts(usual, meter, None, [fault("silent", 8, 12), fault("no-fix", cold_s, None)], 0.0)
    assert told["restarts"] == restarts


@pytest.mark.parametrize(
    ("accepted", "told", "above"), [({1, 2}, 4, 1), ({4, 5}, 2, 0), ({4}, 5, 0), ({1, 2, 4, 5}, 9, 1), ({4, 7}, 5, 0)]
)
def test_a_quality_above_one_accepted_is_one_not_known(usual: Needs, accepted: set[int], told: int, above: int) -> None:
    sheet = replace(usual, qualities=frozenset(accepted))
    refused = [fault("quality-not-accepted", 1, None, float(told))]
    assert facts(sheet, LineMeter(MeterSettings(baud=38_400)), None, refused, 0.0)["quality_above"] == above


class Followed:
    """An inquiry fed with checks that fail or pass, and a meter in which nothing happens."""

    def __init__(self, needs: Needs, *, lately: bool = True) -> None:
        self.needs, self.inquiry, self.faults = needs, Inquiry(lately=lately), Faults("from-receiver")
        self.meter = LineMeter(MeterSettings(baud=38_400))

    def look(self, at_s: float, *failing: str, also: tuple[str, ...] = ()) -> list[str]:
        at_ns = int(at_s * SECOND)
        checks = [Check(id_, "", "fail", 3.0, 1.0, at_ns) for id_ in failing]
        checks += [Check(id_, "", "pass", at_ns=at_ns) for id_ in also]
        opened, _ = self.faults.take(checks, at_ns)
        self.inquiry.take(checks, opened, at_ns)
        return [one.cause.id for one in self.inquiry.suspects(self.needs, self.meter, 0.0, at_ns)]


def test_what_is_over_counts_for_a_minute_beside_what_lasts_and_for_ten_alone(usual: Needs) -> None:
    followed = Followed(usual)
    assert followed.look(1, "age-high")[0] == "corrections"
    assert followed.look(2, also=("age-high",))[0] == "corrections"
    assert {*followed.look(3, "two-talkers")} == {"outputs-joined", "corrections"}
    assert followed.look(3 + NOW_NS / SECOND, "two-talkers") == ["outputs-joined"]
    alone = Followed(usual)
    alone.look(1, "age-high")
    alone.look(2, also=("age-high",))
    assert alone.look(LATELY_NS / SECOND)[0] == "corrections"
    assert alone.look(LATELY_NS / SECOND + 2 + AGAIN_NS / SECOND) == []
    recording = Followed(usual, lately=False)
    recording.look(1, "age-high")
    recording.look(2, also=("age-high",))
    assert recording.look(100_000)[0] == "corrections"


def test_causes_are_ranked_anew_when_the_failing_checks_change_and_now_and_then(
    usual: Needs, monkeypatch: pytest.MonkeyPatch
) -> None:
    ranked: list[Known] = []

    def counted(known: Known) -> list[Suspect]:
        ranked.append(known)
        return rank(known)

    monkeypatch.setattr("appliance.judge.inquiry.rank", counted)
    followed = Followed(usual)
    for number in range(50):  # within ten seconds
        followed.look(number * 0.2, "two-talkers")
    often = 10 * SECOND // AGAIN_NS
    assert 1 < len(ranked) <= often
    before = len(ranked)
    followed.look(9.9, "two-talkers", "age-high")
    followed.look(10.0, "two-talkers", also=("age-high",))
    assert len(ranked) == before + 2
    assert [(one.id, one.lasting) for one in ranked[-1].findings] == [("two-talkers", True), ("age-high", False)]


def test_a_watch_that_lives_through_a_lost_message_names_it(live: Callable[..., Any], usual: Needs) -> None:
    lived = live([Spell("message-off", 20, 40, what="VTG")])
    inquiry = Inquiry(lately=False)
    inquiry.take(lived.watch.checks, lived.faults, lived.watch.last_ns)
    suspects = inquiry.suspects(usual, lived.watch.receiver, 0.0, lived.watch.last_ns)
    assert suspects[0].cause.id == "message-off"
    assert suspects[0].first.endswith("on this port: VTG.")
    assert "away for 20" in suspects[0].because_says


def test_a_recording_tells_its_causes_in_order_and_the_first_in_words(tmp_path: Path, usual: Needs) -> None:
    settings = ReceiverSettings(rates_hz={"GGA": 5, "RMC": 1, "ZDA": 1})
    log = tmp_path / "cab.nmea"
    log.write_bytes(b"".join(burst.data for burst in Receiver(settings, Drive(1), 1).epochs(0, 30)))
    recording = check.Recording(open_source(log, usual, None), usual)
    recording.run()
    result = recording.result()
    first = result["causes"][0]
    assert first["id"] == "message-off"
    assert {"id", "says", "weight", "because", "try", "minutes", "proof"} == first.keys()
    weights = [one["weight"] for one in result["causes"]]
    assert weights == sorted(weights, reverse=True)
    assert len(weights) <= 3
    assert "ever came: VTG" in first["because"]
    assert f"Likely cause: {first['says']} {first['because']} Try first: {first['try']}" in check.in_words(result)
    json.dumps(result["causes"])
