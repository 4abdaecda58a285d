"""A fault with its evidence, and the take-away, over a real history file."""

from __future__ import annotations

import html
import re
from typing import Any

import pytest

from appliance.history.rows import Clip, FaultRow, LossRow, WatchStart
from appliance.history.writer import HistoryWriter
from appliance.sentence.chunk import Chunk
from appliance.site import evidence, take_page
from tests.web.conftest import AWAY, BYTE_NS, MACHINE, NS, STARTED_NS, sentence


def test_a_fault_tells_what_when_and_how_much(past: Any) -> None:
    text = re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", past.html("/fault/1")))
    assert "GGA was away for 30.2 s" in text
    assert "Since 2026-05-04 09:17:00 UTC Until 2026-05-04 09:17:30 UTC lasted 30 s" in text
    assert "Measured 30 s Needed 0.60 s" in text


def test_evidence_shows_every_byte_and_what_is_wrong(past: Any) -> None:
    text = past.html("/fault/1")
    rows = re.findall(r'<th scope="row">([^<]+)</th><td><code>(.*?)</code>(?:<br><small>(.*?)</small>)?', text)
    assert [(at, html.unescape(raw)) for at, raw, _ in rows] == [
        ("-1.000", "3.1*00"),
        ("-0.998", "$GPZDA,091700.00,04,05,2026,00,00*6E"),
        ("-0.988", "$GPG\\xc3\\x00<i>X*11"),
        ("-0.984", "$GPRMC,0917"),
    ]
    assert [says for _, _, says in rows][:2] == ["began before this excerpt", ""]
    assert "not printable ASCII" in rows[2][2]
    assert rows[3][2] == "goes on after this excerpt"
    assert "<i>" not in text


def test_a_fault_that_is_still_on(past: Any) -> None:
    text = past.html("/fault/2")
    assert "still on" in text
    assert "91 %" in text


def test_a_fault_has_its_pictures_its_cause_and_its_neighbour(past: Any) -> None:
    text = past.html("/fault/1")
    assert 'aria-label="Sentences a second: ' in text
    assert text.count('class="struck"') >= 1
    assert "style=" not in text  # what the policy of the page forbids
    assert 'href="/fault/2" rel="next"' in text
    assert 'rel="prev"' not in text
    assert 'href="/fault/1" rel="prev"' in past.html("/fault/2")


def test_a_fault_is_a_file_by_itself(past: Any) -> None:
    answer = past.client.get("/fault/1/text")
    assert answer.mimetype == "text/plain"
    name = 'filename="linelamp-fault-1-2026-05-04-091700-gap.txt"'
    assert answer.headers["Content-Disposition"] == f"attachment; {name}"
    rows = answer.get_data(as_text=True).split("\r\n")
    assert AWAY in rows
    assert "    -0.998  $GPZDA,091700.00,04,05,2026,00,00*6E" in rows
    assert any(row.startswith("            ! it holds a byte that is not printable") for row in rows)
    assert past.client.get("/fault/99/text").status_code == 404
    assert past.client.get(f"/fault/{2**63}").status_code == 404


def test_the_minutes_of_a_fault_can_be_taken_as_a_log(past: Any) -> None:
    link = re.search(r'href="(/take/text[^"]+)"', past.html("/fault/1"))
    assert link is not None
    rows = past.client.get(html.unescape(link[1])).data.splitlines()
    assert b"$GPGGA,091630.00" in rows[0]
    assert 60 <= len(rows) <= 95


def test_a_turned_bit_is_shown_where_it_can_be_told() -> None:
    good = [sentence(f"GPZDA,0917{second:02}.00,04,05,2026,00,00") for second in range(3)]
    spoilt = good[1][:7] + bytes([good[1][7] ^ 0x40]) + good[1][8:]
    clip = Clip("whole", "from-receiver", (Chunk(good[0] + spoilt + good[2], 0, BYTE_NS),))
    before, row, after = evidence.rows(clip, 0)
    assert (before.says, after.says, before.parts) == ("", "", ())
    assert row.parts == ("$GPZDA,", "p", good[1][8:-2].decode())
    assert row.meant == good[1][:-2].decode()
    assert "one turned bit explains it: bit 6 of byte 8, 0x70 for 0x30" in row.says


