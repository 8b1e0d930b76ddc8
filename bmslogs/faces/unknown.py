"""What a log could not tell, gathered: one line a reason instead of one a cell."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from bmslogs.analysis.registry import QUANTITIES
from bmslogs.base.results import Estimate
from bmslogs.faces.figures.words import say_bound
from bmslogs.faces.numbers import cells_named


@dataclass(frozen=True)
class Unknown:
    """One reason for not knowing, with all that it holds for.

    Attributes
    ----------
    quantity
        Key of the quantity.
    cells, sensors
        What it holds for; both empty for the pack as a whole.
    why, settle_by
        The reason, and the log that would settle it.
    """

    quantity: str
    cells: tuple[int, ...]
    sensors: tuple[str, ...]
    why: str
    settle_by: str

    def title(self) -> str:
        """Return the quantity's title for people."""
        return quantity_title(self.quantity)

    def of(self, total: int | None = None) -> str:
        """Return what it holds for, such as ``cells 1-4`` or ``the pack``."""
        if self.cells:
            return cells_named(self.cells, total)
        return "sensor " + ", ".join(self.sensors) if self.sensors else "the pack"


@dataclass(frozen=True)
class Open:
    """Questions that one reason leaves open, and the logs that would settle them."""

    titles: tuple[str, ...]
    of: str
    why: str
    settle_by: tuple[str, ...]


def open_questions(estimates: Iterable[Estimate], total: int | None = None) -> list[Open]:
    """Gather what is not known by reason: quantities that one reason leaves open stand together.

    Parameters
    ----------
    estimates
        Of a diagnosis.
    total
        Number of cells of the pack, to say "all" where it is all.
    """
    groups: dict[tuple[str, str], list[Unknown]] = {}
    for one in unknowns(estimates):
        groups.setdefault((one.why, one.of(total)), []).append(one)
    return [
        Open(
            tuple(one.title() for one in same),
            of,
            why,
            tuple(dict.fromkeys(one.settle_by for one in same if one.settle_by)),
        )
        for (why, of), same in groups.items()
    ]


def nothing_found(estimates: Iterable[Estimate]) -> list[str]:
    """Return what stands where there is no finding: a cell that lies apart, or is not known where the others are.

    Only where there is none of these the readings are called free of findings.
    """
    by_quantity: dict[str, list[Estimate]] = {}
    for e in estimates:
        if e.cell is not None:
            by_quantity.setdefault(e.quantity, []).append(e)
    apart = [
        f"{quantity_title(key)} of cell {e.cell}: {say_bound(e)}."
        for key, same in by_quantity.items()
        for e in same
        if say_bound(e)
    ]
    for key, same in by_quantity.items():
        refused = [e for e in same if e.status == "not_determinable"]
        if refused and 2 * len(refused) < len(same):
            for why in dict.fromkeys(_alike(e) for e in refused):
                cells = cells_named(e.cell for e in refused if _alike(e) == why and e.cell is not None)
                apart.append(f"{quantity_title(key)} of {cells} is not known, though the others' is: {why}.")
    speaks = "That speaks for what could be determined (below), for nothing else."
    if not apart:
        return [f"None in these readings. {speaks}"]
    return [f"None that could be named. {speaks} Look at these first:", *apart]


def quantity_title(key: str) -> str:
    """Return a quantity's title for people."""
    return QUANTITIES[key].title if key in QUANTITIES else key


def unknowns(estimates: Iterable[Estimate]) -> list[Unknown]:
    """Gather the estimates that are not determinable by quantity and reason, in the registry's order."""
    groups: dict[tuple[str, str, str], list[Estimate]] = {}
    for e in estimates:
        if e.status == "not_determinable":
            groups.setdefault((e.quantity, _alike(e), e.settle_by or ""), []).append(e)
    order = list(QUANTITIES)
    keys = sorted(groups, key=lambda k: order.index(k[0]) if k[0] in order else len(order))
    return [
        Unknown(
            key[0],
            tuple(e.cell for e in groups[key] if e.cell is not None),
            tuple(e.sensor for e in groups[key] if e.sensor is not None),
            key[1],
            key[2],
        )
        for key in keys
    ]


def _alike(e: Estimate) -> str:
    """Return the reason without the cell's own number, so that cells with one reason share a line."""
    why = e.why or ""
    return why.replace(f"of cell {e.cell} ", "") if e.cell is not None else why
