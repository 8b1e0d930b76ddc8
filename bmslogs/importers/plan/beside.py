"""What stands beside the current and tells its sign: counters of charge and a mode column (data only)."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Counter:
    """A counter of charge or energy.

    Attributes
    ----------
    target, name
        Column of the normalised log, and header.
    direction
        1 where it grows on discharge, -1 where on charge.
    level
        Whether it goes both ways, as a state of charge does. Others grow in size alone: some loggers give the
        charge taken out a minus.
    """

    target: str
    name: str
    direction: int
    level: bool = False


@dataclass(frozen=True)
class Mode:
    """A column that says in each row whether the pack is charged or discharged.

    Attributes
    ----------
    target, name
        Column of the normalised log, and header.
    directions
        By text: 1 discharge, -1 charge. Other texts say neither.
    """

    target: str
    name: str
    directions: tuple[tuple[str, int], ...]


@dataclass(frozen=True)
class Beside:
    """All of them."""

    counters: tuple[Counter, ...] = ()
    mode: Mode | None = None
