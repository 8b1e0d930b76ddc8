"""Where the pack's state shows it: parked hours, minutes over a limit, warm sensors, a current that is not nought."""

from __future__ import annotations

import numpy as np

from bmslogs.analysis.parked import settled_rows
from bmslogs.analysis.sampling import row_medians
from bmslogs.analysis.stretches import Stretch
from bmslogs.faces.sight.cells import furthest
from bmslogs.faces.sight.scene import Bools, Floats, SightScene, Spot
from bmslogs.faces.sight.words import lasting, millivolt, stands
from bmslogs.findings.evidence.at_rest import rest_current
from bmslogs.findings.evidence.parked_drift import parked_drift
from bmslogs.findings.evidence.past_limit import PastLimit
from bmslogs.findings.evidence.shown import charged_beyond, limits_of, outside_of
from bmslogs.findings.evidence.spans import runs_of
from bmslogs.findings.evidence.warming import since_first
from bmslogs.log import Log

REST_MOST_S = 1800.0  # [s] of a rest that is shown (choice)
NEAR_LIMIT_S = 60.0  # [s] shown on both sides of a passed limit at least (choice)
COLD_AROUND_S = 300.0  # [s] shown on both sides of a charge in the cold (choice)
SENSOR_AROUND_S = 1800.0  # [s] shown on both sides of a sensor's furthest reading (choice)
SENSOR_S = 60.0  # [s] over which a sensor is judged (choice)
GAP_AROUND_S = 300.0  # [s] shown on both sides of a gap (choice)


def whole(scene: SightScene) -> Spot:
    """Return the whole log, where no part of it says more than another."""
    last = scene.log.rows - 1
    return Spot(
        0,
        last,
        last // 2,
        ((0, last),),
        None,
        "It rests on the whole log; no part shows it more than others.",
    )


