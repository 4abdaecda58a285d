"""What the card's boot file becomes: the box's settings, and its Wi-Fi."""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

from appliance import settings
from appliance.judge import needs
from appliance.simulate.drive import Drive
from appliance.simulate.receiver import Receiver, ReceiverSettings
from appliance.simulate.wire import chunks
from appliance.watch import RECEIVER, Watch

ORIGIN_NS = 900_000_000_000
Made = Callable[[str], tuple[Path, str]]


@pytest.fixture
def tree() -> Path:
    """The folder that mirrors a box's root."""
    return Path(__file__).parents[2] / "systemd"


@pytest.fixture
def made(tmp_path: Path, tree: Path) -> Made:
    """Runs the program over a boot file; gives the run folder and what it said."""

    def run(words: str) -> tuple[Path, str]:
        boot = tmp_path / "linelamp.toml"
        boot.write_text(words)
        share = tree / "usr/local/share/linelamp"
        done = subprocess.run(
            [sys.executable, "-m", "appliance.card.start", "--boot", boot, "--run", tmp_path / "run", "--share", share,
             "--own", tmp_path / "own", "--dry"],
            capture_output=True, text=True, check=True,
        )  # fmt: skip
        return tmp_path / "run", done.stderr

    return run


def box(run: Path) -> settings.Settings:
    return settings.load(run / "linelamp-settings/linelamp.toml")


def profile(run: Path) -> Path:
    return run / "NetworkManager/system-connections/linelamp.nmconnection"


def test_the_file_on_a_new_card(made: Made, tree: Path) -> None:
    run, said = made((tree / "usr/local/share/linelamp/linelamp.toml").read_text())
    assert "no passphrase" in said
    assert not profile(run).exists()
    assert box(run).web_port == 80
    assert box(run).lines == settings.load().lines


def test_all_that_may_be_set(made: Made, tmp_path: Path) -> None:
    (tmp_path / "mine.toml").write_text(needs.text("rate-section", []))
    run, said = made(
        """
        machine = 'Larkmere "3" ä'
        needs = "./mine.toml"
        earliest = "2026-02-01"
        [box]
        name = "cab-3"
        [wifi]
        country = "GB"
        channel = 11
        ssid = "cab; 3"
        passphrase = 'with \\ and = and #'
        [line.from-receiver]
        port = "/dev/ttyUSB0"
        baud = 115200
        [line.from-controller]
        port = "/dev/ttyUSB1"
        [lamps]
        green = 5
        [space]
        history_most_mb = 900
        """
    )
    assert said == ""
    got = box(run)
    assert got.machine == 'Larkmere "3" ä'
    assert got.needs == str(tmp_path / "mine.toml")
    assert got.green == 5
    assert got.faulty == ""
    assert (got.history_most_mb, got.earliest) == (900, "2026-02-01")
    assert [(line.name, line.path, line.baud) for line in got.lines] == [
        ("from-receiver", "/dev/ttyUSB0", 115200),
        ("from-controller", "/dev/ttyUSB1", 38400),
    ]
    rows = profile(run).read_text().splitlines()
    assert {"ssid=cab\\; 3", "channel=11", "psk=with \\\\ and = and #", "mode=ap", "key-mgmt=wpa-psk"} <= set(rows)
    assert not any("@" in row for row in rows)
    hosts = (run / "linelamp-settings/hosts").read_text()
    assert hosts == "192.168.77.1 cab-3.local cab-3\n"
    assert f"address1={hosts.split()[0]}/24" in rows
    assert profile(run).stat().st_mode & 0o777 == 0o600


@pytest.mark.parametrize(
    ("wrong", "says"),
    [
        ("machine = ", "row 1"),
        ("[wifi]\npassphrase = 'short'", "row 2: [wifi] passphrase"),
        ("[wifi]\ncountry = 'gb'", "row 2: [wifi] country"),
        ("[box]\nname = 'Cab 3'", "row 2: [box] name"),
        ("[wlan]", "row 1: [wlan]"),
        ("[lamps]\ngreen = 27", "a pin of its own"),
        ("needs = 'no-such-sheet'", "no-such-sheet"),
    ],
)
def test_a_mistake_leaves_the_box_running_on_the_defaults(made: Made, wrong: str, says: str) -> None:
    made("[wifi]\npassphrase = 'of an earlier start'\n")
    run, said = made(wrong)
    assert says in said
    assert says in box(run).faulty
    assert box(run).lines == settings.load().lines
    assert not profile(run).exists()


def test_what_is_sound_of_a_faulty_file_lets_the_box_be_seen(made: Made) -> None:
    """Or the phone could not join to read what is wrong."""
    sound = "[web]\npin = '471108'\n[wifi]\nssid = 'cab-3'\npassphrase = 'plough and harrow'\n\n[lamps]\ngreen = 5\n"
    for wrong in ("needs = \n", "needs = 'no-such-sheet'\n", "[space]\nfree_least_mb = -1\n"):
        run, said = made(wrong + sound)
        assert said
        assert "ssid=cab-3" in profile(run).read_text()
        assert (box(run).green, box(run).pin, box(run).web_port) == (5, "471108", 80)
        assert box(run).machine == "Unnamed machine"
    run, _ = made("[wifi]\npassphrase = 'plough and harrow'\n[lamps]\ngreen = 27\n")
    assert "ssid=linelamp" in profile(run).read_text()
    assert (box(run).green, box(run).red) == (17, 27)


def test_with_a_faulty_file_there_is_no_go_on_the_best_of_lines(made: Made) -> None:
    """From the card's boot file to the lamps and the page: the reason is told as the box's own, and stands."""
    run, _ = made("needs = 'rate-secton'\n")
    faulty = box(run)
    watch = Watch(faulty.load_needs(), {RECEIVER: 38400}, ORIGIN_NS, box_says=faulty.faulty)
    sound = Watch(faulty.load_needs(), {RECEIVER: 38400}, ORIGIN_NS)
    bursts = Receiver(ReceiverSettings(), Drive(1), 1).epochs(0, 20)
    for chunk in chunks(bursts, 38400, origin_ns=ORIGIN_NS, most_bytes=64, most_s=1.0):
        for one in (watch, sound):
            one.feed(RECEIVER, chunk)
            one.look(chunk.end_ns)
    assert sound.verdict.state == "go"
    assert watch.verdict.state == "no-go"
    assert "rate-secton" in watch.verdict.says(watch.checks, watch.last_ns)
    assert [(fault.kind, fault.end_ns) for fault in watch.faults.open] == [("settings-faulty", None)]


def test_no_boot_file(tmp_path: Path) -> None:
    asked: list[str | Path] = [sys.executable, "-m", "appliance.card.start", "--boot", tmp_path / "none", "--dry"]
    asked += ["--run", tmp_path / "run", "--own", tmp_path / "own"]
    done = subprocess.run(asked, capture_output=True, text=True, check=True)
    assert "no readable file" in done.stderr
    assert "no readable file" in box(tmp_path / "run").faulty
