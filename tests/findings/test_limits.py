"""Limits passed: by size and length, cell by cell, and never by what no cell can read. Truths are planted."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from bmslogs.analysis.signals.excursions import alike, excursions
from bmslogs.base.pack import Limits, Pack
from bmslogs.findings import diagnose
from bmslogs.log import Log

ROWS, CELLS = 5000, 16
LIMITS = Limits(voltage_min_V=3.0, voltage_max_V=4.2, charge_temperature_min_C=0.0, temperature_max_C=55.0)


def pack(**more):
    given = {
        "id": "wren-main",
        "vehicle": "Wren",
        "chemistry": "NMC",
        "nominal_capacity_Ah": 100.0,
        "cells_in_series": CELLS,
        "limits": LIMITS,
    }
    return Pack(**(given | more))


def log(volts, *, current=None, temperature=None, step=0.001):
    rows = len(volts)
    return Log(
        id="20260504-0800-planted00000",
        time=np.datetime64("2026-05-04T08:00:00", "us")
        + (np.arange(rows) * 1_000_000).astype("timedelta64[us]"),
        current=np.full(rows, np.nan) if current is None else current,
        cells=tuple(range(1, CELLS + 1)),
        cell_voltage=np.round(volts / step) * step,
        temperature=np.zeros((rows, 0)) if temperature is None else temperature,
        bleed=None,
        pack_voltage=None,
        pack=pack(),
        voltage_step=step,
    )


def full(seed=0):
    """Return the end of a charge held at 4.195 V, cells apart by half a millivolt."""
    rng = np.random.default_rng(seed)
    rise = 4.195 - 0.2 * np.exp(-np.arange(ROWS) / 600)
    return rise[:, None] + rng.normal(0, 5e-4, CELLS) + rng.normal(0, 3e-4, (ROWS, CELLS))


def limits_of(volts, **more):
    return [f for f in diagnose(log(volts, **more)).findings if f.cause == "limit_exceeded"]


def test_two_millivolts_over_are_no_act():
    over = full()
    over[2000:, 4] += 0.007
    assert [(f.level, f.cells) for f in limits_of(over)] in ([("look", (5,))], [("note", (5,))])
    over = full()
    over[2000:, 4] += 0.0045
    assert [f for f in limits_of(over) if f.level != "note"] == []


def test_a_cell_far_over_stands_alone():
    over = full()
    over[1500:4500, 4] += 0.053
    over[4700:4760, 8:15] += 0.008
    first, second = limits_of(over)
    assert (first.level, first.cells) == ("act", (5,))
    assert abs(first.size - 0.048) < 0.003 and "50 min" in first.says
    assert second.cells == tuple(range(9, 16)) and second.level != "act" and second.size < 0.006


def test_louder_with_size_and_with_length():
    loud = {"note": 1, "look": 2, "act": 3}
    for sizes, lengths in (
        ((0.002, 0.004, 0.01, 0.03, 0.1, 0.4), (120,) * 6),
        ((0.03,) * 5, (3, 8, 15, 60, 3000)),
    ):
        told = []
        for size, length in zip(sizes, lengths, strict=True):
            over = full()
            over[2000 : 2000 + length, 4] += 0.0065 + size
            told.append(max((loud[f.level] for f in limits_of(over) if f.cells == (5,)), default=0))
        assert told == sorted(told) and told[-1] == 3


def test_what_no_cell_reads_is_not_judged():
    over = full()
    over[:, 5], over[:, 6] = 5.0, -0.002
    assert [f for f in limits_of(over) if {6, 7} & set(f.cells)] == []
    over = full()
    over[2000, 3] = 4.6  # one row alone is a glitch
    assert limits_of(over) == []


def test_charge_in_the_cold_counts_from_a_fiftieth_of_the_capacity():
    rng = np.random.default_rng(1)
    volts = 3.7 + rng.normal(0, 5e-4, CELLS) + rng.normal(0, 3e-4, (1200, CELLS))
    temperature = np.full((1200, 3), -4.0)

    def told(amps, rows):
        current = np.zeros(1200)
        current[300 : 300 + rows] = -amps
        found = diagnose(log(volts, current=current, temperature=temperature)).findings
        return [f.level for f in found if f.cause == "cold_charge"]

    assert told(1.5, 400) == []
    assert told(3.0, 400) == ["act"]
    assert told(3.0, 5) == ["note"]
    assert told(3.0, 20) == ["look"]
    temperature[:] = -0.4
    assert told(30.0, 400) == ["look"]  # within what a sensor may err


def test_excursions_by_hand():
    seconds = np.arange(10.0)
    over = np.full((10, 2), -0.1)
    over[2:5, 0] = (0.004, 0.006, 0.005)
    over[7, 1] = 0.5
    (one,) = excursions(over, np.array([3, 4]), seconds, 0.001, 0.001)
    assert (one.column, one.first, one.seconds, one.clear_seconds) == (3, 2, 3.0, 3.0)
    assert one.worst == 0.005  # two rows in succession are beyond by no less
    assert alike([one]) == [[one]]


def unseen(current, every):
    """What a log of every so many rows says of currents between its rows."""
    volts = 3.7 - 0.001 * current[:, None] + np.zeros(CELLS)
    whole = log(volts, current=current)
    thin = replace(
        whole,
        time=whole.time[::every],
        current=current[::every],
        cell_voltage=whole.cell_voltage[::every],
        temperature=whole.temperature[::every],
    )
    found = [f for f in diagnose(thin).findings if f.cause == "log_quality"]
    return [line for f in found for line in f.because if "between" in line]


def test_a_row_a_minute_does_not_see_a_city_drive():
    """Loads of twenty seconds each (planted), seen every second, every minute; and a steady load seen every minute."""
    rng = np.random.default_rng(3)
    city = np.repeat(rng.normal(15, 45, 240), 20)
    assert unseen(city, 1) == []
    assert len(unseen(city, 60)) == 1
    assert unseen(np.full(4800, 40.0) + rng.normal(0, 0.1, 4800), 60) == []


def frozen(spells, length=40):
    """What a drive of half an hour says of frames that stood still, `spells` times for `length` s. Origin: planted."""
    rng = np.random.default_rng(5)
    current = np.repeat(rng.normal(20, 45, 600), 3) + rng.normal(0, 0.2, 1800)
    volts = 3.7 - 0.001 * current[:, None] + rng.normal(0, 3e-4, (1800, CELLS))
    for k in range(spells):
        first = 120 + 180 * k
        current[first : first + length], volts[first : first + length] = current[first], volts[first]
    found = [f for f in diagnose(log(volts, current=current)).findings if f.cause == "log_quality"]
    return [line for f in found for line in f.because if "stood still" in line]


def test_frames_that_stand_still_in_a_drive_are_told():
    assert frozen(0) == []
    (said,) = frozen(9)
    assert "8 times" in said  # behind one of the nine the current happens to go on as it was


def test_one_long_time_without_a_new_frame_is_told():
    (said,) = frozen(1, length=118)  # behind it the load of three seconds in which it began is long over
    assert "1 time," in said
    assert frozen(1, length=20) == []


def test_a_steady_load_read_in_coarse_steps_is_no_frozen_frame():
    """40 A for ten minutes at a time, then 60 A, then 20 A; steps of 1 A and 10 mV repeat all rows (planted)."""
    current = np.tile(np.repeat([40.0, 60.0, 20.0], 200), 3)
    volts = np.round((3.7 - 0.001 * current[:, None] + np.zeros((1800, CELLS))) / 0.01) * 0.01
    found = [f for f in diagnose(log(volts, current=current)).findings if f.cause == "log_quality"]
    assert [line for f in found for line in f.because if "stood still" in line] == []
