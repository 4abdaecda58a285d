"""Tells systemd that a daemon is ready, alive or stopping: sd_notify(3), one datagram to the socket in NOTIFY_SOCKET.

Without systemd nothing is sent. A word that cannot be told is no reason to stop: systemd then misses it, and acts.
"""

from __future__ import annotations

import contextlib
import os
import socket

READY = "READY=1"
ALIVE = "WATCHDOG=1"
STOPPING = "STOPPING=1"


def tell(state: str) -> bool:
    """Tells one of the states above; whether somebody was there to be told."""
    path = os.environ.get("NOTIFY_SOCKET", "")
    if not path:
        return False
    if path.startswith("@"):  # a name in the abstract space, not a file
        path = "\0" + path[1:]
    with contextlib.suppress(OSError), socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as one:
        one.setblocking(False)  # a pulse must never hold up what it is the pulse of
        one.sendto(state.encode(), path)
        return True
    return False


class Pulse:
    """Ready once, then alive at each beat, then stopping. Never alive again after it was told to stop."""

    def __init__(self) -> None:
        self._ready = self._stopped = False

    def beat(self) -> None:
        """Call it each time all that must be alive has been found alive."""
        if self._stopped:
            return
        if not self._ready:
            self._ready = tell(READY)
        tell(ALIVE)

    def stop(self) -> None:
        """Call it when the end begins; the watchdog is not fed from then on, so an end that hangs is cut short."""
        if not self._stopped:
            self._stopped = True
            tell(STOPPING)
