"""How a quantity is declared: its record stands above the function that tells it, and nowhere else.

```python
@estimator(Quantity(key="capacity", order=50, ...))
def capacity(k: Knowledge) -> list[Estimate]: ...
```

Faces read titles and units from here before anything is computed, so a file of this package imports what computes
inside its functions.
"""

from __future__ import annotations

import pkgutil
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from importlib import import_module
from typing import TYPE_CHECKING, Literal

if TYPE_CHECKING:
    from bmslogs.analysis.knowledge import Knowledge
    from bmslogs.base.results import Estimate


@dataclass(frozen=True)
class Quantity:
    """One estimated quantity.

    Attributes
    ----------
    key
        Name in the JSON and in `bmslogs explain`.
    order
        Its place in the JSON and in what faces list, the least first; in tens, so that another fits between.
    title
        For people, in the trade's words.
    question
        The question that it answers.
    unit
        Unit of the value in the JSON.
    shown_unit, shown_factor
        Unit and factor in which faces show it (1 ohm is shown as 1000 mohm).
    per
        Whether there is one a cell, one a sensor or one a pack.
    needs
        Columns or stretches of the log without which it cannot be estimated.
    settle_by
        The log that would settle it where one cannot tell, in one sentence.
    centre
        The value that means "like the others", for diverging colours; None where there is none.
    over_logs
        What all logs of a pack say of it together: the mean of what each log says, weighted by the intervals, of what
        does not change from log to log; the latest log's of what changes from charge to charge; the sum of what is
        counted anew in each log.
    without_current
        Whether a log without a current can tell it.
    of_charge
        Whether a shifted reading spoils it.
    """

    key: str
    order: int
    title: str
    question: str
    unit: str
    shown_unit: str
    shown_factor: float
    per: Literal["cell", "sensor", "pack"]
    needs: tuple[str, ...]
    settle_by: str
    centre: float | None = None
    over_logs: Literal["mean", "latest", "sum"] = "mean"
    without_current: bool = False
    of_charge: bool = False


Estimator = Callable[["Knowledge"], "list[Estimate]"]
"""From what is known of a log to the estimates of one quantity: one a cell, one a sensor, or one."""

QUANTITIES: dict[str, Quantity] = {}
"""Every quantity by its key, in the order in which faces list them."""
ESTIMATORS: dict[str, Estimator] = {}
"""The function of each quantity."""


def estimator(quantity: Quantity) -> Callable[[Estimator], Estimator]:
    """Declare that a function tells a quantity.

    Raises
    ------
    ValueError
        Another one has the key or the place.
    """
    for other in QUANTITIES.values():
        if quantity.key == other.key or quantity.order == other.order:
            raise ValueError(f"two quantities {other.key!r} and {quantity.key!r} at place {quantity.order}")
    QUANTITIES[quantity.key] = quantity

    def declare(function: Estimator) -> Estimator:
        ESTIMATORS[quantity.key] = function
        return function

    return declare


def collect(package: str, folders: Iterable[str]) -> None:
    """Import every module of a package, then put what they declared in its order."""
    for module in pkgutil.iter_modules(folders):
        import_module(f"{package}.{module.name}")
    ordered = sorted(QUANTITIES.values(), key=lambda q: q.order)
    functions = [ESTIMATORS[q.key] for q in ordered]
    QUANTITIES.clear()
    ESTIMATORS.clear()
    for quantity, function in zip(ordered, functions, strict=True):
        QUANTITIES[quantity.key], ESTIMATORS[quantity.key] = quantity, function
