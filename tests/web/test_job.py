"""The job's page: what is typed goes to the tap and nowhere else; the sheet; two watches compared."""

from __future__ import annotations

import hashlib
import io
import re
from typing import Any

import pypdfium2
import pytest
from werkzeug.test import TestResponse

from appliance.history.job import FIELDS, Job
from appliance.history.reader import History
from appliance.history.rows import WatchStart
from appliance.history.writer import HistoryWriter
from appliance.site import job

PIN = "405162"
OWN = {"Origin": "http://localhost"}
TOKEN = re.compile(r'name="token" value="([^"]+)"')
TYPED = {
    "machine": "Tractor Ω-3", "controller": "Spreader", "harness": "H-12", "work_order": "WO-2217",
    "technician": "Ada Marsh", "notes": "First row.\r\nSecond row.",
}  # fmt: skip
HOSTILE = """"><script>alert('1')</script>{{ 7 * 7 }}"""


@pytest.fixture(autouse=True)
def patient(monkeypatch: pytest.MonkeyPatch) -> None:
    """A page waits for its sheet, however slow this machine is just now."""
    monkeypatch.setattr(job, "WAIT_S", 60.0)


def keep(page: Any, **typed: str) -> TestResponse:
    """Sends the form as the page of the box does."""
    found = TOKEN.search(page.html("/job"))
    assert found
    sent = {"token": found[1], "pin": PIN, "watch": "1", **TYPED, **typed}
    answer: TestResponse = page.client.post("/job", data=sent, headers=OWN)
    return answer


def give(page: Any, job: Job) -> None:
    """As the tap does when it is asked."""
    with HistoryWriter(page.history_path) as writer:
        writer.give_job(1, job, 1_777_886_000 * 10**9)


def test_what_was_typed_is_asked_of_the_tap_and_the_page_comes_back(past: Any, listener: Any) -> None:
    answer = keep(past)
    assert (answer.status_code, answer.location) == (303, "/job?watch=1&said=kept")
    (asked,) = [one for one in listener.heard if one["do"] == "job"]
    assert asked == {"do": "job", "watch": 1, "job": TYPED | {"notes": "First row.\nSecond row."}}
    assert "The job is kept." in past.html("/job?watch=1&said=kept")
    assert "evil" not in past.html("/job?watch=1&said=evil")


def test_the_pin_is_asked_for_and_carries_what_was_typed(past: Any, listener: Any) -> None:
    answer = keep(past, pin="")
    assert answer.status_code == 403
    assert 'name="machine" value="Tractor Ω-3"' in answer.text
    assert [one for one in listener.heard if one["do"] == "job"] == []


def test_a_stored_job_is_shown_and_filled_in(past: Any) -> None:
    assert 'value="Larkmere tractor 3"' in past.html("/job")
    assert "This watch has no job yet." in past.html("/job")
    give(past, Job(**TYPED))
    html = past.html("/job")
    assert 'value="Tractor Ω-3"' in html
    assert "Second row." in html
    assert "Kept 2026-05-04 09:13:20\N{NO-BREAK SPACE}UTC" in re.sub("</?time[^>]*>", "", html)


@pytest.mark.parametrize("field", FIELDS, ids=lambda field: field.name)
def test_too_much_is_told_at_its_field_and_nothing_is_lost(past: Any, listener: Any, field: Any) -> None:
    text = "ü" * (field.most + 1)
    answer = keep(past, **{field.name: text})
    assert answer.status_code == 400
    assert f"{field.words}: shorten it to {field.most} characters; it has {field.most + 1}." in answer.text
    assert text in answer.text
    assert answer.text.count('aria-invalid="true"') == 1
    assert [one for one in listener.heard if one["do"] == "job"] == []


