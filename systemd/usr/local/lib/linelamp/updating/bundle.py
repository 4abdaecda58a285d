"""A bundle: a signature in OpenSSH's form (PROTOCOL.sshsig), and right behind it the zip file that it signs.

The zip holds manifest.json and wheels/. The manifest: `format` 1, `version`, `schema` (steps of the history that it
knows), `made` (ISO 8601, the time of the newest change in it), `files` (name -> [sha256, bytes]), and `for`: for each
target ("3.11-aarch64") the wheels that it takes. image-build/bundle makes it.

The order matters: size, a copy where nobody else can write, signature, and only then is it opened as a zip.
"""

from __future__ import annotations

import hashlib
import json
import os
import re
import shutil
import stat
import zipfile
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from updating.box import JSON_MOST_BYTES, Box
from updating.said import Refused

MOST_BYTES = 64 * 1024 * 1024
"""As the page's own limit. Our choice: three times what a bundle holds."""
UNPACKED_MOST_BYTES = 2 * MOST_BYTES
FILES_MOST = 200
BEGINS, ENDS = b"-----BEGIN SSH SIGNATURE-----\n", b"\n-----END SSH SIGNATURE-----\n"
SIGNATURE_MOST_BYTES = 4096
NAMESPACE, SIGNER = "linelamp-update", "linelamp"
FORMAT = 1
VERSION = re.compile(r"\d{1,5}(\.\d{1,5}){0,3}")
MADE = re.compile(r"20\d\d-\d\d-\d\dT\d\d:\d\d:\d\d\+00:00")
WHEEL = re.compile(r"wheels/[A-Za-z0-9][A-Za-z0-9._+-]{0,200}\.whl")
_PIECE = 1 << 20


@dataclass(frozen=True)
class Bundle:
    """One that may be believed. sha256: of all that is signed."""

    payload: Path
    sha256: str
    version: str
    schema: int
    made: str
    files: dict[str, tuple[str, int]]
    wheels: tuple[str, ...]


def take(box: Box, name: str) -> Path:
    """Copies what lies in the spool to where nobody else can write, and takes it away there. Raises Refused."""
    copy, too_large = box.work / "bundle", Refused("too-large", most_mb=str(MOST_BYTES >> 20))
    with box.open_spool() as spool:
        try:
            # Not blocking: a pipe would keep us waiting for ever.
            file = os.open(name, os.O_RDONLY | os.O_NOFOLLOW | os.O_NONBLOCK | os.O_NOCTTY, dir_fd=spool)
        except OSError as trouble:
            raise Refused("no-file") from trouble
        finally:
            away(spool, name)
    kind = os.fstat(file)
    if not stat.S_ISREG(kind.st_mode) or kind.st_size > MOST_BYTES:
        os.close(file)
        raise too_large if stat.S_ISREG(kind.st_mode) else Refused("no-file")
    with os.fdopen(file, "rb") as source, copy.open("wb") as target:
        while piece := source.read(_PIECE):
            target.write(piece)
            if target.tell() > MOST_BYTES:  # it may grow while it is read
                raise too_large
    return copy


def names(folder: int) -> set[str]:
    """What lies in an opened folder."""
    return set(os.listdir(folder))


def away(spool: int, name: str) -> None:
    """Whatever it is, it must not wake us again."""
    try:
        os.unlink(name, dir_fd=spool)
    except IsADirectoryError:
        shutil.rmtree(name, dir_fd=spool)
    except FileNotFoundError:
        pass


def verified(box: Box, copy: Path) -> Path:
    """What is signed, once the signature is right. Raises Refused."""
    signature, payload = box.work / "signature", box.work / "payload"
    with copy.open("rb") as file:
        head = file.read(SIGNATURE_MOST_BYTES)
        end = head.find(ENDS)
        if not head.startswith(BEGINS) or end < 0:
            raise Refused("no-bundle")
        signature.write_bytes(head[: end + len(ENDS)])
        file.seek(end + len(ENDS))
        with payload.open("wb") as target:
            shutil.copyfileobj(file, target, _PIECE)
    copy.unlink()
    with payload.open("rb") as signed:
        done = box.run("ssh-keygen", "-Y", "verify", "-f", box.signers, "-I", SIGNER, "-n", NAMESPACE,
                       "-s", signature, stdin=signed)  # fmt: skip
    if done.returncode:
        raise Refused("signature")
    return payload


