"""The page of a day: what it is drawn from, what it tells without JavaScript, and how it is asked for."""

from __future__ import annotations

import gzip
import json
import re
from pathlib import Path
from typing import Any

import pytest

from appliance.history.rows import FaultRow, LossRow, SecondRow, WatchStart
from appliance.history.summaries import Sum, Summary
from appliance.history.writer import HistoryWriter
from appliance.judge import needs
from appliance.site import day_page
from appliance.site.plots import plots, states
from appliance.site.stretch import Stretch, step_ns

S = 1_000_000_000
NEEDS = needs.load("rate-section")


def summary(**series: dict[int, Sum]) -> Summary:
    return Summary(0, 60 * S, dict(series))


def test_a_second_without_its_message_counts_as_none() -> None:
    found = summary(sentences={0: Sum(60, 5, 9, 300), 2: Sum(60, 0, 0, 0)}, GPGGA={0: Sum(48, 5, 5, 240)})
    plot = next(plot for plot in plots(found, NEEDS, 3) if plot.key == "GPGGA")
    assert plot.mean == [4.0, None, 0.0]  # 240 in 60 s; the box was off; none came
    assert plot.least == [0.0, None, 0.0]
    assert plot.most == [5, None, 0.0]
    assert (plot.title, plot.needed) == ("GGA GP", ((5.0, ""),))


def test_what_is_needed_comes_first_and_is_drawn_though_it_never_came() -> None:
    found = summary(sentences={0: Sum(60, 9, 9, 540)}, GPGSV={0: Sum(60, 4, 4, 240)}, GPVTG={0: Sum(60, 5, 5, 300)})
    keys = [plot.key for plot in plots(found, NEEDS, 1)]
    assert set(keys[:4]) == {"GGA", "RMC", "ZDA", "GPVTG"}
    assert keys[4] == "GPGSV"
    assert next(plot.mean for plot in plots(found, NEEDS, 1) if plot.key == "GGA") == [0.0]


def test_quantities_are_in_the_units_told_with_their_needs() -> None:
    found = summary(load_ratio={0: Sum(60, 0.2, 0.5, 15)}, speed_mps={0: Sum(2, 1, 3, 4)}, age_s={0: Sum(1, 2, 2, 2)})
    by_key = {plot.key: plot for plot in plots(found, NEEDS, 1)}
    load, speed = by_key["load_ratio"], by_key["speed_mps"]
    assert (load.mean, load.least, load.most, load.needed_says) == ([25.0], [20.0], [50.0], "at most 80")
    assert speed.mean == [pytest.approx(7.2)]
    assert (speed.unit, speed.needed) == ("km/h", ())
    assert by_key["satellites"].needed_says == "at least 4"
    assert not by_key["hdop"].told


def test_the_worst_verdict_of_a_step_is_its_state() -> None:
    assert states(summary(verdict={0: Sum(60, 0, 0, 0), 1: Sum(60, 0, 2, 3), 3: Sum(60, 1, 1, 60)}), 4) == "gn.w"


