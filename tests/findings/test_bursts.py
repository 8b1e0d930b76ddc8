"""Contacts that come and go, planted into plain circuits: a loose lug, and what looks like it."""

from __future__ import annotations

import numpy as np
import pytest

from bmslogs.base.pack import Module, Pack
from bmslogs.findings import diagnose
from bmslogs.log.log import Log

CELLS, ROWS, OHM = 12, 1500, 1.0e-3


def a_drive(seed: int, every_s: float = 1.0) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return seconds, current [A] and voltages [V] of sound cells: open circuit, resistance, one RC pair."""
    rng = np.random.default_rng(seed)
    seconds = np.arange(ROWS) * every_s
    current = np.repeat(rng.choice([0.0, 0.0, 40.0, 80.0, 120.0, -60.0], ROWS // 10 + 1), 10)[:ROWS]
    current[:60] = 0.0
    slow, state = np.zeros(ROWS), 0.0
    for k, amps in enumerate(current):
        state += (amps - state) * (1 - np.exp(-every_s / 25.0))
        slow[k] = state
    ohm = OHM * (1 + rng.normal(0, 0.01, CELLS))
    level = 3.8 - 0.8 * np.cumsum(current) * every_s / 3600 / 100
    volts = level[:, None] - ohm * (0.7 * current + 0.4 * slow)[:, None]
    return seconds, current, volts


def logged(seconds: np.ndarray, current: np.ndarray, volts: np.ndarray, seed: int) -> Log:
    """Return the log of a pack of three modules with readings of 1 mV and noise."""
    rng = np.random.default_rng(seed + 1000)
    pack = Pack(
        id="dunlin",
        vehicle="Dunlin",
        chemistry="NMC",
        nominal_capacity_Ah=100.0,
        cells_in_series=CELLS,
        modules=tuple(Module(name=f"M{m + 1}", cells=list(range(4 * m + 1, 4 * m + 5))) for m in range(3)),
    )
    return Log(
        id="dunlin",
        time=np.datetime64("2026-05-04T08:00:00", "us") + (seconds * 1e6).astype("timedelta64[us]"),
        current=current + rng.normal(0, 0.2, len(current)),
        cells=tuple(range(1, CELLS + 1)),
        cell_voltage=np.round(volts + rng.normal(0, 4e-4, volts.shape), 3),
        temperature=np.empty((len(seconds), 0)),
        bleed=None,
        pack_voltage=None,
        pack=pack,
        voltage_step=0.001,
    )


def moments(rng: np.random.Generator, current: np.ndarray, count: int, loaded: bool) -> np.ndarray:
    """Return the rows of `count` moments of one to three rows, under load where asked."""
    at = np.flatnonzero(np.abs(current) > 20.0) if loaded else np.arange(len(current))
    starts = rng.choice(at[(at > 60) & (at < len(current) - 10)], count, replace=False)
    return np.unique(np.concatenate([np.arange(s, s + int(rng.integers(1, 4))) for s in starts]))


@pytest.mark.parametrize("count", [25, 100])
def test_a_lug_that_opens_for_moments(count: int) -> None:
    seconds, current, volts = a_drive(1)
    rng = np.random.default_rng(count)
    rows = moments(rng, current, count, loaded=True)
    volts[rows, 4] -= 3e-3 * current[rows]
    found = [f for f in diagnose(logged(seconds, current, volts, 1)).findings if f.level != "note"]
    assert [(f.cause, f.cells, f.level) for f in found] == [("joint_loose", (5,), "act")]
    assert found[0].size == pytest.approx(3e-3, rel=0.15)


def test_a_sense_wire_that_opens_for_moments_moves_two_readings() -> None:
    seconds, current, volts = a_drive(2)
    rows = moments(np.random.default_rng(3), current, 30, loaded=False)
    volts[rows, 4] += 0.08
    volts[rows, 5] -= 0.08
    found = [f for f in diagnose(logged(seconds, current, volts, 2)).findings if f.level != "note"]
    assert [(f.cause, f.cells) for f in found] == [("tap_open", (5, 6))]


@pytest.mark.parametrize("seed", range(4, 9))
def test_sound_cells_and_readings_a_row_apart(seed: int) -> None:
    seconds, current, volts = a_drive(seed)
    volts[:, ::2] = np.roll(volts[:, ::2], 1, axis=0)  # every other channel is read a second later
    causes = {f.cause for f in diagnose(logged(seconds, current, volts, seed)).findings if f.level != "note"}
    assert not causes & {"joint_loose", "tap_open"}


def test_a_channel_that_drops_out_is_no_lug() -> None:
    seconds, current, volts = a_drive(10)
    rows = moments(np.random.default_rng(4), current, 40, loaded=False)
    volts[rows, 7] -= 0.1  # the same whichever way the current flows, at rest too
    causes = {f.cause for f in diagnose(logged(seconds, current, volts, 10)).findings}
    assert "joint_loose" not in causes


@pytest.mark.parametrize("ohm", [8e-4, 2e-3, 8e-3])
def test_a_lug_that_is_open_as_often_as_not(ohm: float) -> None:
    """Open and shut for 15 s and more at a time, by halves now and then (planted): no state of it is the usual one."""
    seconds, current, volts = a_drive(4)
    rng = np.random.default_rng(44)
    state, now = np.zeros(ROWS), 0.0
    for k in range(60, ROWS):
        if rng.random() < 1 / 15:
            now = float(rng.choice([0.0, 0.5, 1.0, 1.0]))
        state[k] = now
    volts[:, 6] -= ohm * state * current
    found = [f for f in diagnose(logged(seconds, current, volts, 4)).findings if f.level != "note"]
    assert [(f.cause, f.cells, f.level) for f in found] == [("joint_loose", (7,), "act")]
    assert found[0].size is not None
    assert 0.5 * ohm < found[0].size < 1.15 * ohm


def test_a_reading_that_jumps_without_regard_for_the_load_is_no_lug() -> None:
    """The same comings and goings of 40 mV in cell 7 whatever flows (planted)."""
    seconds, current, volts = a_drive(4)
    rng = np.random.default_rng(44)
    edges = np.sort(rng.choice(np.arange(60, ROWS), 90, replace=False))
    up = np.searchsorted(edges, np.arange(ROWS)) % 2 == 1
    volts[up, 6] -= 0.040
    found = diagnose(logged(seconds, current, volts, 4)).findings
    assert "joint_loose" not in {f.cause for f in found}


def test_a_weak_cell_whose_resistance_grows_towards_empty_is_no_lug() -> None:
    """Cell 6 drops three times as much at every step of the current, and ever more of it (planted)."""
    seconds, current, volts = a_drive(6)
    volts[:, 5] -= (1.0 + np.arange(ROWS) / ROWS) * OHM * current
    found = diagnose(logged(seconds, current, volts, 6)).findings
    assert "joint_loose" not in {f.cause for f in found}
    assert any(f.cells == (6,) and f.level == "act" for f in found)


@pytest.mark.parametrize("lack", [0.15, 0.35])
def test_a_small_cell_behind_a_contact_that_comes_and_goes_is_told_as_both(lack: float) -> None:
    """Cell 7 holds less, and the lug in its tap is open for minutes at a time (planted): neither hides the other."""
    seconds, current, volts = a_drive(8, every_s=4.0)
    moved = np.cumsum(current) * 4.0 / 3600 / 100
    volts[:, 6] -= 0.8 * moved * (1.0 / (1.0 - lack) - 1.0)
    volts[:, 6] -= 2e-3 * (np.floor(seconds / 240.0) % 2 == 1) * current
    found = {f.cause: f for f in diagnose(logged(seconds, current, volts, 8)).findings if 7 in f.cells}
    assert found["joint_loose"].level == "act"
    assert found["capacity_low"].level == "act"
