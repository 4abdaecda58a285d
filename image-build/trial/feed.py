"""A healthy receiver on the box's line, at the line's pace."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable

from appliance.simulate.drive import Drive
from appliance.simulate.receiver import Receiver, ReceiverSettings

SEED = 2026


class Feed:
    """Sends in a thread of its own, till it is stopped; `without` leaves types of sentences out."""

    def __init__(self, send: Callable[[bytes], None]) -> None:
        self.without: set[bytes] = set()
        self._send = send
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run, daemon=True)
        self._thread.start()

    def _run(self) -> None:
        receiver = Receiver(ReceiverSettings(), Drive(SEED), SEED)
        start_s = time.monotonic()
        for burst in receiver.epochs(0.0, 36_000.0):
            if self._stop.wait(max(0.0, start_s + burst.due_s - time.monotonic())):
                return
            rows = burst.data.splitlines(keepends=True)
            data = b"".join(row for row in rows if row[3:6] not in self.without)
            if data:
                self._send(data)

    def stop(self) -> None:
        """Ends it; the line is silent from here on."""
        self._stop.set()
        self._thread.join(10)
