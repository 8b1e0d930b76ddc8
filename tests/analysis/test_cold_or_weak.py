"""Cold told from weak: temperatures of cells by the pack file, resistances by Arrhenius' law with other energies."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose

from bmslogs.analysis.models import cell_warmth, cold_or_weak
from bmslogs.base.pack import Module, Pack, TemperatureSensor

BOLTZMANN_EV = 8.617333e-5


def pack(cells: int = 32, per: int = 8, sensors: tuple[tuple[int, ...], ...] = ()) -> Pack:
    return Pack(
        id="smew",
        vehicle="Smew",
        chemistry="NMC",
        nominal_capacity_Ah=100.0,
        cells_in_series=cells,
        modules=tuple(
            Module(name=f"S{k // per + 1}", cells=list(range(k + 1, k + per + 1)))
            for k in range(0, cells, per)
        ),
        temperature_sensors=tuple(
            TemperatureSensor(name=f"T{k}", cells=list(s)) for k, s in enumerate(sensors, 1)
        ),
    )


def law(t_C: np.ndarray, ea: float) -> np.ndarray:
    return np.exp(ea / BOLTZMANN_EV * (1 / (t_C + 273.15) - 1 / 293.15))


ALL = np.ones(32, bool)
MODULE = np.arange(32) // 8
CELLS = tuple(range(1, 33))


def warmth(p: Pack, level: np.ndarray) -> cell_warmth.CellWarmth:
    return cell_warmth.cell_warmth(p, CELLS, level, np.ones(len(level), bool), np.zeros(len(level)))


def test_a_sensor_is_near_its_own_module_and_no_other():
    w = warmth(pack(sensors=((1, 2), (17, 18, 19))), np.array([20.0, 10.0]))
    assert w.near.tolist() == [True] * 8 + [False] * 8 + [True] * 8 + [False] * 8
    assert w.reading[[0, 7, 16, 23, 31]].tolist() == [20.0, 20.0, 10.0, 10.0, 10.0]
    assert np.all(w.sd[~w.near] > w.sd[w.near].max())
    # one that is said to speak for half the pack is near to none of it for sure
    halves = warmth(pack(sensors=(tuple(range(1, 17)), tuple(range(17, 33)))), np.array([20.0, 10.0]))
    assert not halves.near.any() and halves.reading[0] == 20.0 and halves.reading[31] == 10.0


def test_a_sensor_that_is_not_believed_leaves_its_cells_to_the_next():
    p = pack(sensors=((1, 2), (9, 10), (17, 18), (25, 26)))
    w = cell_warmth.cell_warmth(
        p, CELLS, np.array([20.0, 55.0, 21.0, 20.0]), np.array([True, False, True, True]), np.zeros(4)
    )
    assert not w.near[8:16].any() and set(w.reading[8:16]) <= {20.0, 21.0}
    none = cell_warmth.cell_warmth(pack(), CELLS, np.zeros(0), np.zeros(0, bool), np.zeros(0))
    assert np.isnan(none.reading).all() and not none.near.any()


@pytest.mark.parametrize("ea", [0.2, 0.3, 0.45])
def test_what_the_sensors_tell_is_taken_out_whatever_the_activation_energy(ea: float):
    p = pack(sensors=tuple((k + 1, k + 2) for k in range(0, 32, 8)))
    level = np.array([20.0, 16.0, 12.0, 8.0])
    ratio = law(level[MODULE], ea)
    factor, sd = cell_warmth.expected_factor(ratio / np.median(ratio), warmth(p, level), MODULE, ALL)
    left = ratio / np.median(ratio) / factor
    left /= np.median(left)
    assert np.all(np.abs(left - 1.0) < 2 * sd / factor)


def test_the_error_of_one_sensor_is_part_of_the_width():
    p = pack(sensors=tuple((k + 1, k + 2) for k in range(0, 32, 8)))
    _, sd = cell_warmth.expected_factor(
        np.ones(32), warmth(p, np.array([20.0, 20.0, 22.5, 20.0])), MODULE, ALL
    )
    # a kelvin is 4 % of resistance at 20 degC and 0.3 eV, and 2.5 K may be the sensor's error by half
    assert 1.96 * sd[16] > 0.05
    assert sd[16] > sd[0]


def test_a_weak_module_with_a_sensor_of_its_own_does_not_bend_its_own_law():
    p = pack(sensors=tuple((k + 1, k + 2) for k in range(0, 32, 8)))
    level = np.array([20.0, 20.0, 12.0, 20.0])
    ratio = law(level[MODULE], 0.3) * np.where(MODULE == 2, 1.4, 1.0)
    factor, sd = cell_warmth.expected_factor(ratio / np.median(ratio), warmth(p, level), MODULE, ALL)
    left = ratio[16] / np.median(ratio) / factor[16]
    assert left - 1.96 * sd[16] / factor[16] > 1.15 and abs(left - 1.4) < 0.1


FAR = np.ones(32, bool)
BOX = np.zeros(32, np.int64)


def test_cold_rises_smoothly_and_a_weak_module_in_a_step():
    place = np.arange(32) / 31.0
    cold = 0.6 * place**2
    (run,) = cold_or_weak.runs(cold, MODULE, BOX, FAR, ALL, 0.1)
    assert run.smooth and run.cells[-1] == 31
    weak = np.where(MODULE == 2, 0.3, 0.0)
    (run,) = cold_or_weak.runs(weak, MODULE, BOX, FAR, ALL, 0.1)
    assert not run.smooth and run.cells.tolist() == list(range(16, 24)) and run.height == pytest.approx(0.3)
    both = cold_or_weak.runs(0.5 * np.abs(2 * place - 1) ** 2, MODULE, BOX, FAR, ALL, 0.1)
    assert len(both) == 2 and all(r.smooth for r in both)
    assert cold_or_weak.runs(weak, MODULE, BOX, MODULE != 2, ALL, 0.1) == []  # it has a sensor of its own
    (box,) = cold_or_weak.runs(np.where(MODULE >= 2, 0.3, 0.0), MODULE, MODULE // 2, FAR, ALL, 0.1)
    assert box.step is None and not box.smooth


@pytest.mark.parametrize("weak", [0.15, 0.6, 3.0])
def test_a_weak_cell_stands_out_of_its_near_neighbours_in_any_gradient(weak: float):
    line = 0.6 * np.arange(32) / 31.0
    value = line.copy()
    value[20] = (1 + line[20]) * (1 + weak) - 1
    trend = cold_or_weak.trend(value, BOX, ALL)
    alone = (1 + value) / (1 + trend) - 1
    assert_allclose(alone[20], weak, rtol=0.02)
    assert np.abs(np.delete(alone, 20)).max() < 0.02


def test_what_cold_can_explain():
    """Arrhenius' law by hand: 0.5 eV from 20 to 5 degC."""
    most = np.exp(0.5 / BOLTZMANN_EV * (1 / 278.15 - 1 / 293.15)) - 1
    assert_allclose(cell_warmth.most_by_cold(20.0), most, rtol=1e-4)
    assert_allclose(cell_warmth.per_kelvin(20.0), 0.3 / BOLTZMANN_EV / 293.15**2, rtol=1e-4)


