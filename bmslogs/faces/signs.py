"""Units with the trade's signs: on screens and paper, where the terminal has plain letters."""

from __future__ import annotations

import re

_SIGNS = (
    (re.compile(r"\bmK per A\^2"), "K per 1000 A²"),
    (re.compile(r"\bA\^2"), "A²"),
    (re.compile(r"\bdegC\b"), "°C"),
    (re.compile(r"\bmohm\b"), "mΩ"),
    (re.compile(r"\bkohm\b"), "kΩ"),
    (re.compile(r"\bMohm\b"), "MΩ"),
    (re.compile(r"\bohm\b"), "Ω"),
)


def written(text: str) -> str:
    """Return a text with units as people write them."""
    for pattern, sign in _SIGNS:
        text = pattern.sub(sign, text)
    return text
