"""Who may change something: attacks on the door, and the way through it.

The attacks are those of OWASP's cheat sheets "Cross-Site Request Forgery Prevention", "Session Management" and
"Authentication".
"""

from __future__ import annotations

import json
import logging
import re
import threading
from collections.abc import Callable
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest
from flask import render_template_string, request
from flask.testing import FlaskClient
from werkzeug.test import TestResponse

from appliance.site.letting_in import FREE_WRONG, NO_PIN, SLOWEST_S, STAYS_IN, Door, Refused, changes

PIN = "405162"
OWN = {"Origin": "http://localhost"}
TOKEN = re.compile(r'name="token" value="([^"]+)"')


@pytest.fixture
def changed(page: Any) -> list[str]:
    """Adds a form and a change to the page; gives what the change was called with."""
    done: list[str] = []

    def form() -> str:
        return render_template_string("<form>{{ token_field() }}{{ let_in() }}</form>")

    def change() -> str:
        done.append(request.form.get("what", ""))
        return "done"

    page.app.add_url_rule("/form", "form of the test", form)
    page.app.add_url_rule("/change", "change of the test", changes(change), methods=["POST"])
    return done


def token(client: FlaskClient) -> str:
    found = TOKEN.search(client.get("/form").text)
    assert found
    return found[1]


def change(client: FlaskClient, headers: dict[str, str] | None = None, **form: str) -> TestResponse:
    return client.post("/change", data=form, headers=OWN if headers is None else headers)


def test_the_pin_is_asked_once_and_nothing_is_typed_twice(page: Any, changed: list[str]) -> None:
    mine = token(page.client)
    asked = change(page.client, token=mine, what="a <b>")
    assert asked.status_code == 403
    assert 'name="what" value="a &lt;b&gt;"' in asked.text
    assert f'name="token" value="{mine}"' in asked.text
    assert 'action="/change"' in asked.text
    assert changed == []
    assert change(page.client, token=mine, what="one", pin=PIN).text == "done"
    assert change(page.client, token=mine, what="two").text == "done"
    assert changed == ["one", "two"]
    assert "True" in page.html("/form")


def test_who_only_reads_is_given_no_cookie(past: Any) -> None:
    for path in ("/", "/take", "/fault/1", "/picture", "/wiggle"):
        assert "Set-Cookie" not in past.client.get(path).headers, path


def test_the_cookie_is_no_script_s_and_no_strange_page_s(page: Any, changed: list[str]) -> None:
    cookie = page.client.get("/form").headers["Set-Cookie"]
    assert {"HttpOnly", "SameSite=Strict", "Path=/"} <= set(cookie.split("; "))
    assert "Cookie" in page.client.get("/form").headers["Vary"]


@pytest.mark.parametrize(
    "headers",
    [
        {},
        {"Origin": "null"},
        {"Origin": "http://strange.example"},
        {"Origin": "http://localhost.strange.example"},
        {"Origin": "http://localhost:8081"},
        {"Origin": "http://localhost", "Sec-Fetch-Site": "cross-site"},
        {"Origin": "http://localhost", "Sec-Fetch-Site": "same-site"},
    ],
)
def test_a_strange_page_changes_nothing(page: Any, changed: list[str], headers: dict[str, str]) -> None:
    mine = token(page.client)
    change(page.client, token=mine, pin=PIN)
    answer = change(page.client, headers, token=mine, what="forged")
    assert answer.status_code == 403
    assert "forged" not in changed


@pytest.mark.parametrize("forged", ["", "x", "é", "token of another phone"])
def test_a_form_without_this_phone_s_token_changes_nothing(page: Any, changed: list[str], forged: str) -> None:
    mine = token(page.client)
    change(page.client, token=mine, pin=PIN)
    other = token(page.app.test_client()) if forged.startswith("token") else forged
    answer = change(page.client, token=other, what="forged")
    assert answer.status_code == 403
    assert "reload the page" in answer.text
    assert "forged" not in changed


def test_a_change_asked_for_by_get_is_none(page: Any, changed: list[str]) -> None:
    assert page.client.get("/change", headers=OWN).status_code == 405


def test_a_phone_without_cookies_changes_nothing(page: Any, changed: list[str]) -> None:
    bare = page.app.test_client(use_cookies=False)
    assert change(bare, token=token(bare), pin=PIN).status_code == 403
    assert change(bare, token="", pin=PIN).status_code == 403
    assert changed == []


def test_without_a_pin_nothing_can_be_changed_and_the_page_says_how_to_set_one(page: Any, changed: list[str]) -> None:
    page.app.extensions["linelamp-door"] = Door("", None)
    answer = change(page.client, token=token(page.client), pin="")
    assert answer.status_code == 403
    assert "linelamp.toml" in answer.text
    assert "pin" in NO_PIN
    assert changed == []
    with page.client.session_transaction() as session:
        session["key"] = page.app.extensions["linelamp-door"].key
    assert change(page.client, token=token(page.client)).status_code == 403
    assert changed == []


def test_a_script_is_told_that_the_pin_is_asked_for(page: Any, changed: list[str]) -> None:
    headers = OWN | {"Accept": "application/json"}
    told = change(page.client, headers, token=token(page.client))
    assert told.status_code == 403
    assert json.loads(told.text) == {"ok": False, "says": "The box's PIN is asked for.", "ask_pin": True}
    told = change(page.client, headers, token=token(page.client), pin="000001")
    assert json.loads(told.text)["says"] == "That PIN is wrong."


