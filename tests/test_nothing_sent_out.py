"""Nothing leaves the box by itself: no code of ours calls anywhere, and no unit may reach beyond the nets beside it."""

from __future__ import annotations

import ast
import ipaddress
import re
from collections.abc import Iterator
from pathlib import Path

import pytest

HERE = Path(__file__).parent.parent
UNITS = sorted((HERE / "systemd/usr/local/lib/systemd/system").glob("*.service"))
OURS = sorted([*(HERE / "appliance").rglob("*.py"), *(HERE / "systemd").rglob("*.py")])
CALLERS = {
    "urllib.request",
    "http.client",
    "requests",
    "httpx",
    "aiohttp",
    "ftplib",
    "smtplib",
    "paramiko",
    "socketserver",
}
ON_THIS_MACHINE = {"demo.py"}
"""An invented cab on a person's own machine: it asks its own page whether it is up."""
PRIVATE = [ipaddress.ip_network(net) for net in ("127.0.0.0/8", "10.0.0.0/8", "172.16.0.0/12", "192.168.0.0/16",
                                                 "169.254.0.0/16", "fc00::/7", "fe80::/10")]  # fmt: skip
"""RFC 1122, 1918, 3927, 4193, 4291."""


def imported(tree: ast.AST) -> Iterator[str]:
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            yield from (name.name for name in node.names)
        elif isinstance(node, ast.ImportFrom) and node.module:
            yield from (node.module, *(f"{node.module}.{name.name}" for name in node.names))


def calls_out(text: str) -> list[str]:
    """What in a module's text could reach another machine."""
    tree = ast.parse(text)
    found = sorted(CALLERS & set(imported(tree)))
    for node in ast.walk(tree):
        if isinstance(node, ast.Call) and ast.unparse(node.func) in {"socket.socket", "socket.create_connection"}:
            family = ast.unparse(node.args[0]) if node.args else ""
            if family != "socket.AF_UNIX":
                found.append(ast.unparse(node))
    return found


def test_no_module_calls_anywhere() -> None:
    assert len(OURS) > 200
    found = {path.relative_to(HERE): calls_out(path.read_text()) for path in OURS if path.name not in ON_THIS_MACHINE}
    assert {path: calls for path, calls in found.items() if calls} == {}


@pytest.mark.parametrize("text", ["import requests", "from urllib import request", "import socket\nsocket.socket()",
                                  "import socket\nsocket.create_connection(('a', 1))"])  # fmt: skip
def test_one_that_did_would_be_found(text: str) -> None:
    assert calls_out(text)


@pytest.mark.parametrize("unit", UNITS, ids=lambda path: path.name)
def test_no_unit_of_the_box_can_reach_the_world(unit: Path) -> None:
    """Either it has no network, or no addresses, or those of the nets beside the box alone; `grow` is done at first
    start, before there is a network, by the system's own tools."""
    text = unit.read_text()
    said = {key: value.split() for key, value in re.findall(r"^(\w+)=(.*)$", text, re.MULTILINE)}
    families = set(said.get("RestrictAddressFamilies", ["AF_INET"]))
    if said.get("PrivateNetwork") == ["yes"] or not families & {"AF_INET", "AF_INET6"}:
        return
    if unit.name == "linelamp-grow.service":
        return
    assert said["IPAddressDeny"] == ["any"]
    for allowed in said["IPAddressAllow"]:
        net = ipaddress.ip_network("127.0.0.0/8" if allowed == "localhost" else allowed)
        assert any(net.version == one.version and net.subnet_of(one) for one in PRIVATE), allowed  # type: ignore[arg-type]