@pytest.mark.parametrize("length_s", [1, 30, 480, 481, 86_400, 30 * 86_400, 4000 * 86_400])
def test_no_stretch_is_drawn_from_more_steps_than_asked(length_s: int) -> None:
    assert -(-length_s * S // step_ns(length_s * S, 480)) <= 480


def test_where_one_can_go_stays_within_the_watch(past: Any) -> None:
    told = json.loads(past.client.get("/day.json").data)
    first, last = told["whole"]
    queries = re.findall(r'href="/day\?([^"]+)"', past.html("/day?from=2026-05-04T09:12:30&to=2026-05-04T09:14:30"))
    assert len(queries) == 5
    for query in queries:
        told = json.loads(past.client.get(f"/day.json?{query.replace('&amp;', '&')}").data)
        assert first <= told["from"] < told["to"] <= last


def test_an_address_leads_to_the_stretch_it_was_made_of(past: Any, page: Any) -> None:
    told = json.loads(past.client.get("/day.json?from=2026-05-04T09:16:00&to=2026-05-04T09:19:00").data)
    assert told["to"] - told["from"] == 180_000
    assert told["step"] == 1000
    assert "least" not in told["plots"][0]  # of a second there is one value
    assert told["states"] == "g" * 60 + "n" * 30 + "g" * 90
    assert told["faults"] == [[told["from"] + 60_000, told["from"] + 90_000]]
    assert told["losses"] == [[told["from"] + 60_600, told["from"] + 90_200]]
    assert [note for _, note in told["marks"]] == ["row 12"]


def test_of_countless_losses_the_page_draws_all_and_tells_the_newest(page: Any) -> None:
    with HistoryWriter(page.history_path) as writer:
        writer.begin_watch(WatchStart(0, 1_777_886_000 * S, "rate-section", "", "", "0"))
        writer.date_watch(1_777_886_000 * S, 0.01)
        for second in range(4000):
            writer.close_loss(f"{second}", LossRow("position", second * S, second * S + S // 4))
            if second % 1000 == 0:
                writer.commit()
        writer.end_watch(4000 * S)
    answer = page.client.get("/day.json")
    told = json.loads(answer.data)
    assert told["listed"]["more"] == 4000 - 30
    assert told["listed"]["rows"][0]["at"] == told["whole"][0] + 3_999_000
    (drawn,) = told["losses"]
    assert drawn == [told["whole"][0], told["whole"][0] + 3_999_250]
    assert len(answer.data) < 30_000
    assert "lost 4000 times, for 16 min 40 s in all" in page.html("/day").replace("\N{NO-BREAK SPACE}", " ")


def test_of_more_faults_than_are_drawn_the_newest_are(page: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(day_page, "FAULTS_MOST", 40)
    with HistoryWriter(page.history_path) as writer:
        writer.begin_watch(WatchStart(0, 1_777_886_000 * S, "rate-section", "", "", "0"))
        for second in range(0, 500, 5):
            row = FaultRow(
                "silent", "from-receiver", "", second * S, (second + 2) * S, f"Nothing at {second}.", 2.0, 0.6, "s"
            )
            writer.close_fault(f"silent {second}", row)
        writer.end_watch(500 * S)
    listed = json.loads(page.client.get("/day.json").data)["listed"]
    assert [row["says"] for row in listed["rows"][:2]] == ["Nothing at 495.", "Nothing at 490."]
    assert listed["more"] == 100 - len(listed["rows"])


def test_it_is_packed_for_whoever_takes_that(past: Any) -> None:
    plain = past.client.get("/day.json", headers={"Accept-Encoding": "identity"})
    answer = past.client.get("/day.json", headers={"Accept-Encoding": "gzip"})
    assert answer.headers["Content-Encoding"] == "gzip"
    assert gzip.decompress(answer.data) == plain.data
    assert "Content-Encoding" not in plain.headers


@pytest.mark.parametrize(
    ("query", "status", "says"),
    [
        ("watch=9", 404, "not in the history"),
        ("from=noon", 400, "Give the start as a date and a time"),
        ("from=2026-05-04T09:16:00&to=2026-05-04T09:15:00", 400, "must be later"),
    ],
)
def test_what_cannot_be_shown_is_said(past: Any, query: str, status: int, says: str) -> None:
    for path in ("/day", "/day.json"):
        assert says in past.html(f"{path}?{query}", status)


def test_without_javascript_there_is_a_strip_and_a_table(past: Any) -> None:
    html = past.html("/day?watch=1")
    strip = html.partition("<noscript>")[2].partition("</noscript>")[0]
    assert "no-go 30 s" in strip
    assert "2 faults began" in strip
    table = html.partition('class="stretch"')[2].partition("</table>")[0]
    assert re.findall(r"2026-05-04 (\S+)\sUTC</time></th><td>no-go</td>", table) == ["09:16:40"]
    assert "GGA was away for 30.2\N{NO-BREAK SPACE}s" in html


def test_a_box_that_recorded_nothing_says_so(page: Any) -> None:
    with HistoryWriter(page.history_path):
        pass
    assert "Nothing was recorded yet." in page.html("/day")
    page.html("/day.json", 404)


@pytest.mark.parametrize("path", ["/day", "/day.json", "/track", "/take"])
def test_a_watch_that_has_just_begun_can_be_looked_at(page: Any, path: str) -> None:
    with HistoryWriter(page.history_path) as writer:
        writer.begin_watch(WatchStart(S, 10**18, "odd", "", "x", "0"))
        page.html(path)
        writer.add_second(
            SecondRow("from-receiver", 2 * S, 9, 1, 0, 0, 0.1, "wait", latitude_deg=52.0, longitude_deg=1.0)
        )
        writer.commit()
        page.html(path)


def test_a_watch_whose_needs_cannot_be_read_any_more_is_drawn_without_them(page: Any) -> None:
    with HistoryWriter(page.history_path) as writer:
        writer.begin_watch(WatchStart(S, 10**18, "odd", "this = is = no sheet", "x", "0"))
        writer.add_second(SecondRow("from-receiver", 2 * S, 9, 1, 0, 0, 0.1, "wait", messages={"PXYZ": 1}))
        writer.commit()
    told = json.loads(page.client.get("/day.json").data)
    assert [plot["key"] for plot in told["plots"]][:1] == ["PXYZ"]
    assert "PXYZ" in page.html("/day")


def test_the_stretch_beside_is_as_long(tmp_path: Path, past: Any) -> None:
    from appliance.history.reader import History

    with History(past.history_path) as history:
        watch = history.watch(1)
    one = Stretch(watch, watch.started_ns + 300 * S, watch.started_ns + 400 * S)
    beside = one.beside()
    assert (later := beside["Later"]) is not None
    assert later.to_ns - later.from_ns == 100 * S
    assert beside["Earlier"] is not None
    assert beside["Earlier"].from_ns == watch.started_ns + 250 * S
    whole = beside["Whole watch"]
    assert whole is not None
    assert whole.whole
    assert whole.beside() == {
        "Earlier": None,
        "Later": None,
        "Closer": whole.beside()["Closer"],
        "Wider": None,
        "Whole watch": None,
    }
