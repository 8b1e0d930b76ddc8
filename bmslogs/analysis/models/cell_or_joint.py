"""Cell or joint: which of the two explains an excess of resistance that only one tap shows.

Two shares of the excess are weighed, each one where the excess behaves as the string's own resistance:

* growth with time into the load. What grows is a cell. What does not is either: slower kinetics, a film or a contact
  inside a cell add ohms that grow as little as a joint's (simulated from first principles with seven published
  parameter sets: with halved kinetics the excess shows -7 to +7 % of the growth, with slow diffusion several times all
  of it);
* change with load, charge and warmth within the log. Copper does not change, but what it heats is a cell whose own
  resistance falls the more for it: a share of 0 to 1. A cell's excess falls with the warmth of all (1), and the cell
  warms itself more (2 and above).

A link in the tap that shows no growth is the likelier of the two beforehand (judgement: one cell in several has a link
in its tap, and a sound cell seldom ages without any growth); the change must add to that, and the odds pass e^3.
"""

from __future__ import annotations

from typing import Literal

import numpy as np

Verdict = Literal["cell", "joint", "either"]

GROWS, FLAT = 0.35, 0.65
"""A share of growth surely above the first is a cell's, one surely below the second is flat."""
SAME_SHARE = 0.5
JOINT_CHANGE, JOINT_SD, CELL_CHANGE, CELL_SD = 0.5, 0.4, 1.8, 0.5
"""Shares of change of joints and of cells, and how they spread (judgement, from simulated strings)."""
LINK_LOG_ODDS, SURE_LOG_ODDS = 2.5, 3.0
"""Log odds of a joint against a cell beforehand where the excess is flat, and those that decide (judgement)."""
LARGE_EXCESS = 1.5
"""Above this no cell is known to add resistance without some of it growing with time into the load (judgement)."""


def change_log_odds(share: float, half: float) -> float:
    """Return the log odds of a joint against a cell by the share of change and its 95 % half width; 0 if not known."""
    if not (np.isfinite(share) and np.isfinite(half)):
        return 0.0
    joint, cell = np.hypot(half / 1.96, JOINT_SD), np.hypot(half / 1.96, CELL_SD)
    return float(
        0.5 * (((share - CELL_CHANGE) / cell) ** 2 - ((share - JOINT_CHANGE) / joint) ** 2)
        + np.log(cell / joint)
    )


def weigh(
    growth: tuple[float, float],
    change: tuple[float, float],
    warmth: tuple[float, float],
    link: bool,
    described: bool,
    least: float,
) -> Verdict:
    """Return which of the two it is, or that neither is ruled out.

    Parameters
    ----------
    growth, change, warmth
        Share of the excess that grows with time into the load, that changes with load, charge and warmth, and with
        charge and warmth alone, each with its 95 % half width; NaN where not known. A film does not fall with the load,
        but with warmth: there the last speaks against a joint.
    link
        Whether a link is described in the tap.
    described
        Whether the pack file says at all where links are.
    least
        Least excess, as a fraction of a usual cell's resistance.
    """
    share, half = growth
    if share - half > GROWS and share > SAME_SHARE:
        return "cell"
    odds = LINK_LOG_ODDS + change_log_odds(*change) + min(change_log_odds(*warmth), 0.0)
    if odds < -SURE_LOG_ODDS:
        return "cell"
    flat = share + half < FLAT and share < SAME_SHARE
    large = least > LARGE_EXCESS and share + half < GROWS
    if described and link and flat and (odds > SURE_LOG_ODDS or large):
        return "joint"
    return "either"
