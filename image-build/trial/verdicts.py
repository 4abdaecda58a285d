"""Steps 1 and 2: the box says nothing on the line, and on lamps and page what is so."""

from __future__ import annotations

import contextlib
import time

from trial.feed import Feed
from trial.machine import Machine
from trial.report import Failed, Report, until

BOOT_MOST_S = 1500.0
SETTLE_MOST_S = 300.0
NO_GO_MOST_S = 2.0
DARK = (False, False)


def power_on(report: Report, machine: Machine, name: str, lamps: bool = True) -> None:
    """Lamps and page come up by themselves."""
    if lamps:
        with report.step(f"7 {name}: from power-on to a lamp, under emulation") as told:
            until(lambda: machine.lamps() != DARK, BOOT_MOST_S, "no lamp lit", 0.5)
            told.append(f"{machine.up_s():.0f} s")
    with report.step(f"7 {name}: from power-on to the page, under emulation") as told:
        until(lambda: _answers(machine), BOOT_MOST_S, "no page", 1.0)
        told.append(f"{machine.up_s():.0f} s")
    with report.step(f"2 {name}: a watch is kept") as told:
        until(lambda: machine.picture().get("watch", {}).get("id"), SETTLE_MOST_S, "no watch in the live picture", 1.0)
        told.append(f"watch {machine.picture()['watch']['id']}")


def _answers(machine: Machine) -> bool:
    try:
        return b"linelamp" in machine.get("/", 20)
    except OSError:
        return False


def verdicts(report: Report, machine: Machine) -> Feed:
    """Not go, go, no-go and go again, on the pins and on the page, in step with what is fed."""
    with report.step("2 before anything is fed the lamps do not say go") as told:
        seen = set()
        for _ in range(20):
            seen.add(machine.lamps())
            time.sleep(0.1)
        if not any(red for _, red in seen):
            raise Failed("red was not seen on a silent line")
        told.append(f"(green, red) seen: {sorted(seen)}, the page says {machine.picture()['verdict']['state']}")
    feed = Feed(machine.feed)
    with report.step("2 a healthy receiver brings go") as told:
        told.append(f"{until(lambda: _steady(machine), SETTLE_MOST_S, 'no steady green'):.1f} s after the first byte")
        until(lambda: machine.picture()["verdict"]["state"] == "go", 30, "the page does not say go")
        told.append("and the page says go")
    with report.step("2 a message that stops brings no-go within 2 s") as told:
        feed.without = {b"GGA"}
        took_s = until(lambda: machine.lamps() == (False, True), 30, "no red", 0.02)
        verdict = machine.picture()["verdict"]
        told.append(f"red {took_s:.2f} s after; the page says {verdict['state']}: {verdict['says']}")
        if verdict["state"] != "no-go" or "GGA" not in verdict["says"]:
            raise Failed(f"the page says otherwise: {verdict}")
        if took_s > NO_GO_MOST_S:
            raise Failed(f"red came only {took_s:.2f} s after")
    with report.step("2 and go again when it is back") as told:
        feed.without = set()
        told.append(f"{until(lambda: _steady(machine), SETTLE_MOST_S, 'no steady green'):.1f} s after")
    return feed


def _steady(machine: Machine) -> bool:
    """Green and no red, seen ten times over 1.5 s: every other pattern shows red or dark within that."""
    for _ in range(10):
        if machine.lamps() != (True, False):
            return False
        time.sleep(0.15)
    return True


def log_taken_away(report: Report, machine: Machine) -> None:
    """What was sent is what is kept, to the byte. The line must be silent by now."""
    with report.step("2 the log taken away is what was sent, byte for byte") as told:
        sent, got = machine.was_sent(), b""

        def whole() -> bool:
            nonlocal got
            got = machine.get("/take/raw?span=whole", 300)
            return len(got) >= len(sent)

        with contextlib.suppress(Failed):
            until(whole, 60, "not all of it is there", 3.0)
        told.append(f"{len(sent)} bytes sent, {len(got)} in the log")
        if got != sent:
            same = next((n for n in range(min(len(sent), len(got))) if sent[n] != got[n]), min(len(sent), len(got)))
            raise Failed(f"{len(sent)} bytes sent, {len(got)} in the log; they differ from byte {same} on")


def silent(report: Report, machine: Machine, name: str) -> None:
    """After the plug was pulled: nothing ever came back."""
    with report.step(f"1 {name}: from power-on to power-off the line's far end received zero bytes") as told:
        told.append(f"{machine.came_back} bytes came back in {machine.up_s():.0f} s, {machine.sent} were sent")
        if machine.came_back:
            raise Failed(told[0])
