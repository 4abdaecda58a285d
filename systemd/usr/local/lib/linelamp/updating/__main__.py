"""Does what lies in the spool: an update, or the version before. Other words do less:

    update --tidy          ends what was broken off, after every end of a run, also one by a kill
    update --stick DEVICE  lays the bundle of a USB stick into the spool

Started by linelamp-update.path when something lies there, and at each start of the box.
"""

from __future__ import annotations

import shutil
import subprocess
import sys
from pathlib import Path

from updating import bundle, slots, stick, trial
from updating.box import Box, get, put
from updating.said import ENDS, Refused, answer, named

BUNDLES = ("bundle", stick.NAME)
VERSION_BEFORE, ANSWER = "version-before", "answer.json"
CANNOT_TAKE_AWAY_S = 60.0
"""Before it is tried again, where the card takes no change: what lies there would wake us at once."""


def tell(box: Box, key: str, version: str = "", **values: str) -> None:
    """The page's answer, and a row of the log."""
    told = answer(key, version, **values)
    print(told["says"], flush=True)
    try:
        with box.open_spool() as spool:
            put(spool, ANSWER, told)
    except OSError as trouble:
        print(f"The answer cannot be laid down: {trouble}", file=sys.stderr)


def tidy(box: Box) -> None:
    """Ends what was broken off: its trial, its leavings, its answer."""
    broken_off = trial.over(box, restart=True)
    if box.work.exists():
        broken_off = True
        with box.writable():
            shutil.rmtree(box.work, ignore_errors=True)
    try:
        with box.open_spool() as spool:
            broken_off |= get(spool, ANSWER).get("state", "done") not in ENDS
    except OSError:
        return  # there is nobody to tell
    if broken_off:
        tell(box, "broken-off")


def update(box: Box, name: str) -> None:
    """One bundle, from the spool to the version in use."""
    tell(box, "checking")
    version = ""
    try:
        if not box.signers.is_file():
            with box.open_spool() as spool:
                bundle.away(spool, name)
            raise Refused("off")
        with box.writable():
            try:
                box.work.mkdir(mode=0o700)
                found = bundle.read(bundle.verified(box, bundle.take(box, name)), box.target)
                version = named({"version": found.version, "made": found.made})
                slots.refuse_older(box, found, from_stick=name == stick.NAME)
                tell(box, "unpacking", version)
                slot = slots.lay(box, found)
            finally:
                shutil.rmtree(box.work, ignore_errors=True)
        try_out(box, slot)
    except Refused as refused:
        tell(box, refused.key, version, **refused.values)


def version_before(box: Box) -> None:
    """Back to the slot not in use, by the same trial."""
    with box.open_spool() as spool:
        bundle.away(spool, VERSION_BEFORE)
    if box.release(box.other()):
        try_out(box, box.other())
    else:
        tell(box, "no-before")


def try_out(box: Box, slot: str) -> None:
    """The trial of a slot, and what follows from it."""
    comes = box.release(slot)
    version, before = named(comes), named(box.release("now"))
    tell(box, "trying", version)
    wrong = trial.run(box, slot)
    with box.writable():
        if wrong:
            slots.give_up(box, slot)
        else:
            slots.switch(box, slot)
    trial.over(box, restart=bool(wrong))
    tell(box, "fell-back" if wrong else "done", version, before=before, what=wrong)


def lie(box: Box) -> set[str]:
    """What was asked for and not taken yet."""
    with box.open_spool() as spool:
        return bundle.names(spool) & {*BUNDLES, VERSION_BEFORE}


def main(box: Box, words: list[str]) -> int:
    """Whatever is wrong is told to the page; 1 where the box itself could not do its part."""
    if words[:1] == ["--stick"]:
        return stick.lay_down(box, Path(words[1]))
    tidy(box)
    if "--tidy" in words:
        return 0
    try:
        asked = lie(box)
        for name in BUNDLES:
            if name in asked:
                update(box, name)
        if VERSION_BEFORE in asked:
            version_before(box)
        if asked & lie(box):
            box.wait(CANNOT_TAKE_AWAY_S)
    except (OSError, subprocess.SubprocessError) as trouble:
        trial.over(box, restart=True)
        tell(box, "trouble", what=str(trouble))
        box.wait(CANNOT_TAKE_AWAY_S)
        return 1
    return 0
