"""What is typed about a patient, checked in words and turned into values."""

from __future__ import annotations

import re

from recordings.history import LONGEST_NAME, MOST_MEDICINES, Medicine

LONGEST_CODE = 40  # still readable at the size in which it is shown from then on
OLDEST_YEARS = 120
TRAINING_CODE = "TRAINING"  # of every simulated patient; has no figure, so no patient can have it
UNITS_H = {"min": 1 / 60, "h": 1.0, "d": 24.0, "w": 168.0, "mo": 730.5, "y": 8766.0}
WORDS = {
    "min": "min", "mins": "min", "minute": "min", "minutes": "min", "h": "h", "hour": "h", "hours": "h",
    "d": "d", "day": "d", "days": "d", "w": "w", "week": "w", "weeks": "w", "mo": "mo", "month": "mo",
    "months": "mo", "y": "y", "year": "y", "years": "y",
}  # fmt: skip
TIME_AGO = re.compile(r"(\d{1,4}(?:[.,]\d{1,2})?)\s*([a-z]+)(?:\s+ago)?", re.IGNORECASE | re.ASCII)


def code_problem(code: str) -> str:
    """Why this cannot be a patient's code, in words; empty when it can. Spaces around it do not count."""
    code = code.strip()
    if not code:
        return "A patient code is needed: a pseudonym such as HL-0007."
    if len(code) > LONGEST_CODE:
        return f"The code has {len(code)} characters; at most {LONGEST_CODE} can be read on the screen."
    if not code.isprintable():
        return "The code contains a character that cannot be seen. Type it again."
    if not any(letter.isdigit() for letter in code):
        return "A code needs at least one digit, so that no name gets in: a pseudonym such as HL-0007."
    return ""


def operator_problem(operator: str) -> str:
    """Why this cannot be an operator's code; empty when it can, or is left out."""
    operator = operator.strip()
    if len(operator) > LONGEST_CODE or not operator.isprintable():
        return f"The operator's code is at most {LONGEST_CODE} printable characters."
    return ""


def year_of(text: str, this_year: int) -> int | None:
    """The year of birth; None where nothing is typed. Raises ValueError in words."""
    text = text.strip()
    if not text:
        return None
    if not (text.isascii() and text.isdigit() and len(text) == 4):
        raise ValueError("The year of birth has four digits, such as 1958; leave it empty if unknown.")
    if not this_year - OLDEST_YEARS <= int(text) <= this_year:
        raise ValueError(f"The year of birth lies between {this_year - OLDEST_YEARS} and {this_year}.")
    return int(text)


def hours_of(text: str) -> float | None:
    """A time such as "3 d", "6 hours ago", "1,5 h" in hours; None where nothing is typed.

    Raises ValueError in words.
    """
    text = text.strip()
    if not text:
        return None
    found = TIME_AGO.fullmatch(text)
    unit = WORDS.get(found[2].lower()) if found else None
    if found is None or unit is None:
        raise ValueError(f"“{text[:30]}” is not a time: write such as 30 min, 6 h, 3 d, 2 weeks, 5 months.")
    return float(found[1].replace(",", ".")) * UNITS_H[unit]


def medicines_of(text: str) -> tuple[Medicine, ...]:
    """Medicines parted by ";", each with its last dose after a comma: "betahistine 16 mg, 8 h ago; ...".

    Raises ValueError in words.
    """
    parts = [part.strip() for part in text.split(";") if part.strip()]
    if len(parts) > MOST_MEDICINES:
        raise ValueError(f"At most {MOST_MEDICINES} medicines can be stored.")
    return tuple(_medicine(part) for part in parts)


def _medicine(part: str) -> Medicine:
    name, comma, dose = part.rpartition(",")
    since_h: float | None = None
    if comma and TIME_AGO.fullmatch(dose.strip()):
        since_h = hours_of(dose)
    else:
        name = part
    name = name.strip()
    if not name or len(name) > LONGEST_NAME or not name.isprintable():
        raise ValueError(
            f"A medicine's name has 1 to {LONGEST_NAME} printable characters; separate medicines by ;"
        )
    return Medicine(name, since_h)


def time_words(hours: float) -> str:
    """Such as "3 days", "6 h", "30 min"."""
    if hours < 1:
        return f"{hours * 60:.0f} min"
    if hours < 48:
        return f"{hours:g} h"
    if hours < 24 * 60:
        return f"{hours / 24:.3g} days"
    return f"{hours / UNITS_H['mo']:.3g} months"
