"""A card made one box's own: what is written reads back as settings, and its label's codes are read by another library
(zxing-cpp, from the page as pdfium draws it) as ISO/IEC 18004 codes with what a phone takes to join and to open."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
import tomllib
from pathlib import Path
from types import ModuleType

import pypdfium2
import pytest
import zxingcpp

from tests.programs import as_module

ROOT = Path(__file__).parents[2]
PROGRAM = ROOT / "image-build" / "personalise"
NEW_CARD = ROOT / "systemd/usr/local/share/linelamp/linelamp.toml"
TOOLS = ("mkfs.vfat", "mcopy", "mtype", "sfdisk")
SECTORS = 70_000  # as FAT32 takes at least


@pytest.fixture(scope="module")
def program() -> ModuleType:
    return as_module(PROGRAM)


@pytest.fixture
def image(tmp_path: Path) -> Path:
    """A card with nothing but its boot partition."""
    missing = [name for name in TOOLS if shutil.which(name, path=f"{os.environ['PATH']}:/usr/sbin:/sbin") is None]
    if missing:
        pytest.skip(f"This machine has no {', '.join(missing)}.")
    made, part = tmp_path / "card.img", tmp_path / "boot"
    part.touch()
    os.truncate(part, SECTORS * 512)
    subprocess.run(["mkfs.vfat", "-F", "32", part], check=True, capture_output=True)
    subprocess.run(["mcopy", "-i", part, NEW_CARD, "::linelamp.toml"], check=True)
    made.touch()
    os.truncate(made, (8192 + SECTORS) * 512)
    table = f"label: dos\nstart=8192, size={SECTORS}, type=c\n"
    subprocess.run(["sfdisk", "-q", made], input=table, text=True, check=True)
    with made.open("r+b") as card:
        card.seek(8192 * 512)
        card.write(part.read_bytes())
    return made


def personalise(image: Path, *more: str | Path) -> subprocess.CompletedProcess[str]:
    asked: list[str | Path] = [sys.executable, PROGRAM, image, *more]
    return subprocess.run(asked, capture_output=True, text=True, check=False)


def boot_file(image: Path) -> str:
    where = f"{image}@@{8192 * 512}"
    return subprocess.run(["mtype", "-i", where, "::linelamp.toml"], capture_output=True, text=True, check=True).stdout


def codes(paper: Path, page: int) -> list[str]:
    with pypdfium2.PdfDocument(paper) as pdf:
        drawn = pdf[page].render(scale=3, grayscale=True).to_numpy()
    found = zxingcpp.read_barcodes(drawn)
    assert all(one.format == zxingcpp.BarcodeFormat.QRCode for one in found)
    return [one.text for one in found]


def words(paper: Path, page: int) -> str:
    with pypdfium2.PdfDocument(paper) as pdf:
        return str(pdf[page].get_textpage().get_text_bounded())


@pytest.mark.slow
def test_name_passphrase_pin_and_label(image: Path, tmp_path: Path) -> None:
    paper = tmp_path / "label.pdf"
    done = personalise(image, "--name", "cab-3", "--country", "GB", "--label", paper)
    assert done.returncode == 0, done.stderr
    told = boot_file(image)
    values = tomllib.loads(told)
    passphrase, pin = values["wifi"]["passphrase"], values["web"]["pin"]
    assert values["box"]["name"] == values["wifi"]["ssid"] == "cab-3"
    assert values["wifi"]["country"] == "GB"
    assert re.fullmatch(r"([a-z2-9]{4}-){3}[a-z2-9]{4}", passphrase)
    assert [row.partition("#")[2] for row in told.splitlines() if "#" in row] == [
        row.partition("#")[2] if not row.startswith(("# passphrase", "# pin")) else row.split("#")[2]
        for row in NEW_CARD.read_text().splitlines()
        if "#" in row
    ]
    wifi, page = sorted(codes(paper, 0), key=len, reverse=True)
    assert page == "http://192.168.77.1/"
    # The form is that of Zxing's wiki, "Wi-Fi Network config", which phones' cameras read.
    assert set(wifi.removeprefix("WIFI:").split(";")) == {"T:WPA", "S:cab-3", f"P:{passphrase}", ""}
    assert pin not in words(paper, 0)
    assert passphrase in words(paper, 0)
    assert pin in words(paper, 1)
    boot = tmp_path / "linelamp.toml"
    boot.write_text(told)
    asked: list[str | Path] = [sys.executable, "-m", "appliance.card.start", "--boot", boot, "--dry"]
    asked += ["--run", tmp_path / "run", "--share", NEW_CARD.parent, "--own", tmp_path / "own"]
    assert subprocess.run(asked, capture_output=True, text=True, check=True).stderr == ""
    profile = tmp_path / "run/NetworkManager/system-connections/linelamp.nmconnection"
    assert f"psk={passphrase}" in profile.read_text().splitlines()


@pytest.mark.slow
def test_each_box_has_its_own(image: Path, tmp_path: Path) -> None:
    """Done again, the card has another passphrase and PIN, and the same rows."""
    seen = []
    for _ in range(2):
        assert personalise(image, "--name", "cab-3", "--label", tmp_path / "label.pdf").returncode == 0
        seen.append(tomllib.loads(boot_file(image)))
    assert seen[0]["wifi"]["passphrase"] != seen[1]["wifi"]["passphrase"]
    assert seen[0]["machine"] == seen[1]["machine"]


@pytest.mark.slow
def test_what_cannot_be_done_is_told(image: Path, tmp_path: Path) -> None:
    assert "small letters" in personalise(image, "--name", "Cab 3").stderr
    assert "two capital" in personalise(image, "--name", "cab-3", "--country", "gb").stderr
    (tmp_path / "no.img").write_bytes(bytes(4096))
    done = personalise(tmp_path / "no.img", "--name", "cab-3")
    assert done.returncode == 1
    assert "no.img could not be changed" in done.stderr
    assert not (tmp_path / "cab-3.pdf").exists()


def test_pins_and_passphrases_are_as_the_settings_ask(program: ModuleType) -> None:
    for _ in range(200):
        assert re.fullmatch(r"(?!(.)\1+$)[0-9]{6}", program.pin())
        assert re.fullmatch(r"[ -~]{8,63}", program.passphrase())


def test_a_file_that_somebody_has_changed(program: ModuleType) -> None:
    mine = '[box]\nname="old" # mine\n\n[wifi] # air\n#passphrase="abc"\n'
    told = program.changed(mine, {("box", "name"): "new", ("wifi", "passphrase"): "12345678"})
    assert told == '[box]\nname = "new" # mine\n\n[wifi] # air\npassphrase = "12345678"\n'
    with pytest.raises(ValueError, match=r"no row for \[web\] pin"):
        program.changed(mine, {("web", "pin"): "123456"})
