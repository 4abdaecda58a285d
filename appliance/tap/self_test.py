"""The box tries itself: lamps, ports, and whether the card takes what is written. Nothing is sent on any line."""

from __future__ import annotations

import os
import threading
import time
from pathlib import Path
from typing import Any

from appliance.tap.core import Core
from appliance.tap.keeper import Keeper

TRIED_BYTES = 64 * 1024
"""As much as a commit of a busy minute. Our choice."""
CARD_MOST_S = 1.5
"""A card that takes longer is told as one that does not answer; a sound one takes some 10 ms. Our choice."""
NAME = "self-test.tmp"


def self_test(core: Core, keeper: Keeper) -> list[dict[str, Any]]:
    """Rows of what was tried: `what`, `ok` (null: only an eye can tell) and `says`."""
    rows = [{"what": "Lamps", **_lamps(core)}]
    rows += [{"what": f"Port {path}", "ok": not trouble, "says": trouble or "It is open and listens."}
             for path, trouble in core.ports()]  # fmt: skip
    return [*rows, {"what": "Card", **_card(keeper)}]


def _lamps(core: Core) -> dict[str, Any]:
    trouble = core.test_lamps()
    if trouble:
        return {"ok": False, "says": trouble}
    return {"ok": None, "says": "Both are lit for a second: look whether green and red are."}


def _card(keeper: Keeper) -> dict[str, Any]:
    """In the keeper's thread, which may wait for a card that hangs."""
    done = threading.Event()
    told: list[tuple[bool, str]] = []

    def tell(ok: bool, says: str) -> None:
        told.append((ok, says))
        done.set()

    keeper.try_card(lambda folder: tell(*try_card(folder)))
    if not done.wait(CARD_MOST_S):
        return {"ok": False, "says": f"It did not answer within {CARD_MOST_S:g} s."}
    return {"ok": told[0][0], "says": told[0][1]}


def try_card(folder: Path) -> tuple[bool, str]:
    """Writes, reads back and deletes a file in folder. Whether that went well, and in words."""
    data, path, began_s = os.urandom(TRIED_BYTES), folder / NAME, time.monotonic()
    try:
        with path.open("wb") as file:
            file.write(data)
            file.flush()
            os.fsync(file.fileno())
        came_back = path.read_bytes()
        path.unlink()
    except OSError as trouble:
        return False, f"It could not be written: {trouble.strerror or trouble}."
    if came_back != data:
        return False, "It gave back other bytes than were written. Change the card."
    return True, f"{TRIED_BYTES // 1024} kB were written and read back in {(time.monotonic() - began_s) * 1000:.0f} ms."
