"""A card in QEMU: in its Raspberry Pi 3, or in its plain machine ("virt"), which has a disk that tells flushes.

QEMU is no Pi firmware: kernel, initrd and device tree are given to it from the folder that image-build/build leaves.
Every write to the card is recorded in order (QEMU's blklogwrites; the format is that of Linux's dm-log-writes).
"""

from __future__ import annotations

import base64
import contextlib
import json
import re
import shutil
import socket
import subprocess
import threading
import time
import urllib.request
from dataclasses import dataclass
from pathlib import Path
from typing import Any
from urllib.parse import urlencode

from trial.report import Failed

GREEN, RED = 17, 27
GPLEV0 = 0x3F200034  # levels of GPIO 0 to 31 (BCM2837 ARM Peripherals)
REVISION = "a02082"  # a Pi 3 B, told to the kernel by the firmware, which QEMU is not
BOOT_AT = 4 * 1024 * 1024  # of the boot partition in the image, see image-build/pack
PIN = "405162"  # invented; in the boot file
SHELL_MARK = "linelamp-boot-test"
# A root shell on a port that QEMU plugs in, as a unit in memory alone: the initramfs reads it as a part of its
# configuration, from a second archive behind its own, and lays it down once /run is there. Not a part of the card.
# An emulated Pi on a busy machine finds its own card later than the 90 s that the card's fstab allows.
SHELL = """
mkdir -p /scripts/init-bottom
cat >>/scripts/init-bottom/ORDER <<'ORDER'
mkdir -p /run/systemd/system/multi-user.target.wants
cat >/run/systemd/system/boot-test-shell.service <<'END'
[Unit]
StartLimitIntervalSec=0
[Service]
ExecStart=/bin/sh
StandardInput=tty-force
StandardOutput=tty
TTYPath=/dev/@port@
Restart=always
RestartSec=3
END
ln -s ../boot-test-shell.service /run/systemd/system/multi-user.target.wants/
for part in 01 02 03 04; do
    folder="/run/systemd/system/dev-disk-by\\x2dpartuuid-6c6c6d70\\x2d$part.device.d"
    mkdir -p "$folder"
    printf '[Unit]\\nJobRunningTimeoutSec=1200\\n' >"$folder/60-boot-test.conf"
done
ORDER
"""


@dataclass(frozen=True)
class Kind:
    """A machine of QEMU's. options: its own; card: how the card is plugged in; shell: the port of the root shell."""

    options: tuple[str, ...]
    card: tuple[str, ...]
    net: str
    shell: tuple[str, str]
    append: str = ""


PI = Kind(
    ("-M", "raspi3b", "-m", "1024"),
    ("if=sd",),
    "usb-net",
    ("usb-serial", "ttyUSB0"),
    # QEMU's model of the Pi's watchdog restarts the machine as soon as it is armed (seen in QEMU 7.2).
    "modprobe.blacklist=bcm2835_wdt",
)
VIRT = Kind(
    (
        "-M",
        "virt",
        "-cpu",
        "cortex-a53",
        "-smp",
        "2",
        "-m",
        "1024",
        "-device",
        "virtio-blk-pci,drive=card",
        "-device",
        "qemu-xhci",
    ),
    ("if=none", "id=card", "cache.direct=off"),
    "virtio-net-pci,romfile=",
    ("pci-serial", "ttyS0"),
)


def padded(data: bytes, to: int = 512) -> bytes:
    """With zeros up to a multiple."""
    return data + bytes(-len(data) % to)


def archive(files: dict[str, str]) -> bytes:
    """Files as the kernel takes them behind an initrd (Linux, Documentation: "initramfs buffer format")."""
    packed = b""
    folders = sorted({str(parent) for name in files for parent in Path(name).parents if str(parent) != "."})
    rows = [(name, 0o040755, b"") for name in folders]
    rows += [(name, 0o100644, words.encode()) for name, words in files.items()]
    for number, (name, mode, data) in enumerate([*rows, ("TRAILER!!!", 0, b"")]):
        fields = (number, mode, 0, 0, 1, 0, len(data), 0, 0, 0, 0, len(name) + 1, 0)
        head = b"070701" + b"".join(b"%08X" % field for field in fields) + name.encode() + b"\0"
        packed += padded(head, 4) + padded(data, 4)
    return padded(packed)


