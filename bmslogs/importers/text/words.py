"""Header texts taken apart: words with their meanings, numbers, unit. The words are in `words.toml`."""

from __future__ import annotations

import re
import tomllib
import unicodedata
from dataclasses import dataclass, replace
from functools import lru_cache
from importlib import resources

from bmslogs.importers.text.units import Unit, find_unit

_SPECIAL = str.maketrans(
    {"ß": "ss", "æ": "ae", "ø": "o", "å": "a", "ł": "l", "đ": "d", "œ": "oe", "µ": "u", "μ": "u"}
)


@lru_cache(maxsize=1)
def meanings() -> dict[str, frozenset[str]]:
    """Return the words of every meaning, all languages together."""
    text = resources.files("bmslogs.importers.text").joinpath("words.toml").read_text(encoding="utf-8")
    table = tomllib.loads(text)
    return {key: frozenset(w for words in by.values() for w in words) for key, by in table.items()}


def plain(text: str) -> str:
    """Return a text in small letters without accents."""
    text = unicodedata.normalize("NFKD", text.casefold().translate(_SPECIAL))
    return "".join(c for c in text if not unicodedata.combining(c))


@dataclass(frozen=True)
class Header:
    """One header text taken apart.

    Attributes
    ----------
    text
        As written.
    tokens
        Words and numbers in order, small letters without accents, unit left out.
    numbers
        The whole numbers in it, in order.
    template
        The text with ``#`` for every number.
    unit
        The unit it spells, None where none.
    means
        Keys of `meanings` that its words have.
    """

    text: str
    tokens: tuple[str, ...]
    numbers: tuple[int, ...]
    template: str
    unit: Unit | None
    means: frozenset[str]


_BRACKET = re.compile(r"[\[({]\s*([^\[\](){}]*?)\s*[\])}]")


def take_apart(text: str, unit_text: str = "") -> Header:
    """Take a header apart.

    Parameters
    ----------
    text
        The header.
    unit_text
        What a units row says of the column.
    """
    unit, bare = None, text
    if unit_text:
        unit = find_unit(unit_text) or find_unit(_BRACKET.sub(" ", unit_text))
    for match in _BRACKET.finditer(text):
        inner = find_unit(match.group(1))
        if inner is not None and not re.fullmatch(r"\d+", match.group(1)):
            unit = unit or inner
            bare = bare.replace(match.group(0), " ")
    if unit is None or bare == text:
        # a remark in brackets stands behind the unit: "current_mA (discharge is negative)"
        remarks = " ".join(m.group(0) for m in _BRACKET.finditer(bare))
        named = _BRACKET.sub(" ", bare).rstrip() if remarks else bare
        for mark in ("/", " in ", "_", " ", ".", ",", ":", "-"):
            head, found, tail = named.rpartition(mark)
            spelled = find_unit(tail) if found and head.strip() else None
            if (
                spelled is not None
                and tail.strip()
                and (mark != "-" or len(tail.strip()) > 1)
                and _unit_there(tail, mark)
            ):
                unit, bare = unit or spelled, f"{head} {remarks}".rstrip()
                break
    spaced = re.sub(r"(?<=[a-zà-ÿ])(?=[A-Z])", " ", bare)
    words = plain(spaced)
    tokens = tuple(re.findall(r"[^\W\d_]+|\d+", words))
    numbers = tuple(int(t) for t in tokens if t.isdigit() and len(t) < 9)
    template = re.sub(r"\d+", "#", text)
    return Header(text, tokens, numbers, template, unit, _means(tokens, " ".join(tokens)))


def holds(words: frozenset[str], token: str) -> bool:
    """Whether a token is one of some words, or has one of four letters or more in it."""
    return any(w == token if len(w) < 4 else w in token for w in words if " " not in w)


def numbered_mean(head: Header) -> bool:
    """Whether a header is one of several of means over the logger's interval, not of a figure over cells or places."""
    words = meanings()
    sums = {t for t in head.tokens if t in words["summary"]}
    return bool(head.numbers) and "average" in head.means and sums <= words["average"]


def letters_as_names(headers: list[Header]) -> list[Header]:
    """Return headers in which ``F`` and ``C`` are names, not units, where other letters stand in their place.

    ``Temp A``, ``Temp B``, ``Temp C`` are three sensors, ``Temp F`` and ``Temp R`` front and rear.
    """
    places: dict[str, list[tuple[int, str]]] = {}
    for i, head in enumerate(headers):
        match = _LETTER.fullmatch(head.text.strip())
        if match and "temperature" in head.means:
            places.setdefault(match.group(1), []).append((i, match.group(2)))
    out = list(headers)
    for members in places.values():
        if not {letter for _, letter in members} <= {"C", "F", "K"}:
            for i, letter in members:
                head = headers[i]
                if head.unit is not None:
                    out[i] = replace(head, unit=None, tokens=(*head.tokens, letter.lower()))
    return out


_LETTER = re.compile(r"(.*?[^\W\d_])[\s_./-]+([A-Z])")


def _unit_there(tail: str, mark: str) -> bool:
    """Whether the last part is a unit rather than a letter of the name (``C`` of ``Pack C``)."""
    tail = tail.strip()
    return len(tail) > 1 or (
        mark in ("/", " in ", "_", " ", ".") and tail in ("V", "A", "s", "h", "%", "°", "C", "F", "K")
    )


def _means(tokens: tuple[str, ...], joined: str) -> frozenset[str]:
    out: set[str] = set()
    for token in tokens:
        if not token.isdigit():
            out |= _means_of_token(token)
    out |= {key for phrase, key in _phrases() if phrase in joined}
    if "discharge" in out and "charge" in out and not _both(tokens):
        out.discard("charge")
    return frozenset(out)


@lru_cache(maxsize=4096)
def _means_of_token(token: str) -> frozenset[str]:
    return frozenset(key for key, words in meanings().items() if holds(words, token))


@lru_cache(maxsize=1)
def _phrases() -> tuple[tuple[str, str], ...]:
    return tuple((w, key) for key, words in meanings().items() for w in words if " " in w)


def _both(tokens: tuple[str, ...]) -> bool:
    """Whether charge stands beside discharge as a word of its own."""
    words = meanings()
    inside = [t for t in tokens if any(w in t if len(w) > 3 else w == t for w in words["discharge"])]
    rest = [t for t in tokens if t not in inside]
    return any(any(w in t if len(w) > 3 else w == t for w in words["charge"]) for t in rest)
