"""Which letters the shipped fonts hold. Others are printed as their code point, so that no report fails."""

from __future__ import annotations

# Blocks that Noto Sans and Noto Sans Devanagari cover as far as people's names need them: printable Latin
# with all its accents, Greek, Cyrillic, Devanagari, and the signs that Driftbeat writes itself.
COVERED = (
    (0x20, 0x7E),
    (0xA0, 0xAC),
    (0xAE, 0x17F),
    (0x300, 0x304),
    (0x386, 0x38A),
    (0x38E, 0x3A1),
    (0x3A3, 0x3CE),
    (0x400, 0x45F),
    (0x900, 0x963),
    (0x966, 0x96F),
    (0x1E00, 0x1EF9),
    (0x2010, 0x2011),
    (0x2013, 0x2014),
    (0x2018, 0x201A),
    (0x201C, 0x201E),
    (0x2026, 0x2026),
    (0x2212, 0x2212),
)


def printable(text: str) -> str:
    """The text with every letter that the fonts lack, and every control mark, as its code point.

    >>> printable("Müller 日")
    'Müller [U+65E5]'
    """
    return "".join(letter if _covered(ord(letter)) else f"[U+{ord(letter):04X}]" for letter in text)


def _covered(code: int) -> bool:
    return any(low <= code <= high for low, high in COVERED)
