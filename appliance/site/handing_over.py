"""What the page may not do itself is handed over to the box's own unit, which may: another Wi-Fi, another version.

The page only lays down what was wished for, beside the history, and reads what came of it. It looks into nothing and
trusts nothing: whether an update is one of ours, the unit finds out before it unpacks anything. Where its folder is
not there, nobody would answer, and nothing is offered.
"""

from __future__ import annotations

import json
import os
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

from appliance.site.words import from_iso

FOLDER = "update"
BUNDLE = "bundle"
WIFI_WANTED = "wifi-wanted.json"
ANSWER, WIFI_ANSWER = "answer.json", "wifi-answer.json"
STATE_WORDS = {
    "checking": "being checked",
    "unpacking": "being unpacked",
    "trying": "being tried",
    "done": "done",
    "refused": "refused",
    "fell-back": "taken back",
}
"""Of an update and of the Wi-Fi, as the page tells them."""
UNDER_WAY = ("checking", "unpacking", "trying")
ANSWER_MOST_BYTES = 16 * 1024
SAYS_MOST_CHARACTERS = 500


@dataclass(slots=True, frozen=True)
class Answer:
    """What came of the last wish. state: of STATE_WORDS; version: "" where none is told; at: None where it is not."""

    state: str
    says: str
    version: str
    at: datetime | None

    @property
    def words(self) -> str:
        return STATE_WORDS[self.state]

    @property
    def under_way(self) -> bool:
        return self.state in UNDER_WAY


class Unit:
    """The unit, by the files beside the history that it takes its orders from. They may come and go at any time."""

    def __init__(self, history: Path) -> None:
        self.folder = history.parent / FOLDER
        self._wanted = history.parent / WIFI_WANTED
        self._wifi_answer = history.parent / WIFI_ANSWER

    @property
    def there(self) -> bool:
        """Whether this installation has such a unit."""
        return os.path.isdir(self.folder)  # noqa: PTH112  # unlike pathlib's, says no where it may not look

    @property
    def bundle_waits(self) -> bool:
        """Whether an update lies there that nobody has taken up yet."""
        return os.path.exists(self.folder / BUNDLE)  # noqa: PTH110

    def update_answer(self) -> Answer | None:
        return _read(self.folder / ANSWER)

    def wifi_answer(self) -> Answer | None:
        return _read(self._wifi_answer)

    def want_wifi(self, wished: Mapping[str, str | int]) -> None:
        """Whole or not at all, for nobody else to read. Raises OSError."""
        fresh = self._wanted.with_name(WIFI_WANTED + ".new")
        fresh.unlink(missing_ok=True)  # whoever made it had other rights in mind
        with os.fdopen(os.open(fresh, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600), "wb") as file:
            file.write(json.dumps(wished, ensure_ascii=False).encode())
            file.flush()
            os.fsync(file.fileno())
        fresh.replace(self._wanted)


def _read(path: Path) -> Answer | None:
    """None where there is none, or nothing that can be read."""
    try:
        with path.open("rb") as file:
            told = json.loads(file.read(ANSWER_MOST_BYTES))
    except (OSError, ValueError):
        return None
    if not isinstance(told, dict) or (state := _text(told, "state")) not in STATE_WORDS:
        return None
    return Answer(state, _text(told, "says"), _text(told, "version"), from_iso(_text(told, "utc")))


def _text(told: dict[str, Any], name: str) -> str:
    value = told.get(name)
    return value[:SAYS_MOST_CHARACTERS] if isinstance(value, str) else ""