def read(payload: Path, target: str) -> Bundle:
    """A signed one's manifest, and whether it is meant for this box. Raises Refused."""
    try:
        with zipfile.ZipFile(payload) as packed, packed.open("manifest.json") as manifest:
            found = json.loads(manifest.read(JSON_MOST_BYTES))
    except (zipfile.BadZipFile, KeyError, ValueError, NotImplementedError) as trouble:
        raise Refused("strange", what=str(trouble)) from trouble
    told: dict[str, Any] = found if isinstance(found, dict) else {}
    if wrong := _wrong(told):
        raise Refused("strange", what=wrong)
    if target not in told["for"]:
        raise Refused("other-python", wanted=", ".join(told["for"]), has=target)
    with payload.open("rb") as file:
        sha256 = hashlib.file_digest(file, "sha256").hexdigest()
    files = {name: (digest, size) for name, (digest, size) in told["files"].items()}
    return Bundle(payload, sha256, told["version"], told["schema"], told["made"], files, tuple(told["for"][target]))


def _wrong(told: dict[str, Any]) -> str:
    """What of a manifest cannot be, "" if nothing is."""
    return next((says for says, right in _RULES if not right(told)), "")


def _is(form: re.Pattern[str], words: Any) -> bool:
    return isinstance(words, str) and bool(form.fullmatch(words))


def _sizes(told: dict[str, Any]) -> list[int]:
    """Of those files whose row is as it must be."""
    rows = told["files"].values()
    return [row[1] for row in rows if isinstance(row, list) and [type(one) for one in row] == [str, int]]


# In this order: each may rest on those before it.
_RULES: tuple[tuple[str, Callable[[dict[str, Any]], bool]], ...] = (
    ("its form is not known", lambda told: told.get("format") == FORMAT),
    ("its version is none", lambda told: _is(VERSION, told.get("version"))),
    ("its date is none", lambda told: _is(MADE, told.get("made"))),
    ("its schema is no number", lambda told: type(told.get("schema")) is int),
    ("its manifest is not whole", lambda told: all(isinstance(told.get(name), dict) for name in ("files", "for"))),
    ("it names too many files, or none", lambda told: 0 < len(told["files"]) <= FILES_MOST),
    ("a file in it has a strange name", lambda told: all(WHEEL.fullmatch(name) for name in told["files"])),
    ("a file in it has no sum", lambda told: len(_sizes(told)) == len(told["files"])),
    ("it is too large", lambda told: min(_sizes(told)) >= 0 and sum(_sizes(told)) <= UNPACKED_MOST_BYTES),
    ("it lacks a file of its own list", lambda told: all(
        isinstance(names, list) and names and {str(name) for name in names} <= set(told["files"])
        for names in told["for"].values())),
)  # fmt: skip


def unpack(bundle: Bundle, folder: Path) -> list[Path]:
    """Its wheels for this box, each held against its sum. Raises Refused."""
    folder.mkdir()
    made = []
    with zipfile.ZipFile(bundle.payload) as packed:
        for name in bundle.wheels:
            digest, size = bundle.files[name]
            wheel = folder / Path(name).name
            try:
                with packed.open(name) as source, wheel.open("wb") as target:
                    data = source.read(size + 1)
                    target.write(data)
            except (zipfile.BadZipFile, KeyError, NotImplementedError, EOFError) as trouble:
                raise Refused("strange", what=str(trouble)) from trouble
            if hashlib.sha256(wheel.read_bytes()).hexdigest() != digest:
                raise Refused("strange", what=f"{wheel.name} has another sum than was signed")
            made.append(wheel)
    return made


def number(version: str) -> tuple[int, ...]:
    """To compare versions by: 1.10 is newer than 1.9, and 1.0 is 1."""
    parts = [int(part) for part in version.split(".")] if VERSION.fullmatch(version) else []
    while parts and not parts[-1]:
        parts.pop()
    return tuple(parts)
