"""QR codes as SVG, dark on light whatever the theme, since a camera must read them."""

from __future__ import annotations

from functools import lru_cache


def drawn(text: str) -> str:
    """The code of a text."""
    import segno  # noqa: PLC0415 (loaded only once a page shows a code)

    made = segno.make(text, micro=False)
    return str(made.svg_inline(omitsize=True, border=4, dark="#000", light="#fff"))


@lru_cache(maxsize=16)
def of_address(address: str) -> str:
    """The code of an address of this box: drawn once, since it takes longer than the rest of a page."""
    return drawn(address)
