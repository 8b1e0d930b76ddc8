"""Which cell does a bleed command act on? By the jumps of the readings as single flags go on and off.

A bleed current drops V in the sense wires of the cell that it flows from: at once, whatever the curve, and however
evenly a balancer bleeds all cells by turns. With s_c the flag of cell c going on (+1) or off (-1) at an edge,

    jump_k = sum over c of M_ck s_c,     M_cc < 0 where the command acts on its own cell,

by least squares over all edges; neighbours gain half of what a wire between them drops (Ohm's law). Judgement: factors.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]

LEAST_EDGES, LEAST_CELLS = 6, 4
"""So many edges of a flag, of so many cells, before anything is said (choice)."""
NOT_ITS_OWN, ANOTHER = 0.25, 0.6
"""Shares of the usual fall below which a command does not act on its own cell, and above which it acts on another
(choice)."""
SURE = 6.0
"""The usual fall, and that of the other cell, are so many standard errors or more (choice)."""


@dataclass(frozen=True)
class Crossed:
    """A command that acts on another cell: columns, falls of both readings and the usual one [V], edges."""

    told: int
    acts_on: int
    own_V: float
    other_V: float
    usual_V: float
    edges: int


def crossed_commands(jump: Floats, toggled: Floats) -> list[Crossed]:
    """Find the commands that act on another cell than their own.

    Parameters
    ----------
    jump
        (edges, cells) jump of each reading against those that no bleeding touches [V]; NaN where not known.
    toggled
        (edges, cells) 1 where a flag goes on, -1 where it goes off, else 0.
    """
    count = np.abs(toggled).sum(axis=0)
    told = np.flatnonzero(count >= LEAST_EDGES)
    if len(told) < LEAST_CELLS:
        return []
    known = np.where(np.isnan(jump), 0.0, jump)
    design = toggled[:, told]
    gram = design.T @ design + 0.1 * np.eye(len(told))
    moved = np.linalg.solve(gram, design.T @ known)
    left = known - design @ moved
    noise = 1.4826 * float(np.median(np.abs(left))) + 1e-6
    se = noise * np.sqrt(np.diag(np.linalg.inv(gram)))
    own = -moved[np.arange(len(told)), told]
    usual = float(np.median(own))
    if usual < SURE * float(np.median(se)):
        return []
    out = []
    for row, cell in enumerate(told.tolist()):
        falls = -moved[row]
        falls[cell] = -np.inf
        other = int(np.argmax(falls))
        if own[row] < NOT_ITS_OWN * usual and falls[other] > max(ANOTHER * usual, SURE * float(se[row])):
            out.append(Crossed(cell, other, float(own[row]), float(falls[other]), usual, int(count[cell])))
    return out
