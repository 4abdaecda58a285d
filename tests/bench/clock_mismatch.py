"""How many characters an 8N1 listener reads right when the two clocks differ: a plot in text.

    python tests/bench/clock_mismatch.py

In theory a sampler in the middle of the bit fails from half a bit over nine and a half, 5.26 %; chip manuals quote 4.4
to 4.7 %, for a sampler on a grid of sixteen. Characters go back to back, the hardest case; 64 phases of the grid.
"""

from __future__ import annotations

from random import Random

from appliance.sentence.setting import Setting
from appliance.simulate.receiver import Burst
from appliance.simulate.uart import receive
from appliance.simulate.wave import encode

LISTENER = Setting(38_400)
PHASES = 64
WIDTH = 50


def good_share(percent: float) -> float:
    """Share of the characters received right from a sender whose clock runs so much fast."""
    dice = Random("mismatch")
    data = bytes(dice.randrange(0x20, 0x7F) for _ in range(40))
    line = encode([Burst(0.01, data)], LISTENER, ppm=percent * 10_000)
    good = 0
    for phase in range(PHASES):
        heard = [one.byte for one in receive(line, LISTENER, phase) if not one.framing]
        good += sum(sent == got for sent, got in zip(data, heard, strict=False))
    return good / (PHASES * len(data))


def main() -> None:
    """Prints a row for each tenth of a per cent where something happens."""
    for tenth in (*range(-65, -45), -30, 0, 30, *range(40, 60)):
        share = good_share(tenth / 10)
        print(f"{tenth / 10:+5.1f} % {share * 100:5.0f} % {'#' * round(share * WIDTH)}")


if __name__ == "__main__":
    main()
