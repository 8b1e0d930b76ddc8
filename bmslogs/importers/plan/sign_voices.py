"""What each kind of evidence says of the sign of the current, and when it is ample enough to be heard.

A voice is 1 where the logger's positive is discharge, -1 where it is charge. A kind that cannot tell stays silent; one
that finds both directions under the same sign of the current says that the sign was lost.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from bmslogs.importers.plan.beside import Counter
from bmslogs.importers.plan.sign_evidence import HALF, Field, Floats, Modes, StepSample

LAGS = 3
"""Choice [rows]: by which current and voltage may be apart."""
LEAST_STEP = 0.01
"""Choice [1/h]: smaller steps of the current, per capacity, move a cell by about its last millivolt."""
SPAN = 3
"""Choice [rows]: and over means of as many the answer must have the same sign."""
FARTHER = 1.5
"""Choice: an answer some rows away is believed where it is as many times that at once."""
OHM_AH = (0.004, 1.6)
"""Choice [ohm Ah]: a cell's resistance times its capacity is about 0.1 (0.02 to 0.8); a fifth of the least and twice
the most seen are no answer of a cell."""
LIKELY_OHM_AH = (0.01, 0.8)
"""Choice [ohm Ah]: what nearly all cells have."""
MOST_OHM_AH = 0.5
"""Choice [ohm Ah]: resistance with the slow polarisation, cold and old cells included."""
SLOPE_V = (0.02, 0.2)
"""Choice [V]: least rise of the open-circuit voltage over the whole charge, by flat cells and by those that stand
above `FLAT_V` (NMC: 0.3 and more everywhere)."""
FLAT_V = 3.7
"""[V] cells of flat curves do not rest above it."""
STEEPEST_V = 5.0
"""Choice [V]: the steepest rise per whole charge that a piece of a run may count with, so that no relaxation and no
joint of two files outweighs the rest."""
PIECE = 0.01
"""Choice: share of the capacity that a piece of a run moves at least."""
MOST_PIECES = 16
LEAST_V = 0.012
"""Choice [V]: a trend below it may be temperature or relaxation."""
SLOW = 0.01
"""Choice [1/h]: below C/100 a standing offset of the sensor and the relaxation after a load look like a trend."""
GOES_ON = 0.28
"""Choice: share of a slow trend that its second half must have. Relaxation over the logarithm of time has 0.2 there at
most, a steady load a half, and 0.32 where the curve flattens."""
CLEAR_STEP = 6.0
"""Choice: a step's answer stands out from the scatter around it by as many standard deviations."""
FEW = 4
"""Choice: steps below which they must be alike in all; or with the other answer that show a current without a sign."""
OTHER_WAY = 0.02
"""Choice: share of the steps that are answered the other way, from which on the current has no sign."""
STOP_AND_GO = 20
"""Choice: so many large steps make a log of stop and go."""
ANSWERED = 0.3
"""Choice: share of the steps that must be answered so."""
CLEAR_MEAN = 6.0
"""Choice: t of the answers of groups of steps."""
NOISE_V = 4e-4
"""Choice [V]: no reading is surer."""
COUNTED = 4
"""Choice: stretches in which a counter moves, at least."""


@dataclass(frozen=True)
class Voice:
    """What one kind of evidence says.

    Attributes
    ----------
    sense
        1 positive is discharge, -1 positive is charge, 0 silent.
    says
        A clause.
    both
        Whether both directions occur under one sign of the current.
    few
        Whether it rests on two or three steps.
    """

    sense: int = 0
    says: str = ""
    both: bool = False
    few: bool = False


SILENT = Voice()


def _word(sense: int) -> str:
    return "falls" if sense > 0 else "rises"


def modes_voice(modes: Modes, name: str) -> Voice:
    """Hear a mode column: the sign that the current has under its words for charge and discharge."""
    amounts = modes.positive + modes.negative
    if amounts[1] + amounts[-1] <= 0.02 * amounts.sum():
        return SILENT
    shares = [modes.positive[k] / amounts[k] if amounts[k] > 0 else np.nan for k in (1, -1)]
    sides = [0 if not np.isfinite(s) else 1 if s > 0.95 else -1 if s < 0.05 else 0 for s in shares]
    if sides[0] and sides[0] == sides[1]:
        way = "positive" if sides[0] > 0 else "negative"
        return Voice(0, f"{name!r} says charge and discharge, and the current is {way} in both", both=True)
    senses = {s for s in (sides[0], -sides[1]) if s}
    mixed = [k for k, side in zip((1, -1), sides) if not side and amounts[k] > 0.02 * amounts.sum()]
    if len(senses) != 1 or mixed:
        return SILENT
    sense = senses.pop()
    way = "positive" if sense > 0 else "negative"
    return Voice(sense, f"the current is {way} where {name!r} says discharge")


