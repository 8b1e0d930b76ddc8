"""Words and bits that say yes or no."""

from __future__ import annotations

TRUE = frozenset(
    [
        "1",
        "1.0",
        "true",
        "on",
        "yes",
        "y",
        "t",
        "x",
        "ja",
        "oui",
        "si",
        "tak",
        "aktiv",
        "active",
        "an",
        "ein",
        "vero",
        "verdadero",
        "sant",
        "sann",
        "wahr",
        "vrai",
    ]
)
FALSE = frozenset(
    [
        "0",
        "0.0",
        "false",
        "off",
        "no",
        "n",
        "f",
        "nein",
        "non",
        "nie",
        "inaktiv",
        "inactive",
        "aus",
        "falso",
        "falsch",
        "faux",
        "falsk",
        "usann",
    ]
)


def flag(text: str | None) -> bool | None:
    """Return a flag's truth, None where the text is none."""
    if text is None:
        return None
    word = text.strip().lower()
    return True if word in TRUE else False if word in FALSE else None
