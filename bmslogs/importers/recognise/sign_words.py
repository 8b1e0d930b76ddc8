"""What words say of the direction of a current: headers such as ``Current (- = charge)``, texts such as ``CC DChg``."""

from __future__ import annotations

import re

from bmslogs.importers.text.words import holds, meanings, plain, take_apart

_MARK = re.compile(
    r"(?<![a-z])(?P<plus>pos|posit\w*|plus|dodatni\w*|kladn\w*)(?![a-z])"
    r"|(?<![a-z])(?P<minus>neg|negat\w*|minus|ujemn\w*|zaporn\w*)(?![a-z])"
    r"|(?P<plus_sign>\+|>\s*0)|(?P<minus_sign>[-\u2212](?=\s*(?:[=:)\]]|$))|(?<=[(\[/,=:])\s*[-\u2212]|<\s*0)"
)
"""Signs and their words; a hyphen between letters and a dash between words are none."""
_CLAUSE_ENDS = re.compile(r"[,;/|)(]|\b(?:and|und|et|y|e|en|och|og|i)\b")
_WAYS = (
    (re.compile(r"\bout of (?:the )?(?:pack|battery|cells?)\b"), "discharge"),
    (re.compile(r"\b(?:in|into|to) (?:the )?(?:pack|battery|cells?)\b"), "charge"),
)
"""Ways that say a direction in several words."""
_REMARK = re.compile(r"[\[(]([^\[\]()]*)[\])]")
_LETTERS = {"c": -1, "d": 1, "chg": -1, "dch": 1, "dchg": 1, "dsg": 1}
_SHORT = re.compile(r"(?P<out>d(?:is)?chg|d(?:is)?chrg|dsg|dch)|(?P<in>chg|chrg)")


def direction_of(text: str) -> int:
    """Return what a text says the pack does: 1 it is discharged, -1 it is charged, 0 neither or both.

    A charge that is over, held back or about to begin is none.
    """
    words = meanings()
    head = take_apart(text)
    if any(holds(words["no_flow"], token) for token in head.tokens) or any(
        " " in w and w in " ".join(head.tokens) for w in words["no_flow"]
    ):
        return 0
    into, out = "charge" in head.means, "discharge" in head.means
    if not into and not out:
        short = _SHORT.search(plain(text))
        into, out = bool(short and short.group("in")), bool(short and short.group("out"))
    return 0 if into == out else 1 if out else -1


def directions_of(texts: list[str]) -> dict[str, int]:
    """Return which of the texts of one column say charge (-1) or discharge (1); single letters count where all are."""
    found = {t: d for t in texts if (d := direction_of(t))}
    if found:
        return found
    letters = {t: _LETTERS.get(plain(t).strip(), 0) for t in texts}
    if all(len(plain(t).strip()) <= 4 for t in texts) and {1, -1} <= set(letters.values()):
        return {t: d for t, d in letters.items() if d}
    return {}


def sign_of_header(text: str) -> tuple[int, str]:
    """Return what a header says of the sign of its current, and the clause that says so.

    1 where positive is discharge, -1 where positive is charge, 0 where it says nothing or says both.
    """
    said = plain(text)
    for way, word in _WAYS:
        said = way.sub(word, said)
    words = [(m.start(), m.end(), d) for m in re.finditer(r"[^\W\d_]+", said) if (d := _direction(m.group()))]
    if not words:
        return 0, ""
    marks = [
        (m.start(), m.end(), 1 if m.group("plus") or m.group("plus_sign") else -1)
        for m in _MARK.finditer(said)
    ]
    if not marks and _qualified(said):
        return 0, ""  # a word that is not known may turn the sign round
    if not marks:
        senses = {d for *_, d in words}
        if len(senses) > 1:
            return 0, ""
        sense = senses.pop()
        return sense, f"header {text!r} speaks of {'discharge' if sense > 0 else 'charge'}"
    senses = set()
    ends = [m.start() for m in _CLAUSE_ENDS.finditer(said)]
    for start, end, d in words:
        # each word goes with the sign that stands nearest to it, one of its own clause before any other
        near = min(
            marks,
            key=lambda m: (
                sum(min(m[1], end) <= stop < max(m[0], start) for stop in ends),
                min(abs(m[0] - end), abs(start - m[1])),
            ),
        )
        senses.add(d * near[2])
    if len(senses) > 1:
        return 0, ""
    sense = senses.pop()
    return sense, f"header {text!r} says that {'positive' if sense > 0 else 'negative'} is discharge"


def _qualified(said: str) -> bool:
    """Whether a remark in brackets says a direction with a word beside it that is not known."""
    for remark in _REMARK.findall(said):
        tokens = re.findall(r"[^\W\d_]+", remark)
        if any(_direction(t) for t in tokens) and any(
            len(t) > 2 and not _direction(t) and not take_apart(t).means for t in tokens
        ):
            return True
    return False


def _direction(token: str) -> int:
    """Return the direction that one word of a header of a current has; prepositions and loads are left out."""
    words = meanings()
    if token in ("in", "out", "load", "last", "dis"):
        return 0
    out, into = holds(words["discharge"], token), holds(words["charge"], token)
    if holds(words["device"], token):
        return 0
    return 1 if out else -1 if into else 0
