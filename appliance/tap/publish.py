"""How the tap shows something to others: a file of JSON, replaced in one step, so nobody ever reads half of one."""

from __future__ import annotations

import json
from collections.abc import Mapping
from pathlib import Path
from typing import Any


def publish(path: Path, value: Mapping[str, Any]) -> None:
    """Replaces the file at path. OSError: its folder cannot be written."""
    fresh = path.with_suffix(".new")
    fresh.write_text(json.dumps(value), encoding="utf-8")
    fresh.replace(path)
