"""Faults of how the receiver is set up, and of its port: what it sends of what it knows, and when."""

from __future__ import annotations

from .fault import Change, Dose, Fault, dice_of
from .receiver import Burst
from .said import Said, blank_decimals, pad_position, replaced, rewritten, shorten_position


def _decimals(dose: Dose) -> Change:
    return rewritten(lambda said: shorten_position(said, int(dose.intensity)))


def _long(dose: Dose) -> Change:
    return rewritten(lambda said: pad_position(said, int(dose.intensity)))


def _talker(dose: Dose) -> Change:
    def edit(said: Said) -> None:
        said.talker = dose.what

    return rewritten(edit)


def _no_checksum(_: Dose) -> Change:
    return replaced(lambda said: said.sealed().partition(b"*")[0] + b"\r\n")


def _message_off(dose: Dose) -> Change:
    return replaced(lambda said: b"" if said.message == dose.what else said.sealed())


def _slow(dose: Dose) -> Change:
    """Keeps the first of each so many bursts of a type; a message of many sentences stays or goes as one."""
    heard: dict[str, int] = {}

    def change(burst: Burst) -> Burst:
        present: set[str] = set()

        def make(said: Said) -> bytes:
            if dose.what not in ("", said.message):
                return said.sealed()
            if said.message not in present:
                present.add(said.message)
                heard[said.message] = heard.get(said.message, -1) + 1
            return b"" if heard[said.message] % int(dose.intensity) else said.sealed()

        return replaced(make)(burst)

    return change


def _jitter(dose: Dose) -> Change:
    def change(burst: Burst) -> Burst:
        return Burst(burst.due_s + dice_of("jitter", dose, burst).uniform(0, dose.intensity), burst.data)

    return change


def _padded(dose: Dose) -> Change:
    return rewritten(lambda said: blank_decimals(said, int(dose.intensity)))


def _late(dose: Dose) -> Change:
    return lambda burst: Burst(burst.due_s + dose.intensity, burst.data)


PORT: dict[str, Fault] = {
    "decimals": Fault("the position has fewer decimals", "decimals of a minute", 4, _decimals),
    "decimals-padded": Fault("the last decimals are always zero", "decimals of a minute that are zero", 3, _padded),
    "long": Fault("sentences with a position grow longer", "characters, all in", 100, _long),
    "talker": Fault("another talker is set", "", 1, _talker, what="GP"),
    "no-checksum": Fault("sentences come without checksum", "", 1, _no_checksum),
    "message-off": Fault("one message is no longer sent", "", 1, _message_off, what="VTG"),
    "slow": Fault("only one sentence in so many is sent", "one in", 2, _slow),
    "jitter": Fault("bursts come late by chance", "s at most", 0.15, _jitter),
    "late": Fault("bursts come late, all by as much", "s", 0.6, _late),
}
