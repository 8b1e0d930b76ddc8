"""A log without current: limits and faults of the loom are told, the rest is refused with its reason."""

from dataclasses import replace

import numpy as np

from bmslogs.base.pack import Limits, Pack
from bmslogs.findings import diagnose
from bmslogs.log import Log

ROWS, CELLS = 600, 8


def log(volts, **more):
    """Return a log of eight cells, a row a second, without current."""
    pack = Pack(
        id="dunnock",
        vehicle="Dunnock",
        chemistry="NMC",
        nominal_capacity_Ah=60.0,
        cells_in_series=CELLS,
        limits=Limits(voltage_max_V=4.2, voltage_min_V=2.9),
    )
    made = Log(
        id="dunnock-1",
        time=np.datetime64("2026-07-01T09:00:00", "us") + np.arange(ROWS) * np.timedelta64(1, "s"),
        current=None,
        cells=tuple(range(1, CELLS + 1)),
        cell_voltage=volts,
        temperature=np.full((ROWS, 2), 21.0),
        bleed=None,
        pack_voltage=None,
        pack=pack,
        voltage_step=0.001,
    )
    return replace(made, **more)


def volts(seed=1):
    """Return readings of sound cells that fall and rise together by a tenth of a volt."""
    rng = np.random.default_rng(seed)
    together = 3.9 + 0.1 * np.sin(np.arange(ROWS) / 60)
    return np.round(together[:, None] + rng.normal(0, 0.002, CELLS) + rng.normal(0, 5e-4, (ROWS, CELLS)), 3)


def test_a_sound_log_has_no_finding_but_that_it_has_no_current():
    for current in (None, np.full(ROWS, np.nan)):
        found = diagnose(log(volts(), current=current))
        assert [(f.cause, f.level) for f in found.findings] == [("log_quality", "note")]
        assert "no current" in found.findings[0].because[0]
        assert {e.status for e in found.estimates} == {"not_determinable"}
        for estimate in found.estimates:
            assert estimate.why and estimate.settle_by
        charge = [e for e in found.estimates if e.quantity == "soc_offset"]
        assert "no current" in charge[0].why and charge[0].settle_by.startswith("Log the pack current")


def test_limits_and_the_loom_are_told():
    over = volts()
    over[300:320, 4] = 4.26
    assert [(f.cause, f.cells) for f in diagnose(log(over)).findings if f.level == "act"] == [
        ("limit_exceeded", (5,))
    ]
    stuck = volts()
    stuck[:, 2] = 3.912
    assert ("channel_stuck", (3,)) in [(f.cause, f.cells) for f in diagnose(log(stuck)).findings]
    swapped = volts()
    swapped[:, 3] *= -1
    swapped[:, [2, 4]] *= 2
    assert ("taps_swapped", (3, 4, 5)) in [(f.cause, f.cells) for f in diagnose(log(swapped)).findings]
