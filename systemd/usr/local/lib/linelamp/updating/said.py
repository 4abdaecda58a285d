"""What is said of an update: one sentence for each case, with what to do where there is something to do."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import UTC, datetime

SAYS = {
    # key: (state, sentence)
    "checking": ("checking", "The update is being checked."),
    "unpacking": ("unpacking", "Version {version} is genuine and is being unpacked. The box goes on listening."),
    "trying": (
        "trying",
        "Version {version} is tried for a minute. Listening begins anew, and this page may be away for some seconds.",
    ),
    "done": ("done", "Version {version} runs. Version {before} stays on the box as the version before."),
    "already": ("done", "Version {version} runs already. Nothing was changed."),
    "off": (
        "refused",
        "Updates are off: this box was set up without a key to check them by. Put in a new card, or install anew "
        "with a key.",
    ),
    "no-file": ("refused", "What was sent is not a file. Nothing was changed."),
    "too-large": ("refused", "The file holds more than {most_mb} MB, so it is no update of this box. Send another."),
    "no-bundle": (
        "refused",
        "The file is no update of linelamp, or its beginning is missing. Send the whole file, as it was given to you.",
    ),
    "signature": (
        "refused",
        "The update is not signed by anybody whom this box believes, or it was changed on its way. Nothing of it was "
        "used. Fetch it anew from where it comes.",
    ),
    "strange": (
        "refused",
        "The update is signed, but makes no sense to this box: {what}. It may be meant for a newer card.",
    ),
    "other-python": (
        "refused",
        "The update is made for {wanted}, and this box has {has}. Ask for one made for it, or put in a new card.",
    ),
    "older": (
        "refused",
        "The update, version {version}, is older than version {now}, which runs. "
        'To go back, choose "the version before".',
    ),
    "no-before": ("refused", "No version before lies on this box."),
    "tried-before": (
        "refused",
        "Version {version} on this stick was tried before and did not run. Take the stick out; use a newer update.",
    ),
    "trouble": ("refused", "The box could not do it: {what}. The version that ran goes on."),
    "self-test": (
        "refused",
        "Version {version} failed its own test and was not started: {what}. The version that ran goes on.",
    ),
    "broken-off": (
        "refused",
        "The update was broken off, by a cut of the power or a stop of the box. The version that ran goes on; send "
        "the update again.",
    ),
    "fell-back": ("fell-back", "Version {version} did not run as it must: {what}. Version {before} runs again."),
}
ENDS = ("done", "refused", "fell-back")
WHAT_MOST = 300


class Refused(Exception):
    """It cannot be done. key: of SAYS."""

    def __init__(self, key: str, **values: str) -> None:
        super().__init__(key)
        self.key, self.values = key, values


def named(release: Mapping[str, object]) -> str:
    """Version and date: two may have the same number."""
    return f"{release.get('version', 'unknown')} of {str(release.get('made', ''))[:10] or 'an unknown day'}"


def answer(key: str, version: str = "", **values: str) -> dict[str, object]:
    """What is laid down for the page: state, sentence, template and values, version, time by the box's clock.

    version: as named() tells it.
    """
    state, sentence = SAYS[key]
    told = {name: value[:WHAT_MOST] for name, value in {"version": version, **values}.items()}
    return {
        "state": state, "says": sentence.format(**told), "key": key, "values": told,
        "version": version.partition(" ")[0],
        "utc": datetime.now(UTC).isoformat(timespec="seconds"),
    }  # fmt: skip
