"""Signs as people write them: a true minus before a number, the trade's signs of units.

JSON, CSV and what is to be typed keep the plain letters; so does what is quoted, told as found.
"""

from __future__ import annotations

import re
from typing import Any

MINUS, NARROW = "\u2212", "\u202f"
_DATE = re.compile(r"(?<![\w./-])(\d{4})-(0[1-9]|1[0-2])-(0[1-9]|[12]\d|3[01])(?!\.?\w|[/:-])")
"""A date by itself: none in a file's name, a stamp or what is to be typed."""
_MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")
_MINUS = re.compile(r"(?:^|(?<=[\s(\[,;|>]))-(?=\.?\d)", re.MULTILINE)
"""A hyphen that is a sign: a number behind it, and no word, digit or quote before."""
_EITHER = re.compile(r"\+-(?=\s?\.?\d)")
_UNITS = (
    (re.compile(r"\bmK per A\^2"), "K per 1000 A²"),
    (re.compile(r"\bA\^2"), "A²"),
    (re.compile(r"\bdegC\b"), "°C"),
    (re.compile(r"\bmohm\b"), "mΩ"),
    (re.compile(r"\bkohm\b"), "kΩ"),
    (re.compile(r"\bMohm\b"), "MΩ"),
    (re.compile(r"\bohm\b"), "Ω"),
)
_CODE = re.compile(r"(```.*?```|`[^`\n]*`)", re.DOTALL)


def true_minus(text: str) -> str:
    """Return a text whose numbers have a true minus (U+2212), and ``±`` for ``+-``."""
    return _MINUS.sub(MINUS, _EITHER.sub("±", text)) if "-" in text else text


def plain_minus(text: str) -> str:
    """Return a text with plain letters for `true_minus`'s signs: for what cannot show them, or is read by a program."""
    return text.replace(MINUS, "-").replace("±", "+-")


def united(text: str) -> str:
    """Return a text with units as people write them."""
    for pattern, sign in _UNITS:
        text = pattern.sub(sign, text)
    return text


def dated(text: str) -> str:
    """Return a text whose dates are written as the screens write them: ``3 May 2026``."""
    return _DATE.sub(lambda m: f"{int(m[3])} {_MONTHS[int(m[2]) - 1]} {m[1]}", text)


def grouped(number: float) -> str:
    """Return a whole number in groups of three with narrow gaps between (ISO 80000-1): ``208 000``."""
    return f"{number:,.0f}".replace(",", NARROW)


def written(text: str) -> str:
    """Return a text with units, dates and minus signs as people write them."""
    return true_minus(united(dated(text)))


def outside_code(text: Any, change: Any = written) -> Any:
    """Return Markdown as people write it; what is to be typed stays as it is typed."""
    if not isinstance(text, str):
        return text
    return "".join(p if p.startswith("`") else change(p) for p in _CODE.split(text))
