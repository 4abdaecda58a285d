"""A bell on a thread that waits in poll: a pipe, rung from any thread and never blocking."""

from __future__ import annotations

import contextlib
import os
import threading


class Wake:
    """Closed until the waiting thread opens it. A ring while it is closed is lost, so look before you wait."""

    def __init__(self) -> None:
        # Guards the pipe's end. Re-entrant: a signal may ring while the bell is being rung.
        self._lock = threading.RLock()
        self._read = self._write = -1

    def open(self) -> None:
        """By the thread that waits."""
        with self._lock:
            self._read, self._write = os.pipe()
            os.set_blocking(self._read, False)
            os.set_blocking(self._write, False)

    def close(self) -> None:
        """By the thread that waits."""
        with self._lock:
            os.close(self._write)
            os.close(self._read)
            self._read = self._write = -1

    def fileno(self) -> int:
        """What to poll on."""
        return self._read

    def ring(self) -> None:
        """From any thread, at any time, any number of times. Nothing while it is closed."""
        with self._lock, contextlib.suppress(BlockingIOError):  # full: it has been rung often enough
            if self._write >= 0:
                os.write(self._write, b".")

    def silence(self) -> None:
        """By the thread that waits: forget the rings up to now; before it looks at what they were for."""
        with contextlib.suppress(BlockingIOError):
            while os.read(self._read, 4096):
                pass