def write_boot_file(image: Path, words: str) -> None:
    """What a technician does with the card in a PC: writes linelamp.toml on the boot partition."""
    copy = ["mcopy", "-D", "o", "-i", f"{image}@@{BOOT_AT}", "-", "::linelamp.toml"]
    subprocess.run(copy, input=words.encode(), check=True)


def send_form(origin: str, path: str, fields: dict[str, str], to: str = "") -> str:
    """Opens a page, and sends a form of it as a browser does, with its cookie and token; gives the page that follows.

    to: where that form goes, if not to its own page.
    """
    browser = urllib.request.build_opener(urllib.request.HTTPCookieProcessor())
    page = browser.open(origin + path, timeout=120).read().decode()
    token = re.search(r'name="token" value="([^"]+)"', page)
    if not token:
        raise Failed(f"{path} has no form: {page[-500:]}")
    data = urlencode(fields | {"token": token[1]}).encode()
    asked = urllib.request.Request(origin + (to or path), data, {"Origin": origin})
    said: bytes = browser.open(asked, timeout=120).read()
    return said.decode()


class Machine:
    """Power on. Its folder holds the sockets and writes.log; feed() sends on the line, and counts what comes back."""

    def __init__(self, kind: Kind, image: Path, boot: Path, folder: Path) -> None:
        self.folder, self.writes = folder, folder / "writes.log"
        self.came_back = self.sent = 0
        self._sent = bytearray()
        shutil.rmtree(folder, ignore_errors=True)
        folder.mkdir(parents=True)
        self.writes.touch()
        with socket.socket() as free:
            free.bind(("127.0.0.1", 0))
            port = free.getsockname()[1]
        self.origin = f"http://127.0.0.1:{port}"
        initrd = folder / "initrd.img"
        unit = {"conf/conf.d/boot-test": SHELL.replace("@port@", kind.shell[1])}
        initrd.write_bytes(padded((boot / "initrd.img").read_bytes()) + archive(unit))
        card = (*kind.card, "driver=blklogwrites", "file.driver=file", f"file.filename={image}",
                "log.driver=file", f"log.filename={self.writes}", "log-super-update-interval=1")  # fmt: skip
        board = self._board(boot) if kind is PI else ()
        self.started_s, self._cut_s = time.monotonic(), 0.0
        self.process = subprocess.Popen(
            ["qemu-system-aarch64", *kind.options, *board, "-display", "none", "-no-reboot",
             "-kernel", boot / "vmlinuz", "-initrd", initrd,
             "-append", f"{(boot / 'cmdline.txt').read_text().strip()} {kind.append}",
             "-drive", ",".join(card),
             "-netdev", f"user,id=n0,hostfwd=tcp:127.0.0.1:{port}-:80", "-device", f"{kind.net},netdev=n0",
             "-chardev", f"socket,id=line,path={folder / 'line'},server=on,wait=on", "-serial", "chardev:line",
             "-chardev", f"socket,id=shell,path={folder / 'shell'},server=on,wait=off,logfile={folder / 'shell.log'}",
             "-device", f"{kind.shell[0]},chardev=shell",
             "-qmp", f"unix:{folder / 'qmp'},server=on,wait=off"],
            stdin=subprocess.DEVNULL, stdout=(folder / "qemu.log").open("wb"), stderr=subprocess.STDOUT,
        )  # fmt: skip
        # The line's far end is there from power-on: not a byte of the box can be missed.
        self._line = self._connect("line")
        self._qmp = self._connect("qmp").makefile("rw")
        self._qmp.readline()
        self._ask("qmp_capabilities")
        self._shell = self._connect("shell")
        self._listening = threading.Thread(target=self._listen, daemon=True)
        self._listening.start()

    def _board(self, boot: Path) -> tuple[str | Path, ...]:
        board = self.folder / "board.dtb"
        shutil.copy(boot / "bcm2837-rpi-3-b.dtb", board)
        subprocess.run(["fdtput", "-p", "-t", "x", board, "/system", "linux,revision", REVISION], check=True)
        return "-dtb", board

    def _connect(self, name: str) -> socket.socket:
        until_s = time.monotonic() + 20
        while True:
            connection = socket.socket(socket.AF_UNIX)
            try:
                connection.connect(str(self.folder / name))
                return connection
            except OSError:
                connection.close()
                if time.monotonic() > until_s or self.process.poll() is not None:
                    raise Failed(f"QEMU did not start: {(self.folder / 'qemu.log').read_text()}") from None
                time.sleep(0.1)

    def _ask(self, command: str, **arguments: object) -> Any:
        self._qmp.write(json.dumps({"execute": command, "arguments": arguments}) + "\n")
        self._qmp.flush()
        while "return" not in (answer := json.loads(self._qmp.readline())):
            if "error" in answer:
                raise Failed(str(answer))
        return answer["return"]

    def _listen(self) -> None:
        with contextlib.suppress(OSError):
            while data := self._line.recv(4096):
                self.came_back += len(data)

    def up_s(self) -> float:
        """Seconds from power-on till now, or till the plug was pulled, by the host's clock."""
        return (self._cut_s or time.monotonic()) - self.started_s

    def lamps(self) -> tuple[bool, bool]:
        """(green, red) as the Pi's pins are now."""
        said = self._ask("human-monitor-command", **{"command-line": f"xp /1wx {GPLEV0:#x}"})
        level = int(said.split(":")[1], 16)
        return bool(level >> GREEN & 1), bool(level >> RED & 1)

    def get(self, path: str, timeout_s: float = 60.0) -> bytes:
        """What the page's server answers."""
        with urllib.request.urlopen(self.origin + path, timeout=timeout_s) as answer:
            data: bytes = answer.read()
            return data

    def picture(self) -> dict[str, Any]:
        """The live picture; {} while there is none."""
        try:
            return json.loads(self.get("/picture"))  # type: ignore[no-any-return]
        except (OSError, ValueError):
            return {}

    def feed(self, data: bytes) -> None:
        """Sends on the line from the receiver."""
        self._line.sendall(data)
        self._sent += data
        self.sent = len(self._sent)

    def was_sent(self) -> bytes:
        """All that was fed."""
        return bytes(self._sent)

    def shell(self, command: str, within_s: float = 120.0) -> str:
        """What a command prints, run by root in the box, on a shell that is there in this test alone."""
        self._shell.settimeout(5.0)
        asked = f"echo {SHELL_MARK}-'b'egin; {command} 2>&1; echo {SHELL_MARK}-'e'nd $?\n"
        self._shell.sendall(asked.encode())
        heard, until_s = "", time.monotonic() + within_s
        while f"{SHELL_MARK}-end" not in heard:
            if time.monotonic() > until_s:
                raise Failed(f"the shell did not answer {command!r} in {within_s:.0f} s; it said {heard[-500:]!r}")
            with contextlib.suppress(TimeoutError):
                heard += self._shell.recv(65536).decode(errors="replace")
        return heard.partition(f"{SHELL_MARK}-begin")[2].partition(f"{SHELL_MARK}-end")[0].replace("\r", "").strip()

    def put(self, path: str, words: str) -> None:
        """Writes a file in the box, over the shell, in pieces that a terminal takes."""
        packed = base64.b64encode(words.encode()).decode()
        self.shell(f": >{path}.packed")
        for start in range(0, len(packed), 1000):
            self.shell(f"printf %s {packed[start : start + 1000]} >>{path}.packed")
        self.shell(f"base64 -d {path}.packed >{path}")

    def plug_in(self, stick: Path) -> None:
        """A USB stick, to be read alone."""
        file = {"driver": "file", "filename": str(stick), "read-only": True}
        self._ask("blockdev-add", **{"driver": "raw", "node-name": "stick", "read-only": True, "file": file})
        self._ask("device_add", driver="usb-storage", id="plugged", drive="stick")

    def pull_out(self) -> None:
        """The stick that was plugged in."""
        self._ask("device_del", id="plugged")
        time.sleep(5.0)
        self._ask("blockdev-del", **{"node-name": "stick"})

    def cut(self) -> None:
        """Pulls the plug: no word of it to the box."""
        self.process.kill()
        self._cut_s = self._cut_s or time.monotonic()
        self.process.wait()
        self._line.close()
        self._shell.close()
        self._listening.join(10)
