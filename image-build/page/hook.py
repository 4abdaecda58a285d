"""Before the package is built, fetches what the page needs; see fetch.py."""

from __future__ import annotations

import runpy
from pathlib import Path
from typing import Any

from hatchling.builders.hooks.plugin.interface import BuildHookInterface


class Hook(BuildHookInterface):  # type: ignore[type-arg]
    """Of wheels alone, editable ones too: what is only packed up to be built elsewhere needs no net."""

    def initialize(self, version: str, build_data: dict[str, Any]) -> None:  # noqa: ARG002  (hatchling's own)
        """Called by hatchling before it gathers the files."""
        here = runpy.run_path(str(Path(__file__).with_name("fetch.py")))
        try:
            here["fetch"]("uplot", Path(self.root))
        except here["FetchError"] as error:
            self.app.abort(f"linelamp was not built. {error}")
