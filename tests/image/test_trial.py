"""The parts of the boot test that can be wrong by themselves: the record of writes as QEMU itself makes it, what a cut
leaves, and what counts as lost. The boot test as a whole is image-build/test."""

from __future__ import annotations

import json
import os
import shutil
import sqlite3
import subprocess
import sys
import threading
import urllib.error
import zipfile
from datetime import UTC, datetime
from pathlib import Path
from random import Random

import pytest
from werkzeug.serving import make_server

from updating import bundle
from updating.box import Box

BUILD = Path(__file__).parents[2] / "image-build"
sys.path.insert(0, str(BUILD))

from appliance.history.rows import WatchStart  # noqa: E402
from appliance.history.writer import HistoryWriter  # noqa: E402
from appliance.sentence.chunk import Chunk  # noqa: E402
from appliance.site import create_app  # noqa: E402
from appliance.site.handing_over import Unit  # noqa: E402
from tests.systemd.updated_box import bundle_program  # noqa: E402
from trial.cuts import Clock, copy_part, opened  # noqa: E402
from trial.machine import archive, padded, send_form  # noqa: E402
from trial.report import Failed, LeftOut, Report  # noqa: E402
from trial.updates import that_does_not_run  # noqa: E402
from trial.writes import SECTOR, Card, Flush, Write, read_log  # noqa: E402

SIZE = 1 << 20


def needs_tools(*names: str) -> None:
    missing = [name for name in names if shutil.which(name, path=f"{os.environ['PATH']}:/usr/sbin:/sbin") is None]
    if missing:
        pytest.skip(f"This machine has no {', '.join(missing)}.")


@pytest.fixture
def recorded(tmp_path: Path) -> tuple[Path, Path]:
    """(card as it was before, record): written by QEMU's own blklogwrites."""
    needs_tools("qemu-io")
    before, card, log = (tmp_path / name for name in ("before", "card", "log"))
    before.write_bytes(bytes(SIZE))
    card.write_bytes(bytes(SIZE))
    log.touch()
    tree = f"driver=blklogwrites,file.driver=file,file.filename={card},log.driver=file,log.filename={log}"
    tree += ",log-super-update-interval=1"
    does = ("write -P 0x11 0 4096", "flush", "write -P 0x22 4096 8192", "write -P 0x33 65536 512", "flush",
            "write -z 0 512", "write -P 0x44 2048 1024")  # fmt: skip
    asked = ["qemu-io", "--image-opts", tree, *(word for one in does for word in ("-c", one))]
    subprocess.run(asked, check=True, capture_output=True)
    return before, log


def test_the_whole_record_gives_the_card(recorded: tuple[Path, Path], tmp_path: Path) -> None:
    before, log = recorded
    entries = list(read_log(log))
    writes = [(one.sector, one.sectors) for one in entries if isinstance(one, Write)]
    assert writes == [(0, 8), (8, 16), (128, 1), (0, 1), (4, 2)]
    assert sum(isinstance(one, Flush) for one in entries) >= 2
    played = Card(before, log)
    for one in [*entries, Flush(0)]:
        played.take(one, 0)
    played.close()
    assert before.read_bytes() == (tmp_path / "card").read_bytes()


def test_what_was_flushed_is_there_after_a_cut_and_the_rest_may_be(recorded: tuple[Path, Path]) -> None:
    before, log = recorded
    entries = list(read_log(log))
    last = max(number for number, one in enumerate(entries) if isinstance(one, Write) and one.sector == 128)
    flushed, unsure = Card(before, log), set()
    for one in entries[: last + 1]:
        flushed.take(one, 0)
    for seed in range(60):
        unsure.add(tuple(at for at, _ in flushed.left_by_a_cut(Random(seed))))
    flushed.close()
    assert before.read_bytes()[:4096] == b"\x11" * 4096  # flushed
    assert before.read_bytes()[4096:] == bytes(SIZE - 4096)
    assert unsure == {(), (4096,), (65536,), (4096, 65536)}


