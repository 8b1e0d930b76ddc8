"""Print whether slopes over months are claims: planted drifts found, intervals that hold, false drifts, works.

Two parts: stored answers simulated over twelve months (200 packs by default), and a few packs whose logs are
simulated, diagnosed and brought through the store's way.
"""

from __future__ import annotations

import argparse
import sys
from collections import Counter
from dataclasses import dataclass, field

import numpy as np
from scipy.stats import binomtest

from bmslogs.findings.history.building import Weighed, weigh
from bmslogs.findings.history.strands import Strands, has_least
from bmslogs.fleet.gathering import gathered_from
from tests.accuracy.history_simulation import Year, simulate

FEWEST_JUDGED = 50  # intervals of a quantity; a share of fewer says little and is only printed
SIZES = {"slight": 1.5, "clear": 3.0}
"""Planted drifts over the size that comes to a finding within a year."""


@dataclass
class Score:
    """What was counted over many packs."""

    packs: int = 0
    found: Counter[str] = field(default_factory=Counter)
    planted: Counter[str] = field(default_factory=Counter)
    could: Counter[str] = field(default_factory=Counter)
    false_packs: int = 0
    false_lines: Counter[str] = field(default_factory=Counter)
    held: Counter[str] = field(default_factory=Counter)
    told: Counter[str] = field(default_factory=Counter)
    width: dict[str, list[tuple[float, float]]] = field(default_factory=dict)
    below_least: int = 0
    across_work: int = 0


def score_year(score: Score, year: Year, size: str | None) -> None:
    """Count one pack."""
    w = weigh(gathered_from(year.pack, year.documents))
    score.packs += 1
    false = False
    for key, group in w.strands.items():
        for s in group:
            for i, column in enumerate(s.columns):
                truth = true_slope(year, s, i)
                planted = year.planted == (key, column)
                if np.isfinite(s.slope[i]):
                    score.below_least += not has_least(w.gathered, s, i)
                    name = s.quantity
                    score.told[name] += 1
                    score.held[name] += bool(s.slope_low[i] <= truth <= s.slope_high[i])
                    half = float(s.slope_high[i] - s.slope_low[i]) / 2
                    score.width.setdefault(name, []).append((half, abs(float(s.slope[i]) - truth)))
                if s.drift[i] and (truth == 0 or np.sign(truth) != np.sign(s.slope[i])):
                    false = True
                    score.false_lines[s.quantity] += 1
                    score.across_work += bool(year.worked.get(key, np.zeros(1))[i]) if s.against else 0
                if planted and size:
                    score.planted[f"{size} {key}"] += 1
                    score.could[f"{size} {key}"] += bool(np.isfinite(s.slope[i]))
                    score.found[f"{size} {key}"] += bool(s.drift[i] and np.sign(truth) == np.sign(s.slope[i]))
    score.false_packs += false


def true_slope(year: Year, s: Strands, index: int) -> float:
    """Return the slope that was planted [unit of the strands a month]."""
    key, column = s.topic.key, s.columns[index]
    if s.against is None:
        return year.pack_drift * float(s.level[0]) if key == "resistance_10s" else 0.0
    if not isinstance(column, int) or key not in year.drifts:
        return 0.0
    slope = float(year.drifts[key][column - 1])
    if key in ("resistance_10s", "capacity") and slope:
        # the ratio grows from the cell's own base, not from one
        slope *= float(s.level[index]) / (1 + slope * 12) if key == "resistance_10s" else 1.0
    return slope


def share(hits: int, of: int) -> str:
    """Return a 95 % binomial interval (exact)."""
    low, high = binomtest(hits, max(of, 1)).proportion_ci(0.95)
    return f"{low:.1%} to {high:.1%}"


def report(title: str, score: Score) -> list[str]:
    """Return the figures as lines."""
    lines = [f"{title}: {score.packs} packs"]
    for name in sorted(score.planted):
        found, could, all_ = score.found[name], score.could[name], score.planted[name]
        lines.append(
            f"  drift {name}: found {found} of {could} that the logs allow a slope ({share(found, could)}); "
            f"{all_ - could} below the least data"
        )
    lines.append(
        f"  packs with any false drift: {score.false_packs} ({share(score.false_packs, score.packs)}) "
        f"{dict(score.false_lines) or ''}, "
        f"of these across a work: {score.across_work}"
    )
    for name in sorted(score.told):
        pairs = np.array(score.width[name])
        need = np.quantile(pairs[:, 1] / pairs[:, 0], 0.95) if len(pairs) else np.nan
        lines.append(
            f"  intervals of {name}: {score.held[name]} of {score.told[name]} hold "
            f"({score.held[name] / score.told[name]:.1%}), width {1 / need:.2f} times the needed"
        )
    lines.append(f"  slopes told below four dates over three months: {score.below_least}")
    return lines


def from_answers(packs: int, seed: int) -> tuple[Score, Score]:
    """Return the scores with and without planted drifts."""
    with_drift, without = Score(), Score()
    for k in range(packs):
        size = list(SIZES)[k % 2]
        score_year(with_drift, simulate(seed + k, drift=SIZES[size]), size)
        score_year(without, simulate(seed + k), None)
    return with_drift, without


def weighed_year(year: Year) -> Weighed:
    """Return the history of a simulated year."""
    return weigh(gathered_from(year.pack, year.documents))


def main() -> int:
    """Print the figures; 1 where they fall short."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--packs", type=int, default=200)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--logs", type=int, default=6, help="packs whose logs are simulated and diagnosed")
    options = parser.parse_args()
    from tests.accuracy.history_logs import PLANS, year_of_logs

    with_drift, without = from_answers(options.packs, options.seed)
    print("\n".join(report("stored answers, one drift planted", with_drift)))
    print("\n".join(report("stored answers, nothing planted", without)))
    logged = Score()
    for k in range(options.logs):
        score_year(logged, year_of_logs(options.seed + k, PLANS[k % len(PLANS)]), "logged")
    if options.logs:
        print("\n".join(report("logs simulated and diagnosed, twelve a pack", logged)))
    ok = all(
        s.false_packs <= s.packs // 100 and s.below_least == 0
        and all(s.held[q] >= 0.9 * s.told[q] for q in s.told if s.told[q] >= FEWEST_JUDGED)
        for s in (with_drift, without, *([logged] if options.logs else ()))
    )  # fmt: skip
    return 0 if ok else 1


if __name__ == "__main__":
    sys.exit(main())
