"""The sign of the current: what header, mode column, counters, trend and steps say, and whether they agree."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from bmslogs.importers.plan.beside import Beside
from bmslogs.importers.plan.sign_evidence import SCALES, Field, Floats, SignEvidence, coarser
from bmslogs.importers.plan.sign_voices import (
    FLAT_V,
    LAGS,
    SILENT,
    SLOPE_V,
    Voice,
    counter_voice,
    modes_voice,
    steps_voice,
    stop_and_go,
    trend_voice,
)

PAIR_SAYS = "charge and discharge current stand in two columns"
STEADY_FRACTION = 0.02
"""Choice: a current whose largest value is below this share of the capacity per hour (C/50) is none to speak of."""
IMMATERIAL = 0.005
"""Choice: share of the capacity that such a current may move in all before its sign matters."""
ONE_WAY = 0.2
"""Choice: net over whole flow beyond which a small current is no noise: its sign matters."""
STRETCHES = 12
"""Choice: parts of a parked log."""
LONGEST_STEP_S = 300.0
"""Choice [s]: over longer means the charge that flows moves the voltages as the resistance does."""
MOST_NEITHER = 0.05
"""Choice: share of the flow under words of neither direction beyond which a mode column cannot give the sign."""


@dataclass(frozen=True)
class Sign:
    """The verdict: `factor` turns the logger's current into one that is positive while discharging.

    Attributes
    ----------
    factor
        1 or -1; None where nothing decides.
    why
        One line with the evidence.
    by_mode
        Whether the current has no sign of its own and the mode column gives it row by row.
    settle
        What to ask for where nothing decides.
    """

    factor: int | None
    why: str
    by_mode: bool = False
    settle: str = 'a profile with [current] discharge = "positive" or "negative"'


@dataclass(frozen=True)
class Stated:
    """What was said of the sign before the readings were looked at: 1 positive is discharge, -1 charge, 0 nothing.

    Attributes
    ----------
    profile
        By a profile, given or remembered.
    header
        By the words of the header, or 1 by a pair of columns for charge and discharge.
    says
        How the header says so.
    """

    profile: int = 0
    header: int = 0
    says: str = ""


def judge_sign(
    evidence: SignEvidence,
    capacity_Ah: float | None,
    stated: Stated = Stated(),
    beside: Beside = Beside(),  # noqa: B008
) -> Sign:
    """Weigh the evidence. Kinds that contradict each other are not counted out: nothing is decided then.

    Parameters
    ----------
    evidence
        Over all rows, or over a sample.
    capacity_Ah
        Of the pack; None where it is not known.
    stated
        By profile and header.
    beside
        The counters and the mode column that the evidence was gathered with.
    """
    blocks = evidence.digest.end()
    mode = modes_voice(evidence.modes, beside.mode.name) if beside.mode is not None else SILENT
    counted = [counter_voice(blocks, k, c) for k, c in enumerate(beside.counters)]
    trend = trend_voice(blocks, capacity_Ah, evidence.one_signed)
    if not trend.sense and not trend.both and _small(evidence, capacity_Ah):
        # over long stretches the noise of a resting sensor is gone, and what flows is left
        trend = trend_voice(coarser(blocks, STRETCHES), capacity_Ah, evidence.one_signed)
    steps = [
        steps_voice(s.steps.end(), capacity_Ah, evidence.one_signed, lags)
        for s, lags, rows in zip(evidence.scales, (LAGS, 1, 0), SCALES)
        if rows == 1 or rows * evidence.step_s <= LONGEST_STEP_S
    ]
    if mode.both and evidence.one_signed and not stated.profile:
        return _by_mode(mode, evidence, blocks)
    if any(v.sense and not v.few for v in steps):
        # two or three steps at one scale are nothing beside many at another
        steps = [v for v in steps if not v.few]
    steps = _at_once(steps, stated.header)
    if evidence.one_signed and not any(v.sense for v in steps):
        # whether such a current has a sign at all only its steps could tell
        trend = Voice(0, trend.says, trend.both) if _comes_and_goes(evidence) else trend
    header = Voice(stated.header, stated.says)
    on_record = [v for v in (header, mode, *counted) if v.sense]
    physical = [v for v in (trend, *steps) if v.sense]
    lost = _lost(counted, [trend, *steps], evidence)
    if lost:
        return Sign(
            None, f"it seems to have lost its sign: {lost}", settle="a log whose current carries a sign"
        )
    if stated.profile:
        return _as_given(stated.profile, on_record, physical)
    return _agreed(on_record + physical, evidence, blocks, capacity_Ah)


def _at_once(steps: list[Voice], header: int) -> list[Voice]:
    """Leave out means over many rows where single rows say what the header says: a resistance answers at once.

    Over minutes the charge of a knee and what relaxes answer as well, either way.
    """
    if header and steps and steps[0].sense == header and not steps[0].few:
        return [v for v in steps if v.sense in (0, header)]
    return steps


def _comes_and_goes(evidence: SignEvidence) -> bool:
    return stop_and_go(evidence.scales[0].steps, evidence.largest)


def _by_mode(mode: Voice, evidence: SignEvidence, blocks: Floats) -> Sign:
    flow = evidence.modes.positive + evidence.modes.negative
    if flow[0] > MOST_NEITHER * flow.sum():
        return Sign(
            None,
            f"{mode.says}, but {flow[0] / flow.sum():.0%} of the flow lies in rows where it says neither",
            settle="a log whose current carries a sign",
        )
    return Sign(
        1, f"{mode.says}: the current has no sign of its own, that column gives it row by row", by_mode=True
    )


def _lost(counted: list[Voice], physical: list[Voice], evidence: SignEvidence) -> str:
    """Return why the current seems to have no sign, though it flows both ways; empty where it does not."""
    if not evidence.one_signed:
        return ""
    both = next((v for v in physical if v.both), None)
    if both is not None:
        return both.says
    if {v.sense for v in counted} >= {1, -1}:
        first = next(v for v in counted if v.sense == 1)
        second = next(v for v in counted if v.sense == -1)
        return f"{first.says}, and {second.says}"
    senses = {v.sense for v in physical if v.sense}
    if len(senses) > 1:
        return "; ".join(v.says for v in physical if v.sense)
    return ""


def _as_given(sense: int, on_record: list[Voice], physical: list[Voice]) -> Sign:
    """Take a profile's word unless the voltages all speak against it and nothing in the file speaks for it."""
    against = [v for v in physical if v.sense == -sense]
    if against and len(against) == len(physical) and not any(v.sense == sense for v in on_record):
        word, other = ("positive", "negative") if sense > 0 else ("negative", "positive")
        return Sign(
            None,
            f'the profile says discharge = "{word}", but {against[0].says}',
            settle=f'a profile with [current] discharge = "{other}"',
        )
    return Sign(sense, "by the profile")


