"""Which sensor speaks for which cell, and what a temperature makes of a resistance: by hand and by Arrhenius' law."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose

from bmslogs.analysis.models.cell_warmth import (
    CellWarmth,
    cell_warmth,
    expected_factor,
    most_by_cold,
    near_sensor,
    per_kelvin,
)
from bmslogs.base.pack import Module, Pack, TemperatureSensor

BOLTZMANN_EV = 8.617333e-5  # CODATA


def pack(sensors, cells=12, per=4):
    return Pack(
        id="teal",
        vehicle="Teal",
        chemistry="NMC",
        nominal_capacity_Ah=100.0,
        cells_in_series=cells,
        modules=tuple(
            Module(name=f"M{k}", cells=list(range(k + 1, k + per + 1))) for k in range(0, cells, per)
        )
        if per
        else (),
        temperature_sensors=tuple(
            TemperatureSensor(name=f"T{k}", cells=list(s)) for k, s in enumerate(sensors)
        ),
    )


CELLS = tuple(range(1, 13))


def warmth(p, level, cells=CELLS, doubt=None):
    level = np.array(level, float)
    believed = np.isfinite(level)
    return cell_warmth(p, cells, level, believed, np.zeros(len(level)) if doubt is None else np.array(doubt))


def test_the_nearest_believed_sensor_by_hand():
    """Sensors at cells 2 and 11 of three modules of four: cells 1 to 4 and 9 to 12 are near one, 5 to 8 near none."""
    p = pack([(2,), (11,)])
    column, near = near_sensor(p, CELLS, np.array([True, True]))
    assert column.tolist() == [0] * 6 + [1] * 6  # cell 6 lies 4 from cell 2 and 5 from cell 11
    assert near.tolist() == [True] * 4 + [False] * 4 + [True] * 4
    column, near = near_sensor(p, CELLS, np.array([False, True]))
    assert column.tolist() == [1] * 12 and near.tolist() == [False] * 8 + [True] * 4
    assert near_sensor(pack([]), CELLS, np.zeros(0, bool))[0].tolist() == [-1] * 12
    assert near_sensor(p, CELLS, np.zeros(2, bool))[0].tolist() == [-1] * 12


def test_a_log_that_names_its_cells_in_another_order_is_answered_in_it():
    p, turn = pack([(2,), (11,)]), np.random.default_rng(1).permutation(12)
    one = warmth(p, [20.0, 10.0])
    two = warmth(p, [20.0, 10.0], tuple(int(k) + 1 for k in turn))
    for name in ("column", "reading", "level", "sd", "near"):
        assert_allclose(getattr(two, name), getattr(one, name)[turn])


def test_between_sensors_the_temperature_goes_over_from_one_to_the_other():
    """Without a sensor of its own: on the line from 20 degC at cell 2 to 10 degC at cell 11, drawn in to the middle."""
    found = warmth(pack([(2,), (11,)]), [20.0, 10.0])
    assert np.all(np.diff(found.level[3:9]) < 0)
    assert found.middle == pytest.approx(15.0, abs=0.5)
    assert found.sd[5] > 2.0 > found.sd[0]


def test_one_temperature_speaks_for_all_and_for_none_of_them_surely():
    found = warmth(pack([(2,)]), [17.0])
    assert_allclose(found.level, 17.0)
    assert found.sd[:4].max() < found.sd[4:].min()
    nothing = warmth(pack([(2,)]), [np.nan])
    assert np.isnan(nothing.level).all() and np.isnan(nothing.middle) and not nothing.near.any()
    unplaced = warmth(pack([()]), [17.0])
    assert_allclose(unplaced.level, 17.0)
    assert not unplaced.near.any()


def test_a_sensor_in_doubt_is_believed_less_and_by_less():
    sure, doubted = (
        warmth(pack([(2,), (11,)]), [20.0, 8.0]),
        warmth(pack([(2,), (11,)]), [20.0, 8.0], doubt=[0.0, 4.0]),
    )
    assert abs(doubted.level[10] - doubted.middle) < abs(sure.level[10] - sure.middle)
    assert doubted.sd[10] > sure.sd[10]


@pytest.mark.parametrize("degc", [-10.0, 5.0, 25.0, 45.0])
def test_per_kelvin_is_the_slope_of_arrhenius_law(degc):
    """d ln R / dT by differences of exp(Ea / kT): 3.9 % a kelvin at 25 degC and 0.3 eV."""

    def law(t):
        return np.exp(0.3 / BOLTZMANN_EV / (t + 273.15))

    assert per_kelvin(degc) == pytest.approx(
        (law(degc - 0.01) - law(degc + 0.01)) / 0.02 / law(degc), rel=1e-4
    )
    assert per_kelvin(25.0) == pytest.approx(0.0392, abs=1e-4)
    assert most_by_cold(degc) > 15.0 * per_kelvin(degc)


def told(level, near=None, sd=0.5):
    level = np.array(level, float)
    near = np.ones(len(level), bool) if near is None else near
    return CellWarmth(np.zeros(len(level), int), level, level, np.full(len(level), sd), near)


@pytest.mark.parametrize("ea", [0.15, 0.3, 0.5])
def test_the_pack_s_own_activation_energy_comes_back(ea):
    """Four modules 6 K apart whose resistances follow another energy: each is told by the other three."""
    level = np.repeat([26.0, 20.0, 14.0, 8.0], 3)
    ratio = np.exp(ea / BOLTZMANN_EV * (1 / (level + 273.15) - 1 / (17.0 + 273.15)))
    factor, sd = expected_factor(ratio, told(level), np.arange(12) // 3, np.ones(12, bool))
    assert np.all(np.abs(factor / ratio - 1) < 1.96 * sd / factor)
    by_the_usual = np.exp(0.3 / BOLTZMANN_EV * (1 / (level + 273.15) - 1 / (17.0 + 273.15)))
    assert np.abs(factor / ratio - 1).max() <= np.abs(by_the_usual / ratio - 1).max() + 1e-6


@pytest.mark.parametrize("worse", [1.5, 3.0, 100.0])
def test_an_aged_module_is_never_explained_by_its_own_warmth(worse):
    """However bad: its law is told by the others, so that all of its excess is left."""
    level = np.repeat([20.0, 20.0, 14.0, 20.0, 17.0], 3)
    ratio = np.exp(0.3 / BOLTZMANN_EV * (1 / (level + 273.15) - 1 / 293.15))
    ratio[6:9] *= worse
    factor, sd = expected_factor(ratio, told(level), np.arange(15) // 3, np.ones(15, bool))
    assert np.all(ratio[6:9] / factor[6:9] > 0.85 * worse)
    assert sd[6:9].max() < 0.2


def test_alike_in_temperature_nothing_is_explained_and_the_sensors_error_stays():
    factor, sd = expected_factor(np.ones(12), told(np.full(12, 20.0)), np.arange(12) // 3, np.ones(12, bool))
    assert_allclose(factor, 1.0)
    assert_allclose(sd, per_kelvin(20.0) * 0.5, rtol=0.3)
    factor, sd = expected_factor(np.ones(4), told(np.full(4, np.nan)), np.zeros(4, int), np.ones(4, bool))
    assert_allclose(factor, 1.0)
