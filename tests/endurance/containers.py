"""What grows: the length of every container that can be reached from a thing, and of what the package keeps beside."""

from __future__ import annotations

import functools
import queue
import sys
from collections import Counter, deque
from typing import Any

OURS = "appliance."
Lengths = Counter[str]
_CACHE = type(functools.cache(len))


def lengths(thing: Any, name: str) -> Lengths:
    """Of the containers in it, by the way to them; of those that lie side by side the longest counts.

    It goes through containers and objects of the package, and through queues; not into locks, threads and files.
    """
    found: Lengths = Counter()
    seen: set[int] = set()
    waiting: deque[tuple[Any, str]] = deque([(thing, name)])
    while waiting:
        one, way = waiting.popleft()
        if isinstance(one, str | bytes | int | float | type | None) or id(one) in seen:
            continue
        seen.add(id(one))
        if isinstance(one, queue.Queue):
            one = one.queue
        if isinstance(one, dict | list | set | deque):
            found[way] = max(found[way], len(one))
        if isinstance(one, dict | list | tuple | set | frozenset | deque):
            inner = [*one, *one.values()] if isinstance(one, dict) else list(one)
            waiting += [(each, f"{way}[]") for each in inner]
        if type(one).__module__.startswith(OURS):
            names = {each for kind in type(one).__mro__ for each in getattr(kind, "__slots__", ())}
            names |= set(getattr(one, "__dict__", ()))
            waiting += [(getattr(one, each, None), f"{way}.{each}") for each in sorted(names)]
    return found


def kept() -> Lengths:
    """What the modules of the package hold themselves and their functions remember, by name."""
    found: Lengths = Counter()
    for module_name, module in list(sys.modules.items()):
        if module_name.startswith(OURS):
            for name, value in vars(module).items():
                if type(value) is _CACHE and value.__module__ == module_name and value.cache_info().maxsize is None:
                    found[f"{module_name}.{name}()"] = value.cache_info().currsize
                elif type(value) in (dict, list, set, deque) and not name.startswith("__"):
                    found[f"{module_name}.{name}"] = len(value)
    return found
