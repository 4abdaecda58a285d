"""What every test stands on: it must leave nothing behind; where the recordings are; how hard the properties are tried.

A test that leaves a thread, a file descriptor, an SQLite connection or a gpiozero pin fails, even if all it asserted
was right: the box runs for months. Tests marked `browser` are let off, since the browser's driver keeps its own.
"""

from __future__ import annotations

import gc
import os
import sqlite3
import sys
import threading
import weakref
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import gpiozero
import hypothesis
import pytest
from gpiozero.pins import Factory

pytest_plugins = ["pytester"]

RECORDINGS_VARIABLE = "LINELAMP_RECORDINGS"
THREAD_GRACE_S = 2.0
"""How long a thread that has been told to end may take to end."""

hypothesis.settings.register_profile("default", max_examples=60, deadline=None)
hypothesis.settings.register_profile(
    "ci",
    max_examples=10_000,
    deadline=None,
    derandomize=True,
    database=None,
    suppress_health_check=[hypothesis.HealthCheck.too_slow],
)
hypothesis.settings.load_profile(os.environ.get("HYPOTHESIS_PROFILE", "default"))
CI_TIMEOUT_S = 1200
HERE = Path(__file__).parent
PURE = [HERE / name for name in ("sentence", "measure", "judge", "simulate", "test_watch.py")]
"""The tests of the pure core: what must be covered is covered by these, as far as they are quick."""


@pytest.hookimpl(tryfirst=True)
def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Marks what coverage is counted over. Ten thousand examples take longer than a test is otherwise given."""
    for item in items:
        if any(item.path.is_relative_to(room) for room in PURE) and not item.get_closest_marker("slow"):
            item.add_marker(pytest.mark.counted)
    if hypothesis.settings.get_current_profile_name() == "ci":
        for item in items:
            item.add_marker(pytest.mark.timeout(CI_TIMEOUT_S))


@pytest.fixture(scope="session")
def recordings() -> Path:
    """The folder of real recordings, which are not part of the project."""
    folder = os.environ.get(RECORDINGS_VARIABLE)
    if not folder:
        pytest.skip(f"no recordings: {RECORDINGS_VARIABLE} does not name their folder")
    if not Path(folder).is_dir():
        pytest.fail(f"{RECORDINGS_VARIABLE} names {folder}, which is no folder")
    return Path(folder)


class Watchers:
    """Sees each SQLite connection that is opened and each gpiozero device that takes a pin.

    Both through the libraries' own doors: sqlite3's audit event, and the pin factory's book of reservations.
    """

    def __init__(self) -> None:
        self.connections: list[sqlite3.Connection] = []
        self.devices: list[weakref.ref[Any]] = []
        self._reserve = Factory.reserve_pins
        sys.addaudithook(self._audit)
        watchers = self

        def reserve_pins(factory: Any, requester: Any, *names: Any) -> None:
            watchers._reserve(factory, requester, *names)
            watchers.devices.append(weakref.ref(requester))

        Factory.reserve_pins = reserve_pins

    def _audit(self, event: str, arguments: tuple[Any, ...]) -> None:
        if event == "sqlite3.connect/handle":
            self.connections.append(arguments[0])

    def open_connections(self, since: int) -> list[sqlite3.Connection]:
        """Those opened since and not closed; forgets them, so that one leak fails one test."""
        found = [connection for connection in self.connections[since:] if not _is_closed(connection)]
        del self.connections[since:]
        return found

    def open_devices(self, since: int) -> list[str]:
        """Those that took a pin since and hold it still; forgets them."""
        found = _not_closed(self.devices[since:])
        if found:
            gc.collect()  # a device whose making failed half-way is held by the traceback alone
            found = _not_closed(self.devices[since:])
        del self.devices[since:]
        return found


def _not_closed(references: list[weakref.ref[Any]]) -> list[str]:
    return [repr(device) for reference in references if (device := reference()) is not None and not device.closed]


def _is_closed(connection: sqlite3.Connection) -> bool:
    try:
        connection.in_transaction  # noqa: B018  (a closed one refuses)
        connection.total_changes  # noqa: B018
    except sqlite3.ProgrammingError:
        return True
    return False


_watchers = Watchers()


def _descriptors() -> dict[str, str]:
    """Open descriptors and what each is open on."""
    found = {}
    for number in os.listdir("/proc/self/fd"):  # noqa: PTH208  (a Path for each would be three times slower)
        try:
            found[number] = os.readlink(f"/proc/self/fd/{number}")  # noqa: PTH115
        except FileNotFoundError:  # the listing's own
            continue
    return found


def _threads_left(before: set[threading.Thread]) -> list[str]:
    left = [thread for thread in threading.enumerate() if thread not in before]
    for thread in left:
        thread.join(THREAD_GRACE_S)
    return [thread.name for thread in left if thread.is_alive()]


def _descriptors_left(before: dict[str, str]) -> list[str]:
    after = _descriptors()
    if len(after) <= len(before):
        return []
    gc.collect()  # what a cycle of a failed call still holds is not the test's doing
    after = _descriptors()
    if len(after) <= len(before):
        return []
    return [f"{number} -> {target}" for number, target in after.items() if before.get(number) != target]


@pytest.fixture(autouse=True)
def nothing_left_behind(request: pytest.FixtureRequest) -> Iterator[None]:
    """Fails a test that leaves something open."""
    if request.node.get_closest_marker("browser"):
        yield
        return
    threads, descriptors = set(threading.enumerate()), _descriptors()
    connections, devices = len(_watchers.connections), len(_watchers.devices)
    yield
    left = {
        "threads running": _threads_left(threads),
        "SQLite connections open": [repr(one) for one in _watchers.open_connections(connections)],
        "gpiozero devices holding a pin": _watchers.open_devices(devices),
        "file descriptors open": _descriptors_left(descriptors),
        "a pin factory of gpiozero's own choosing": [repr(gpiozero.Device.pin_factory)]
        if gpiozero.Device.pin_factory is not None
        else [],
    }
    says = [f"{what}: {', '.join(which)}" for what, which in left.items() if which]
    if says:
        pytest.fail("the test left behind " + "; ".join(says), pytrace=False)
