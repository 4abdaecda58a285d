"""A box in a folder of its own, whose programs are played: what an update meets, without a Pi.

ssh-keygen is the real one. What venv and pip would lay down are small files; systemctl tells what it was told to.

    python -m tests.systemd.updated_box FOLDER     # the update of the box in FOLDER, killed at every step: see killed()
"""

from __future__ import annotations

import json
import os
import shutil
import signal
import subprocess
import sys
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import IO, Any

from tests.programs import as_module
from updating import trial
from updating.box import Box, call

ROOT = Path(__file__).parents[2]
TARGET = "3.11-aarch64"
MADE = datetime(2026, 11, 1, tzinfo=UTC)
STEPS_MOST = 400


def bundle_program() -> Any:
    """image-build/bundle as a module, new each time."""
    return as_module(ROOT / "image-build/bundle")


@dataclass
class Played:
    """The box's programs. fails: names of those that end with an error. pids: of a unit's process, look by look."""

    programs: Path
    fails: set[str] = field(default_factory=set)
    pids: list[str] = field(default_factory=lambda: ["7"])
    said: list[str] = field(default_factory=list)
    looks: int = 0

    def __call__(self, *words: str | Path, stdin: IO[bytes] | None = None) -> subprocess.CompletedProcess[str]:
        name = Path(words[0]).name
        if name == "ssh-keygen":
            return call(*words, stdin=stdin)
        row = " ".join(str(word).replace(str(self.programs), "/opt/linelamp") for word in words)
        self.said.append(row)
        out, what = "", next((one for one in ("venv", "pip", "compileall", "self-test") if one in words), row)
        if what == "venv":
            (Path(words[-1]) / "bin").mkdir(parents=True)
        elif what == "pip":
            for wheel in words[-1:]:
                (Path(words[0]).parent / "linelamp").write_bytes(Path(wheel).read_bytes())
        elif "show" in words:
            self.looks += 1
            pid = self.pids[min(self.looks, len(self.pids)) - 1]
            how = "activating" if "systemctl restart" in self.fails else "active"
            out = f"MainPID={pid}\nActiveState={how}\nNRestarts=0\n"
        failed = any(what.startswith(one) for one in self.fails) or "import lgpio" in row
        return subprocess.CompletedProcess(
            list(words), int(failed), out + "\n", f"{what} went wrong." if failed else ""
        )


def new_box(folder: Path) -> Box:
    """One whose version 1.0.0 runs from slot a, and that believes the key beside it."""
    box = Box(folder / "root", Played(folder / "root/opt/linelamp"), lambda _s: None, lambda: None, TARGET)
    (box.programs / "a/bin").mkdir(parents=True)
    (box.programs / "a/bin/linelamp").write_text("1.0.0")
    (box.programs / "now").symlink_to("a")
    told = {"version": "1.0.0", "schema": 5, "made": "2026-10-01T00:00:00+00:00"}
    (box.programs / "a/release.json").write_text(json.dumps(told))
    for made in (box.spool, box.signers.parent, box.units_in_memory):
        made.mkdir(parents=True)
    shutil.copytree(ROOT / "systemd/usr/local/lib/systemd/system", box.units)
    key = folder / "key"
    if not key.exists():
        subprocess.run(["ssh-keygen", "-q", "-t", "ed25519", "-N", "", "-C", "linelamp", "-f", key], check=True)
    box.signers.write_text(f'linelamp namespaces="linelamp-update" {key.with_suffix(".pub").read_text()}')
    return box


def make(folder: Path, version: str = "1.1.0", target: str = TARGET, **more: Any) -> Path:
    """A bundle signed by the key in folder, whose program is the version's name. more: of pack's or sign's words."""
    program = bundle_program()
    wheel = folder / f"linelamp-{version}-py3-none-any.whl"
    wheel.write_text(version)
    payload, out = folder / "payload", folder / f"{version}.bundle"
    program.pack(payload, version, more.get("schema", 5), more.get("made", MADE), {target: [wheel]})
    if "spoil" in more:
        more["spoil"](payload)
    program.NAMESPACE = more.get("namespace", "linelamp-update")
    program.sign(payload, more.get("key", folder / "key"), out)
    return out


def runs(box: Box) -> str:
    """The version that the next start of the box would run; it must be whole."""
    release = box.release("now")
    assert (box.programs / "now/bin/linelamp").read_text() == release["version"]
    return str(release["version"])


def power_on(box: Box) -> None:
    """What lay in memory is gone."""
    shutil.rmtree(box.units_in_memory)
    box.units_in_memory.mkdir()


def killed(box: Box, asked: str, step: int) -> bool:
    """Carries out what lies in the spool, in a process of its own, that is killed at its step-th touch of the file
    system or of a program. Whether it was: False, it came to its end before."""
    from updating.__main__ import main

    child = os.fork()
    if child == 0:
        count = 0

        def audit(event: str, _args: object) -> None:
            nonlocal count
            if event.partition(".")[0] in ("open", "os", "shutil", "subprocess", "tempfile"):
                count += 1
                if count == step:
                    os.kill(os.getpid(), signal.SIGKILL)

        os.dup2(os.open(os.devnull, os.O_WRONLY), 1)
        sys.addaudithook(audit)
        os._exit(main(box, []))
    _, status = os.waitpid(child, 0)
    assert os.WIFSIGNALED(status) or os.WEXITSTATUS(status) == 0, f"{asked}, step {step}: {status}"
    return os.WIFSIGNALED(status)


def at_every_step(folder: Path, asked: str, comes: str) -> dict[str, int]:
    """Kills it at each step, first by a kill alone, which is tidied up after, then by a cut of the power; then it is
    asked for again. How often the version before and the new one ran after it."""
    bundle = make(folder)
    found = {"1.0.0": 0, comes: 0}
    template = folder / "template"
    for cut in (False, True):
        for step in range(1, STEPS_MOST):
            shutil.rmtree(folder / "root")
            shutil.copytree(template, folder / "root", symlinks=True)
            box = new_box_again(folder)
            lay(box, asked, bundle)
            done = not killed(box, asked, step)
            version = runs(box)
            found[version] += 1
            from updating.__main__ import tidy

            if cut:
                power_on(box)
            tidy(box)
            assert runs(box) == version
            assert not any(box.units_in_memory.rglob(trial.ADDITION))
            assert not box.work.exists()
            told = json.loads((box.spool / "answer.json").read_text()) if (box.spool / "answer.json").exists() else {}
            assert told.get("state", "refused") in ("done", "refused"), (step, told)
            if done:
                assert version == comes
                break
            if version != comes:
                lay(box, asked, bundle)
                assert not killed(box, asked, 0)
                assert runs(box) == comes or asked == "version-before"
        else:
            raise AssertionError("it never came to its end")
    return found


def new_box_again(folder: Path) -> Box:
    return Box(folder / "root", Played(folder / "root/opt/linelamp"), lambda _s: None, lambda: None, TARGET)


def lay(box: Box, asked: str, bundle: Path) -> None:
    """As the page does."""
    if asked == "bundle":
        shutil.copy(bundle, box.spool / "bundle")
    else:
        (box.spool / asked).touch()


if __name__ == "__main__":
    print(json.dumps(at_every_step(Path(sys.argv[1]), sys.argv[2], sys.argv[3])))
