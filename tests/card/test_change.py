"""Another Wi-Fi, asked for by the page: it stays once a phone has joined, and nobody locks himself out."""

from __future__ import annotations

import json
import os
import subprocess
from pathlib import Path
from typing import Any

import pytest

from appliance import wishes
from appliance.card.change import WAIT_S, Change
from appliance.card.hotspot import Places
from appliance.card.start import main as start

SHARE = Path(__file__).parents[2] / "systemd/usr/local/share/linelamp"
BOOT = '[wifi]\ncountry = "GB"\nchannel = 1\nssid = "cab-3"\npassphrase = "plough and harrow"\n'
WISH = {"name": "cab; 4", "country": "DE", "channel": 11, "passphrase": "harrow \\ plough"}
STATION = "Station 02:00:00:00:01:00 (on wlan0)\n\tauthorized:\tyes\n\tassociated:\tyes\n"


class Radio:
    """NetworkManager and the radio. joins: at which look a phone has joined; 0: none does."""

    def __init__(self, at: Places, joins: int = 1) -> None:
        self.at, self.joins, self.looks = at, joins, 0
        self.up: list[str] = []
        self.said: list[str] = []
        self.waited_s = 0.0
        self.refuses = False

    def run(self, *words: str) -> subprocess.CompletedProcess[str]:
        self.said.append(" ".join(words))
        if words[:3] == ("nmcli", "connection", "up"):
            rows = self.at.profile.read_text().splitlines()
            self.up.append(next(row for row in rows if row.startswith("ssid=")))
            if self.refuses and "4" in self.up[-1]:
                return subprocess.CompletedProcess(words, 4, "", "Error: Connection activation failed.\n")
        self.looks += "dump" in words
        seen = STATION if self.joins and self.looks >= self.joins else STATION.replace("yes", "no")
        return subprocess.CompletedProcess(words, 0, seen if "dump" in words else "", "")

    def wait(self, seconds: float) -> None:
        self.waited_s += seconds


@pytest.fixture
def at(tmp_path: Path) -> Places:
    places = Places(tmp_path / "linelamp.toml", tmp_path / "run", SHARE, tmp_path / "own")
    places.boot.write_text(BOOT)
    (tmp_path / "wifi").mkdir()
    power_on(places)
    return places


def power_on(at: Places) -> None:
    """What lay in memory is gone; the box starts."""
    at.profile.unlink(missing_ok=True)
    words = [f"--{name}={getattr(at, name)}" for name in ("boot", "run", "share", "own")]
    assert start([*words, "--dry"]) == 0


def change(at: Places, radio: Radio) -> Change:
    return Change(at, at.own.with_name("wifi"), radio.run, radio.wait)


def ask(at: Places, radio: Radio, wish: Any = WISH) -> wishes.Answer:
    one = change(at, radio)
    with wishes.laying(one.folder, wishes.WANTED) as file:
        file.write(wish if isinstance(wish, bytes) else json.dumps(wish).encode())
    one.carry_out()
    assert [path.name for path in one.folder.iterdir()] == ["answer.json"]
    told = wishes.answer(one.folder)
    assert told is not None
    assert "plough" not in (one.folder / "answer.json").read_text()
    return told


def profile(at: Places) -> set[str]:
    return set(at.profile.read_text().splitlines())


OLD = {"ssid=cab-3", "channel=1", "psk=plough and harrow"}
NEW = {"ssid=cab\\; 4", "channel=11", "psk=harrow \\\\ plough"}


def test_it_stays_once_a_phone_has_joined(at: Places) -> None:
    assert profile(at) >= OLD
    radio = Radio(at, joins=3)
    told = ask(at, radio)
    assert (told.state, told.says[:24]) == ("done", "A phone has joined cab; ")
    assert radio.said[:3] == ["iw reg set DE", "nmcli connection reload", "nmcli connection up linelamp"]
    assert radio.waited_s == 15.0  # for the page to reach the phone, and for the third look
    assert profile(at) >= NEW
    assert at.profile.stat().st_mode & 0o777 == 0o600
    assert (at.own / "wifi.json").stat().st_mode & 0o777 == 0o600
    power_on(at)
    assert profile(at) >= NEW
    wifi = wishes.wifi_now(at.settings / "wifi.json")
    assert wifi == {"on": True, "name": "cab; 4", "country": "DE", "channel": 11}


def test_an_edit_of_the_boot_file_wins_over_what_was_asked_before(at: Places) -> None:
    ask(at, Radio(at))
    at.boot.write_text(BOOT + "# edited\n")
    power_on(at)
    assert profile(at) >= OLD
    at.boot.write_text(BOOT)  # and what was asked before does not come back
    power_on(at)
    assert profile(at) >= OLD


