"""The shape of a sight: the window of a log in which one finding is plainest, and what is drawn and marked there."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

Span = tuple[np.datetime64, np.datetime64]


@dataclass(frozen=True)
class Sight:
    """Where one finding is plainest in its log.

    Attributes
    ----------
    start, end
        The window, UTC.
    moment
        Where in it the difference is read that `says` names, UTC.
    spans
        What is marked: (start, end), UTC, inside the window.
    worst
        The named cell that shows it most; None where the finding is not of cells.
    named
        The other named cells that are drawn.
    mates
        Cells of the worst cell's module that are not named.
    rest
        Cells whose median the worst is drawn against: neither named nor of a named cell's module, as far as the log
        has such.
    sensor, others
        The temperature sensor that the finding is of, and the sensors whose median it is drawn against.
    says
        One sentence: why this window, and what is to be seen in it.
    """

    start: np.datetime64
    end: np.datetime64
    moment: np.datetime64
    spans: tuple[Span, ...]
    worst: int | None
    named: tuple[int, ...]
    mates: tuple[int, ...]
    rest: tuple[int, ...]
    sensor: str | None
    others: tuple[str, ...]
    says: str

    @property
    def cells(self) -> tuple[int, ...]:
        """Cells drawn as lines: the worst first, the other named ones, then those of its module."""
        first = () if self.worst is None else (self.worst,)
        return (*first, *self.named, *self.mates)
