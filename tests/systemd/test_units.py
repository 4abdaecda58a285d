"""Every unit, target, path, user and group that is named exists, and systemd itself finds nothing to say."""

from __future__ import annotations

import re
import shutil
import subprocess
import tomllib
from collections import defaultdict
from pathlib import Path

import pytest

UNITS = Path("usr/local/lib/systemd/system")
OURS = ("linelamp-tap", "linelamp-web", "linelamp-settings", "linelamp-grow", "linelamp-update", "linelamp-stick@",
        "linelamp-wifi")  # fmt: skip
PATHS = ("linelamp-update.path", "linelamp-wifi.path")
NAMING = ("After", "Before", "Wants", "Requires", "Conflicts", "WantedBy", "RequiredBy")
# Mounts are made from the card's fstab, NetworkManager and avahi are packages of the card: not on every machine.
ELSEWHERE = {
    "var-lib-linelamp.mount",
    "opt-linelamp.mount",
    "boot-firmware.mount",
    "NetworkManager.service",
    "avahi-daemon.service",
}
GROUPS_OF_DEBIAN = {"root"}
SAFE_MOST = 2.5


def read(path: Path) -> dict[str, list[str]]:
    """Keys of a unit, each with its values in order; sections do not matter here."""
    found: dict[str, list[str]] = defaultdict(list)
    for row in path.read_text().splitlines():
        if "=" in row and not row.startswith("#"):
            key, _, value = row.partition("=")
            found[key].append(value)
    return found


@pytest.fixture(params=OURS)
def unit(request: pytest.FixtureRequest, tree: Path) -> dict[str, list[str]]:
    return read(tree / UNITS / f"{request.param}.service")


def test_no_unit_is_left_out_here(tree: Path) -> None:
    assert {path.name for path in (tree / UNITS).iterdir()} == {*(f"{name}.service" for name in OURS), *PATHS}


def test_units_named_exist(unit: dict[str, list[str]], laid: Path) -> None:
    named = {name for key in NAMING for value in unit[key] for name in value.split()}
    there = {path.name for folder in (UNITS, Path("usr/lib/systemd/system")) for path in (laid / folder).iterdir()}
    assert named
    assert named - ELSEWHERE <= there


def test_a_misspelt_target_would_be_found(laid: Path) -> None:
    """systemd-analyze passes one, which is why the test above does not leave it to that."""
    there = {path.name for path in (laid / "usr/lib/systemd/system").iterdir()}
    assert "multi-user.target" in there
    assert "mulit-user.target" not in there


def test_programs_exist(unit: dict[str, list[str]], tree: Path) -> None:
    project = tomllib.loads((tree.parent / "pyproject.toml").read_text())["project"]
    (command, *later) = unit["ExecStart"] + unit["ExecStopPost"]
    for word in " ".join([command, *later]).split():
        if word.startswith("/usr/local/"):
            assert (tree / word.lstrip("/")).stat().st_mode & 0o100
        elif word.startswith("/opt/linelamp/now/bin/"):
            assert word.rpartition("/")[2] in {*project["scripts"], "python"}
        elif word.startswith("/"):
            assert word in ("/var/lib/linelamp", "/dev/%I")


def test_modules_started_by_a_card_exist(tree: Path) -> None:
    """Their names are kept: the units of a card are older than a program that came by an update."""
    from importlib.util import find_spec

    for name, module in (("settings", "appliance.card.start"), ("wifi", "appliance.card.change")):
        (command,) = read(tree / UNITS / f"linelamp-{name}.service")["ExecStart"]
        assert command == f"/opt/linelamp/now/bin/python -P -m {module}"
        assert find_spec(module)


def test_another_wifi_is_looked_for_where_the_page_lays_it(tree: Path) -> None:
    from appliance import settings, wishes
    from appliance.card.change import Change
    from appliance.card.hotspot import Places

    folder = settings.load().wifi_folder
    assert read(tree / UNITS / "linelamp-wifi.path")["PathExists"] == [str(folder / wishes.WANTED)]
    assert Change().folder == folder
    writes = f"/run -{folder} -{Places().own}"
    assert read(tree / UNITS / "linelamp-wifi.service")["ReadWritePaths"] == [writes]
    assert read(tree / UNITS / "linelamp-settings.service")["ReadWritePaths"] == [f"/run -{Places().own}"]
    assert Places().settings / wishes.WIFI_NOW.name == wishes.WIFI_NOW


def test_commands_of_the_program_exist(tree: Path) -> None:
    from appliance.cli import main

    for name in ("tap", "web"):
        (command,) = read(tree / UNITS / f"linelamp-{name}.service")["ExecStart"]
        assert command.split()[1:] == [name]
        assert name in main.commands


def made_by_sysusers(tree: Path) -> tuple[set[str], set[str]]:
    rows = [row.split() for row in (tree / "usr/local/lib/sysusers.d/linelamp.conf").read_text().splitlines()]
    users = {row[1] for row in rows if row[0] == "u"}
    return users, users | {row[1] for row in rows if row[0] == "g"}


def test_users_and_groups_are_made(tree: Path) -> None:
    users, groups = made_by_sysusers(tree)
    for name in ("linelamp-tap", "linelamp-web"):
        unit = read(tree / UNITS / f"{name}.service")
        assert unit["User"] == [name]
        assert name in users
        assert {*unit["Group"], *" ".join(unit["SupplementaryGroups"]).split()} <= groups
    for folder in [row.split() for row in _rows(tree / "usr/local/lib/tmpfiles.d/linelamp.conf")]:
        assert folder[3] in users | {"root"}
        assert folder[4] in groups | GROUPS_OF_DEBIAN
    ruled = re.findall(r'GROUP="([^"]+)"', (tree / "usr/local/lib/udev/rules.d/90-linelamp.rules").read_text())
    assert ruled
    assert set(ruled) <= groups | GROUPS_OF_DEBIAN


