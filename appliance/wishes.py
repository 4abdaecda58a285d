"""What the page asks of the box as a whole: another program, another Wi-Fi. The page has the right to do neither.

It lays a wish, a file, into a folder of its own beside the history. A unit with root's rights is woken by that file,
takes it away, believes nothing of it that it has not checked, and writes its answer beside it.

    update/bundle          a signed bundle (image-build/bundle), at most BUNDLE_MOST_BYTES
    update/version-before  empty: the version before is to run again
    wifi/wanted            JSON: name, country, channel, passphrase
    */answer.json          the newest answer, see Answer
"""

from __future__ import annotations

import json
import os
import secrets
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, BinaryIO

UPDATE_FOLDER, WIFI_FOLDER = "update", "wifi"
"""Beside the history; a folder that is not there: this box cannot do it."""
BUNDLE, VERSION_BEFORE, WANTED, ANSWER = "bundle", "version-before", "wanted", "answer.json"
INCOMING = "incoming-"
BUNDLE_MOST_BYTES = 64 * 1024 * 1024
"""Our choice: three times what a bundle holds."""
ANSWER_MOST_BYTES = 4096

SIGNERS = Path("/etc/linelamp/update-signers")
"""Whose signatures are believed; where it is missing, updates are off."""
PROGRAMS = Path("/opt/linelamp")
RELEASE = "release.json"
WIFI_NOW = Path("/run/linelamp-settings/wifi.json")
"""JSON: on, name, country, channel. Only on a card of ours."""

STATES = ("checking", "unpacking", "trying", "changing", "done", "refused", "fell-back")
"""changing: of the Wi-Fi, until a phone has joined. The last three are ends."""
ENDS = STATES[-3:]


@dataclass(frozen=True, slots=True)
class Answer:
    """state: one of STATES. says: one English sentence, made of the template named key and its values.

    version: of the bundle, "" while that is not known and of a Wi-Fi. utc: by the box's own clock, ISO 8601.
    """

    state: str
    says: str
    key: str = ""
    values: dict[str, str] = field(default_factory=dict)
    version: str = ""
    utc: str = ""


@dataclass(frozen=True, slots=True)
class Release:
    """A version of the program as it lies on the box. made: ISO 8601, of the newest change in it."""

    version: str
    schema: int
    made: str


@contextmanager
def laying(folder: Path, name: str) -> Iterator[BinaryIO]:
    """A file to write the wish into. It counts only once it is whole: where anything is raised, nothing was asked.

    OSError: the folder is missing, or the card does not take it.
    """
    incoming = folder / f"{INCOMING}{secrets.token_hex(8)}"
    try:
        with os.fdopen(os.open(incoming, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600), "wb") as file:
            yield file
            file.flush()
            os.fsync(file.fileno())
        incoming.rename(folder / name)
    finally:
        incoming.unlink(missing_ok=True)


def clear_incoming(folder: Path) -> None:
    """At a start: what was left by an upload that a power cut ended."""
    for left in folder.glob(f"{INCOMING}*"):
        left.unlink(missing_ok=True)


def waits(folder: Path, name: str) -> bool:
    """Whether a wish lies there that nobody has taken yet."""
    return (folder / name).exists()


def answer(folder: Path) -> Answer | None:
    """The newest answer; None if there is none, or it makes no sense."""
    found = _object(folder / ANSWER)
    values = found.get("values", {})
    words = [found.get(name, "") for name in ("state", "says", "key", "version", "utc")]
    if not all(isinstance(word, str) for word in words) or words[0] not in STATES or not isinstance(values, dict):
        return None
    state, says, key, version, utc = words
    return Answer(state, says, key, {str(name): str(value) for name, value in values.items()}, version, utc)


def release(slot: str, programs: Path = PROGRAMS) -> Release | None:
    """What lies in a slot: "now" for the one in use, "a" or "b"."""
    found = _object(programs / slot / RELEASE)
    version, schema, made = (found.get(name) for name in ("version", "schema", "made"))
    if not isinstance(version, str) or not isinstance(schema, int) or not isinstance(made, str):
        return None
    return Release(version, schema, made)


def version_before(programs: Path = PROGRAMS) -> Release | None:
    """The version that can be gone back to."""
    try:
        other = {"a": "b", "b": "a"}[str((programs / "now").readlink())]
    except (OSError, KeyError):
        return None
    return release(other, programs)


def wifi_now(path: Path = WIFI_NOW) -> dict[str, Any] | None:
    """The Wi-Fi as it is set up, without its passphrase; None where this box has none of its own to change."""
    return _object(path) or None


def _object(path: Path) -> dict[str, Any]:
    try:
        with path.open("rb") as file:
            found = json.loads(file.read(ANSWER_MOST_BYTES))
    except (OSError, ValueError, RecursionError):
        return {}
    return found if isinstance(found, dict) else {}
