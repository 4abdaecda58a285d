"""The commissioning sheet of a log that somebody gives: what it tells, and what such a log cannot tell."""

from __future__ import annotations

import hashlib
from pathlib import Path

import pypdfium2
import pytest
from click.testing import CliRunner

from appliance.cli import main
from appliance.inventing import Asked, Recording, write
from appliance.sentence.checksum import checksum


@pytest.fixture(scope="module")
def tagged(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Forty seconds of an invented receiver, with times of arrival."""
    path = tmp_path_factory.mktemp("logs") / "morning.txt"
    write(Recording(Asked([], seconds=40.0)), path, lambda _ms: None)
    return path


@pytest.fixture(scope="module")
def plain(tagged: Path) -> Path:
    """The same without."""
    path = tagged.with_name("bare.txt")
    path.write_bytes(b"".join(row[row.index(b"$") :] for row in tagged.read_bytes().splitlines(keepends=True)))
    return path


def run(*words: str | Path) -> tuple[int, str]:
    done = CliRunner().invoke(main, [str(word) for word in words])
    return done.exit_code, done.output


def paper(path: Path) -> str:
    with pypdfium2.PdfDocument(path) as document:
        return " ".join(" ".join(page.get_textpage().get_text_range() for page in document).split())


def test_a_log_with_times_makes_a_sheet_with_its_own_sum(tagged: Path, tmp_path: Path) -> None:
    code, said = run("sheet", tagged, "--anyway", "--out", tmp_path)
    assert (code, said.strip()) == (0, str(tmp_path / "morning-sheet.pdf"))
    words = paper(tmp_path / "morning-sheet.pdf")
    for told in (
        hashlib.sha256(tagged.read_bytes()).hexdigest(), "sha256sum morning.txt", "the whole log", "log morning.txt",
        "made from a log that was given", "2026-05-04 09:12:00", "in its fullest second", "Hz on average",
    ):  # fmt: skip
        assert told in words, told
    assert "Arrival was not measured" not in words
    assert "NO-GO" not in words


def test_a_log_without_times_says_what_it_cannot_tell(plain: Path, tmp_path: Path) -> None:
    code, said = run("sheet", plain, "--anyway", "--out", tmp_path)
    assert code == 0, said
    words = paper(tmp_path / "bare-sheet.pdf")
    for told in ("Arrival was not measured", "Hz on average", "by the receiver's own time", "2026-05-04 09:12"):
        assert told in words, told
    for hidden in ("in its fullest second", "none later", "hears all nothing found"):
        assert hidden not in words, hidden


def test_a_log_without_a_date_has_times_of_some_day_only(plain: Path, tmp_path: Path) -> None:
    bare = tmp_path / "some-day.txt"
    rows = plain.read_bytes().splitlines(keepends=True)
    bare.write_bytes(b"".join(row for row in rows if b"RMC" not in row and b"ZDA" not in row))
    code, said = run("sheet", bare, "--needs", "alive", "--anyway", "--out", tmp_path / "it.pdf")
    assert code == 0, said
    words = paper(tmp_path / "it.pdf")
    assert "the log holds no date" in words
    assert "From 09:12:00 UTC" in words
    assert "1970" not in words


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (("{log}", "--watch", "1"), "not both"),
        (("{log}", "--needs", "none-such"), "none-such"),
        (("{log}",), "say --anyway"),
        (("{log}.not",), "cannot be read"),
    ],
)
def test_what_cannot_be_made_is_told(tagged: Path, tmp_path: Path, words: tuple[str, ...], says: str) -> None:
    code, said = run("sheet", *(word.format(log=tagged) for word in words), "--out", tmp_path)
    assert code == 2
    assert says in said


def test_a_log_of_too_long_a_time_is_refused(plain: Path, tmp_path: Path) -> None:
    """Its rows are of two days that lie a year apart."""
    rows = plain.read_bytes().splitlines(keepends=True)
    far = tmp_path / "far.txt"
    with far.open("wb") as file:
        file.writelines(rows)
        for row in rows:
            if b"ZDA" in row or b"RMC" in row:
                body = row[1 : row.index(b"*")].replace(b",2026,", b",2027,").replace(b"040526", b"040527")
                file.write(b"$%s*%02X\r\n" % (body, checksum(body)))
    code, said = run("sheet", far, "--anyway", "--out", tmp_path)
    assert code == 2
    assert "span more than 48 hours" in said