def test_a_boot_partition_that_cannot_be_read_is_no_edit(at: Places) -> None:
    ask(at, Radio(at))
    at.boot.unlink()
    power_on(at)
    assert profile(at) >= NEW


def test_nobody_joins_and_the_one_before_is_back(at: Places) -> None:
    radio = Radio(at, joins=0)
    told = ask(at, radio)
    assert (told.state, told.says) == ("fell-back", "Nobody joined cab; 4 within 10 minutes, so cab-3 is back.")
    assert radio.waited_s == WAIT_S + 5.0
    assert radio.up == ["ssid=cab\\; 4", "ssid=cab-3"]
    assert "iw reg set GB" in radio.said
    assert profile(at) >= OLD
    power_on(at)
    assert profile(at) >= OLD


def test_a_radio_that_does_not_take_it(at: Places) -> None:
    radio = Radio(at)
    radio.refuses = True
    told = ask(at, radio)
    assert told.state == "fell-back"
    assert "Error: Connection activation failed." in told.says
    assert radio.up == ["ssid=cab\\; 4", "ssid=cab-3"]
    assert profile(at) >= OLD


@pytest.mark.parametrize(
    ("wish", "says"),
    [
        (b"", "Expecting value"),
        (b"\xff", "utf-8"),
        ([], "the name (it must be given)"),
        (WISH | {"passphrase": "short"}, "8 to 63 plain characters"),
        (WISH | {"passphrase": "Pflügen und Eggen"}, "8 to 63 plain characters"),
        (WISH | {"name": ""}, "1 to 32 plain characters"),
        (WISH | {"name": "a\nb"}, "1 to 32 plain characters"),
        (WISH | {"country": "de"}, "two capital letters"),
        (WISH | {"channel": 14}, "1 to 11"),
        (WISH | {"channel": True}, "the channel (it must be given)"),
        (WISH | {"channel": "6"}, "channel"),
        ({key: value for key, value in WISH.items() if key != "passphrase"}, "the passphrase (it must be given)"),
        (WISH | {"passphrase": "x" * 5000}, ""),
    ],
)
def test_what_cannot_be_is_refused(at: Places, wish: Any, says: str) -> None:
    radio = Radio(at)
    told = ask(at, radio, wish)
    assert told.state == "refused"
    assert says in told.says
    assert radio.said == []
    assert profile(at) >= OLD


def test_no_link_is_followed(at: Places, tmp_path: Path) -> None:
    secret = tmp_path / "secret"
    secret.write_text(json.dumps(WISH))
    radio = Radio(at)
    one = change(at, radio)
    (one.folder / "wanted").symlink_to(secret)
    (one.folder / "answer.json").symlink_to(secret)
    one.carry_out()
    told = wishes.answer(one.folder)
    assert told is not None
    assert told.state == "refused"
    assert json.loads(secret.read_text()) == WISH
    (one.folder / "wanted").mkdir()
    one.carry_out()
    assert not (one.folder / "wanted").exists()
    os.mkfifo(one.folder / "wanted")
    one.carry_out()
    assert not (one.folder / "wanted").exists()


def test_a_cut_while_it_waits_leaves_the_one_before_and_an_end(at: Places) -> None:
    class Cut(Exception):
        pass

    radio = Radio(at, joins=0)

    def wait(_s: float) -> None:
        if radio.looks:
            raise Cut

    one = Change(at, at.own.with_name("wifi"), radio.run, wait)
    with wishes.laying(one.folder, wishes.WANTED) as file:
        file.write(json.dumps(WISH).encode())
    with pytest.raises(Cut):
        one.carry_out()
    assert profile(at) >= NEW
    told = wishes.answer(one.folder)
    assert told is not None
    assert told.state == "changing"
    change(at, radio).tidy()  # after a kill; a cut of the power does the same by a start
    assert profile(at) >= OLD
    told = wishes.answer(one.folder)
    assert told is not None
    assert (told.state, told.key) == ("fell-back", "wifi-broken-off")
    assert radio.up[-1] == "ssid=cab-3"
    before = list(radio.said)
    change(at, radio).tidy()
    assert radio.said == before


def test_a_card_without_wifi_gets_one(at: Places) -> None:
    at.boot.write_text('[box]\nname = "cab-3"\n')
    power_on(at)
    assert not at.profile.exists()
    assert wishes.wifi_now(at.settings / "wifi.json") == {
        "on": False, "name": "linelamp", "country": "00", "channel": 6,
    }  # fmt: skip
    assert ask(at, Radio(at)).state == "done"
    power_on(at)
    assert profile(at) >= NEW
