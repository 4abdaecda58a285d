"""Step 9: updates from a USB stick: one that was changed, a good one, and one that does not run; and a cut on trial."""

from __future__ import annotations

import hashlib
import io
import json
import os
import subprocess
import sys
import time
import zipfile
from functools import partial
from pathlib import Path

from trial.machine import PIN, Machine, send_form
from trial.report import Failed, LeftOut, Report, until

HERE = Path(__file__).resolve().parents[1]
NAMESPACE = "linelamp-update"
END = b"\n-----END SSH SIGNATURE-----\n"
ENDS = ("done", "refused", "fell-back")
MOST_S = 3600.0
NO_TAP = b"\n\ndef run(settings):\n    raise SystemExit(7)\n"


def made(report: Report, key: Path | None, work: Path) -> Path | None:
    """A good bundle. key: the private half of the one that the image was built with."""
    good = work / "good.bundle"
    with report.step("9 a bundle is made and signed") as told:
        if key is None:
            raise LeftOut("no key was given by --key")
        asked: list[str | Path] = [sys.executable, HERE / "bundle", "--key", key, "--out", good]
        newer = os.environ | {"SOURCE_DATE_EPOCH": str(int(time.time()))}
        done = subprocess.run(asked, env=newer, capture_output=True, text=True, check=False)
        told.append(done.stdout.strip() or done.stderr[-300:])
        if done.returncode:
            raise Failed(told[0])
        return good
    return None


def changed_and_good(report: Report, machine: Machine, good: Path, work: Path) -> None:
    """One that was changed on its way, and one that is right."""
    changed = work / "changed.bundle"
    data = bytearray(good.read_bytes())
    data[-1000] ^= 1
    changed.write_bytes(data)
    stick(report, machine, changed, work, ("of which a bit was changed is refused", "refused", "a"))
    stick(report, machine, good, work, ("is tried and kept", "done", "b"))


def cut_on_trial(report: Report, machine: Machine) -> None:
    """The page asks for the version before, and the plug is pulled while that one is on trial."""
    with report.step("9 the page asks for the version before, and the plug is pulled while it is tried") as told:
        send_form(machine.origin, "/box/update", {"pin": PIN}, "/box/update/back")
        told.append(f"tried after {until(partial(runs_from, machine, 'a'), 600, 'it does not run from slot a'):.0f} s")
        if (state := answer(machine)["state"]) != "trying":
            raise Failed(f"{told[0]}, but the page is told {state}")
    machine.cut()


def after_the_cut(report: Report, machine: Machine) -> None:
    """The next start is one of the version that was settled."""
    with report.step("9 the next start is of the version kept, and tells that the trial was broken off") as told:
        until(lambda: answer(machine).get("state") in ENDS, 300, "no end of it", 5.0)
        told.append(f"{answer(machine)['state']}: {answer(machine)['says']}")
        if answer(machine)["key"] != "broken-off" or not runs_from(machine, "b"):
            raise Failed(told[0])


def one_that_does_not_run(report: Report, machine: Machine, good: Path, key: Path, work: Path) -> None:
    """Right in all else."""
    bad = that_does_not_run(good, key, work)
    stick(report, machine, bad, work, ("whose tap does not run falls back", "fell-back", "b"))


def stick(report: Report, machine: Machine, file: Path, work: Path, expected: tuple[str, str, str]) -> None:
    """A stick with a bundle. expected: in words, how it ends, and the slot that runs then."""
    words, state, slot = expected
    with report.step(f"9 a stick with a bundle {words}") as told:
        told.append(plugged_in(machine, file, work))
        now = machine.shell("readlink /opt/linelamp/now")
        if not told[0].startswith(f"{state}: ") or now != slot:
            raise Failed(f"{told[0]}; now is {now}")
        runs = until(partial(runs_from, machine, slot), 600, f"not all run from slot {slot}", 5.0)
        until(lambda: machine.picture().get("verdict"), 600, "no picture", 5.0)
        mounted = machine.shell("findmnt -no OPTIONS /opt/linelamp").partition(",")[0]
        told.append(f"tap and page run from slot {slot} {runs:.0f} s later; the programs are mounted {mounted}")
        if mounted != "ro":
            raise Failed(told[-1])


def plugged_in(machine: Machine, file: Path, work: Path) -> str:
    """A stick with this file, and what is answered."""
    image = work / "stick.img"
    image.unlink(missing_ok=True)
    with image.open("wb") as empty:
        empty.truncate(64 << 20)
    subprocess.run(["mkfs.vfat", "-F", "32", image], check=True, capture_output=True)
    subprocess.run(["mcopy", "-i", image, file, "::linelamp.bundle"], check=True)
    machine.shell("rm -f /var/lib/linelamp/update/answer.json")
    began_s = time.monotonic()
    machine.plug_in(image)
    seen: list[str] = []

    def ended() -> bool:
        told = answer(machine)
        if told and told["state"] not in [row.split()[0] for row in seen]:
            seen.append(f"{told['state']} {time.monotonic() - began_s:.0f} s")
        if told.get("state") in ENDS:
            seen.append(f"{told['state']}: {told['says']}")
            return True
        return False

    until(ended, MOST_S, f"no end of it, {seen}", 5.0)
    machine.pull_out()
    return f"{seen[-1]} ({', '.join(seen[:-1])})"


def answer(machine: Machine) -> dict[str, str]:
    """What the page is told of the update; {} while it is told nothing."""
    said = machine.shell("cat /var/lib/linelamp/update/answer.json || true")
    return dict(json.loads(said)) if said.startswith("{") else {}


def runs_from(machine: Machine, slot: str) -> bool:
    """Whether tap and page were started by the Python of a slot."""
    pids = machine.shell("systemctl show -P MainPID linelamp-tap linelamp-web").split()
    started = [machine.shell(f"tr '\\0' '\\n' </proc/{pid}/cmdline | head -1") for pid in pids]
    return started == [f"/opt/linelamp/{slot}/bin/python"] * 2


def that_does_not_run(good: Path, key: Path, work: Path) -> Path:
    """A bundle that is right in all but that its tap ends at once."""
    data = good.read_bytes()
    with zipfile.ZipFile(io.BytesIO(data[data.index(END) + len(END) :])) as packed:
        files = {name: packed.read(name) for name in packed.namelist()}
    (name,) = (name for name in files if name.startswith("wheels/linelamp-"))
    files[name] = with_no_tap(files[name])
    told = json.loads(files["manifest.json"])
    told["made"] = time.strftime("%Y-%m-%dT%H:%M:%S+00:00", time.gmtime())
    told["files"][name] = [hashlib.sha256(files[name]).hexdigest(), len(files[name])]
    files["manifest.json"] = json.dumps(told).encode()
    payload, out = work / "payload", work / "no-tap.bundle"
    with zipfile.ZipFile(payload, "w") as packed:
        for name, one in files.items():
            packed.writestr(name, one)
    signature = work / "payload.sig"
    signature.unlink(missing_ok=True)
    subprocess.run(["ssh-keygen", "-q", "-Y", "sign", "-f", key, "-n", NAMESPACE, payload], check=True)
    out.write_bytes(signature.read_bytes() + payload.read_bytes())
    return out


def with_no_tap(wheel: bytes) -> bytes:
    """The same wheel, whose daemon ends as soon as it is asked to run."""
    packed = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(wheel)) as old, zipfile.ZipFile(packed, "w", zipfile.ZIP_DEFLATED) as new:
        for name in old.namelist():
            new.writestr(name, old.read(name) + (NO_TAP if name == "appliance/tap/daemon.py" else b""))
    return packed.getvalue()
