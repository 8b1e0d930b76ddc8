"""Numbers for people: only the digits that the interval allows, in the trade's units."""

from __future__ import annotations

import math
from collections.abc import Iterable

from bmslogs.faces.signs import true_minus

MOST_DECIMALS = 6


def decimals(half_width: float) -> int:
    """Return how many decimals to show so that the half width of the interval keeps two digits.

    Two significant digits of the uncertainty follow the advice of JCGM 100:2008 (GUM), 7.2.6.
    """
    if not math.isfinite(half_width) or half_width <= 0:
        return 3
    return max(0, min(MOST_DECIMALS, 1 - math.floor(math.log10(half_width))))


def number(value: float, places: int, *, sign: bool = False) -> str:
    """Return `value` with so many decimals and a true minus; a minus nought is shown as nought."""
    text = f"{value:+.{places}f}" if sign else f"{value:.{places}f}"
    if float(text) == 0.0:
        text = text.replace("-", "+" if sign else "")
    return true_minus(text)


def two_digits(value: float) -> str:
    """Return a bound with two digits: it is no more exact than that."""
    if value == 0 or not math.isfinite(value):
        return number(value, 0)
    return number(value, max(0, min(MOST_DECIMALS, 1 - math.floor(math.log10(abs(value))))))


def interval(
    value: float, low: float | None, high: float | None, unit: str, *, factor: float = 1.0, sign: bool = False
) -> str:
    """Return ``1.23 mohm (1.21 to 1.25)``: value, unit and 95 % interval with the digits that it allows.

    Parameters
    ----------
    value, low, high
        As in the JSON; without bounds three significant digits are shown.
    unit
        The shown unit.
    factor
        From the unit of the JSON to the shown one.
    sign
        Whether a plus is written out, for what is a difference.
    """
    shown = value * factor
    if low is None or high is None:
        places = 0 if shown == 0 else max(0, min(MOST_DECIMALS, 2 - math.floor(math.log10(abs(shown)))))
        return f"{number(shown, places, sign=sign)} {unit}".rstrip()
    a, b = sorted((low * factor, high * factor))
    places = decimals((b - a) / 2)
    body = f"{number(shown, places, sign=sign)} {unit}".rstrip()
    return f"{body} ({number(a, places, sign=sign)} to {number(b, places, sign=sign)})"


def ranges(numbers: Iterable[int]) -> str:
    """Return ``1-4, 7`` for 1, 2, 3, 4, 7."""
    runs: list[list[int]] = []
    for n in sorted(set(numbers)):
        if runs and n == runs[-1][1] + 1:
            runs[-1][1] = n
        else:
            runs.append([n, n])
    return ", ".join(str(a) if a == b else f"{a}-{b}" for a, b in runs)


def cells_named(cells: Iterable[int], total: int | None = None) -> str:
    """Return ``cell 5``, ``cells 1-4, 7`` or ``all 16 cells``."""
    unique = sorted(set(cells))
    if total and total > 1 and len(unique) == total:
        return f"all {total} cells"
    return f"cell{'s' if len(unique) != 1 else ''} {ranges(unique)}"
