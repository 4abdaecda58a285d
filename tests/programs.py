"""Commands without an ending, such as image-build/bundle, as modules: what they are made of is tested as well."""

from __future__ import annotations

import sys
from importlib.machinery import SourceFileLoader
from importlib.util import module_from_spec, spec_from_loader
from pathlib import Path
from types import ModuleType


def as_module(program: Path) -> ModuleType:
    """The command as a module, new each time; nothing compiled is left beside it."""
    loader = SourceFileLoader(program.name, str(program))
    spec = spec_from_loader(program.name, loader)
    assert spec
    module = module_from_spec(spec)
    sys.dont_write_bytecode, before = True, sys.dont_write_bytecode
    loader.exec_module(module)
    sys.dont_write_bytecode = before
    return module
