"""Coverage-guided fuzzing of one target: bytes are changed, and what reaches new branches is kept and changed on.

    python tests/fuzz/fuzz.py TARGET [seconds; 60] [kept corpus, to be added to]

Targets and what each promises: targets.py. It begins with tests/fuzz/corpus/TARGET, and with words of the trade, which
chance would not find. What breaks a promise is written to crash-* in the working folder, and the exit status is not 0;
put it into the corpus, mend the program, and the suite holds it from then on.
"""

from __future__ import annotations

import sys
import tempfile
from pathlib import Path
from typing import TYPE_CHECKING

import atheris

CORPUS = Path(__file__).parent / "corpus"
WORDS = (
    *("$GNGGA,", "$GPRMC,", "$GNVTG,", "$GNZDA,", "$GPGST,", "!AIVDM,", "\\\\c:1777886000*00\\\\"),
    *("*7F\\x0d\\x0a", "101112.00", "5206.12345678,N,", "00117.12345678,W,", "title = ", "[message.GGA]", "rate_hz = "),
    *("[line]", "[fix]", "qualities = [", "talkers = [", "\\xd3\\x00\\x13", "SQLite format 3\\x00"),
)
LIMITS = ("-timeout=20", "-max_len=4096", "-rss_limit_mb=1024")

if TYPE_CHECKING:
    from tests.fuzz.targets import TARGETS, forget
else:
    with atheris.instrument_imports(include=["appliance"], enable_loader_override=False):
        from targets import TARGETS, forget


def main(target: str, seconds: float, kept: str) -> None:
    with tempfile.TemporaryDirectory() as name:
        words = Path(name) / "words"
        words.write_text("".join(f'"{word}"\n' for word in WORDS))
        seeds = CORPUS / target
        options = [f"-max_total_time={seconds:g}", f"-dict={words}", *LIMITS]
        where = [kept] if kept else [str(Path(name))]
        if seeds.is_dir():
            where.append(str(seeds))
        atheris.Setup([sys.argv[0], *options, *where], TARGETS[target])
        try:
            atheris.Fuzz()
        finally:
            forget()


if __name__ == "__main__":
    arguments = [*sys.argv[1:], "", ""]
    main(arguments[0], float(arguments[1] or 60), arguments[2])
