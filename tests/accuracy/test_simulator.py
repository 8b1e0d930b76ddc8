"""The simulator against cases that can be worked by hand."""

import numpy as np
import pytest
from numpy.testing import assert_allclose

from sample_logs import inject
from sample_logs.loads import Bench, Trace
from sample_logs.meter import Meter, SensorFault
from sample_logs.string_model import advance, arrhenius, make_string, resistance_10s, rested
from sample_logs.truth import truth_of


def still_string(n=4, **more):
    """A string with no spread, links or leaks, at half charge and 25 degC."""
    none = {"r_spread": 0.0, "q_spread": 0.0, "soc_spread": 0.0, "joint_share": 0.0, "bend": 0.0}
    string = make_string(n, "NMC", 100.0, np.random.default_rng(0), soc=0.5, **(none | more))
    string.leak_A[:] = 0.0
    string.cooling_K_W[:] = 1e-9  # the air holds the temperature
    string.heat_J_K[:] = 2.7e12
    return string


def level_trace(volts, bleed=None, seconds=600):
    """A trace in which nothing changes for `seconds`."""
    volts = np.tile(np.asarray(volts, float), (seconds, 1))
    bleed = np.zeros(volts.shape, bool) if bleed is None else np.tile(bleed, (seconds, 1))
    times = np.arange(float(seconds))
    zeros = np.zeros(seconds)
    return Trace(times, zeros, volts, volts * 0 + 20.0, volts * 0 + 0.5, bleed, [("rest", 0, seconds, 1.0)])


def quiet_meter(**more):
    return Meter(
        volt_step=1e-6,
        volt_noise=0.0,
        current_noise=0.0,
        current_step=1e-6,
        temperature_noise=0.0,
        temperature_step=1e-6,
        wire_ohm=0.0,
        **more,
    )


def test_step_response_is_the_sum_of_exponentials():
    string = still_string()
    state = rested(string, 25.0)
    seconds = np.arange(0, 600.0, 0.1)
    response = advance(string, state, np.full(len(seconds), 50.0), 0.1, 25.0)
    ohm = string.r0_ohm[0] + (string.pairs_ohm[:, :1] * (1 - np.exp(-seconds / string.taus_s[:, None]))).sum(
        axis=0
    )
    open_circuit = string.curve.at(0.5 - 50 * seconds / 3600 / string.capacity_Ah[0])
    gap = string.curve.hysteresis_V
    # Resistance rises by some parts in a thousand as the cells empty, hysteresis stays within its gap.
    assert_allclose(response.volts[:, 0], open_circuit - 50 * ohm, atol=1.1 * gap + 50 * 2e-3 * 0.01)


def test_filters_carry_over_from_block_to_block():
    string = still_string()
    current = 80 * np.sin(np.arange(3000) / 40.0)
    whole = advance(string, rested(string, 25.0), current, 0.1, 25.0)
    state = rested(string, 25.0)
    parts = [advance(string, state, current[k : k + 700], 0.1, 25.0).volts for k in range(0, 3000, 700)]
    # Heat of a block is reckoned at its first resistance; here the air holds the temperature.
    assert_allclose(np.vstack(parts), whole.volts, atol=1e-5)


def test_charge_is_conserved():
    string = still_string()
    state = rested(string, 25.0)
    advance(string, state, np.full(3600, 25.0), 1.0, 25.0)
    assert_allclose((0.5 - state.soc) * string.capacity_Ah, 25.0, rtol=1e-9)


def test_resistance_10s_is_what_a_pulse_shows():
    string = still_string()
    own, joint = resistance_10s(string, state_soc := np.full(4, 0.5), np.full(4, 25.0))
    state = rested(string, 25.0)
    pulse = advance(string, state, np.full(101, 100.0), 0.1, 25.0)
    before, after = string.curve.at(state_soc), string.curve.at(pulse.soc[-1])
    hysteresis = string.curve.hysteresis_V * (1 - np.exp(-100 * 10 / 3600 / 100 / 0.03))
    drop = (before - pulse.volts[-1]) - (before - after) - hysteresis
    assert_allclose(drop / 100, own + joint, rtol=2e-3)  # emptiness moves by 0.3 % of charge


def test_adiabatic_rise():
    # 200 A through 0.5 mohm into 2.0 kg of 1000 J/(kg K): 0.60 K a minute, by hand (20 W / 2000 J/K).
    string = still_string()
    string.r0_ohm[:], string.pairs_ohm[:] = 0.5e-3, 0.0
    string.heat_J_K[:], string.cooling_K_W[:] = 2000.0, 1e6
    state = rested(string, 25.0)
    advance(string, state, np.full(600, 200.0), 0.1, 25.0)
    assert_allclose(state.temperature_C - 25.0, 0.60, rtol=0.01)


@pytest.mark.parametrize(("celsius", "ratio"), [(0, 2.9116), (10, 1.8563), (40, 0.5716)])
def test_arrhenius(celsius, ratio):
    # R(T)/R(25 degC) at 0.3 eV with k_B = 8.617333e-5 eV/K (CODATA 2018), by the formula.
    assert_allclose(arrhenius(np.array(celsius), 0.3), ratio, atol=6e-5)


