"""Boots the card's image in QEMU and tries the box from outside, as a cab and a phone would.

    image-build/test CARD.img CARD-BOOT [--work FOLDER] [--only pi|virt|faulty|update]... [--same OTHER.img]
                    [--feed-s S] [--key KEY]

CARD-BOOT is the folder that image-build/build leaves beside the image: QEMU is no Pi firmware, so kernel, initrd and
device tree are given to it from there. The image is copied onto a card twice its size first. It takes
qemu-system-aarch64, mtools, dosfstools, e2fsprogs, fdisk, device-tree-compiler, and this project in the Python that
runs it; room in /dev/shm for 1 GB.

pi: QEMU's Raspberry Pi 3, fed through its UART, lamps read from the SoC's register of pin levels. faulty: the card of
the first, its plug pulled, with a mistake in its boot file. virt: QEMU's plain machine, whose disk tells flushes, for
power cuts, fed for S seconds (600), and for the Wi-Fi. update: there too, with the private key whose public half the
image was built with (build --signer). --same: an image built anew from the same inputs. Prints a table, and keeps
steps.json.
"""

from __future__ import annotations

import argparse
import filecmp
import subprocess
import sys
import time
from pathlib import Path

from trial.cuts import power_cuts
from trial.feed import Feed
from trial.hotspot import another_wifi, hotspot
from trial.machine import PI, PIN, VIRT, Machine, write_boot_file
from trial.report import Failed, LeftOut, Report, until
from trial.system import hung_tap, system, writes_outside
from trial.updates import after_the_cut, changed_and_good, cut_on_trial, made, one_that_does_not_run
from trial.verdicts import SETTLE_MOST_S, log_taken_away, power_on, silent, verdicts

NAME, SSID, PASSPHRASE = "cab-3", "cab-3", "plough and harrow"
BOOT_FILE = f"""machine = "Larkmere tractor 3"
[box]
name = "{NAME}"
[wifi]
ssid = "{SSID}"
passphrase = "{PASSPHRASE}"
[web]
port = 80
pin = "{PIN}"
"""
FED_S = 20.0
FAULTY = BOOT_FILE + '[lamps]\ngreen = "seventeen"\n'


def card(image: Path, to: Path, words: str) -> Path:
    """The image on a card twice its size, with a boot file as a technician writes it."""
    subprocess.run(["cp", "--sparse=always", image, to], check=True)
    subprocess.run(["truncate", "-s", str(2 * image.stat().st_size), to], check=True)
    write_boot_file(to, words)
    return to


def on_a_pi(report: Report, image: Path, boot: Path, work: Path) -> bytes:
    """Steps 1, 2, 3, 5, 7 in the emulated Pi; gives what was sent on its line."""
    machine = Machine(PI, image, boot, work / "pi")
    try:
        power_on(report, machine, "first start")
        feed = verdicts(report, machine)
        feed.stop()
        log_taken_away(report, machine)
        system(report, machine, NAME)
        hung_tap(report, machine)
    finally:
        machine.cut()
    silent(report, machine, "first start")
    writes_outside(report, machine, image, "first start")
    return machine.was_sent()


def after_a_cut_and_faulty(report: Report, image: Path, boot: Path, work: Path, sent: bytes) -> None:
    """The same card again, after its plug was pulled, with a mistake in its boot file."""
    write_boot_file(image, FAULTY)
    machine = Machine(PI, image, boot, work / "faulty")
    try:
        power_on(report, machine, "faulty boot file")
        with report.step("5 a faulty boot file leaves the box running, no-go and told on the page") as told:
            verdict = machine.picture()["verdict"]
            told.append(f"{verdict['state']}: {verdict['says']}")
            if verdict["state"] != "no-go" or "seventeen" not in verdict["says"]:
                raise Failed(told[0])
            until(lambda: machine.lamps()[1] and not machine.lamps()[0], SETTLE_MOST_S, "no red")
        with report.step("4 the history of before the plug was pulled is there") as told:
            watches = range(1, machine.picture()["watch"]["id"])  # more than one if the tap had to begin anew
            got = b"".join(machine.get(f"/take/raw?span=whole&watch={one}", 300) for one in watches)
            told.append(f"{len(got)} of {len(sent)} bytes")
            if not got or not sent.startswith(got):
                raise Failed(told[0])
    finally:
        machine.cut()
    silent(report, machine, "faulty boot file")


