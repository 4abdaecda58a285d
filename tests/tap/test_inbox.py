"""The bounded queue from the readers to the core."""

from __future__ import annotations

import threading
import time

from appliance.line.port import PortState
from appliance.sentence.chunk import Chunk
from appliance.tap.inbox import Inbox

CHUNK = Chunk(b"12345", 1, 1)


def test_what_is_put_is_taken_in_order() -> None:
    inbox = Inbox()
    state = PortState("from-receiver", 1, "open", "")
    inbox.put("from-receiver", CHUNK)
    inbox.put("from-receiver", state)
    assert inbox.take(0) == ("from-receiver", CHUNK)
    assert inbox.take(1.0) == ("from-receiver", state)
    assert inbox.take(0) is None
    assert inbox.dropped == 0


def test_taking_waits_no_longer_than_asked() -> None:
    begun = time.monotonic()
    assert Inbox().take(0.02) is None
    assert 0.02 <= time.monotonic() - begun < 1.0


def test_what_does_not_fit_is_dropped_at_once_and_counted_in_bytes() -> None:
    inbox = Inbox(most=2)
    for _ in range(5):
        inbox.put("from-receiver", CHUNK)
    assert inbox.dropped == 15
    inbox.take(0)
    inbox.put("from-receiver", CHUNK)
    assert inbox.dropped == 15


def test_the_state_of_a_port_takes_the_place_of_the_oldest_bytes() -> None:
    inbox = Inbox(most=2)
    state = PortState("from-receiver", 1, "lost", "gone")
    for _ in range(2):
        inbox.put("from-receiver", CHUNK)
    inbox.put("from-receiver", state)
    assert inbox.dropped == 5
    assert [inbox.take(0), inbox.take(0)] == [("from-receiver", CHUNK), ("from-receiver", state)]


def test_many_readers_lose_and_count_nothing_wrongly() -> None:
    inbox = Inbox(most=1000)

    def read() -> None:
        for _ in range(700):
            inbox.put("from-receiver", CHUNK)

    readers = [threading.Thread(target=read) for _ in range(4)]
    for reader in readers:
        reader.start()
    for reader in readers:
        reader.join()
    taken = 0
    while inbox.take(0) is not None:
        taken += 1
    assert taken == 1000
    assert inbox.dropped == (4 * 700 - 1000) * 5