def test_a_card_that_keeps_to_no_flush_holds_them_back(recorded: tuple[Path, Path]) -> None:
    before, log = recorded
    card = Card(before, log, flushes=False)
    for one in read_log(log):
        card.take(one, 3)
    card.close()
    assert before.read_bytes()[4096:12288] == b"\x22" * 8192
    assert before.read_bytes()[65536] == 0


def test_a_record_that_is_none(tmp_path: Path) -> None:
    (tmp_path / "log").write_bytes(bytes(4096))
    with pytest.raises(ValueError, match="no record of writes"):
        list(read_log(tmp_path / "log"))


def test_holes_stay_holes(tmp_path: Path) -> None:
    disk, part = tmp_path / "disk", tmp_path / "part"
    with disk.open("wb") as made:
        made.truncate(64 * SIZE)
        for at, data in ((3 * SIZE, b"a" * 10), (40 * SIZE, b"b" * 5000)):
            made.seek(at)
            made.write(data)
    copy_part(disk, 2 * SIZE, 60 * SIZE, part)
    assert part.read_bytes() == disk.read_bytes()[2 * SIZE : 62 * SIZE]
    assert part.stat().st_blocks * SECTOR < SIZE


@pytest.fixture
def partition(tmp_path: Path) -> Path:
    """A history of 100 bytes on an ext4 of its own, cut off: the last 40 stand in its tail alone."""
    needs_tools("mke2fs", "e2fsck", "debugfs")
    folder = tmp_path / "made"
    folder.mkdir()
    writer = HistoryWriter(folder / "history.db")
    watch = writer.begin_watch(WatchStart(1, 1, "rate-section", "", "Larkmere tractor 3", "0"))
    writer.add_chunk("from-receiver", Chunk(b"x" * 60, 5, 10))
    writer.commit()
    writer.add_chunk("from-receiver", Chunk(b"x" * 40, 700, 10))
    assert writer.secure()
    made = tmp_path / "part"
    subprocess.run(["mke2fs", "-q", "-t", "ext4", "-d", folder, made, "8M"], check=True, capture_output=True)
    writer.close()
    assert watch
    return made


def test_what_counts_as_lost(partition: Path, tmp_path: Path) -> None:
    def look(name: str, sent: bytes, promised: int) -> str:
        (tmp_path / name).mkdir()
        return opened(partition, tmp_path / name, sent, promised)

    assert look("well", b"x" * 120, 100) == ""
    assert look("less", b"x" * 120, 101) == "100 bytes kept, 101 promised"
    assert look("other", b"y" * 120, 0) == "the history holds what was not sent"


def test_a_file_system_that_cannot_be_mended_is_told(partition: Path, tmp_path: Path) -> None:
    with partition.open("r+b") as file:
        file.write(bytes(SIZE))
    (tmp_path / "files").mkdir()
    assert "does not mend itself" in opened(partition, tmp_path / "files", b"x" * 100, 0)


def test_a_damaged_history_is_told(partition: Path, tmp_path: Path) -> None:
    with sqlite3.connect(tmp_path / "made/history.db") as db:
        (page,) = db.execute("SELECT rootpage FROM sqlite_schema WHERE name = 'block'").fetchone()
        (size,) = db.execute("PRAGMA page_size").fetchone()
    db.close()
    with (tmp_path / "made/history.db").open("r+b") as file:
        file.seek((page - 1) * size)
        file.write(b"\xff" * size)
    made = tmp_path / "part"
    made.unlink()
    subprocess.run(["mke2fs", "-q", "-t", "ext4", "-d", tmp_path / "made", made, "8M"], check=True, capture_output=True)
    (tmp_path / "files").mkdir()
    assert "history" in opened(made, tmp_path / "files", b"x" * 100, 0)


def test_what_is_promised_is_what_was_told_three_seconds_before() -> None:
    clock = Clock.__new__(Clock)
    clock.log = [(10.0, 1000), (11.0, 2000), (14.0, 3000)]
    clock.told = [(0.0, 0), (7.9, 50), (10.5, 90), (13.0, 200)]
    assert clock.promised(999) == 0
    assert clock.promised(1500) == 0  # cut at 10.0 or later: told by 7.0
    assert clock.promised(2500) == 50  # cut at 11.0 or later: told by 8.0
    assert clock.promised(9000) == 90  # cut at 14.0: told by 11.0