def on_virt(report: Report, image: Path, boot: Path, work: Path, feed_s: float) -> None:
    """Steps 4 and 6 in QEMU's plain machine. It has no pins of a Pi: the tap says so, and listens all the same."""
    before = work / "virt-before.img"
    subprocess.run(["cp", "--sparse=always", image, before], check=True)
    machine = Machine(VIRT, image, boot, work / "virt")
    try:
        power_on(report, machine, "virt", lamps=False)
        hotspot(report, machine, SSID, PASSPHRASE, NAME)
        another_wifi(report, machine, PASSPHRASE, NAME)
        feed = Feed(machine.feed)
        time.sleep(FED_S)
        feed.stop()
        log_taken_away(report, machine)
        power_cuts(report, machine, before, feed_s)
    finally:
        machine.cut()
    silent(report, machine, "virt")
    writes_outside(report, machine, image, "virt")


def to_another_version(report: Report, image: Path, boot: Path, work: Path, key: Path | None) -> None:
    """Step 9 in QEMU's plain machine, which has a place for a stick."""
    good = made(report, key, work)
    if good is None or key is None:
        return
    machine = Machine(VIRT, image, boot, work / "update")
    try:
        power_on(report, machine, "update", lamps=False)
        changed_and_good(report, machine, good, work)
        cut_on_trial(report, machine)
    finally:
        machine.cut()
    silent(report, machine, "update")
    machine = Machine(VIRT, image, boot, work / "after-update")
    try:
        power_on(report, machine, "after an update", lamps=False)
        after_the_cut(report, machine)
        one_that_does_not_run(report, machine, good, key, work)
    finally:
        machine.cut()
    silent(report, machine, "after an update")


def main() -> int:
    """0: no step failed."""
    asked = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    asked.add_argument("image", type=Path)
    asked.add_argument("boot", type=Path)
    asked.add_argument("--work", type=Path, default=Path("boot-test-work"))
    asked.add_argument("--only", action="append", choices=("pi", "virt", "faulty", "update"))
    asked.add_argument("--key", type=Path)
    asked.add_argument("--same", type=Path)
    asked.add_argument("--feed-s", type=float, default=600.0)
    args = asked.parse_args()
    args.work.mkdir(parents=True, exist_ok=True)
    only = args.only or ["pi", "faulty", "virt", "update"]
    report = Report(args.work / "steps.json")
    image = args.work / "card.img"
    sent = b""
    if "pi" in only:
        sent = on_a_pi(report, card(args.image, image, BOOT_FILE), args.boot, args.work)
    if "faulty" in only:
        if not sent:
            card(args.image, image, FAULTY)
        after_a_cut_and_faulty(report, image, args.boot, args.work, sent)
    if "virt" in only:
        on_virt(report, card(args.image, args.work / "virt.img", BOOT_FILE), args.boot, args.work, args.feed_s)
    if "update" in only:
        to_another_version(
            report, card(args.image, args.work / "update.img", BOOT_FILE), args.boot, args.work, args.key
        )
    with report.step("8 the same inputs give the same image, bit for bit") as told:
        if args.same is None:
            raise LeftOut("no second image was given by --same")
        if not filecmp.cmp(args.image, args.same, shallow=False):
            raise Failed(f"{args.same} differs")
        told.append(f"{args.same.stat().st_size} bytes are the same")
    print(report.table())
    return 1 if report.failed else 0


if __name__ == "__main__":
    sys.exit(main())