def _rows(path: Path) -> list[str]:
    return [row for row in path.read_text().splitlines() if row and not row.startswith("#")]


def test_folders_are_those_of_the_settings(tree: Path) -> None:
    from appliance import settings
    from appliance.site.serve import STATE_FOLDER

    box = settings.load()
    tap = read(tree / UNITS / "linelamp-tap.service")
    assert tap["ReadWritePaths"] == [f"-{box.history.parent}"]
    assert tap["RuntimeDirectory"] == [box.run_folder.name]
    assert tap["WorkingDirectory"] == [str(box.run_folder)]
    assert f"LG_WD={box.run_folder}" in tap["Environment"][0]
    assert "GPIOZERO_PIN_FACTORY=lgpio" in tap["Environment"][0]
    folders = [row.split()[1] for row in _rows(tree / "usr/local/lib/tmpfiles.d/linelamp.conf")]
    own = [str(box.history.parent / STATE_FOLDER), str(box.update_folder), str(box.wifi_folder)]
    assert folders == [str(box.history.parent), *own, str(box.history.parent / "box")]
    assert read(tree / UNITS / "linelamp-web.service")["ReadWritePaths"] == [" ".join(f"-{one}" for one in own)]


def test_an_update_is_looked_for_where_the_page_and_a_stick_lay_it(tree: Path) -> None:
    from appliance import settings, wishes
    from updating import stick
    from updating.__main__ import BUNDLES, VERSION_BEFORE

    folder = settings.load().update_folder
    wanted = read(tree / UNITS / "linelamp-update.path")["PathExists"]
    assert wanted == [str(folder / name) for name in (*BUNDLES, VERSION_BEFORE)]
    assert {wishes.BUNDLE, wishes.VERSION_BEFORE, stick.NAME} == {Path(path).name for path in wanted}
    assert read(tree / UNITS / "linelamp-stick@.service")["ReadWritePaths"] == [str(folder)]


def test_what_keeps_a_box_alive(tree: Path) -> None:
    from appliance.tap.daemon import HEARTBEAT_MOST_S

    for name in ("linelamp-tap", "linelamp-web"):
        unit = read(tree / UNITS / f"{name}.service")
        assert unit["Type"] == ["notify"]
        assert unit["Restart"] == ["always"]
        assert unit["StartLimitIntervalSec"] == ["0"]
        assert not unit["BindsTo"]
        assert float(unit["WatchdogSec"][0]) > HEARTBEAT_MOST_S


def test_devices_are_ports_and_pins_alone(tree: Path) -> None:
    tap, web = (read(tree / UNITS / f"{name}.service") for name in ("linelamp-tap", "linelamp-web"))
    assert tap["DevicePolicy"] == ["closed"]
    assert tap["DeviceAllow"] == [f"char-{kind} rw" for kind in ("ttyAMA", "ttyUSB", "ttyACM", "gpiochip")]
    assert web["PrivateDevices"] == ["yes"]
    assert not web["DeviceAllow"]


def test_modules_whose_devices_are_allowed_are_loaded_before(tree: Path) -> None:
    """A kind of device that the kernel does not know when the unit starts is left out of its list."""
    assert _rows(tree / "usr/local/lib/modules-load.d/linelamp.conf") == ["usbserial", "cdc_acm"]
    assert "systemd-modules-load.service" in read(tree / UNITS / "linelamp-tap.service")["After"][0]


def test_nobody_logs_in_on_a_uart_and_nobody_else_opens_one(tree: Path) -> None:
    for name in ("serial-getty@", "ModemManager", "brltty", "brltty-udev"):
        assert (tree / f"etc/systemd/system/{name}.service").readlink() == Path("/dev/null")


def analyze(*words: str | Path) -> subprocess.CompletedProcess[str]:
    if shutil.which("systemd-analyze") is None:
        pytest.skip("This machine has no systemd-analyze.")
    return subprocess.run(["systemd-analyze", *map(str, words)], capture_output=True, text=True, check=False)


def test_systemd_has_nothing_to_say(laid: Path) -> None:
    done = analyze(
        "verify", "--man=no", f"--root={laid}", *(f"{name}.service".replace("@", "@sda1") for name in OURS), *PATHS
    )
    assert (done.returncode, done.stderr) == (0, "")


def test_systemd_would_say_something(laid: Path) -> None:
    spoilt = laid / UNITS / "linelamp-tap.service"
    spoilt.write_text(spoilt.read_text().replace("WatchdogSec", "WatchdogSek"))
    assert "WatchdogSek" in analyze("verify", "--man=no", f"--root={laid}", "linelamp-tap.service").stderr


@pytest.mark.parametrize("name", ["linelamp-tap", "linelamp-web"])
def test_exposure(name: str, tree: Path) -> None:
    done = analyze("security", "--no-pager", "--offline=yes", tree / UNITS / f"{name}.service")
    found = re.search(r"exposure level for \S+: ([\d.]+)", done.stdout)
    assert found, done.stderr
    assert float(found[1]) < SAFE_MOST


def test_the_server_of_addresses_takes_our_words(tree: Path) -> None:
    if shutil.which("dnsmasq") is None:
        pytest.skip("This machine has no dnsmasq.")
    ours = tree / "etc/NetworkManager/dnsmasq-shared.d/linelamp.conf"
    done = subprocess.run(["dnsmasq", "--test", "-C", ours], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
