"""A comparison for the terminal: packs side by side, or one pack before and after."""

from __future__ import annotations

from bmslogs.analysis.registry import QUANTITIES
from bmslogs.faces.layout import part, terminal_width
from bmslogs.faces.numbers import cells_named, interval
from bmslogs.faces.unknown import quantity_title
from bmslogs.findings.compare import Bleeding, Change, Compared, Comparison

SIDE_BY_SIDE = "Side by side"


def comparison_text(comparison: Comparison, *, width: int | None = None) -> str:
    """Return the whole comparison as text: what can be compared, with intervals, and what cannot and why."""
    columns = width or terminal_width()
    parts = [*_told(comparison), ("Cautions", list(comparison.cautions))]
    return "\n\n".join(part(title, lines, columns) for title, lines in parts if lines)


def comparison_lines(comparison: Comparison) -> list[tuple[str, str]]:
    """Return the same without its cautions: a heading and a line each, what differs before what stands side by side."""
    said: list[tuple[str, str]] = []
    for title, lines in sorted(_told(comparison), key=lambda part: part[0] == SIDE_BY_SIDE):
        word = title
        for line in lines:
            if line.endswith(":"):
                word = line.removesuffix(":").strip()
            elif not line.endswith(": not known"):
                said.append((word, line.strip()))
    return said


def _told(comparison: Comparison) -> list[tuple[str, list[str]]]:
    """Return what a comparison says, part by part."""
    parts = [
        (SIDE_BY_SIDE, [line for q in comparison.quantities if _stands_alone(q) for line in _compared(q)])
    ]
    if comparison.changes is not None:
        parts.append(("Changes, cell by cell, the pack's middle taken out", _changes(comparison.changes)))
    parts += [
        ("Packs that differ", [
            f"{quantity_title(d.quantity)}: {d.pack} against {d.against} {_ratio(d.ratio, d.low, d.high)}"
            for d in comparison.differences if d.differ
        ]),
        ("Bleeding commanded, each pack's middle cell", bleeding_lines(comparison.bleeding)),
        ("Places", [
            f"{quantity_title(p.quantity)}: {p.vehicles} vehicles of design {p.design} {p.strength[:-1]} that "
            f"{p.position} {_fraction(p.effect, p.low, p.high)}"
            for p in comparison.positions
        ]),
        ("Over time", [
            f"{quantity_title(t.quantity)}: {t.pack}{f', cell {t.cell}' if t.cell else ''} "
            f"{_fraction(t.per_year, t.low, t.high)} a year, {t.logs} logs from {t.first} to {t.last}"
            for t in comparison.trends
        ]),
        ("Work on the packs", list(comparison.events)),
        ("To bear in mind", list(comparison.notes)),
    ]  # fmt: skip
    return parts


def _stands_alone(q: Compared) -> bool:
    """Return whether a pack's median says something; that of a quantity against the pack's own median does not."""
    quantity = QUANTITIES.get(q.quantity)
    return quantity is None or quantity.centre is None or bool(q.why_not)


def _compared(q: Compared) -> list[str]:
    quantity = QUANTITIES.get(q.quantity)
    unit, factor = (quantity.shown_unit, quantity.shown_factor) if quantity else ("", 1.0)
    at = reference_text(dict(q.reference))
    lines = [f"{quantity_title(q.quantity)}" + (f", at {at}" if at and q.comparable else "") + ":"]
    for p in q.packs:
        if p.median is None:
            lines.append(f"  {p.pack}: not known")
        else:
            value = interval(p.median, p.low, p.high, unit, factor=factor)
            lines.append(f"  {p.pack}: {value}, {p.logs} log{'s' if p.logs != 1 else ''}")
    if q.why_not:
        lines.append(f"  not comparable: {q.why_not}")
    return lines


def bleeding_lines(bleeding: Bleeding | None) -> list[str]:
    """Return one line a pack and one a pair that differs; none where no log speaks of bleeding."""
    if bleeding is None:
        return []
    lines = []
    for p in bleeding.packs:
        if p.median is None:
            lines.append(f"{p.pack}: not known")
            continue
        value = interval(p.median, p.low, p.high, "Ah")
        powered = f", {p.powered_h:.3g} h logged a week" if p.powered_h is not None else ""
        lines.append(f"{p.pack}: {value} a week over {p.weeks:.1f} weeks, {p.logs} logs{powered}")
    lines += [
        f"{d.pack} against {d.against}: {interval(d.difference, d.low, d.high, 'Ah', sign=True)} a week"
        for d in bleeding.differences
        if d.differ
    ]
    if bleeding.why_not:
        lines.append(f"not comparable: {bleeding.why_not}")
    return lines


def reference_text(reference: dict[str, float]) -> str:
    """Return the conditions that values were reduced to, in trade units."""
    parts = []
    if "temperature_C" in reference:
        parts.append(f"{reference['temperature_C']:.0f} degC")
    if "soc_low" in reference and "soc_high" in reference:
        parts.append(f"{100 * reference['soc_low']:.0f} to {100 * reference['soc_high']:.0f} % charge")
    if "current_rms_C" in reference:
        parts.append(f"{reference['current_rms_C']:.2g} C rms")
    return ", ".join(parts)


def _changes(changes: tuple[Change, ...]) -> list[str]:
    lines = [
        f"cell {c.cell}: {quantity_title(c.quantity)} {_ratio(c.ratio, c.low, c.high)}"
        + (", another cell sits there since" if c.new else "")
        for c in changes
        if c.finding or c.new
    ]
    for key in dict.fromkeys(c.quantity for c in changes):
        rest = [c.cell for c in changes if c.quantity == key and not (c.finding or c.new)]
        if rest:
            lines.append(
                f"{cells_named(rest)}: {quantity_title(key)} unchanged within what the logs can tell"
            )
    return lines or ["nothing could be paired"]


def _ratio(ratio: float, low: float, high: float) -> str:
    return _fraction(ratio - 1, low - 1, high - 1)


def _fraction(value: float, low: float, high: float) -> str:
    return interval(value, low, high, "%", factor=100.0, sign=True)
