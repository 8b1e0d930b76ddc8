"""Logs whose charge hardly counts: how the cells stood at rest tells; a curve nobody went through proves no shift."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest

from bmslogs.findings import diagnose
from bmslogs.findings.rules_capacity import _leaked_away
from bmslogs.log import Log
from tests.findings.test_bleed_on_the_flat import bled_at_night, curve_of


def short_trips(cell: int, offset: float) -> Log:
    """A quarter of an hour at rest, then twelve short pulls between pauses of five minutes: 0.2 % of charge each."""
    rng = np.random.default_rng(12)
    base = bled_at_night([1], np.zeros(16))
    seconds, current = [np.arange(0.0, 900.0)], [np.zeros(900)]
    for _ in range(12):
        begin = seconds[-1][-1] + 300.0
        seconds.append(begin + np.arange(60.0))
        current.append(np.where(np.arange(60) % 20 < 10, 30.0, 0.0))
    t, amps = np.concatenate(seconds), np.concatenate(current)
    soc = 0.69 + rng.normal(0, 0.001, 16) + np.where(np.arange(16) == cell - 1, offset, 0.0)
    drawn = np.cumsum(amps * np.minimum(np.diff(t, append=t[-1] + 1.0), 1.0)) / 3600.0
    volts = curve_of(base.pack).voltage(soc - drawn[:, None] / 50.0) - 0.001 * amps[:, None]
    return replace(
        base,
        time=base.time[0] + (t * 1e6).astype("timedelta64[us]"),
        current=amps + rng.normal(0, 0.05, len(t)),
        cell_voltage=np.round(volts + rng.normal(0, 4e-4, volts.shape), 3),
        temperature=np.full((len(t), 1), 20.0),
        bleed=None,
    )


def test_an_emptier_cell_is_told_by_its_rest_where_hardly_any_charge_was_counted() -> None:
    found = diagnose(short_trips(7, -0.05))
    loud = [(f.cause, f.cells) for f in found.findings if f.level in ("act", "look")]
    assert loud == [("soc_offset_low", (7,))]
    told = {e.cell: e for e in found.of("soc_offset")}[7]
    assert told.low is not None and told.high is not None and told.low <= -0.05 <= told.high


def test_a_sound_string_of_short_trips_has_no_finding() -> None:
    assert [f for f in diagnose(short_trips(7, 0.0)).findings if f.level in ("act", "look")] == []


@pytest.mark.parametrize(("leak_A", "silent"), [(0.05, False), (0.25, True)])
def test_a_leak_silences_no_small_cell_that_it_cannot_be(leak_A: float, silent: bool) -> None:
    """40 % of 50 Ah moved are 20 Ah: 50 +- 20 mA take 7 Ah of it in a hundred hours, 250 mA may take all (by hand)."""
    leak = SimpleNamespace(amps=np.array([0.0, leak_A]), half=np.array([0.02, 0.02]))
    study = SimpleNamespace(counted=SimpleNamespace(hours=100.0, span=50.0))
    case = SimpleNamespace(knowledge=SimpleNamespace(study=study, leak=leak))
    assert _leaked_away(case, np.array([0.0, -0.4])).tolist() == [False, silent]  # type: ignore[arg-type]
