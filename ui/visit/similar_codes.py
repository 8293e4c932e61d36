"""Codes of earlier patients that a new one may be a slip of: HL-0070 beside HL-0007."""

from __future__ import annotations

from collections.abc import Iterable

# Letters and figures that are mistaken for each other in reading and typing (common practice, no source).
LOOK_ALIKE = str.maketrans({"o": "0", "i": "1", "l": "1", "s": "5", "b": "8"})


def similar_codes(code: str, known: Iterable[str]) -> tuple[str, ...]:
    """Those of `known` that typing `code` with one slip gives; none where the code itself is known.

    Slips: upper and lower case, signs between, look-alikes, two neighbours exchanged, one letter too many or
    too few. Another figure in one place is none: codes that are counted differ so.

    >>> similar_codes("HL-0007", ["HL-0070", "HL-0008", "hl0007"])
    ('HL-0070', 'hl0007')
    """
    known = sorted(set(known))
    if code in known:
        return ()
    return tuple(one for one in known if _one_slip(_plain(code), _plain(one)))


def _plain(code: str) -> str:
    letters = "".join(letter for letter in code.casefold() if letter.isalnum())
    return letters.translate(LOOK_ALIKE)


def _one_slip(one: str, other: str) -> bool:
    if one == other:
        return True
    if len(one) == len(other):
        return any(_exchanged(one, n) == other for n in range(len(one) - 1))
    longer, shorter = sorted((one, other), key=len, reverse=True)
    return any(longer[:n] + longer[n + 1 :] == shorter for n in range(len(longer)))


def _exchanged(code: str, n: int) -> str:
    return code[:n] + code[n + 1] + code[n] + code[n + 2 :]