def copied(page: Any) -> FlaskClient:
    """Another phone with the cookie of this one."""
    stolen = page.client.get_cookie("linelamp")
    assert stolen is not None
    thief: FlaskClient = page.app.test_client()
    thief.set_cookie("linelamp", stolen.value)
    return thief


def test_a_cookie_copied_before_the_box_was_locked_lets_nobody_in(page: Any, changed: list[str]) -> None:
    mine = token(page.client)
    change(page.client, token=mine, pin=PIN)
    thief = copied(page)
    assert page.client.post("/lock", data={"token": mine}, headers=OWN).status_code == 200
    assert change(thief, token=mine, what="replayed").status_code == 403
    assert changed == [""]


def test_a_cookie_ends_with_the_working_day(page: Any, changed: list[str]) -> None:
    mine = token(page.client)
    change(page.client, token=mine, pin=PIN)
    assert page.app.permanent_session_lifetime == STAYS_IN
    page.app.permanent_session_lifetime = timedelta(seconds=-1)  # so that a cookie of this moment is too old
    assert change(page.client, token=mine, what="late").status_code == 403
    assert "late" not in changed


@pytest.mark.parametrize(
    "spoil",
    [
        lambda text: text[:-2] + ("A" if text[-2] != "A" else "B") + text[-1],  # of the last, two bits say nothing
        lambda text: "." + text,
        lambda text: "eyJrZXkiOiJ4In0." + text.partition(".")[2],
        lambda _text: "\x00",
    ],
)
def test_a_forged_cookie_lets_nobody_in(page: Any, changed: list[str], spoil: Callable[[str], str]) -> None:
    mine = token(page.client)
    change(page.client, token=mine, pin=PIN)
    good = page.client.get_cookie("linelamp").value
    page.client.set_cookie("linelamp", spoil(good))
    assert change(page.client, token=mine, what="forged").status_code == 403
    assert "forged" not in changed


def test_another_pin_ends_what_the_old_one_let_in(tmp_path: Path) -> None:
    assert Door("405162", tmp_path).key == Door("405162", tmp_path).key
    assert Door("405162", tmp_path).key != Door("405163", tmp_path).key


class Clock:
    def __init__(self) -> None:
        self.now_s = 1000.0

    def __call__(self) -> float:
        return self.now_s


def guess(door: Door, pin: str = "111222") -> str:
    with pytest.raises(Refused) as refused:
        door.try_pin(pin, "10.0.0.9")
    return str(refused.value)


def test_guessing_grows_slow_for_everybody_and_a_restart_does_not_help(tmp_path: Path) -> None:
    clock = Clock()
    door = Door(PIN, tmp_path, monotonic=clock)
    for _ in range(FREE_WRONG):
        assert guess(door) == "That PIN is wrong."
    waits = []
    for _ in range(14):
        told = re.search(r"in (\d+) s", guess(door))
        assert told
        waits.append(int(told[1]))
        assert "Wait" in guess(door, PIN)  # while it waits even the right one is not looked at
        clock.now_s += waits[-1]
    assert waits == [1, 2, 4, 8, 16, 32, 64, 128, 256, 512, 900, 900, 900, 900]
    again = Door(PIN, tmp_path, monotonic=clock)
    assert "Wait 900 s" in guess(again, PIN)
    clock.now_s += SLOWEST_S
    again.try_pin(PIN, "10.0.0.9")
    assert guess(again) == "That PIN is wrong."  # and the count begins anew


def test_many_at_once_get_no_more_guesses(tmp_path: Path) -> None:
    door = Door(PIN, tmp_path)
    told: list[str] = []
    threads = [threading.Thread(target=lambda: told.append(guess(door))) for _ in range(30)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert sum(says.startswith("That PIN is wrong.") for says in told) == FREE_WRONG + 1


def test_wrong_pins_are_logged_without_the_pin(tmp_path: Path, caplog: pytest.LogCaptureFixture) -> None:
    with caplog.at_level(logging.INFO, "linelamp.web"):
        guess(Door(PIN, tmp_path), "998877")
    assert "wrong PIN from 10.0.0.9, number 1 in a row" in caplog.text
    assert "998877" not in caplog.text


def test_what_is_kept_is_for_the_page_s_user_alone(tmp_path: Path) -> None:
    folder = tmp_path / "web"
    guess(Door(PIN, folder))
    assert folder.stat().st_mode & 0o777 == 0o700
    assert {path.name: path.stat().st_mode & 0o777 for path in folder.iterdir()} == {
        "secret": 0o600,
        "door.json": 0o600,
    }
    assert PIN.encode() not in b"".join(path.read_bytes() for path in folder.iterdir())


def test_a_folder_that_cannot_be_written_is_told_once(tmp_path: Path, caplog: pytest.LogCaptureFixture) -> None:
    (tmp_path / "web").write_text("a file where the folder should be")
    door = Door(PIN, tmp_path / "web")
    guess(door)
    guess(door)
    assert caplog.text.count("cannot be kept over a restart") == 1
    door.try_pin(PIN, "10.0.0.9")


@pytest.mark.parametrize("kept", [b"", b"7", b"[]", b"{", b'{"wrong": "9"}', b'{"wrong": -5}'])
def test_a_spoilt_file_counts_anew(tmp_path: Path, kept: bytes) -> None:
    (tmp_path / "door.json").write_bytes(kept)
    assert guess(Door(PIN, tmp_path)) == "That PIN is wrong."