def test_the_table_tells_what_was_left_out_and_why(tmp_path: Path) -> None:
    report = Report(tmp_path / "steps.json")
    with report.step("one") as told:
        told.append("seen")
    with report.step("two"):
        raise LeftOut("no radio")
    with report.step("three"):
        raise Failed("it spoke")
    with report.step("four"):
        raise OSError("gone")
    assert [row[0] for row in report.rows] == ["passed", "left out", "FAILED", "FAILED"]
    assert report.failed == 2
    assert "| two | left out | no radio |" in report.table()


def test_files_behind_an_initrd(tmp_path: Path) -> None:
    """Read back by libarchive's bsdcpio or GNU cpio, where there is one."""
    needs_tools("cpio")
    made = archive({"conf/conf.d/boot-test": "one\n"})
    assert len(made) % SECTOR == 0
    assert padded(b"a" * 513) == b"a" * 513 + bytes(511)
    subprocess.run(["cpio", "-id", "--quiet"], input=made, cwd=tmp_path, check=True)
    assert (tmp_path / "conf/conf.d/boot-test").read_text() == "one\n"


def test_a_bundle_that_does_not_run_is_right_in_all_else(tmp_path: Path) -> None:
    """The box must find out by trying: signature, sums and all modules but the daemon's last word are as they were."""
    needs_tools("ssh-keygen")
    key, wheel, good = tmp_path / "key", tmp_path / "linelamp-9.9-py3-none-any.whl", tmp_path / "good"
    subprocess.run(["ssh-keygen", "-q", "-t", "ed25519", "-N", "", "-f", key], check=True)
    with zipfile.ZipFile(wheel, "w") as packed:
        packed.writestr("appliance/tap/daemon.py", "def run(settings):\n    return 0\n")
    program = bundle_program()
    program.pack(tmp_path / "payload", "9.9", 5, datetime(2026, 11, 1, tzinfo=UTC), {"3.11-aarch64": [wheel]})
    program.sign(tmp_path / "payload", key, good)
    made = that_does_not_run(good, key, tmp_path)
    (tmp_path / "signers").write_text(f"linelamp {key.with_suffix('.pub').read_text()}")
    (tmp_path / "root/opt/linelamp/work").mkdir(parents=True)
    (tmp_path / "root/etc/linelamp").mkdir(parents=True)
    (tmp_path / "signers").rename(tmp_path / "root/etc/linelamp/update-signers")
    box = Box(tmp_path / "root", target="3.11-aarch64")
    found = bundle.read(bundle.verified(box, made), box.target)
    (one,) = bundle.unpack(found, tmp_path / "wheels")
    with zipfile.ZipFile(one) as packed, pytest.raises(SystemExit):
        exec(packed.read("appliance/tap/daemon.py").decode() + "\nrun(None)", {})


def test_another_wifi_is_asked_for_as_a_browser_does(tmp_path: Path) -> None:
    (tmp_path / "wifi").mkdir()
    now = tmp_path / "wifi-now.json"
    now.write_text('{"on": true, "name": "cab-3", "country": "GB", "channel": 6}')
    unit = Unit(tmp_path / "none.db", wifi_now=now)
    app = create_app(tmp_path / "none.json", tmp_path / "none.db", tmp_path / "none.sock", pin="405162", unit=unit)
    server = make_server("127.0.0.1", 0, app)
    thread = threading.Thread(target=server.serve_forever)
    thread.start()
    try:
        origin = f"http://127.0.0.1:{server.server_port}"
        wished = {"name": "cab-9", "country": "GB", "channel": "11", "passphrase": "worrah dna hguolp"}
        with pytest.raises(urllib.error.HTTPError):
            send_form(origin, "/box/wifi", wished | {"pin": "1"})
        assert list((tmp_path / "wifi").iterdir()) == []
        assert "cab-9" in send_form(origin, "/box/wifi", wished | {"pin": "405162"})
    finally:
        server.shutdown()
        thread.join()
        server.server_close()
    assert json.loads((tmp_path / "wifi/wanted").read_bytes()) == wished | {"channel": 11}