def counter_voice(blocks: Floats, k: int, counter: Counter) -> Voice:
    """Hear a counter of charge: whether it grows while the current is positive or negative.

    Parameters
    ----------
    blocks
        Of the digest.
    k
        Place of the counter among the counters.
    counter
        What it is.
    """
    reading = blocks[Field.COUNTERS + k]
    charge, moved = blocks[Field.CHARGE, 1:], np.diff(reading if counter.level else np.abs(reading))
    one_way = np.abs(charge) > 0.9 * blocks[Field.THROUGHPUT, 1:]
    good = np.isfinite(moved) & (moved != 0) & one_way & (charge != 0) & (blocks[Field.BREAKS, 1:] == 0)
    steps, flow = moved[good], charge[good]
    # the fall of a counter that starts anew is larger than any step of its own
    usual = float(np.median(np.abs(steps))) if len(steps) else 0.0
    counted = np.abs(steps) < 8 * usual
    steps, flow = steps[counted], flow[counted]
    if len(steps) < COUNTED:
        return SILENT
    way = np.sign(steps) * np.sign(flow)
    grows = [bool(np.sum((steps > 0) & (np.sign(flow) == s)) > 0.1 * len(steps)) for s in (1, -1)]
    falls = not counter.level and np.mean(steps < 0) > 0.1
    if falls or abs(way.mean()) < 0.8:
        return SILENT
    sense = counter.direction * (1 if way.mean() > 0 else -1)
    sign = "positive" if (way.mean() > 0) == (grows[0] or not grows[1]) else "negative"
    return Voice(sense, f"{counter.name!r} {'grows' if any(grows) else 'falls'} while the current is {sign}")


def trend_voice(blocks: Floats, capacity_Ah: float | None, one_signed: bool) -> Voice:
    """Hear the trend of the voltages with the charge moved, over hours.

    Notes
    -----
    A run is a row of stretches whose current keeps its sign; it is cut into pieces of equal charge. From piece to
    piece a direction is contradicted by so much as the mean voltage moves against it, beyond what the change of
    current through the largest likely resistance explains; a rising open-circuit curve adds its least slope. Where
    the charge is held at one voltage while its current tapers, either direction is left as it is.
    """
    capacity = 3600.0 * capacity_Ah if capacity_Ah else None
    cut = [_pieces(blocks[:, run], capacity) for run in _runs(blocks)]
    runs = [r for r in cut if r is not None]
    if not runs:
        return SILENT
    fastest = max(float(np.median(np.abs(current))) for _, current, _ in runs)
    slow = capacity_Ah is not None and fastest < SLOW * capacity_Ah
    votes, late = [], []
    for charge, current, voltage in runs:
        # a slow trend must show in the readings alone: relaxation looks like one that a least slope is added to
        against = _against(charge, current, voltage, capacity, 0.0 if slow else 1.0)
        most = STEEPEST_V * _share(charge, capacity)
        # positive: the current discharges where it is positive
        votes.append(np.clip(against[1] - against[0], -most, most))
        late.append(np.arange(len(votes[-1])) >= 0.5 * len(votes[-1]))
    moved = sum(float(np.abs(charge).sum()) for charge, _, _ in runs)
    share = moved / capacity if capacity else None
    return _weighed(np.concatenate(votes), np.concatenate(late), votes, share, slow, one_signed)


def _share(charge: Floats, capacity: float | None) -> Floats:
    return np.abs(charge[1:]) / capacity if capacity else np.full(len(charge) - 1, 0.02)


