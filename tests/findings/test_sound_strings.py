"""Sound strings, read and driven in many ways: nothing loud is said of them, and every interval holds its truth."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from bmslogs.findings import diagnose
from bmslogs.log import Log
from tests.findings.by_hand import CAPACITY_AH, String, a_pack, city, loud, rest, run, string, warmed
from tests.findings.planted import charge

DRIVE = np.r_[rest(3), city(10), rest(5)]


def built_in(chemistry: str) -> dict[str, Any]:
    return {"chemistry": chemistry, "ocv": None, "ocv_table": None}


def sound(kind: str, seed: int, **more: Any) -> tuple[String, Log]:
    """Return a sound string and a log of it: driven, charged, discharged or parked."""
    s = string(seed, soc={"charge": 0.25, "discharge": 0.95}.get(kind, 0.7), pack=a_pack(**more))
    if kind == "drive":
        return s, run(s, DRIVE)
    if kind == "charge":
        return s, run(s, charge(60.0), 10)
    if kind == "discharge":
        return s, run(s, -charge(60.0), 10)
    s.noise_A = 0.01
    return s, run(s, np.zeros(24 * 7), 3600)


@pytest.mark.parametrize("chemistry", ["own", "NMC", "LFP"])
@pytest.mark.parametrize("kind", ["drive", "charge", "discharge", "parked"])
def test_a_sound_string_gives_no_cause_for_work(kind: str, chemistry: str) -> None:
    more = {} if chemistry == "own" else built_in(chemistry)
    for seed in (11, 12) if kind == "parked" else (11,):
        _, log = sound(kind, seed, **more)
        assert [(f.cause, f.cells) for f in loud(diagnose(log))] == []


READ_BADLY = {
    "in steps of 5 mV": lambda log: replace(
        log, cell_voltage=np.round(log.cell_voltage / 0.005) * 0.005, voltage_step=0.005
    ),
    "current in whole amperes": lambda log: replace(log, current=np.round(log.current)),
    "current half a second late": lambda log: replace(
        log, current=0.5 * (log.current + np.r_[log.current[:1], log.current[:-1]])
    ),
    "current two per cent too small": lambda log: replace(log, current=0.98 * log.current),
    "a hundredth of the readings missing": lambda log: replace(
        log,
        cell_voltage=np.where(
            np.random.default_rng(3).random(log.cell_voltage.shape) < 0.01, np.nan, log.cell_voltage
        ),
    ),
    "single glitches": lambda log: replace(
        log,
        cell_voltage=np.where(
            np.arange(log.cell_voltage.size).reshape(log.cell_voltage.shape) == 4321, 5.9, log.cell_voltage
        ),
    ),
}


@pytest.mark.parametrize("how", READ_BADLY)
def test_a_drive_that_is_read_badly_accuses_no_cell(how: str) -> None:
    _, log = sound("drive", 13)
    assert [(f.cause, f.cells) for f in loud(diagnose(READ_BADLY[how](log)))] == []


def test_a_pack_that_warms_evenly_and_is_weaker_in_the_cold_accuses_no_cell() -> None:
    """All places go from -8 degC up, and all cells drop three times as much as at 25 degC."""
    s = string(14, cells=16)
    s.ohm *= 3.0
    current = np.r_[rest(3), np.abs(city(15)), rest(5)]  # no braking: nothing is charged in the cold
    warm = warmed(current, 1.0, [2e-3] * 4, start_C=-8.0)
    log = run(s, current, temperature=np.round(warm + s.rng.normal(0, 0.05, warm.shape), 1))
    assert [(f.cause, f.cells) for f in loud(diagnose(log))] == []


@pytest.mark.parametrize("seed", [21, 22])
def test_resistances_lie_in_their_intervals(seed: int) -> None:
    """What was put into the circuit, cell by cell: of 12 cells 11 and more at 95 %."""
    s, log = sound("drive", seed)
    found = diagnose(log)
    held = [
        e.low <= s.ohm[e.cell - 1] <= e.high
        for e in found.of("resistance_10s")
        if e.low is not None and e.high is not None and e.cell is not None
    ]
    assert len(held) == 12 and sum(held) >= 11
    ratio = s.ohm / np.median(s.ohm)
    near = [e for e in found.of("resistance_10s_relative") if e.low is not None and e.high is not None]
    assert sum(e.low <= ratio[e.cell - 1] <= e.high for e in near) >= 11
    assert max(e.high - e.low for e in near) < 0.1


def test_capacities_and_offsets_lie_in_their_intervals() -> None:
    """Capacities scatter by 0.5 %, charge by 0.2 % (planted)."""
    s, log = sound("charge", 24)
    found = diagnose(log)
    relative = s.capacity / np.median(s.capacity)
    offset = s.soc - np.median(s.soc)
    for quantity, true in (("capacity_relative", relative), ("soc_offset", offset), ("capacity", s.capacity)):
        told = [e for e in found.of(quantity) if e.low is not None and e.high is not None and e.cell]
        assert len(told) == 12
        assert sum(e.low <= true[e.cell - 1] <= e.high for e in told if e.cell) >= 11
    (usable,) = found.of("usable_charge")
    # the string gives what its smallest cell between full and empty gives: within the pack's own spread
    if usable.low is not None and usable.high is not None:
        assert usable.low <= 1.01 * CAPACITY_AH and usable.high >= 0.97 * CAPACITY_AH
