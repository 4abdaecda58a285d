"""Where things lie on a box, and how its programs are called: the seam at which tests put a folder of their own."""

from __future__ import annotations

import contextlib
import json
import os
import platform
import secrets
import stat
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import IO, Any

Run = Callable[..., subprocess.CompletedProcess[str]]

LONG_S = 1800.0
"""A program that takes longer hangs. Our choice: a card in the smallest Pi takes some minutes for the longest."""
RELEASE = "release.json"
JSON_MOST_BYTES = 65536


def call(*words: str | Path, stdin: IO[bytes] | None = None) -> subprocess.CompletedProcess[str]:
    """Runs a program and gives what it said, whatever it thinks of it. TimeoutExpired after LONG_S."""
    return subprocess.run(
        [str(word) for word in words], stdin=stdin or subprocess.DEVNULL, capture_output=True, text=True,
        errors="replace", check=False, timeout=LONG_S,
    )  # fmt: skip


@dataclass(frozen=True)
class Box:
    """root: of the file tree. target: the Python and the machine that programs are made for here."""

    root: Path = Path("/")
    run: Run = call
    wait: Callable[[float], None] = time.sleep
    sync: Callable[[], None] = os.sync
    target: str = f"{sys.version_info.major}.{sys.version_info.minor}-{platform.machine()}"

    @property
    def programs(self) -> Path:
        """Slots a and b, and the link now to the one in use; on a card of ours a partition of its own."""
        return self.root / "opt/linelamp"

    @property
    def work(self) -> Path:
        """Beside the slots, for nobody else can write there, and there is room."""
        return self.programs / "work"

    @property
    def spool(self) -> Path:
        """Where the page lays its wishes. Anything may lie there."""
        return self.root / "var/lib/linelamp/update"

    @property
    def signers(self) -> Path:
        """Whose signatures are believed: the file of allowed signers of ssh-keygen(1)."""
        return self.root / "etc/linelamp/update-signers"

    @property
    def units(self) -> Path:
        """Our units as they were laid down."""
        return self.root / "usr/local/lib/systemd/system"

    @property
    def units_in_memory(self) -> Path:
        """What is added to them until the next start of the box."""
        return self.root / "run/systemd/system"

    def in_use(self) -> str:
        """The slot that the link names."""
        return str((self.programs / "now").readlink())

    def other(self) -> str:
        """The slot that is not in use."""
        return "a" if self.in_use() == "b" else "b"

    def release(self, slot: str) -> dict[str, Any]:
        """What lies in a slot: version, schema, made; {} where it is not whole."""
        with contextlib.suppress(OSError, ValueError):
            found = json.loads((self.programs / slot / RELEASE).read_bytes())
            if isinstance(found, dict):
                return found
        return {}

    @contextmanager
    def writable(self) -> Iterator[None]:
        """The programs' partition can be written meanwhile. Where they have none, they lie where all else lies."""
        own = self.root == Path("/") and self.programs.is_mount()
        if own:
            self._remount("rw")
        try:
            yield
        finally:
            self.sync()
            if own:
                self._remount("ro")

    def _remount(self, how: str) -> None:
        done = self.run("mount", "-o", f"remount,{how}", self.programs)
        if done.returncode:
            print(f"{self.programs} cannot be mounted {how}: {done.stderr.strip()}", file=sys.stderr)

    @contextmanager
    def open_spool(self) -> Iterator[int]:
        """The spool itself, never what a link there leads to: its owner could plant one."""
        folder = os.open(self.spool, os.O_RDONLY | os.O_DIRECTORY | os.O_NOFOLLOW)
        try:
            yield folder
        finally:
            os.close(folder)


def put(folder: int, name: str, told: dict[str, object]) -> None:
    """Lays a JSON file into an opened folder, whole or not at all, whatever lies there under that name."""
    made = f".{secrets.token_hex(8)}"
    flags = os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_NOFOLLOW
    with os.fdopen(os.open(made, flags, 0o644, dir_fd=folder), "wb") as file:
        os.fchmod(file.fileno(), 0o644)
        file.write(json.dumps(told, ensure_ascii=False).encode())
        file.flush()
        os.fsync(file.fileno())
    os.replace(made, name, src_dir_fd=folder, dst_dir_fd=folder)


def get(folder: int, name: str) -> dict[str, Any]:
    """A JSON file of an opened folder; {} where there is none, or it is no plain file, or makes no sense."""
    with contextlib.suppress(OSError, ValueError, RecursionError):
        file = os.open(name, os.O_RDONLY | os.O_NOFOLLOW | os.O_NONBLOCK | os.O_NOCTTY, dir_fd=folder)
        try:
            found = json.loads(os.read(file, JSON_MOST_BYTES)) if stat.S_ISREG(os.fstat(file).st_mode) else {}
        finally:
            os.close(file)
        if isinstance(found, dict):
            return found
    return {}