def _weighed(
    vote: Floats,
    second: npt.NDArray[np.bool_],
    runs: list[Floats],
    moved: float | None,
    slow: bool,
    one_signed: bool,
) -> Voice:
    """Say what the votes of all pieces [V, positive: discharge] come to."""
    for_, against = float(vote[vote > 0].sum()), float(-vote[vote < 0].sum())
    least = max(LEAST_V, (0.15 if slow else 0.03) * min(moved or 0.0, 1.0))
    if one_signed:
        # as much both ways, or a run of its own that goes the other way all through
        much = min(for_, against) > max(least, 0.2 * max(for_, against))
        steady = [_both_ways(r) if much else _one_way(r) for r in runs]
        if any(r[0] for r in steady) and any(r[1] for r in steady):
            return Voice(
                0, "the voltages rise for long and fall for long under a current of one sign", both=True
            )
    sense = 1 if for_ > against else -1
    own = np.maximum(sense * vote, 0.0)
    rest = np.maximum(sense * vote, 0.0)
    rest[np.argmax(rest)] = 0.0
    if own.sum() < least or min(for_, against) > 0.15 * max(for_, against):
        return SILENT
    if np.count_nonzero(own) < 4 or rest.sum() < 0.4 * LEAST_V:
        return SILENT
    if len(runs) == 1 and rest[second].sum() < 0.2 * rest.sum():
        return SILENT
    # what relaxes goes on ever slower; what a load moves goes on
    if slow and (moved is None or moved < 0.03 or own[second].sum() < GOES_ON * own.sum()):
        return SILENT
    # more than a whole pack moves every cell from end to end; a sensor's zero, counted for days, moves none
    if moved is not None and moved > WHOLE and own.sum() < END_TO_END_V * moved:
        return SILENT
    share = f" while {moved:.0%} of the capacity flows" if moved else ""
    return Voice(
        sense, f"the voltage {_word(sense)} with the charge that flows (by {own.sum():.3f} V{share})"
    )


WHOLE, END_TO_END_V = 1.2, 0.1
"""From so many capacities on cells went from end to end, and their voltages by so much for each (choice: the flattest
curves climb more at their ends alone)."""


def _both_ways(vote: Floats) -> tuple[bool, bool]:
    """Whether a run's votes hold two successive pieces for discharge, and for charge."""
    up, down = vote > 1e-3, vote < -1e-3
    return bool((up[1:] & up[:-1]).any()), bool((down[1:] & down[:-1]).any())


def _one_way(vote: Floats) -> tuple[bool, bool]:
    """Whether all votes of a run are for discharge, and for charge, and clear in sum."""
    up, down = vote > 1e-3, vote < -1e-3
    ample = np.count_nonzero(up | down) >= 2 and abs(float(vote.sum())) > 2 * LEAST_V
    return bool(ample and not down.any()), bool(ample and not up.any())


def _runs(blocks: Floats) -> list[slice]:
    """Return stretches of blocks whose current keeps its sign, without pauses."""
    charge = blocks[Field.CHARGE]
    sign = np.where(np.abs(charge) > 0.8 * blocks[Field.THROUGHPUT], np.sign(charge), 0)
    new = (np.diff(sign) != 0) | (blocks[Field.BREAKS, 1:] > 0)
    ends = np.concatenate([[0], np.flatnonzero(new) + 1, [len(sign)]])
    return [slice(int(a), int(b)) for a, b in itertools.pairwise(ends) if b - a >= 3 and sign[a]]


