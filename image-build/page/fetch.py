"""Fetches what the page needs of other people's code from the npm registry, as package-lock.json pins it.

python image-build/page/fetch.py uplot      into web/static/uplot, which no commit takes in

The standard library does it: the lock names address and SHA-512 of each package, and there is nothing to build. As
npm does, it asks the registry that npm_config_registry names, where that is set, and goes through the proxies that
the environment names.
"""

from __future__ import annotations

import base64
import hashlib
import io
import json
import os
import sys
import tarfile
import time
import urllib.request
from http.client import HTTPException
from pathlib import Path
from urllib.parse import urlsplit

HERE = Path(__file__).resolve().parent
PROJECT = HERE.parents[1]
LOCK = HERE / "package-lock.json"
STAMP = "from"  # in the folder of each package: the hash that its files came from

WANTED = {
    "uplot": ("web/static/uplot", ("dist/uPlot.iife.min.js", "dist/uPlot.min.css", "LICENSE")),
    "axe-core": ("build/axe-core", ("axe.min.js", "LICENSE")),
}
"""package: (folder in the project, its files that are kept there)."""

TRIES = 3
WAIT_S = 30


class FetchError(Exception):
    """A package cannot be had; the text says which, from where, why, and what to do."""


def fetch(package: str, project: Path = PROJECT, lock: Path = LOCK, pause_s: float = 2.0) -> Path:
    """The folder in project that holds the files of package, fetched where they are not there yet. FetchError."""
    folder, names = WANTED[package]
    pinned = json.loads(lock.read_text())["packages"][f"node_modules/{package}"]
    target, integrity = project / folder, pinned["integrity"]
    stamp = target / STAMP
    there = all((target / Path(name).name).is_file() for name in names)
    if there and stamp.is_file() and stamp.read_text() == integrity:
        return target
    address = _address(pinned["resolved"])
    packed = _load(package, address, pause_s)
    if not _is(packed, integrity):
        raise FetchError(
            f"{package} from {address} is not what {lock.name} pins (its SHA-512 differs), so it was not used. "
            "Try again; if it stays so, something between here and the registry changes what it sends."
        )
    target.mkdir(parents=True, exist_ok=True)
    with tarfile.open(fileobj=io.BytesIO(packed)) as archive:
        for name in names:
            member = archive.extractfile(f"package/{name}")
            if member is None:
                raise FetchError(f"{package} from {address} holds no file {name}.")
            (target / Path(name).name).write_bytes(member.read())
    stamp.write_text(integrity)
    return target


def _address(resolved: str) -> str:
    """Where to ask: at the registry of the lock, or at the one that the environment names instead."""
    named = next((value for name, value in os.environ.items() if name.lower() == "npm_config_registry" and value), "")
    return named.rstrip("/") + urlsplit(resolved).path if named else resolved


def _load(package: str, address: str, pause_s: float) -> bytes:
    for attempt in range(1, TRIES + 1):
        try:
            with urllib.request.urlopen(address, timeout=WAIT_S) as answer:
                packed: bytes = answer.read()
                return packed
        except (OSError, HTTPException) as error:
            if attempt == TRIES:
                raise FetchError(
                    f"{package} cannot be fetched from {address}: {error}. It is needed once, to draw the plots of the "
                    "page. Connect this machine to the net, or name a registry that it can reach in "
                    "npm_config_registry, and do the same again."
                ) from error
            time.sleep(pause_s * attempt)
    raise AssertionError  # the last attempt returns or raises


def _is(packed: bytes, integrity: str) -> bool:
    """Subresource Integrity (W3C): one hash, "sha512-" and base64."""
    algorithm, _, expected = integrity.partition("-")
    return base64.b64encode(hashlib.new(algorithm, packed).digest()).decode() == expected


if __name__ == "__main__":
    try:
        for asked in sys.argv[1:] or ["uplot"]:
            print(fetch(asked))
    except FetchError as trouble:
        sys.exit(str(trouble))
