"""Sound strings that were read badly: the diagnosis stands, its intervals are whole, and it raises no alarm."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from bmslogs.findings import diagnose
from bmslogs.log.log import Log
from tests.accuracy import healthy
from tests.accuracy.adapter import build_log, build_pack


def sound(kind: str, seed: int) -> Log:
    """Return a healthy log of the benchmark."""
    d = healthy.KINDS[kind][0]([seed, 8])
    return build_log(d.string, d.bench, d.meter, d.rng, build_pack(d.string))


def every(log: Log, step: int) -> Log:
    """Return every `step`-th row."""
    rows = slice(None, None, step)
    return replace(
        log,
        time=log.time[rows],
        current=None if log.current is None else log.current[rows],
        cell_voltage=log.cell_voltage[rows],
        temperature=log.temperature[rows],
        bleed=None if log.bleed is None else log.bleed[rows],
        pack_voltage=None if log.pack_voltage is None else log.pack_voltage[rows],
    )


def coarse(log: Log, step: float) -> Log:
    """Return the log as a logger with steps of `step` [V] would have written it."""
    return replace(log, cell_voltage=np.round(log.cell_voltage / step) * step, voltage_step=step)


def holes(log: Log, share: float) -> Log:
    """Return the log with single readings missing."""
    volts = log.cell_voltage.copy()
    volts[np.random.default_rng(5).random(volts.shape) < share] = np.nan
    return replace(log, cell_voltage=volts)


def first_cells(log: Log, count: int) -> Log:
    """Return the log of one module of the pack alone."""
    return replace(
        log,
        cells=log.cells[:count],
        cell_voltage=log.cell_voltage[:, :count],
        pack_voltage=None,
        bleed=None if log.bleed is None else log.bleed[:, :count],
    )


ODD = {
    "steps of 20 mV": lambda log: coarse(log, 0.02),
    "steps of 5 mV, every fourth row": lambda log: every(coarse(log, 0.005), 4),
    "a tenth of the readings missing": lambda log: holes(log, 0.1),
    "a third of the readings missing": lambda log: holes(log, 0.33),
    "every twelfth row": lambda log: every(log, 12),
    "three cells": lambda log: first_cells(log, 3),
    "one cell": lambda log: first_cells(log, 1),
    "thirty rows": lambda log: replace(
        every(log, 1),
        **{
            name: (None if getattr(log, name) is None else getattr(log, name)[:30])
            for name in ("time", "current", "cell_voltage", "temperature", "bleed", "pack_voltage")
        },
    ),
    "no temperature": lambda log: replace(log, temperature=log.temperature[:, :0]),
    "dead temperature sensors": lambda log: replace(log, temperature=np.full_like(log.temperature, np.nan)),
    "current in whole amperes": lambda log: replace(log, current=np.round(log.current)),
    "no current": lambda log: replace(log, current=None),
    "another chemistry in the pack file": lambda log: replace(
        log, pack=log.pack.model_copy(update={"chemistry": "LFP" if log.pack.chemistry == "NMC" else "NMC"})
    ),
}


@pytest.mark.filterwarnings("error::RuntimeWarning")
@pytest.mark.parametrize("trouble", ODD)
@pytest.mark.parametrize(("kind", "seed"), [("trip", 3), ("charge", 4), ("step_charge", 9), ("parked", 6)])
def test_a_badly_read_log_of_a_sound_string(kind: str, seed: int, trouble: str) -> None:
    found = diagnose(ODD[trouble](sound(kind, seed)))
    for estimate in found.estimates:
        if estimate.status == "determined":
            low, value, high = estimate.low, estimate.value, estimate.high
            assert low is not None and value is not None and high is not None
            assert all(map(math.isfinite, (low, value, high))) and low <= value <= high
        else:
            assert estimate.why and estimate.settle_by and estimate.value is None
    if trouble not in ("another chemistry in the pack file", "a third of the readings missing"):
        assert [(f.cause, f.cells) for f in found.findings if f.level != "note"] == []
