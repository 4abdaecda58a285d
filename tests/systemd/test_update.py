"""Updates: what is refused, what follows from a version that does not run, and a kill or a cut at any step."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
import tempfile
import zipfile
from collections.abc import Callable, Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest

from appliance import wishes
from tests.systemd.updated_box import ROOT, Played, make, new_box, power_on, runs
from updating import bundle, said, trial
from updating.__main__ import main
from updating.box import Box

pytestmark = pytest.mark.skipif(shutil.which("ssh-keygen") is None, reason="This machine has no ssh-keygen.")


@pytest.fixture
def box(tmp_path: Path) -> Box:
    return new_box(tmp_path)


def send(box: Box, file: Path | bytes, name: str = "bundle") -> wishes.Answer:
    """Lays it down as the page does, has it carried out, and gives the answer as the page reads it."""
    with wishes.laying(box.spool, name) as wish:
        wish.write(file if isinstance(file, bytes) else file.read_bytes())
    return carried_out(box)


def carried_out(box: Box) -> wishes.Answer:
    main(box, [])
    told = wishes.answer(box.spool)
    assert told is not None
    assert not box.work.exists()
    assert not {"bundle", "bundle-from-stick", "version-before"} & {path.name for path in box.spool.iterdir()}
    assert not list(box.units_in_memory.rglob(trial.ADDITION))
    assert list(box.spool.glob(".*")) == []
    return told


def played(box: Box) -> Played:
    assert isinstance(box.run, Played)
    return box.run


def test_a_good_one_runs_and_the_version_before_stays(box: Box, tmp_path: Path) -> None:
    told = send(box, make(tmp_path))
    assert (told.state, told.version, told.key) == ("done", "1.1.0", "done")
    assert told.says == (
        "Version 1.1.0 of 2026-11-01 runs. Version 1.0.0 of 2026-10-01 stays on the box as the version before."
    )
    assert runs(box) == "1.1.0"
    assert wishes.release("now", box.programs) == wishes.Release("1.1.0", 5, "2026-11-01T00:00:00+00:00")
    before = wishes.version_before(box.programs)
    assert before is not None
    assert before.version == "1.0.0"
    said_to_systemd = [row for row in played(box).said if row.startswith("systemctl") and "show" not in row]
    assert said_to_systemd == [
        "systemctl daemon-reload", "systemctl restart linelamp-tap.service linelamp-web.service",
        "systemctl daemon-reload",
    ]  # fmt: skip
    # Each was looked at for a minute.
    assert played(box).looks == 2 * (1 + trial.WATCHED_S / trial.LOOK_S)


def test_back_to_the_version_before_and_forth(box: Box, tmp_path: Path) -> None:
    assert send(box, b"", "version-before").key == "no-before"
    send(box, make(tmp_path))
    told = send(box, b"", "version-before")
    assert (told.state, told.version, runs(box)) == ("done", "1.0.0", "1.0.0")
    assert send(box, make(tmp_path)).key == "done"
    assert runs(box) == "1.1.0"


def test_on_trial_it_is_started_by_an_addition_in_memory(box: Box, tmp_path: Path) -> None:
    words = {}

    def run(*asked: Any, **more: Any) -> Any:
        if asked[:2] == ("systemctl", "restart"):
            for file in sorted(box.units_in_memory.rglob(trial.ADDITION)):
                words[file.parent.name] = file.read_text()
            assert (box.programs / "now").readlink() == Path("a")
        return played(box)(*asked, **more)

    send(Box(box.root, run, box.wait, box.sync, box.target), make(tmp_path))
    assert words == {
        f"linelamp-{name}.service.d": f"[Service]\nExecStart=\nExecStart=/opt/linelamp/b/bin/linelamp {name}\n"
        for name in ("tap", "web")
    }


def spoilt(at: int) -> Callable[[bytes], bytes]:
    return lambda data: data[:at] + bytes([data[at] ^ 1]) + data[at + 1 :]


@pytest.mark.parametrize(
    ("spoil", "key"),
    [
        (lambda _: b"", "no-bundle"),
        (lambda _: b"x" * 10_000, "no-bundle"),
        (lambda data: data[data.index(b"PK\3\4") :], "no-bundle"),
        (lambda data: data[: data.index(b"PK\3\4")], "signature"),
        (lambda data: data[:-1], "signature"),
        (lambda data: data + b"\0", "signature"),
        (spoilt(60), "signature"),
        (spoilt(-30), "signature"),
        (lambda _: bytes(64 * 1024 * 1024 + 1), "too-large"),
    ],
)
def test_what_is_not_whole_is_refused(box: Box, tmp_path: Path, spoil: Callable[[bytes], bytes], key: str) -> None:
    told = send(box, spoil(make(tmp_path).read_bytes()))
    assert (told.state, told.key, runs(box)) == ("refused", key, "1.0.0")
    assert played(box).said == []


def test_another_key_or_purpose_is_refused(box: Box, tmp_path: Path) -> None:
    other = tmp_path / "other"
    subprocess.run(["ssh-keygen", "-q", "-t", "ed25519", "-N", "", "-f", other], check=True)
    assert send(box, make(tmp_path, key=other)).key == "signature"
    assert send(box, make(tmp_path, namespace="file")).key == "signature"
    box.signers.write_text("")
    assert send(box, make(tmp_path)).key == "signature"
    assert runs(box) == "1.0.0"


def test_without_a_key_updates_are_off(box: Box, tmp_path: Path) -> None:
    box.signers.unlink()
    told = send(box, make(tmp_path))
    assert (told.state, told.key) == ("refused", "off")
    assert "key" in told.says


def test_older_or_the_same_is_refused(box: Box, tmp_path: Path) -> None:
    assert send(box, make(tmp_path, "0.9.0")).key == "older"
    assert send(box, make(tmp_path, "1.0", made=datetime(2026, 9, 30, tzinfo=UTC))).key == "older"
    assert send(box, make(tmp_path, "1.0.0", made=datetime(2026, 10, 1, tzinfo=UTC))).key == "already"
    assert runs(box) == "1.0.0"
    assert send(box, make(tmp_path, "1.0.0", made=datetime(2026, 10, 2, tzinfo=UTC))).key == "done"
    assert send(box, make(tmp_path, "1.10.0")).key == "done"
    assert send(box, make(tmp_path, "1.9.0")).key == "older"
    assert runs(box) == "1.10.0"


def test_made_for_another_python_is_refused(box: Box, tmp_path: Path) -> None:
    told = send(box, make(tmp_path, target="3.13-aarch64"))
    assert (told.key, runs(box)) == ("other-python", "1.0.0")
    assert "3.13-aarch64, and this box has 3.11-aarch64" in told.says


def manifest(**changes: Any) -> Callable[[Path], None]:
    """A signed bundle whose manifest is otherwise."""

    def spoil(payload: Path) -> None:
        with zipfile.ZipFile(payload) as packed:
            data = {name: packed.read(name) for name in packed.namelist()}
        told = json.loads(data["manifest.json"]) | changes
        data["manifest.json"] = json.dumps(told).encode()
        with zipfile.ZipFile(payload, "w") as packed:
            for name, one in data.items():
                packed.writestr(name, one)

    return spoil


WHEEL = "wheels/linelamp-1.1.0-py3-none-any.whl"
BAD_SUM = {WHEEL: ["0" * 64, 5]}


@pytest.mark.parametrize(
    "spoil",
    [
        lambda payload: payload.write_bytes(b"no zip"),
        manifest(format=2),
        manifest(version="../../etc"),
        manifest(version=1),
        manifest(made="soon"),
        manifest(schema=True),
        manifest(files=[]),
        manifest(files={}),
        manifest(files={"../linelamp": ["0" * 64, 5]}),
        manifest(files={"wheels/../../etc/cron.d/x.whl": ["0" * 64, 5]}),
        manifest(files={WHEEL: ["0" * 64]}),
        manifest(files={WHEEL: ["0" * 64, 10**12]}),
        manifest(files=BAD_SUM),
        manifest(**{"for": {"3.11-aarch64": ["wheels/other.whl"]}}),
        manifest(**{"for": {"3.11-aarch64": []}}),
        manifest(**{"for": {"3.11-aarch64": [WHEEL, {}]}}),
    ],
)
def test_a_signed_one_that_makes_no_sense_is_refused(box: Box, tmp_path: Path, spoil: Callable[[Path], None]) -> None:
    told = send(box, make(tmp_path, spoil=spoil))
    assert (told.state, told.key, runs(box)) == ("refused", "strange", "1.0.0")
    assert played(box).said == []


@pytest.mark.parametrize("kind", ["folder", "link", "pipe", "dead link"])
def test_what_is_no_file_is_refused_and_taken_away(box: Box, tmp_path: Path, kind: str) -> None:
    wish, elsewhere = box.spool / "bundle", tmp_path / "secret"
    elsewhere.write_text("secret")
    if kind == "folder":
        wish.mkdir()
        (wish / "file").touch()
    elif kind == "pipe":
        os.mkfifo(wish)
    else:
        wish.symlink_to(elsewhere if kind == "link" else tmp_path / "none")
    assert carried_out(box).key == "no-file"
    assert elsewhere.read_text() == "secret"


def test_nothing_is_written_through_a_link_that_the_page_planted(box: Box, tmp_path: Path) -> None:
    elsewhere = tmp_path / "passwd"
    elsewhere.write_text("root")
    (box.spool / "answer.json").symlink_to(elsewhere)
    assert send(box, make(tmp_path)).state == "done"
    assert elsewhere.read_text() == "root"
    assert not (box.spool / "answer.json").is_symlink()
    assert (box.spool / "answer.json").stat().st_mode & 0o777 == 0o644


def test_a_spool_that_is_a_link_is_left_alone(box: Box, tmp_path: Path) -> None:
    file = make(tmp_path)
    box.spool.rmdir()
    (tmp_path / "elsewhere").mkdir()
    box.spool.symlink_to(tmp_path / "elsewhere")
    shutil.copy(file, tmp_path / "elsewhere/bundle")
    assert main(box, []) == 1
    assert [path.name for path in (tmp_path / "elsewhere").iterdir()] == ["bundle"]
    assert runs(box) == "1.0.0"


@pytest.mark.parametrize(
    ("fails", "key"), [("venv", "trouble"), ("pip", "trouble"), ("self-test", "self-test"), ("compileall", "done")]
)
def test_a_step_that_fails_is_told(box: Box, tmp_path: Path, fails: str, key: str) -> None:
    played(box).fails = {fails}
    told = send(box, make(tmp_path))
    assert told.key == key
    assert runs(box) == ("1.1.0" if key == "done" else "1.0.0")
    if key != "done":
        assert f"{fails} went wrong. The version that ran goes on." in told.says
        assert not [row for row in played(box).said if "systemctl" in row]
        assert wishes.version_before(box.programs) is None


def test_one_that_is_not_ready_falls_back(box: Box, tmp_path: Path) -> None:
    played(box).fails = {"systemctl restart"}
    told = send(box, make(tmp_path))
    assert (told.state, told.key, runs(box)) == ("fell-back", "fell-back", "1.0.0")
    assert "linelamp-tap and linelamp-web did not tell that it is ready" in told.says
    assert wishes.version_before(box.programs) is None
    assert told.says.endswith("Version 1.0.0 of 2026-10-01 runs again.")
    assert [row.partition(" ")[2] for row in played(box).said if row.startswith("systemctl") and "show" not in row] == [
        "daemon-reload", "restart linelamp-tap.service linelamp-web.service",
    ] * 2  # fmt: skip


def test_one_that_is_started_again_within_the_minute_falls_back(box: Box, tmp_path: Path) -> None:
    played(box).pids = ["7"] * 40 + ["8"]
    told = send(box, make(tmp_path))
    assert (told.state, runs(box)) == ("fell-back", "1.0.0")
    assert "linelamp-tap stopped within a minute" in told.says


def test_a_stick_does_not_try_again_what_fell_back(box: Box, tmp_path: Path) -> None:
    played(box).fails = {"systemctl restart"}
    file = make(tmp_path)
    assert send(box, file, "bundle-from-stick").key == "fell-back"
    played(box).fails = set()
    assert send(box, file, "bundle-from-stick").key == "tried-before"
    assert send(box, file).key == "done"
    assert runs(box) == "1.1.0"


def test_a_full_card_is_told(box: Box, tmp_path: Path) -> None:
    def run(*asked: Any, **more: Any) -> Any:
        if "pip" in asked:
            raise OSError(28, "No space left on device")
        return played(box)(*asked, **more)

    told = send(Box(box.root, run, box.wait, box.sync, box.target), make(tmp_path))
    assert (told.key, runs(box)) == ("trouble", "1.0.0")
    assert "No space left" in told.says


def test_an_answer_of_before_a_cut_is_brought_to_an_end(box: Box) -> None:
    main(box, [])
    assert wishes.answer(box.spool) is None
    (box.spool / "answer.json").write_text(json.dumps(said.answer("unpacking", "1.1.0")))
    power_on(box)
    main(box, ["--tidy"])
    told = wishes.answer(box.spool)
    assert told is not None
    assert told.key == "broken-off"


@pytest.fixture
def in_memory() -> Iterator[Path]:
    """A folder in memory where there is one: what is forced onto a disk hundreds of times takes its time."""
    with tempfile.TemporaryDirectory(dir="/dev/shm" if Path("/dev/shm").is_dir() else None) as folder:
        yield Path(folder)


@pytest.mark.slow
@pytest.mark.parametrize(("asked", "comes"), [("bundle", "1.1.0"), ("version-before", "0.9.0")])
def test_killed_or_cut_at_any_step_one_whole_version_runs(in_memory: Path, asked: str, comes: str) -> None:
    box = new_box(in_memory)
    if asked == "version-before":
        shutil.copytree(box.programs / "a", box.programs / "b")
        told = {"version": comes, "schema": 5, "made": "2026-09-01T00:00:00+00:00"}
        (box.programs / "b/release.json").write_text(json.dumps(told))
        (box.programs / "b/bin/linelamp").write_text(comes)
    shutil.copytree(box.root, in_memory / "template", symlinks=True)
    words = [sys.executable, "-m", "tests.systemd.updated_box", str(in_memory), asked, comes]
    own = {name: value for name, value in os.environ.items() if not name.startswith("COVERAGE")}
    paths = os.pathsep.join([str(ROOT), str(ROOT / "systemd/usr/local/lib/linelamp")])
    done = subprocess.run(words, capture_output=True, text=True, check=False, env=own | {"PYTHONPATH": paths}, cwd=ROOT)
    assert done.returncode == 0, done.stderr
    found = json.loads(done.stdout.splitlines()[-1])
    assert found["1.0.0"] > 20
    assert found[comes] > 2


def test_the_page_and_the_unit_mean_the_same() -> None:
    assert bundle.MOST_BYTES == wishes.BUNDLE_MOST_BYTES
    assert {state for state, _ in said.SAYS.values()} <= set(wishes.STATES)
    assert said.ENDS == wishes.ENDS
    assert str(Box().spool) == f"/var/lib/linelamp/{wishes.UPDATE_FOLDER}"
    assert Box().signers == wishes.SIGNERS
    assert Box().programs == wishes.PROGRAMS
