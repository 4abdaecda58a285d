"""A USB stick with an update on it: what it holds is laid into the spool, where it is treated like the page's."""

from __future__ import annotations

import os
import secrets
import stat
import sys
from pathlib import Path

from updating.box import Box
from updating.bundle import MOST_BYTES

NAME = "bundle-from-stick"
FILE = "linelamp.bundle"
"""In the stick's uppermost folder."""
_PIECE = 1 << 20


def lay_down(box: Box, device: Path) -> int:
    """Mounts the stick where only this process sees it, to be read alone; 0 also where it holds no update."""
    place = box.root / "run/linelamp-stick"
    done = box.run("mount", "-o", "ro,nosuid,nodev,noexec", device, place)
    if done.returncode:
        print(f"{device} cannot be mounted: {done.stderr.strip()}", file=sys.stderr)
        return 1
    try:
        file = place / FILE
        if file.is_file():
            print(f"{device} holds {FILE}")
            copy(box, file)
    finally:
        box.run("umount", place)
    return 0


def copy(box: Box, file: Path) -> None:
    """Into the spool, under its name only once it is whole. One byte too many is enough to be refused there."""
    made = f"incoming-{secrets.token_hex(8)}"
    flags = os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_NOFOLLOW
    with box.open_spool() as spool, file.open("rb") as source:
        if not stat.S_ISREG(os.fstat(source.fileno()).st_mode):
            return
        try:
            with os.fdopen(os.open(made, flags, 0o600, dir_fd=spool), "wb") as target:
                while target.tell() <= MOST_BYTES and (piece := source.read(_PIECE)):
                    target.write(piece)
                target.flush()
                os.fsync(target.fileno())
            os.rename(made, NAME, src_dir_fd=spool, dst_dir_fd=spool)
        except OSError:
            os.unlink(made, dir_fd=spool)
            raise
