"""What pictures say: names escaped, sizes in trade units, urgency as a word and a shape."""

from __future__ import annotations

import html
import math
import re
from collections.abc import Iterable, Mapping

from bmslogs.analysis.registry import QUANTITIES
from bmslogs.base.pack import Pack
from bmslogs.base.results import Estimate, Finding
from bmslogs.faces.numbers import interval, number, two_digits
from bmslogs.faces.signs import true_minus
from bmslogs.findings.registry import CAUSES

_LOG_ID = re.compile(r"\b(\d{4})(\d\d)(\d\d)-\d{4}-[0-9a-f]{12}\b")
LEVEL_WORDS = {"act": "Act", "look": "Look", "note": "Note"}
LEVEL_SAYS = {"act": "before it is used again", "look": "at the next chance", "note": "worth knowing"}
LEVEL_SYMBOLS = {"act": "diamond", "look": "triangle-up", "note": "circle"}
LEVEL_SHAPES = {"act": "◆", "look": "▲", "note": "●"}
"""Urgency is a word and a shape, never a colour alone."""


def safe(text: object) -> str:
    """Return text that plotly shows as it is: names from files may hold what it would read as markup."""
    return html.escape(str(text), quote=False)


def is_difference(key: str | None) -> bool:
    """Return whether a quantity is shown as a difference from the pack's middle."""
    return key in QUANTITIES and QUANTITIES[key].centre is not None


def shown(estimate: Estimate) -> tuple[float, float, float] | None:
    """Return value, low and high in the shown unit, ratios as the difference from 1; None where not determinable."""
    if estimate.status != "determined" or estimate.value is None or not math.isfinite(estimate.value):
        return None
    quantity = QUANTITIES.get(estimate.quantity)
    factor = quantity.shown_factor if quantity else 1.0
    centre = (quantity.centre if quantity else None) or 0.0
    value = estimate.value
    low = value if estimate.low is None else estimate.low
    high = value if estimate.high is None else estimate.high
    return (value - centre) * factor, (low - centre) * factor, (high - centre) * factor


def shown_unit(key: str | None) -> str:
    """Return the unit in which a quantity is shown."""
    return QUANTITIES[key].shown_unit if key in QUANTITIES else ""


def say_bound(estimate: Estimate) -> str:
    """Return a bounded estimate as text, such as ``at least 12 % less`` or ``at most 80 Ah``; empty for others.

    What is shown as a difference from the pack's middle is said with its direction.
    """
    bound = estimate.high if estimate.low is None else estimate.low
    if estimate.status != "bounded" or bound is None:
        return ""
    quantity = QUANTITIES.get(estimate.quantity)
    away = (bound - ((quantity.centre if quantity else None) or 0.0)) * (
        quantity.shown_factor if quantity else 1.0
    )
    unit = shown_unit(estimate.quantity)
    upper = estimate.low is None
    if is_difference(estimate.quantity) and (away < 0) == upper and away != 0:
        return f"at least {two_digits(abs(away))} {unit} {'less' if upper else 'more'}".replace("  ", " ")
    return f"at {'most' if upper else 'least'} {two_digits(away)} {unit}".rstrip()


def known(estimates: Iterable[Estimate]) -> list[Estimate]:
    """Return the estimates that say something: a value with its interval, or a bound."""
    return [e for e in estimates if shown(e) is not None or say_bound(e)]


def say_estimate(estimate: Estimate) -> str:
    """Return an estimate as text, such as ``1.23 mohm (1.21 to 1.25)``, a bound, or why there is none."""
    bound = say_bound(estimate)
    if bound:
        return bound
    triple = shown(estimate)
    if triple is None:
        return f"not determinable: {estimate.why or 'no reason given'}"
    low, high = triple[1:] if triple[2] > triple[1] else (None, None)
    return interval(
        triple[0], low, high, shown_unit(estimate.quantity), sign=is_difference(estimate.quantity)
    )


def say_size(finding: Finding) -> str:
    """Return a finding's size with its interval in the cause's shown unit; empty where it has none."""
    cause = CAUSES.get(finding.cause)
    if finding.size is None or cause is None:
        return ""
    return sized(finding, cause.shown_unit, cause.shown_factor)


def sized(finding: Finding, unit: str, factor: float) -> str:
    """Return a finding's size in a unit with its interval; of a size that is a bound, ``at least 12 % less``."""
    assert finding.size is not None
    if (finding.low is None) != (finding.high is None):
        way = "less" if finding.size < 0 else "more"
        unit, of_middle, _ = unit.partition(" of the pack's middle")
        than = " than the pack's middle" if of_middle else ""
        return f"at least {two_digits(abs(finding.size) * factor)} {unit} {way}{than}"
    return interval(finding.size, finding.low, finding.high, unit, factor=factor, sign=True)


def title_of(key: str) -> str:
    """Return the title of a quantity or cause for people, the key itself where none is known."""
    if key in QUANTITIES:
        return QUANTITIES[key].title
    return CAUSES[key].title if key in CAUSES else key


def axis_title(key: str) -> str:
    """Return the title of an axis for a quantity, its unit in brackets."""
    return f"{title_of(key)} [{shown_unit(key)}]"


_PACK_KEYS = {"bleed_resistor_ohm": "the bleed resistor"}
"""Keys of the pack file that reasons name, and what the form calls them."""


def plain_words(line: str) -> str:
    """Return a line of evidence with quantities' titles for keys, dates for ids of logs, a sign for ``+-``."""
    line = _LOG_ID.sub(r"\1-\2-\3", line)
    told = re.sub(
        r"[a-z]+_\w+",
        lambda w: title_of(w[0]).lower() if w[0] in QUANTITIES else _PACK_KEYS.get(w[0], w[0]),
        line,
    )
    return sentence(true_minus(told))


def sentence(text: str) -> str:
    """Return a text that begins with a capital letter."""
    return text[:1].upper() + text[1:]


def conditions_line(conditions: Mapping[str, object]) -> str:
    """Return the conditions of an estimate as one line in trade units."""
    parts: list[str] = []
    temperature = conditions.get("temperature_C")
    if isinstance(temperature, int | float):
        parts.append(f"{number(float(temperature), 1)} degC")
    low, high = conditions.get("soc_low"), conditions.get("soc_high")
    if isinstance(low, int | float) and isinstance(high, int | float):
        ends = dict.fromkeys((f"{100 * low:.0f}", f"{100 * high:.0f}"))
        parts.append(f"{' to '.join(ends)} % charge")
    current = conditions.get("current_rms_A")
    if isinstance(current, int | float):
        parts.append(f"{current:.0f} A rms")
    if conditions.get("full") == "leading_cell":
        parts.append("full = the leading cell's end")
    return ", ".join(parts)


def short_place(pack: Pack, cell: int) -> str:
    """Return the place of a cell in few letters: ``F2, cell 5``, or ``cell 5`` where modules are not described."""
    module = pack.module_of(cell)
    return f"{module}, cell {cell}" if module else f"cell {cell}"
