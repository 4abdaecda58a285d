"""The card's image from a small tree: the same bytes each time, the partitions that fstab and kernel name, no driver of
the line's transmit pin."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
from pathlib import Path

import pytest

BUILD = Path(__file__).parents[2] / "image-build"
TOOLS = ("mke2fs", "debugfs", "sfdisk", "mcopy", "mkfs.vfat")
EPOCH = 1_777_886_000

# The nodes that listen-only.dts lays hands on, as in Debian's trees of a Pi 3 and 4 (linux-image-arm64).
BOARD = """/dts-v1/;
/ { soc {
    gpio@7e200000 { uart0: uart0-pins { brcm,pins = <30 31 32 33>; brcm,function = <7>; }; };
    serial@7e201000 { pinctrl-names = "default"; pinctrl-0 = <&uart0>; bluetooth { max-speed = <2000000>; }; };
    serial@7e215040 { status = "okay"; };
}; };
"""


def needs_tools(*names: str) -> None:
    missing = [name for name in names if shutil.which(name, path=f"{os.environ['PATH']}:/usr/sbin:/sbin") is None]
    if missing:
        pytest.skip(f"This machine has no {', '.join(missing)}.")


def pack(folder: Path, order: list[str]) -> Path:
    """A tree whose files are made in the order given, packed."""
    tree, boot = folder / "tree", folder / "boot"
    (tree / "etc").mkdir(parents=True)
    for name in order:
        (tree / "etc" / name).write_text(name)
    (tree / "opt/linelamp/a").mkdir(parents=True)
    for name in order:
        (tree / "opt/linelamp/a" / name).write_text(name)
    (tree / "opt/linelamp/now").symlink_to("a")
    (tree / "etc/fstab").write_text((BUILD / "card/etc/fstab").read_text())
    boot.mkdir()
    for name in ("b.txt", "a.txt"):
        (boot / name).write_text(name)
    out = folder / "card.img"
    environment = os.environ | {"SOURCE_DATE_EPOCH": str(EPOCH)}
    asked = [BUILD / "pack", tree, boot, out]
    done = subprocess.run(asked, env=environment, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    return out


@pytest.mark.slow
def test_the_same_tree_gives_the_same_image(tmp_path: Path) -> None:
    needs_tools(*TOOLS)
    if os.geteuid() != 0:
        pytest.skip("Only root can mount the folder in memory.")
    names = [f"file-{n}" for n in range(50)]
    one = pack(tmp_path / "one", names)
    two = pack(tmp_path / "two", names[::-1])
    assert one.stat().st_size == 2**31  # QEMU wants a power of two
    assert subprocess.run(["cmp", one, two], capture_output=True, text=True, check=False).stdout == ""
    table = subprocess.run(["sfdisk", "--dump", one], capture_output=True, text=True, check=True).stdout
    label = re.search(r"label-id: 0x(\w+)", table)
    assert label
    named = (BUILD / "card/etc/fstab").read_text() + (BUILD / "card/boot/firmware/cmdline.txt").read_text()
    start = int(re.findall(r"start= *(\d+)", table)[2]) * 512
    listed = ["debugfs", "-R", "ls -p /a", f"{one}?offset={start}"]
    programs = subprocess.run(listed, capture_output=True, text=True, check=True).stdout
    assert set(names) <= set(programs.split("/"))
    parts = {f"{label[1]}-0{n}" for n in range(1, 1 + table.count("start="))}
    assert set(re.findall(r"PARTUUID=(\S+)", named)) == parts
    assert len(parts) == 4


def test_the_transmit_pin_is_left_an_input(tmp_path: Path) -> None:
    needs_tools("dtc", "fdtoverlay", "fdtget")
    board, overlay, made = (tmp_path / name for name in ("board.dtb", "listen-only.dtbo", "made.dtb"))
    subprocess.run(["dtc", "-q", "-@", "-o", board, "-"], input=BOARD, text=True, check=True)
    subprocess.run(["dtc", "-q", "-O", "dtb", "-o", overlay, BUILD / "listen-only.dts"], check=True)
    subprocess.run(["fdtoverlay", "-i", board, "-o", made, overlay], check=True)

    def value(node: str, name: str) -> str:
        return subprocess.run(["fdtget", made, node, name], capture_output=True, text=True, check=True).stdout.strip()

    pins = "/soc/gpio@7e200000/listen-only"
    assert value(pins, "brcm,pins") == "15"
    assert value("/soc/serial@7e201000", "pinctrl-0") == value(pins, "phandle")
    assert value("/soc/serial@7e215040", "status") == "disabled"


def test_no_console_on_a_uart() -> None:
    words = (BUILD / "card/boot/firmware/cmdline.txt").read_text().split()
    assert [word for word in words if word.startswith("console=")] == ["console=tty1"]
    assert not [word for word in words if word.startswith("earlycon")]
    config = (BUILD / "card/boot/firmware/config.txt").read_text()
    # Left out, the firmware leaves pins 14 and 15 alone; both would have it talk there.
    assert "enable_uart" not in config
    assert "uart_2ndstage" not in config
