"""What a port holds back, from folder trees laid out as the kernel's /sys."""

from __future__ import annotations

from pathlib import Path

import pytest

from appliance.line.floor import UNKNOWN, Holding, holding
from appliance.sentence.setting import Setting

USUAL = Setting(38400)


def tree(sys: Path, name: str, bus: str, **files: str) -> Path:
    """files: in the folder of the device; those with tty_ before their name, in the folder of the terminal."""
    device = sys / "devices" / name
    terminal = sys / "class" / "tty" / name
    for folder in (device, terminal, sys / "bus" / bus):
        folder.mkdir(parents=True)
    (device / "subsystem").symlink_to(sys / "bus" / bus)
    (terminal / "device").symlink_to(device)
    for file, text in files.items():
        (terminal / file[4:] if file.startswith("tty_") else device / file).write_text(text + "\n")
    return sys


@pytest.mark.parametrize(
    ("name", "bus", "low_latency", "files", "expected"),
    [
        ("ttyUSB0", "usb-serial", False, {}, Holding(0.016, 62)),
        ("ttyUSB0", "usb-serial", True, {}, Holding(0.001, 4)),
        ("ttyUSB0", "usb-serial", False, {"latency_timer": "1"}, Holding(0.001, 4)),  # what it does, not what it says
        ("ttyUSB0", "usb-serial", True, {"latency_timer": "16"}, Holding(0.016, 62)),
        ("ttyUSB0", "usb-serial", True, {"latency_timer": ""}, Holding(0.001, 4)),
        ("ttyACM0", "usb", False, {}, Holding(0.016, 62)),
        ("ttyAMA0", "amba", False, {}, Holding(32 / 38400, 16)),
        ("ttyAMA0", "serial-base", True, {}, Holding(32 / 38400, 16)),
        ("ttyS0", "serial-base", False, {"tty_rx_trig_bytes": "8"}, Holding(40 / 38400, 16)),
        ("ttyS0", "platform", False, {"tty_rx_trig_bytes": "32"}, Holding(40 / 38400, 32)),
        ("ttyX0", "dreamt-of", True, {}, UNKNOWN),
    ],
)
def test_each_kind_of_port(
    *, name: str, bus: str, low_latency: bool, files: dict[str, str], expected: Holding, tmp_path: Path
) -> None:
    assert holding(f"/dev/{name}", USUAL, low_latency, tree(tmp_path, name, bus, **files)) == expected


def test_a_port_without_a_device_is_unknown(tmp_path: Path) -> None:
    assert holding("/dev/ttyUSB7", USUAL, True, tmp_path) == UNKNOWN


def test_a_port_is_known_under_its_other_names(tmp_path: Path) -> None:
    tree(tmp_path, "ttyUSB3", "usb-serial")
    other = tmp_path / "by-path"
    other.symlink_to("/dev/ttyUSB3")
    assert holding(str(other), USUAL, True, tmp_path) == Holding(0.001, 4)


def test_a_fifo_waits_longer_on_a_slower_line(tmp_path: Path) -> None:
    tree(tmp_path, "ttyAMA0", "amba")
    assert holding("/dev/ttyAMA0", Setting(4800), False, tmp_path).floor_s == pytest.approx(0.00667, rel=0.001)
