"""Installing into a Debian root of its own, again, and taking it away: nothing of ours stays, nothing else changes.

It takes such a root as a tar file, and root's rights:

    mmdebstrap --variant=minbase --include=python3-venv,systemd-sysv,udev bookworm root.tar
    LINELAMP_DEBIAN_ROOT=root.tar tests/run tests/image
"""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

from appliance import __version__, wishes
from appliance.history.steps import STEPS

INSTALL = Path(__file__).parents[2] / "image-build" / "install"
VARIABLE = "LINELAMP_DEBIAN_ROOT"
OURS_TO_STAY = {"etc/linelamp", "etc/linelamp/linelamp.toml"}
MADE_BY_SYSUSERS = {f"etc/{name}{end}" for name in ("passwd", "group", "shadow", "gshadow") for end in ("", "-")}

pytestmark = [pytest.mark.slow, pytest.mark.timeout(1200)]


@pytest.fixture
def root(tmp_path: Path) -> Path:
    tar = os.environ.get(VARIABLE)
    if not tar or os.geteuid() != 0:
        pytest.skip(f"It takes root's rights and a Debian root as a tar file in {VARIABLE}.")
    folder = tmp_path / "root"
    folder.mkdir()
    subprocess.run(["tar", "-xf", tar, "-C", folder], check=True)
    boot = folder / "boot/firmware"
    boot.mkdir(parents=True)
    (boot / "config.txt").write_text("dtparam=audio=on\n")
    (boot / "cmdline.txt").write_text("console=serial0,115200 console=tty1 root=PARTUUID=12345678-02 rootwait\n")
    return folder


@pytest.fixture(scope="module")
def wheels(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """All that the lock names and our own wheel, from the machine's package index."""
    folder = tmp_path_factory.mktemp("wheels")
    lock = INSTALL.parent / "lock" / "run.txt"
    pip: list[str | Path] = [sys.executable, "-m", "pip", "--disable-pip-version-check"]
    asked: tuple[list[str | Path], ...] = (
        ["download", "--require-hashes", "-d", folder, "-r", lock],
        ["wheel", "--no-deps", "-w", folder, "."],
    )
    for words in asked:
        subprocess.run([*pip, *words], check=True, cwd=INSTALL.parents[1], capture_output=True)
    return folder


def everything(root: Path) -> dict[str, tuple[int, bytes]]:
    """Path -> mode and content, without what Python compiles for itself."""
    found = {}
    for folder, folders, files in os.walk(root):
        folders[:] = [name for name in folders if name not in ("__pycache__", "dev", "proc", "sys")]
        for name in [*folders, *files]:
            path = Path(folder) / name
            plain = path.is_file() and not path.is_symlink()
            target = bytes(path.readlink()) if path.is_symlink() else b""
            found[str(path.relative_to(root))] = (path.lstat().st_mode, path.read_bytes() if plain else target)
    return found


def test_install_again_and_away(root: Path, wheels: Path) -> None:
    before = everything(root)

    def install(*more: str) -> str:
        asked: list[str | Path] = [INSTALL, "--root", root, "--wheels", wheels, *more]
        done = subprocess.run(asked, capture_output=True, text=True, check=False)
        assert done.returncode == 0, done.stdout + done.stderr
        return done.stdout + done.stderr

    signer = root.parent / "signer.pub"
    signer.write_text("ssh-ed25519 AAAAC3NzaC1lZDI1NTE5AAAAINaFnXJ0b0pSsYI8Ck2sYwyTQJ3M1aXoQd2yV9yqgX0A linelamp\n")
    assert "linelamp, version" in install("--signer", str(signer))
    believed = (root / "etc/linelamp/update-signers").read_text()
    assert believed == f'linelamp namespaces="linelamp-update" {signer.read_text()}'
    lies = wishes.release("now", root / "opt/linelamp")
    assert lies is not None
    assert (lies.version, lies.schema) == (__version__, len(STEPS))
    tried = subprocess.run(
        ["chroot", root, "/usr/local/lib/linelamp/update", "--tidy"], capture_output=True, check=False
    )
    assert (tried.returncode, tried.stderr) == (0, b"")
    assert (root / "opt/linelamp/now").readlink() == Path("a")
    assert "console=serial0" not in (root / "boot/firmware/cmdline.txt").read_text()
    assert "dtoverlay=disable-bt" in (root / "boot/firmware/config.txt").read_text()
    wants = root / "etc/systemd/system/multi-user.target.wants"
    assert {path.name for path in wants.iterdir()} >= {"linelamp-tap.service", "linelamp-web.service"}
    manual = subprocess.run(
        ["chroot", root, "/opt/linelamp/now/bin/linelamp", "needs"], capture_output=True, text=True, check=True
    )
    assert "rate-section" in manual.stdout

    (root / "etc/linelamp/linelamp.toml").write_text('machine = "Larkmere tractor 3"\n')
    first = everything(root)
    install()
    assert (root / "opt/linelamp/now").readlink() == Path("b")  # and a, the version before, is still there
    second = everything(root)
    changed = {path for path in first | second if first.get(path) != second.get(path)}
    assert {path for path in changed if not path.startswith("opt/linelamp")} <= {"opt"}
    a, b = ({p[15:] for p in second if p.startswith(f"opt/linelamp/{place}/")} for place in "ab")
    assert a == b

    install("--uninstall")
    after = everything(root)
    left = {path for path in before | after if before.get(path) != after.get(path)}
    assert left - MADE_BY_SYSUSERS == OURS_TO_STAY
