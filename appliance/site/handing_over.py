"""What the page may not do itself, and hands over to the unit that may: another Wi-Fi, another version (see wishes).

The page looks into nothing that it hands over and trusts nothing of it. Where nobody would answer, nothing is offered.
"""

from __future__ import annotations

import json
import os
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from appliance import wishes
from appliance.wishes import Answer, Release

STATE_WORDS = {
    "checking": "being checked",
    "unpacking": "being unpacked",
    "trying": "being tried",
    "changing": "changed, until a phone has joined",
    "done": "done",
    "refused": "refused",
    "fell-back": "taken back",
}
"""Of an update and of the Wi-Fi, as the page tells them."""


def under_way(answer: Answer | None) -> bool:
    return answer is not None and answer.state not in wishes.ENDS


class Unit:
    """The unit, by the files that it takes its orders from and answers in. They may come and go at any time."""

    def __init__(
        self,
        history: Path,
        *,
        signers: Path = wishes.SIGNERS,
        wifi_now: Path = wishes.WIFI_NOW,
        programs: Path = wishes.PROGRAMS,
    ) -> None:
        self.update_folder = history.parent / wishes.UPDATE_FOLDER
        self.wifi_folder = history.parent / wishes.WIFI_FOLDER
        self._signers, self._wifi_now, self._programs = signers, wifi_now, programs

    @property
    def takes_updates(self) -> bool:
        return _there(self.update_folder) and _there(self._signers)

    @property
    def update_waits(self) -> bool:
        """Whether something lies there that the unit has not taken up yet."""
        return any(_there(self.update_folder / name) for name in (wishes.BUNDLE, wishes.VERSION_BEFORE))

    @property
    def wifi_now(self) -> dict[str, Any] | None:
        """As it is set up; None where it cannot be changed."""
        return wishes.wifi_now(self._wifi_now) if _there(self.wifi_folder) else None

    @property
    def version_before(self) -> Release | None:
        return wishes.version_before(self._programs) if self.takes_updates else None

    def update_answer(self) -> Answer | None:
        return wishes.answer(self.update_folder)

    def wifi_answer(self) -> Answer | None:
        return wishes.answer(self.wifi_folder)

    def want_version_before(self) -> None:
        """Raises OSError."""
        with wishes.laying(self.update_folder, wishes.VERSION_BEFORE):
            pass

    def want_wifi(self, wished: Mapping[str, str | int]) -> None:
        """Raises OSError."""
        with wishes.laying(self.wifi_folder, wishes.WANTED) as file:
            file.write(json.dumps(wished).encode())


def _there(path: Path) -> bool:
    return os.path.exists(path)  # noqa: PTH110  # unlike pathlib's, says no where it may not look
