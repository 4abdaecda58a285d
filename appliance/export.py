"""Takes a log out of a history file: `linelamp export`. The page offers the same forms."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO

from appliance.history.reader import History
from appliance.history.rows import Watch
from appliance.take.forms import FORMS
from appliance.take.name import file_name
from appliance.take.span import Span, between

_SLICED = frozenset({"text", "raw"})
"""Forms without a heading: spans side by side join into the whole."""
_SLICE_NS = 600_000_000_000


class ExportError(ValueError):
    """What was asked for cannot be taken; says why and what there is."""


@dataclass(slots=True, frozen=True)
class Wanted:
    """What to take. watch_id None: the latest. from_utc, to_utc: ISO 8601; None: the start and end of the watch."""

    form: str
    watch_id: int | None
    line: str
    from_utc: str | None
    to_utc: str | None


class Leaving:
    """A log about to leave: its name, its length and its bytes."""

    def __init__(self, history: History, watch: Watch, wanted: Wanted, span: Span) -> None:
        self._history = history
        self._watch = watch
        self._wanted = wanted
        self._span = span
        self._form = FORMS[wanted.form]

    @property
    def seconds(self) -> int:
        """Length of the span in seconds, for a progress bar."""
        return max(1, (self._span.to_ns - self._span.from_ns) // 1_000_000_000)

    @property
    def troubles(self) -> list[str]:
        """Plain sentences on what of the span is no longer there, or cannot be read."""
        return self._history.troubles

    def target(self, out: Path | None) -> Path:
        """The file to write: out, or one in it named after date, machine and span; never one that is there."""
        name = file_name(self._watch, self._form, self._wanted.line, self._span.from_ns, self._span.to_ns)
        target = Path(name) if out is None else out / name if out.is_dir() else out
        if target.exists():
            raise ExportError(f"{target} is there already; give another name with --out.")
        return target

    def write_to(self, file: BinaryIO, progress: Callable[[int], None] | None = None) -> None:
        """Writes the bytes; progress is told the seconds done since it was last told."""
        span = self._span
        step_ns = _SLICE_NS if self._wanted.form in _SLICED else span.to_ns - span.from_ns
        for begin_ns in range(span.from_ns, span.to_ns, step_ns):
            end_ns = min(begin_ns + step_ns, span.to_ns)
            file.writelines(self._form.lines(self._history, self._watch, self._wanted.line, begin_ns, end_ns))
            if progress is not None:
                progress((end_ns - begin_ns) // 1_000_000_000)


@contextmanager
def opened(path: Path, wanted: Wanted) -> Iterator[Leaving]:
    """The log wanted, of the history at path. Raises ExportError, SpanError, HistoryError."""
    if wanted.form not in FORMS:
        raise ExportError(f"There is no form {wanted.form!r}; there are {', '.join(FORMS)}.")
    with History(path) as history:
        watch = history.latest() if wanted.watch_id is None else history.watch(wanted.watch_id)
        if watch is None:
            raise ExportError(f"{path} holds no watch yet: nothing to take.")
        yield Leaving(history, watch, wanted, between(watch, wanted.from_utc, wanted.to_utc))


def forms_in_words() -> str:
    """The forms there are, one a row."""
    return "\n".join(f"{key:10} {form.title}" for key, form in FORMS.items())
