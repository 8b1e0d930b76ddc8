"""One rule a family of causes: where its trace is plainest. Nothing is estimated here: what was found is looked for."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from bmslogs.analysis.numerics import calm
from bmslogs.base.results import Finding
from bmslogs.faces.sight import cells, states
from bmslogs.faces.sight.scene import SightScene, Spot
from bmslogs.faces.sight.shape import Sight
from bmslogs.log import Log

Rule = Callable[[SightScene], Spot | None]
RULES: dict[str, Rule] = {
    **dict.fromkeys(
        ("cell_resistance_high", "joint_resistance_high", "cell_or_joint_resistance_high"),
        cells.strongest_pull,
    ),
    "joint_loose": cells.jumps,
    **dict.fromkeys(("capacity_low", "soc_offset_low", "soc_offset_high"), cells.knee),
    "self_discharge_high": states.parked,
    **dict.fromkeys(("tap_open", "taps_swapped"), cells.pair),
    "tap_resistive": cells.bleed_edge,
    **dict.fromkeys(("bleed_ineffective", "bleed_misplaced"), cells.bleed_run),
    "channel_stuck": cells.stuck,
    "channel_offset": states.shifted,
    "temperature_sensor_fault": states.sensor_off,
    "runs_hot": states.warming,
    "limit_exceeded": states.over_limit,
    "cold_charge": states.cold_charge,
    "current_sensor_zero": states.current_at_rest,
    "log_quality": states.longest_gap,
}
"""Causes, and the rule that finds their window; others, and where a rule finds nothing, the furthest reading."""
MOST_SPANS = 60
MOST_DRAWN = 4  # named cells beside the worst (choice: more would hide it)


def sight_of(finding: Finding, log: Log) -> Sight:
    """Return where a finding is plainest in its log.

    Parameters
    ----------
    finding
        It need not be of this log's diagnosis, but its cells are looked for here.
    log
        With one row at least.
    """
    scene = SightScene(finding, log)
    rule = RULES.get(finding.cause)
    with calm():
        spot = (rule(scene) if rule else None) or cells.furthest(scene) or states.whole(scene)
    time = log.time
    others: tuple[str, ...] = ()
    if finding.sensor is not None:
        others = tuple(n for n in states.sensor_names(log) if n != finding.sensor)
    return Sight(
        start=time[spot.first],
        end=time[spot.last],
        moment=time[spot.moment],
        spans=tuple((time[a], time[b]) for a, b in _inside(spot)),
        worst=spot.worst,
        named=tuple(c for c in scene.named if c != spot.worst)[:MOST_DRAWN],
        mates=scene.mates(spot.worst),
        rest=scene.rest if spot.worst is not None else (),
        sensor=finding.sensor if finding.sensor in states.sensor_names(log) else None,
        others=others,
        says=spot.says,
    )


def _inside(spot: Spot) -> list[tuple[int, int]]:
    cut = [(max(a, spot.first), min(b, spot.last)) for a, b in spot.runs]
    kept = [(a, b) for a, b in cut if a <= b]
    by_size = sorted(kept, key=lambda r: r[0] - r[1])[:MOST_SPANS]
    return sorted(by_size) or [(int(np.clip(spot.moment, spot.first, spot.last)),) * 2]