def test_bleed_current_in_shared_wires():
    # 0.15 ohm in each wire, 3.63 V over 33 ohm = 0.11 A: -33.0 mV on the bled cell, +16.5 on each neighbour.
    volts = [3.63, 3.63, 3.63, 3.63]
    meter = quiet_meter()
    meter.wire_ohm = 0.15
    log = meter.read(
        level_trace(volts, [False, True, False, False]), np.random.default_rng(1), [np.arange(4)], 0.0
    )
    assert_allclose((log.volts[10] - 3.63) * 1e3, [16.5, -33.0, 16.5, 0.0], atol=0.01)


def test_swapped_taps():
    # Cells 3.30 3.31 3.32 3.33, wires 1 and 2 changed places: nodes 0 6.61 3.30 9.93 13.26 by hand.
    meter = quiet_meter(swapped_taps=(1,))
    log = meter.read(level_trace([3.30, 3.31, 3.32, 3.33]), np.random.default_rng(1), [np.arange(4)], 0.0)
    assert_allclose(log.volts[10], [6.61, -3.31, 6.63, 3.33], atol=2e-6)


def test_open_tap_mirrors_its_neighbours_and_keeps_the_sum():
    volts = [3.30, 3.31, 3.32, 3.33]
    meter = quiet_meter(open_taps={2: 0.1})
    log = meter.read(level_trace(volts), np.random.default_rng(1), [np.arange(4)], 0.0)
    shift = log.volts - volts
    assert_allclose(shift.sum(axis=1), 0.0, atol=5e-6)
    assert_allclose(shift[:, 1], -shift[:, 2], atol=3e-6)
    assert np.abs(shift[:, 1]).max() > 0.05
    assert_allclose(shift[:, [0, 3]], 0.0, atol=2e-6)


@pytest.mark.parametrize(("true", "shown"), [(-10, -5.88), (0, 3.04), (40, 37.95), (60, 54.94)])
def test_thermistor_read_with_the_wrong_beta(true, shown):
    # A 10 kohm part of B25/50 = 3431 K read with 3950 K. Printed table of the part in the Linux hwmon NTC driver;
    # 0.15 K: the part itself follows its table, not one beta.
    trace = level_trace([3.3] * 4)
    trace.temperature[:] = true
    meter = quiet_meter(sensor_faults=(SensorFault(0, "beta"),))
    log = meter.read(trace, np.random.default_rng(1), [np.arange(4)], 0.0)
    assert_allclose(log.temperature[5, 0], shown, atol=0.15)


def test_current_read_late_and_cells_read_one_after_the_other():
    string = still_string(8)
    bench = Bench(string, np.random.default_rng(3), log_every_s=0.5)
    bench.drive(5)
    trace = bench.trace()
    meter = quiet_meter(current_lag_s=0.3, scan_s=0.2)
    log = meter.read(trace, np.random.default_rng(1), string.sensors, 0.0)
    at = log.seconds[20:40]
    assert_allclose(log.current[20:40], np.interp(at - 0.3, trace.seconds, trace.current), atol=1e-5)
    assert_allclose(log.volts[20:40, 7], np.interp(at + 0.2, trace.seconds, trace.volts[:, 7]), atol=1e-5)


def test_charge_ends_with_the_leading_cell_full():
    string = make_string(12, "LFP", 100.0, np.random.default_rng(4), soc=0.6)
    inject.soc_offset(string, 3, 0.02)
    bench = Bench(string, np.random.default_rng(5))
    bench.charge(0.3)
    truth = truth_of(bench, Meter())
    missing = truth.cell["charge_to_full"]
    assert missing.argmin() == 2
    assert truth.cell["bleed_needed"].argmax() == 2
    assert abs(missing[2]) < 1.0
    # The fuller cell was 2 % of 100 Ah ahead; capacities part by 1.2 %, offsets by 0.4 %, links by a little.
    assert 1.0 < truth.cell["bleed_needed"][2] < 3.5


def test_planted_sizes_are_what_the_truth_says():
    string = make_string(12, "NMC", 60.0, np.random.default_rng(6))
    inject.cell_resistance(string, 4, 0.3)
    inject.capacity_low(string, 7, 0.08)
    inject.soc_offset(string, 9, -0.03)
    bench = Bench(string, np.random.default_rng(7))
    bench.drive(10)
    truth = truth_of(bench, Meter())
    # A cell of more resistance warms more, which takes some of it back.
    assert_allclose(truth.cell["resistance_10s_relative"][3], 1.3, atol=0.02)
    assert_allclose(truth.cell["capacity_relative"][6], 0.92, atol=0.002)
    assert_allclose(truth.cell["soc_offset"][8], -0.03, atol=0.001)


def test_usable_charge_of_two_uneven_cells():
    # Jiang and Zhang, Fundamentals and Applications of Lithium-ion Batteries in Electric Drive Vehicles, ch. 6:
    # 100 Ah at 75 % in series with 90 Ah at 50 %: 45 + 25 = 70 Ah; balanced 90 Ah.
    string = still_string(2)
    string.capacity_Ah = np.array([100.0, 90.0])
    string.soc = np.array([0.75, 0.5])
    bench = Bench(string, np.random.default_rng(8))
    bench.rest(0.01)
    pack = truth_of(bench, Meter()).pack
    assert_allclose([pack["usable_charge"], pack["gain_by_balancing"]], [70.0, 20.0], atol=1e-3)
