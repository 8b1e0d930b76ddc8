"""The built-in open-circuit tables against the parameter sets they come from."""

import csv

import numpy as np
import pytest

from tests.accuracy import ocv_tables

pytest.importorskip("pybamm", reason="PyBaMM is not installed: the tables' source cannot be asked")


def shipped(chemistry: str) -> np.ndarray:
    with (ocv_tables.TABLES / f"ocv_{chemistry}.csv").open(encoding="utf-8", newline="") as handle:
        return np.array([[float(r["soc"]), float(r["voltage_V"])] for r in csv.DictReader(handle)])


@pytest.mark.parametrize("chemistry", ["nmc", "lfp"])
def test_shipped_table_is_the_sets_curve(chemistry):
    table = shipped(chemistry)
    assert table[0, 0] == 0 and table[-1, 0] == 1
    assert (np.diff(table, axis=0) > 0).all()
    # 2 mV: the sets' electrode functions are revised between PyBaMM versions.
    np.testing.assert_allclose(
        table[:, 1], ocv_tables.open_circuit_voltage(chemistry, table[:, 0]), atol=2e-3
    )


# Chen2020 and Prada2013 as PyBaMM evaluates them between their own cut-off voltages.
@pytest.mark.parametrize(
    ("chemistry", "soc", "volts"),
    [
        ("nmc", [0, 0.2, 0.5, 0.8, 1], [2.5, 3.4852, 3.7509, 4.0421, 4.2]),
        ("lfp", [0.2, 0.5, 0.8, 0.9, 1], [3.1685, 3.2660, 3.3097, 3.3142, 3.6]),
    ],
)
def test_known_points(chemistry, soc, volts):
    table = shipped(chemistry)
    np.testing.assert_allclose(np.interp(soc, table[:, 0], table[:, 1]), volts, atol=2e-3)


@pytest.mark.parametrize("chemistry", ["nmc", "lfp"])
def test_rows_are_close_enough_to_interpolate(chemistry):
    table = shipped(chemistry)
    between = (table[1:, 0] + table[:-1, 0]) / 2
    straight = np.interp(between, table[:, 0], table[:, 1])
    # Half the step of a 1 mV logger, except in the last per cent at either end.
    inner = (between > 0.01) & (between < 0.99)
    error = np.abs(straight - ocv_tables.open_circuit_voltage(chemistry, between))
    assert error[inner].max() < 5e-4
