"""Fetching what the page needs of other people's code: only what the lock pins, from where the environment says."""

from __future__ import annotations

import base64
import hashlib
import io
import json
import runpy
import tarfile
import threading
from collections.abc import Iterator
from http.server import BaseHTTPRequestHandler, HTTPServer
from pathlib import Path
from typing import Any

import pytest

FETCH = Path(__file__).parents[2] / "image-build" / "page" / "fetch.py"
NAMES = ("dist/uPlot.iife.min.js", "dist/uPlot.min.css", "LICENSE")


def packed(text: str) -> bytes:
    """A package as the registry sends it."""
    out = io.BytesIO()
    with tarfile.open(fileobj=out, mode="w:gz") as archive:
        for name in NAMES:
            member = tarfile.TarInfo(f"package/{name}")
            member.size = len(text)
            archive.addfile(member, io.BytesIO(text.encode()))
    return out.getvalue()


class Registry:
    """Sends `sends` whatever is asked; asked: the paths."""

    def __init__(self) -> None:
        self.sends, self.status, self.asked = packed("one"), 200, []
        registry = self

        class Handler(BaseHTTPRequestHandler):
            def do_GET(self) -> None:
                registry.asked.append(self.path)
                self.send_response(registry.status)
                self.send_header("Content-Length", str(len(registry.sends)))
                self.end_headers()
                self.wfile.write(registry.sends)

            def log_message(self, *_: Any) -> None:
                pass

        self._server = HTTPServer(("127.0.0.1", 0), Handler)
        self.address = f"http://127.0.0.1:{self._server.server_port}/mirror/"
        self._thread = threading.Thread(target=self._server.serve_forever, args=(0.01,))
        self._thread.start()

    asked: list[str]

    def close(self) -> None:
        self._server.shutdown()
        self._thread.join(5)
        self._server.server_close()


@pytest.fixture
def registry(monkeypatch: pytest.MonkeyPatch) -> Iterator[Registry]:
    made = Registry()
    monkeypatch.setenv("NPM_CONFIG_REGISTRY", made.address)
    yield made
    made.close()


@pytest.fixture
def lock(tmp_path: Path) -> Path:
    """Pins the package that holds "one"."""
    pinned = base64.b64encode(hashlib.sha512(packed("one")).digest()).decode()
    package = {"resolved": "https://registry.invalid/uplot/-/uplot-1.0.0.tgz", "integrity": f"sha512-{pinned}"}
    path = tmp_path / "package-lock.json"
    path.write_text(json.dumps({"packages": {"node_modules/uplot": package}}))
    return path


@pytest.fixture
def here() -> dict[str, Any]:
    return runpy.run_path(str(FETCH))


@pytest.fixture(autouse=True)
def same_time(monkeypatch: pytest.MonkeyPatch) -> None:
    """A package is the same bytes whenever it is packed."""
    monkeypatch.setattr("gzip.time.time", lambda: 0.0)


def test_fetched_once_from_the_registry_of_the_environment(
    registry: Registry, lock: Path, here: dict[str, Any], tmp_path: Path
) -> None:
    for _ in range(2):
        folder = here["fetch"]("uplot", tmp_path, lock)
    assert registry.asked == ["/mirror/uplot/-/uplot-1.0.0.tgz"]
    assert {path.name for path in folder.iterdir()} == {"uPlot.iife.min.js", "uPlot.min.css", "LICENSE", "from"}
    assert (folder / "uPlot.min.css").read_text() == "one"


def test_what_is_not_as_pinned_is_not_used(
    registry: Registry, lock: Path, here: dict[str, Any], tmp_path: Path
) -> None:
    registry.sends = packed("two")
    with pytest.raises(here["FetchError"], match=r"not what package-lock.json pins .* not used"):
        here["fetch"]("uplot", tmp_path, lock)
    assert not (tmp_path / "web").exists()


def test_a_registry_that_fails_is_tried_again_and_then_told(
    registry: Registry, lock: Path, here: dict[str, Any], tmp_path: Path
) -> None:
    registry.status = 500
    with pytest.raises(here["FetchError"], match=r"cannot be fetched .* Connect this machine to the net, or name"):
        here["fetch"]("uplot", tmp_path, lock, pause_s=0)
    assert len(registry.asked) == 3


def test_the_lock_pins_all_that_is_wanted(here: dict[str, Any]) -> None:
    packages = json.loads(here["LOCK"].read_text())["packages"]
    asked = json.loads((FETCH.parent / "package.json").read_text())
    assert set(here["WANTED"]) == {*asked["dependencies"], *asked["devDependencies"]}
    for name in here["WANTED"]:
        assert packages[f"node_modules/{name}"]["integrity"].startswith("sha512-")