def test_evidence_that_is_gone_is_said_to_be(page: Any) -> None:
    """A fault whose clip was never kept, of a watch that has ended."""
    with HistoryWriter(page.history_path) as writer:
        writer.begin_watch(WatchStart(STARTED_NS, 0, "alive", "", MACHINE, "0"))
        row = FaultRow("gap", "from-receiver", "GGA", STARTED_NS, STARTED_NS + 1, AWAY, 3.0, 0.6, "s")
        writer.close_fault("gap GGA", row)
        writer.end_watch(STARTED_NS + 60 * NS)
    text = page.html("/fault/1")
    assert "No bytes were kept around it" in text
    assert "are not kept" in text
    assert "No bytes were kept around it" in page.client.get("/fault/1/text").text


def test_of_many_losses_the_page_shows_the_first_and_the_file_all(page: Any) -> None:
    with HistoryWriter(page.history_path) as writer:
        writer.begin_watch(WatchStart(STARTED_NS, 0, "alive", "", MACHINE, "0"))
        row = FaultRow("gap", "from-receiver", "GGA", STARTED_NS, STARTED_NS + 60 * NS, AWAY, 3.0, 0.6, "s")
        writer.close_fault("gap GGA", row)
        for second in range(25):
            at_ns = STARTED_NS + (second * 2 + 1) * NS
            writer.close_loss(f"position {second}", LossRow("position", at_ns, at_ns + NS // 2))
        writer.end_watch(STARTED_NS + 90 * NS)
    text = page.html("/fault/1")
    assert text.count("Position</th>") == 10
    assert "And 15 more; the file has them all." in text
    assert page.client.get("/fault/1/text").text.count(": Position, for ") == 25


def test_no_such_fault(past: Any) -> None:
    assert "That fault is not in the history of this box." in past.html("/fault/99", 404)


def test_rows_of_evidence_hold_all_bytes_however_they_were_cut() -> None:
    raw = b"\r\n$GPGGA,1\r$GPGGA,2\n" + bytes(range(256)) * 2
    whole = list(evidence.rows(Clip("whole", "from-receiver", (Chunk(raw, 0, 10),)), 0))
    single = tuple(Chunk(raw[at : at + 1], at * 10, 10) for at in range(len(raw)))
    assert list(evidence.rows(Clip("whole", "from-receiver", single), 0)) == whole
    assert all(row.at_s == pytest.approx(at) for row, at in zip(whole, [0.0, 2e-8, 1.1e-7], strict=False))
    assert sum(len(re.sub(r"\\x..", "?", row.text)) for row in whole) in range(len(raw) - 2 * len(whole), len(raw) + 1)


def test_the_form_works_without_a_script_and_tells_sizes(past: Any) -> None:
    text = past.html("/take")
    for form in ("text", "raw", "seconds", "faults"):
        assert f'formaction="/take/{form}"' in text
    assert re.search(r"The whole watch <small>\d+ kB raw</small>", text)
    assert "2026-05-04 09:12 to 09:31" in text


def test_the_whole_watch_as_raw_bytes(past: Any) -> None:
    answer = past.client.get("/take/raw?watch=1&span=whole")
    assert answer.status_code == 200
    assert answer.data.count(b"$GPGGA") == 20 * 60
    assert "Content-Length" not in answer.headers  # streamed, not built first
    assert (
        answer.headers["Content-Disposition"]
        == 'attachment; filename="linelamp-2026-05-04-larkmere-tractor-3-0912-0931.raw"'
    )


def test_a_span_from_to_in_utc(past: Any) -> None:
    answer = past.client.get("/take/text?span=between&from=2026-05-04T09:20&to=2026-05-04T09:21:00")
    rows = answer.data.splitlines()
    assert len(rows) == 60
    assert b"$GPGGA,092000.00" in rows[0]
    assert b"$GPGGA,092059.00" in rows[-1]
    assert "-0920-0921.nmea" in answer.headers["Content-Disposition"]


def test_the_last_ten_minutes_by_the_second(past: Any) -> None:
    answer = past.client.get("/take/seconds?span=ten")
    assert answer.mimetype == "text/csv"
    assert len(answer.data.splitlines()) in (600, 601, 602)


@pytest.mark.parametrize(
    ("query", "says"),
    [
        ("span=between&from=2026-05-04T09:21&to=2026-05-04T09:20", "The end must be later than the start."),
        ("span=between&from=2026-05-05T09:21&to=2026-05-05T09:22", "nothing lies in that span"),
        ("span=between&from=noon&to=2026-05-05T09:22", "Give the start as a date and a time in UTC"),
        ("span=between&from=0001-01-01T00:00%2B14:00&to=<b>", "Give the end as a date and a time in UTC"),
        ("span=all", "Choose the whole watch"),
        ("line=/dev/null", "Choose the line"),
    ],
)
def test_a_bad_span_is_told_in_plain_words(past: Any, query: str, says: str) -> None:
    assert says in past.html(f"/take/raw?{query}", 400)


@pytest.mark.parametrize("path", ["/take/zip", "/take/raw?watch=99", "/take/raw?watch=one"])
def test_no_such_watch_or_form(past: Any, path: str) -> None:
    past.html(path, 404)


def test_a_box_that_recorded_nothing_says_so(page: Any) -> None:
    answer = page.client.get("/take")
    assert answer.status_code in (200, 503)
    assert "history" in answer.text.lower() or "Nothing was recorded yet." in answer.text


def test_no_more_downloads_than_the_box_can_serve(past: Any) -> None:
    under_way = [past.client.get("/take/raw", buffered=False) for _ in range(4)]
    assert "4 downloads are under way" in past.html("/take/raw", 503)
    for one in under_way:
        one.close()
    with past.client.get("/take/raw") as answer:
        assert answer.status_code == 200


def test_what_the_watch_is_called_is_escaped(page: Any, evil_morning: Any) -> None:
    evil_morning("<b>tractor</b>", "<b>away</b>")
    for path in ("/", "/fault/1", "/take"):
        assert "<b>tractor" not in page.html(path)
        assert "<b>away" not in page.html(path)
    assert "&lt;b&gt;away" in page.html("/")


@pytest.fixture
def torn(past: Any) -> Any:
    """The page over a history whose second half was overwritten."""
    raw = bytearray(past.history_path.read_bytes())
    half = len(raw) // 2
    raw[half:] = bytes(byte ^ 0x5A for byte in raw[half:])
    past.history_path.write_bytes(raw)
    return past


@pytest.mark.parametrize("path", ["/fault/1", "/take/raw", "/take/text"])
def test_a_damaged_history_is_told_as_damaged_with_what_to_do(torn: Any, path: str) -> None:
    text = torn.html(path, 503)
    assert "That did not work" in text
    assert "Switch the box off and on: it sets a damaged history aside" in text


def test_a_download_that_fails_at_once_leaves_room_for_the_next(torn: Any) -> None:
    for _ in range(take_page.DOWNLOADS_MOST + 1):
        assert "it sets a damaged history aside" in torn.html("/take/raw", 503)


@pytest.mark.parametrize(("order", "page_of_it"), [("/box/try", "/box"), ("/mark", "/"), ("/box/erase", "/box")])
def test_the_address_of_an_order_leads_to_its_page_when_it_is_opened(page: Any, order: str, page_of_it: str) -> None:
    answer = page.client.get(order, headers={"Accept": "text/html,application/xhtml+xml,*/*;q=0.8"})
    assert (answer.status_code, answer.headers["Location"]) == (303, page_of_it)
    assert page.client.get(order).status_code == 405  # a program is told what is wrong