def _pieces(run: Floats, capacity: float | None) -> tuple[Floats, Floats, Floats] | None:
    """Cut a run into pieces of equal charge: charge between the middles [A s], mean current [A] and voltage [V]."""
    flowed = np.cumsum(np.abs(run[Field.CHARGE]))
    size = max(flowed[-1] / MOST_PIECES, PIECE * capacity if capacity else 0.0)
    if size <= 0 or flowed[-1] < 2 * size:
        return None
    piece = np.minimum((flowed - 0.5 * np.abs(run[Field.CHARGE])) // size, flowed[-1] // size - 1).astype(int)
    rows = np.bincount(piece, run[Field.ROWS])
    known = rows > 0
    charge = np.bincount(piece, run[Field.CHARGE])[known]
    current = np.bincount(piece, run[Field.CURRENT])[known] / rows[known]
    voltage = np.bincount(piece, run[Field.VOLTAGE])[known] / rows[known]
    if len(charge) < 2:
        return None
    middle = np.cumsum(charge) - 0.5 * charge
    return np.diff(middle, prepend=middle[0]), current, voltage


def _against(
    charge: Floats, current: Floats, voltage: Floats, capacity: float | None, slopes: float
) -> tuple[Floats, Floats]:
    """Return by how many volts each step from piece to piece contradicts discharge, and charge, as the positive."""
    way = np.sign(charge[1:])
    rise, less = way * np.diff(voltage), np.maximum(-way * np.diff(current), 0.0)
    explained = less * MOST_OHM_AH * 3600.0 / capacity if capacity else less * 0.05
    slope = slopes * np.where(voltage[1:] > FLAT_V, SLOPE_V[1], SLOPE_V[0])
    least = slope * np.abs(charge[1:]) / capacity if capacity else np.zeros(len(rise))
    out = []
    for moved in (rise, -rise):
        far = moved > 2e-4
        out.append(np.where(far, np.maximum(moved + least - explained, 0.0), 0.0))
    return out[0], out[1]


def steps_voice(steps: StepSample, capacity_Ah: float | None, one_signed: bool, lags: int = LAGS) -> Voice:
    """Hear how the voltages answer the largest steps of the current at one time scale.

    `lags` are the readings by which current and voltage may be apart at that scale.

    Notes
    -----
    Steps are taken by size: those of a quarter of the largest, of the largest fiftieth, and of the larger quarter, so
    that neither a few switchings among much noise nor one spike decides which are heard. A slow change, as in the
    taper of a charge, is no step: drifts of both readings around it are taken off.
    """
    current, voltage = steps.current, steps.voltage
    if len(current) < 2:
        return SILENT
    size = np.abs(current[:, HALF] - current[:, HALF - 1])
    ranked = np.sort(size)[::-1]
    heard = []
    tried: set[float] = set()
    smallest = LEAST_STEP * capacity_Ah if capacity_Ah else 0.0
    for top in (ranked[0], ranked[len(ranked) // 50], ranked[len(ranked) // 8]):
        least = max(0.25 * float(top), smallest)
        if least in tried or least <= 0:
            continue
        tried.add(least)
        use = size >= least
        order = np.argsort(steps.place[use], kind="stable")
        heard.append(_answer(current[use][order], voltage[use][order], capacity_Ah, one_signed, lags))
    clear = [v for v in heard if v.sense]
    if any(v.both for v in heard):
        return next(v for v in heard if v.both)
    if not clear or len({v.sense for v in clear}) > 1:
        return SILENT
    return next((v for v in clear if not v.few), clear[0])


def stop_and_go(steps: StepSample, largest: float) -> bool:
    """Whether the current comes and goes, as on a drive, rather than flowing steadily for hours."""
    size = np.abs(steps.current[:, HALF] - steps.current[:, HALF - 1])
    return bool(np.count_nonzero(size > 0.25 * largest) >= STOP_AND_GO)


def _answer(
    current: Floats, voltage: Floats, capacity_Ah: float | None, one_signed: bool, lags: int
) -> Voice:
    di, dv = np.diff(current, axis=1), np.diff(voltage, axis=1)
    middle = HALF - 1
    outer = np.abs(np.arange(di.shape[1]) - middle) > LAGS
    step = di[:, middle] - di[:, outer].mean(axis=1)
    abrupt = (np.abs(step) > 0.5 * np.abs(di[:, middle])) & (step * di[:, middle] > 0)
    if abrupt.sum() < 2:
        return SILENT
    step, dv = step[abrupt], dv[abrupt] - dv[abrupt][:, outer].mean(axis=1)[:, None]
    di = di[abrupt] - di[abrupt][:, outer].mean(axis=1)[:, None]
    near = dv[:, middle - lags : middle + lags + 1]
    limit = 10 * float(np.median(np.abs(near).max(axis=1))) + NOISE_V
    near = np.clip(near, -limit, limit)
    sums = step @ near
    lag = int(np.argmax(np.abs(sums)))
    lag = lag if abs(sums[lag]) > FARTHER * abs(sums[lags]) else lags
    answer = near[:, lag]
    slope = float(sums[lag] / (step @ step))
    if slope * _over_more_rows(current[abrupt], voltage[abrupt], lag - lags) <= 0:
        return SILENT
    if capacity_Ah and not OHM_AH[0] < abs(slope) * capacity_Ah < OHM_AH[1]:
        return SILENT
    # what the current around the step moves is no scatter
    left = dv - slope * np.roll(di, lag - lags, axis=1)
    scatter = np.maximum(1.25 * np.abs(left[:, outer]).mean(axis=1), NOISE_V)
    if one_signed:
        noise = _noise(di[:, outer], dv[:, outer], step, scatter)
        if _answered_both_ways(step, answer, slope, noise):
            says = "the voltage answers some steps of a current of one sign by rising, others by falling"
            return Voice(0, says, both=True)
    likely = not capacity_Ah or LIKELY_OHM_AH[0] < abs(slope) * capacity_Ah < LIKELY_OHM_AH[1]
    one = _one_by_one(step, answer, scatter, likely)
    # among steps that the noise hides, those of a magnitude that goes up as the pack is charged would go unseen
    return one if one.sense or one_signed else _by_groups(step, answer, slope)


def _noise(di: Floats, dv: Floats, step: Floats, scatter: Floats) -> float:
    """Return the scatter of a step of the voltage where the current rests [V]; around the steps where it never does."""
    at_rest = np.abs(di) < 0.1 * np.median(np.abs(step))
    if at_rest.sum() < 20:
        return float(np.median(scatter))
    return max(1.25 * float(np.abs(dv[at_rest]).mean()), NOISE_V)


def _answered_both_ways(step: Floats, answer: Floats, slope: float, noise: float) -> bool:
    """Whether steps are answered the other way beyond the noise, too often for chance.

    Beyond three standard deviations one in some 700 would be; a magnitude that rises as the pack begins to be charged
    is answered by a rise, as it begins to be discharged by a fall.
    """
    other = -np.sign(slope) * np.sign(step) * answer > 3 * noise
    return bool(other.sum() >= max(FEW, OTHER_WAY * len(step)))


def _over_more_rows(current: Floats, voltage: Floats, lag: int) -> float:
    """Return the answer of means of `SPAN` rows before and behind the steps [V/A].

    A resistance answers alike over one row and over some; where a tester drives the voltage to and fro, the current
    that fills the cell runs ahead of it, and it does not.
    """
    middle = HALF + lag
    di = current[:, HALF : HALF + SPAN].mean(axis=1) - current[:, HALF - SPAN : HALF].mean(axis=1)
    dv = voltage[:, middle : middle + SPAN].mean(axis=1) - voltage[:, middle - SPAN : middle].mean(axis=1)
    return float(di @ dv / (di @ di + 1e-300))


def _one_by_one(step: Floats, answer: Floats, scatter: Floats, likely: bool) -> Voice:
    """Hear steps whose answer stands out alone; a few of them only where it is as large as is likely."""
    clear = np.abs(answer) > CLEAR_STEP * scatter
    up, down = int(np.sum(clear & (step > 0))), int(np.sum(clear & (step < 0)))
    n = up + down
    if n < 2 or (n < FEW and (min(up, down) == 0 or not likely)):
        return SILENT
    rises = step[clear] * answer[clear] > 0
    share = float(np.mean(rises))
    # the few that stand out among many that do not are chance or something else
    if 0.05 < share < 0.95 or n < ANSWERED * len(step):
        return SILENT
    sense = -1 if share > 0.5 else 1
    return Voice(
        sense,
        f"the voltage {_word(sense)} with the current at {n} steps, each clear of the scatter around it",
        few=n < FEW,
    )


def _by_groups(step: Floats, answer: Floats, slope: float) -> Voice:
    """Hear many steps together: groups of successive ones are independent, single ones need not be."""
    groups = min(len(step) // 8, 32)
    if groups < 8:
        return SILENT
    up = float(np.sum(step[step > 0])) / float(np.sum(np.abs(step)))
    if not 0.1 < up < 0.9:
        return SILENT
    correlation = float(step @ answer / np.sqrt((step @ step) * (answer @ answer) + 1e-300))
    each = np.array(
        [a @ b / (a @ a) for a, b in zip(np.array_split(step, groups), np.array_split(answer, groups))]
    )
    error = float(each.std(ddof=1)) / np.sqrt(groups)
    t = float(each.mean()) / max(error, 1e-12)
    agree = float(np.mean(np.sign(each) == np.sign(slope)))
    if abs(t) < CLEAR_MEAN or agree < 0.85 or abs(correlation) < 0.15:
        return SILENT
    sense = -1 if slope > 0 else 1
    return Voice(
        sense,
        f"the voltage {_word(sense)} with the current over {len(step)} steps "
        f"(in {agree:.0%} of {groups} groups, correlation {correlation:.2f})",
    )
