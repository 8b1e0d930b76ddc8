"""Numbers as loggers and spreadsheets write them: decimal comma, thousands marks, a unit behind."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from bmslogs.importers.text.units import Unit, find_unit

Floats = npt.NDArray[np.float64]

_BLANKS = " \u00a0\u202f\u2009'’"
_SPLIT = re.compile(
    rf"^([+-−]?)\s*(\d[\d.,{_BLANKS}]*|[.,]\d+)([eE][+-]?\d+)?\s*(.*)$".replace("[+-−]", "[+\\-−]")
)
_GROUPED = {",": re.compile(r"[+-]?\d{1,3}(,\d{3})+"), ".": re.compile(r"[+-]?\d{1,3}(\.\d{3})+")}
PRIOR = 0.6
"""Choice: weight of the file's own decimal mark against that of each field."""


@dataclass(frozen=True)
class NumberStyle:
    """How the numbers of one column are written.

    Attributes
    ----------
    decimal
        Decimal mark.
    thousands
        Thousands marks that may stand in it, none where empty.
    unit
        Unit that stands behind each number.
    """

    decimal: str = "."
    thousands: str = ""
    unit: Unit | None = None
    plus: bool = False

    @property
    def plain(self) -> bool:
        """Whether a number parser that knows the decimal mark alone reads it."""
        return not self.thousands and self.unit is None and not self.plus

    @property
    def pattern(self) -> str:
        """A regular expression that fits the whole of a number in this style and nothing else."""
        mark = re.escape(self.decimal)
        grouped = "".join(rf"|\d{{1,3}}(?:{re.escape(t)}\d{{3}})+" for t in self.thousands)
        return rf"^[+-]?(?:(?:\d+{grouped})(?:{mark}\d*)?|{mark}\d+)(?:[eE][+-]?\d+)?$"


def parse_number(text: str, style: NumberStyle) -> float | None:
    """Return the number that a text spells in a style, None where it spells none."""
    match = _SPLIT.match(text.strip())
    if match is None:
        return None
    sign, digits, power, rest = match.groups()
    if rest and (style.unit is None or find_unit(rest) != style.unit):
        return None
    whole, mark, part = digits.rstrip(_BLANKS).partition(style.decimal)
    for blank in style.thousands:
        if blank in whole and not re.fullmatch(rf"\d{{1,3}}({re.escape(blank)}\d{{3}})+", whole):
            return None
        whole = whole.replace(blank, "")
    if not (whole + part).isdigit() or not (whole + part).isascii() or (mark and "." in part):
        return None
    value = float(f"{'-' if sign in '-−' and sign else ''}{whole or '0'}.{part or '0'}{power or ''}")
    return value if np.isfinite(value) else None


def find_style(texts: Sequence[str | None], decimal: str) -> tuple[NumberStyle | None, int]:
    """Work out how the numbers of a column are written.

    Parameters
    ----------
    texts
        Fields, None where empty.
    decimal
        The mark that most columns of the file use.

    Returns
    -------
    style, decimals
        None where fewer than nine in ten of the fields are numbers; most digits behind the mark.
    """
    unique = list(dict.fromkeys(t for t in texts if t))[:3000]
    split = [m for m in (_SPLIT.match(t) for t in unique) if m]
    matches = [m for m in split if not m.group(4).strip() or find_unit(m.group(4)) is not None]
    if not matches or len(matches) < 0.9 * len(unique):
        return None, 0
    units = {find_unit(m.group(4)) for m in matches if m.group(4).strip()}
    if len(units) > 1 or (units and sum(not m.group(4).strip() for m in matches) > 0.1 * len(matches)):
        return None, 0
    unit = units.pop() if units else None
    bodies = [m.group(2).strip() for m in matches]
    style = NumberStyle(*_marks(bodies, decimal), unit, any(m.group(1) == "+" for m in matches))
    good = [t for t in unique if parse_number(t, style) is not None]
    if len(good) < 0.9 * len(unique):
        return None, 0
    digits = [m.group(2).strip().partition(style.decimal)[2] for m in matches]
    return style, max(map(len, digits), default=0)


def _marks(bodies: list[str], decimal: str) -> tuple[str, str]:
    """Return decimal mark and thousands marks.

    A mark before exactly three digits may be either; others, and the last of two, are decimal marks. The mark of
    the whole file weighs as the prior, so that one damaged field does not turn a column round.
    """
    n = len(bodies)
    blanks = "".join(b for b in _BLANKS if sum(b in x for x in bodies) > 0.01 * n)
    score = {m: PRIOR * n * (m == decimal) for m in ".,"}
    grouped = dict.fromkeys(".,", 0)
    for body in bodies:
        last = max(".,", key=body.rfind)
        if last not in body:
            continue
        other = "," if last == "." else "."
        both = other in body
        if both:
            grouped[other] += bool(_GROUPED[other].fullmatch(body[: body.rfind(last)]))
        elif _GROUPED[last].fullmatch(body):
            grouped[last] += 1
        score[last] += 1.0 if both or not _GROUPED[last].fullmatch(body) else 0.5
    mark = max(".,", key=lambda m: (score[m], m == decimal))
    other = "," if mark == "." else "."
    return mark, (other if grouped[other] >= max(2, 0.01 * n) or (n < 5 and grouped[other]) else "") + blanks


def parse_column(texts: Sequence[str | None], style: NumberStyle) -> Floats:
    """Return the numbers of a column, NaN where a field holds none."""
    out = np.full(len(texts), np.nan)
    known: dict[str, float] = {}
    for i, text in enumerate(texts):
        if text:
            value = known.get(text)
            if value is None:
                number = parse_number(text, style)
                value = known[text] = np.nan if number is None else number
            out[i] = value
    return out


def read_numbers(array: Any, decimal: str) -> tuple[NumberStyle | None, int, Floats]:
    """Work out how the numbers of a column are written, and read them.

    Parameters
    ----------
    array
        Fields (Arrow strings), null where empty.
    decimal
        The mark that most columns of the file use.

    Returns
    -------
    style, decimals, values
        As `find_style`; NaN where a field is no number.
    """
    import pyarrow as pa
    import pyarrow.compute as pc

    from bmslogs.importers.text.arrow import numpy_of

    mark = re.escape(decimal)
    if array.null_count == len(array):
        return None, 0, np.full(len(array), np.nan)
    plain = pc.all(pc.match_substring_regex(array, rf"^-?(?:\d+(?:{mark}\d*)?|{mark}\d+)$")).as_py()
    if not plain:
        texts = array.to_pylist()
        style, decimals = find_style(texts, decimal)
        values = parse_column(texts, style) if style else np.full(len(texts), np.nan)
        return style, decimals, values
    at = numpy_of(pc.find_substring(array, decimal).drop_null())
    length = numpy_of(pc.utf8_length(array).drop_null())
    decimals = int(np.max(np.where(at < 0, 0, length - at - 1), initial=0))
    if decimal != ".":
        array = pc.replace_substring(array, decimal, ".")
    return NumberStyle(decimal), decimals, np.array(numpy_of(array.cast(pa.float64())))