@pytest.mark.parametrize("field", FIELDS, ids=lambda field: field.name)
def test_hostile_text_is_only_text(past: Any, listener: Any, field: Any) -> None:
    hostile = HOSTILE[: field.most]
    give(past, Job(**{field.name: hostile}))
    for path in ("/job", "/job/sheet?anyway=yes"):
        html = past.html(path)
        assert "<script>" not in html
        assert "&lt;script&gt;" in html
    listener.answer = {"ok": False, "says": HOSTILE}
    answer = keep(past, **{field.name: hostile})
    assert answer.status_code == 503
    assert "<script>" not in answer.text
    assert "{{ 7 * 7 }}"[:8] in answer.text


def test_a_tap_that_does_not_answer_loses_nothing_that_was_typed(past: Any) -> None:
    answer = keep(past)
    assert answer.status_code == 503
    assert "does not answer, so nothing was done" in answer.text
    assert 'value="WO-2217"' in answer.text


def test_a_watch_that_is_not_there_is_told(past: Any, listener: Any) -> None:
    for path in ("/job?watch=9", "/job/sheet?watch=9", "/job/sheet.pdf?watch=9"):
        assert past.client.get(path).status_code == 404
    for path in ("/job?watch=x", "/job?watch=-1", "/compare?before=1e9&after=1"):
        assert past.client.get(path).status_code == 400
    assert keep(past, watch="").status_code == 400
    assert "no watch 9" in past.html("/compare?before=1&after=9")


def test_a_box_without_a_history_says_so(page: Any) -> None:
    assert page.client.get("/job").status_code == 503


def test_the_sheet_on_the_page_and_as_a_file_say_the_same(past: Any) -> None:
    give(past, Job(**TYPED))
    html = past.html("/job/sheet?anyway=yes")
    answer = past.client.get("/job/sheet.pdf?anyway=yes")
    assert answer.mimetype == "application/pdf"
    assert re.search(r'filename="linelamp-2026-05-04-.*-sheet\.pdf"', answer.headers["Content-Disposition"])
    with pypdfium2.PdfDocument(io.BytesIO(answer.data)) as document:
        paper = " ".join(" ".join(page.get_textpage().get_text_range() for page in document).split())
    sums = set(re.findall(r"\b[0-9a-f]{64}\b", html))
    assert sums
    for words in (*sums, "NO-GO", "WO-2217", "Ada Marsh", "It was made all the same", "ITU-T G.826", "Received by"):
        assert words in html, words
        assert words in paper, words
    raw = past.client.get("/take/raw?line=from-receiver").data
    assert hashlib.sha256(raw).hexdigest() in sums


def test_a_watch_too_short_is_refused_with_a_way_on(past: Any) -> None:
    for path in ("/job/sheet", "/job/sheet.pdf?from=2026-05-04T09:12:30"):
        answer = past.client.get(path)
        assert answer.status_code == 409
        assert "asks for 5 min without a fault" in answer.text.replace("\N{NO-BREAK SPACE}", " ")
        assert 'name="anyway" value="yes"' in answer.text
    assert 'name="from" value="2026-05-04T09:12:30"' in answer.text


def test_a_span_that_is_none_is_told(past: Any) -> None:
    answer = past.client.get("/job/sheet?from=noon")
    assert answer.status_code == 400
    assert "Give the start as a date" in answer.text


def test_two_watches_are_compared_on_the_page(past: Any) -> None:
    with History(past.history_path) as history:
        watch = history.watch(1)
    with HistoryWriter(past.history_path) as writer:
        later = writer.begin_watch(WatchStart(0, 0, watch.needs_name, watch.needs_toml, HOSTILE, "0"))
        writer.end_watch(1200 * 10**9)
    html = past.html(f"/compare?before=1&after={later}")
    assert "Gap in a message: 1 in" in html.replace("\N{NO-BREAK SPACE}", " ")
    assert '<th scope="row">Gap in a message</th>' in html
    assert "<script>" not in html
    assert "cannot be compared with itself" in past.html("/compare?before=1&after=1")