def parked(scene: SightScene) -> Spot | None:
    """The parked hours after the first ones, in which cells still relax."""
    if not scene.named:
        return None
    a, b, stood = _settled(scene)
    few = max(3, (b - a) // 20)
    moved = {}
    for cell in scene.named:
        gap = scene.gap(cell)
        moved[cell] = _middle(gap[b + 1 - few : b + 1]) - _middle(gap[a : a + few])
    known = {c: m for c, m in moved.items() if np.isfinite(m)}
    if not known:
        return None
    worst = min(known, key=lambda c: known[c])
    way = "sinks" if known[worst] < 0 else "rises"
    says = (
        f"While {stood} for {lasting(float(scene.seconds[b] - scene.seconds[a]))}, {scene.log.pack.place(worst)} {way} "
        f"by {millivolt(known[worst])} against the median of the rest."
    )
    return Spot(a, b, b, ((a, b),), worst, says)


def _settled(scene: SightScene) -> tuple[int, int, str]:
    """Return first and last row of the time parked after its first hours, and what the vehicle did.

    Where a leak is told it is the time from which the analysis tells it.
    """
    found = parked_drift(scene.known.study) if scene.known else None
    if found is not None and found.settled.any():
        rows = found.rows[found.settled]
        return int(rows[0]), int(rows[-1]), "the vehicle stood"
    stretch = _longest(scene, ("parked",)) or _longest(scene, ("rest",))
    a, b = (stretch.first, stretch.last) if stretch else (0, scene.log.rows - 1)
    hours = (scene.seconds[a : b + 1] - scene.seconds[a]) / 3600.0
    a = min(a + int(np.argmax(settled_rows(hours))), b - 1) if b else 0
    return a, b, "the vehicle stood" if stretch and stretch.kind == "parked" else "nothing was drawn"


def shifted(scene: SightScene) -> Spot | None:
    """A quiet time, in which nothing but the reading itself can part it from the others."""
    stretch = _longest(scene, ("rest", "parked"))
    if stretch is None or not scene.named:
        return None
    first, last = _middle_part(scene, stretch)
    means = {c: _middle(scene.gap(c)[first : last + 1]) for c in scene.named}
    known = {c: m for c, m in means.items() if np.isfinite(m)}
    if not known:
        return None
    worst = max(known, key=lambda c: abs(known[c]))
    says = f"Nothing flows here, and {scene.log.pack.place(worst)} reads {stands(known[worst])}."
    return Spot(first, last, (first + last) // 2, ((first, last),), worst, says)


def current_at_rest(scene: SightScene) -> Spot | None:
    """The longest rest, in which the current should read nought."""
    stretch = _longest(scene, ("rest", "parked"))
    if stretch is None or scene.current is None:
        return None
    first, last = _middle_part(scene, stretch)
    reads = _middle(rest_current(scene.flow)[first : last + 1])
    says = f"Nothing flows here, and the current reads {reads:.2f} A."
    return Spot(first, last, (first + last) // 2, ((first, last),), None, says)


def over_limit(scene: SightScene) -> Spot | None:
    """The time over a limit in which it was passed furthest."""
    if charged_beyond(scene.finding):
        return cold_charge(scene)
    past = [p for p in limits_of(scene.finding, scene.known) if p.beyond.any()] if scene.known else []
    if not past:
        return None
    most = max(past, key=lambda p: float(_only(p).max()))
    row, k = (int(i) for i in np.unravel_index(int(np.argmax(_only(most))), most.beyond.shape))
    size, mask = float(most.over[row, k]), most.beyond[:, k]
    first, last, runs, minutes = _run_around(scene, mask, row)
    word = "over" if most.sign > 0 else "under"
    if scene.finding.unit == "A":
        says = f"The current is beyond its limit of {abs(most.bound):g} A for {minutes}, by {size:.0f} A at most."
        return Spot(first, last, row, runs, None, says)
    if scene.finding.sensor is not None or not scene.finding.cells:
        name = f"Sensor {sensor_names(scene.log)[int(most.columns[k])]}"
        says = f"{name} is {word} the limit of {most.bound:g} °C for {minutes}, {most.readings[row, k]:.1f} °C at most."
        return Spot(first, last, row, runs, None, says)
    worst = scene.log.cells[int(most.columns[k])]
    says = (
        f"{_capital(scene.log.pack.place(worst))} is {word} its limit of {most.bound:g} V for {minutes}, by "
        f"{millivolt(size)} at most{_rest_then(scene, row)}."
    )
    return Spot(first, last, row, runs, worst, says)


def _only(past: PastLimit) -> Floats:
    """Return (rows, channels) how far beyond the bound, in the rows that count; less than nought elsewhere."""
    return np.where(past.beyond, past.over, -np.inf)


def cold_charge(scene: SightScene) -> Spot | None:
    """The strongest charging below the charging limit of temperature, or above it."""
    found = outside_of(scene.finding, scene.known) if scene.known else None
    if found is None or not found.rows.any():
        return None
    row = int(np.argmax(np.where(found.rows, found.charging, -np.inf)))
    first, last = scene.around(row, row, COLD_AROUND_S)
    says = (
        f"Charged with {found.charging[row]:.0f} A at {found.extreme[row]:.1f} °C; the limit for charging is "
        f"{found.bound:g} °C."
    )
    return Spot(first, last, row, tuple(runs_of(found.rows[first : last + 1], first)), None, says)


def sensor_off(scene: SightScene) -> Spot | None:
    """Where a temperature sensor reads furthest from the median of the others."""
    pair = _sensor(scene)
    if pair is None:
        return None
    own, others = pair
    gap = scene.eased(own - others, SENSOR_S)
    if not np.isfinite(gap).any():
        missing = np.isnan(own)
        row = int(np.argmax(missing))
        first, last = scene.around(row, row, SENSOR_AROUND_S)
        says = f"Sensor {scene.finding.sensor} reads nothing here."
        return Spot(first, last, row, tuple(runs_of(missing[first : last + 1], first)), None, says)
    row = int(np.nanargmax(np.abs(gap)))
    first, last = scene.around(row, row, SENSOR_AROUND_S)
    off = np.abs(gap) >= 0.7 * abs(float(gap[row]))
    says = (
        f"Here sensor {scene.finding.sensor} reads {own[row]:.1f} °C, and the median of the other sensors is "
        f"{others[row]:.1f} °C."
    )
    return Spot(first, last, row, tuple(runs_of(off[first : last + 1], first)), None, says)


def warming(scene: SightScene) -> Spot | None:
    """The whole log, since warmth gathers over it: where a place has risen furthest above the others."""
    pair = _sensor(scene)
    if pair is None:
        return furthest(scene)
    own, others = pair
    known = np.flatnonzero(np.isfinite(own) & np.isfinite(others))
    if not len(known):
        return None
    both = np.isfinite(own) & np.isfinite(others)
    rise, usual = since_first(np.where(both[:, None], np.column_stack([own, others]), np.nan)).T
    gap = scene.eased(rise - usual, SENSOR_S)
    row = int(np.nanargmax(gap))
    high = gap >= 0.7 * float(gap[row])
    says = (
        f"Up to here the place at sensor {scene.finding.sensor} has warmed by {rise[row]:.1f} K, and the median of "
        f"the other sensors by {usual[row]:.1f} K."
    )
    return Spot(0, scene.log.rows - 1, row, tuple(runs_of(high)), None, says)


def longest_gap(scene: SightScene) -> Spot | None:
    """The longest time without a row."""
    if scene.log.rows < 3:
        return None
    steps = np.diff(scene.seconds)
    row = int(np.argmax(steps))
    first, last = scene.around(row, row + 1, max(GAP_AROUND_S, 0.5 * float(steps[row])))
    says = (
        f"The longest time without a row: {lasting(float(steps[row]))}; usually a row follows after "
        f"{scene.step_s:.3g} s."
    )
    return Spot(first, last, row, ((row, row + 1),), None, says)


def sensor_names(log: Log) -> list[str]:
    """Return the names of a log's temperature sensors, in the order of its columns."""
    return [log.pack.sensor_name(i + 1) for i in range(log.temperature.shape[1])]


def _sensor(scene: SightScene) -> tuple[Floats, Floats] | None:
    """Return (rows,) readings of the finding's sensor and the median of the others [degC]."""
    names = sensor_names(scene.log)
    if scene.finding.sensor not in names or len(names) < 2:
        return None
    column = names.index(scene.finding.sensor)
    return scene.log.temperature[:, column], row_medians(np.delete(scene.log.temperature, column, axis=1))


def _longest(scene: SightScene, kinds: tuple[str, ...]) -> Stretch | None:
    of = [s for s in scene.stretches if s.kind in kinds]
    return max(of, key=lambda s: scene.seconds[s.last] - scene.seconds[s.first]) if of else None


def _middle_part(scene: SightScene, stretch: Stretch) -> tuple[int, int]:
    """Return the end of a rest, as much of it as is shown: there the cells have settled."""
    first = int(np.searchsorted(scene.seconds, scene.seconds[stretch.last] - REST_MOST_S))
    return max(first, stretch.first), stretch.last


def _run_around(
    scene: SightScene, mask: Bools, row: int
) -> tuple[int, int, tuple[tuple[int, int], ...], str]:
    """Return the window around the run of `mask` that holds `row`, all runs in it, and how long that run lasts."""
    a, b = next((r for r in runs_of(mask) if r[0] <= row <= r[1]), (row, row))
    long = float(scene.seconds[min(b + 1, scene.log.rows - 1)] - scene.seconds[a])
    first, last = scene.around(a, b, max(long, NEAR_LIMIT_S), 10)
    return first, last, tuple(runs_of(mask[first : last + 1], first)), lasting(long)


def _rest_then(scene: SightScene, row: int) -> str:
    middle = scene.middle
    if middle is None or not np.isfinite(middle[row]):
        return ""
    return f"; the median of the rest is at {middle[row]:.3f} V then"


def _middle(values: Floats) -> float:
    good = values[np.isfinite(values)]
    return float(np.median(good)) if len(good) else float("nan")


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]