def test_what_neighbours_lead_up_to_never_passes_below_the_least_of_them():
    """Five cells that grow warmer along the string, drops 90, 43, 0, -12 % and the last one -24 %, without sensors."""
    value = np.array([0.90, 0.43, 0.0, -0.12, -0.24])
    led = cold_or_weak.trend(value, np.zeros(5, np.int64), np.ones(5, bool))
    assert led[4] == value[:4].min()


def test_one_cell_of_a_module_of_two_makes_no_cold_module():
    """Cell 3 drops 82 % more, its only mate as the others: no cold comes to one cell of a module (by hand)."""
    value = np.array([0.01, -0.01, 0.82, -0.02])
    module, box = np.array([0, 0, 1, 1]), np.array([0, 0, 1, 1])
    every = np.ones(4, bool)
    assert cold_or_weak.runs(value, module, box, every, every, 0.1) == []
    (both,) = cold_or_weak.runs(np.array([0.0, 0.0, 0.82, 0.5]), module, box, every, every, 0.1)
    assert list(both.cells) == [2, 3]


def test_the_string_read_from_its_other_end():
    """Trends and runs are those of the places, from whichever end the cells are counted."""
    rng = np.random.default_rng(4)
    box = np.repeat([0, 1], 16)
    for weak in range(4):
        value = rng.normal(0, 0.03, 32) + np.where(weak == MODULE, 0.4, 0.0)
        there = cold_or_weak.trend(value, box, ALL)
        assert_allclose(cold_or_weak.trend(value[::-1], 1 - box, ALL)[::-1], there)
        runs = cold_or_weak.runs(value, MODULE, box, FAR, ALL, 0.1)
        turned = cold_or_weak.runs(value[::-1], MODULE, box, FAR, ALL, 0.1)
        assert [r.cells.tolist() for r in runs] == [sorted(31 - r.cells) for r in turned]
        assert_allclose([r.height for r in runs], [r.height for r in turned])


@pytest.mark.parametrize("height", [0.11, 0.5, 3.0, 100.0])
def test_a_weak_module_is_a_run_with_a_step_however_weak(height: float):
    (run,) = cold_or_weak.runs(np.where(MODULE == 1, height, 0.0), MODULE, BOX, FAR, ALL, 0.1)
    assert run.height == pytest.approx(height) and run.step == pytest.approx(height) and not run.smooth


def test_a_trend_stays_in_its_box_and_leaves_out_what_is_not_trusted():
    value = np.where(np.arange(32) < 16, 0.0, 1.0)
    box = np.repeat([0, 1], 16)
    assert_allclose(cold_or_weak.trend(value, box, ALL), value)
    spoilt = value.copy()
    spoilt[5] = 50.0
    assert_allclose(cold_or_weak.trend(spoilt, box, np.arange(32) != 5), value)
    # by hand: of two neighbours their median, of none nothing
    assert cold_or_weak.trend(np.array([0.1, 9.0, 0.3]), np.zeros(3, int), np.ones(3, bool))[
        1
    ] == pytest.approx(0.2)
    assert cold_or_weak.trend(np.array([0.4]), np.zeros(1, int), np.ones(1, bool)).tolist() == [0.0]