def _agreed(voices: list[Voice], evidence: SignEvidence, blocks: Floats, capacity_Ah: float | None) -> Sign:
    senses = {v.sense for v in voices}
    if len(senses) > 1:
        first = next(v for v in voices if v.sense == 1)
        second = next(v for v in voices if v.sense == -1)
        return Sign(None, f"{first.says} (positive is discharge), but {second.says} (positive is charge)")
    if senses:
        return Sign(senses.pop(), "; ".join(dict.fromkeys(v.says for v in voices)))
    if _small(evidence, capacity_Ah) and _immaterial(evidence, blocks, capacity_Ah):
        return Sign(
            1,
            f"current never above {evidence.largest:g} A, and no charge to speak of flows: the sign is immaterial, "
            "taken as written",
        )
    return Sign(
        None, "nothing beside says so, and the voltages do not answer the current clearly enough to tell"
    )


def _small(evidence: SignEvidence, capacity_Ah: float | None) -> bool:
    """Whether the current is none to speak of, as of a parked pack."""
    return evidence.largest <= (max(STEADY_FRACTION * capacity_Ah, 0.2) if capacity_Ah else 0.5)


def _immaterial(evidence: SignEvidence, blocks: Floats, capacity_Ah: float | None) -> bool:
    """Whether a small current is the noise of a sensor about its zero, so that either sign says the same.

    A zero error of its own is no flow: the voltages stay where the charge that it adds up to would move them.
    """
    net, flow = abs(float(blocks[Field.CHARGE].sum())), float(blocks[Field.THROUGHPUT].sum())
    fewer, more = sorted((evidence.positive_rows, evidence.negative_rows))
    if net > ONE_WAY * flow and fewer < ONE_WAY * more:
        return False
    if not capacity_Ah or net <= IMMATERIAL * 3600.0 * capacity_Ah:
        return True
    coarse = coarser(blocks, STRETCHES)
    voltage = coarse[Field.VOLTAGE] / coarse[Field.ROWS]
    slope = SLOPE_V[1] if float(voltage.min()) > FLAT_V else SLOPE_V[0]
    return float(np.ptp(voltage)) < 0.5 * slope * net / (3600.0 * capacity_Ah)
