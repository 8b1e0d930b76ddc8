"""Temperature sensors that lie and places that run hot, with courses of temperature worked out by hand."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from bmslogs.base.pack import TemperatureSensor
from bmslogs.base.results import Finding
from bmslogs.findings import diagnose
from bmslogs.log import Log
from tests.findings.by_hand import Floats, a_pack, only, run, string, told, warmed
from tests.findings.planted import WARM_DRIVE, warm_log

PLACE = (9, 10, 11, 12)


def with_sensor_3(reads: Floats | float, log: Log | None = None) -> Log:
    """Return a sound drive of four places in which the third sensor reads something else."""
    log = warm_log() if log is None else log
    warm = log.temperature.copy()
    warm[:, 2] = reads
    return replace(log, temperature=np.round(warm, 1))


def the_sensor(log: Log) -> Finding:
    one = only(told(log), "temperature_sensor_fault")
    assert one.cells == PLACE and one.sensor == "TR3"
    return one


@pytest.mark.parametrize(
    ("reads", "word"),
    [(-40.0, "open circuit"), (150.0, "short circuit"), (21.3, "stuck")],
)
def test_a_sensor_that_reads_what_only_a_broken_one_reads(reads: float, word: str) -> None:
    one = the_sensor(with_sensor_3(reads))
    assert one.level == "act" and word in one.says
    assert one.next[0].startswith("Do not charge near the temperature limits")


def test_a_sensor_that_stops_while_the_pack_goes_on_warming_is_stuck() -> None:
    warm = warm_log().temperature[:, 2].copy()
    warm[600:] = warm[600]
    assert "stuck" in the_sensor(with_sensor_3(warm)).says


def test_a_plug_that_opens_now_and_then_is_told_by_its_jumps() -> None:
    warm = warm_log().temperature[:, 2].copy()
    warm[::30] = -40.0
    one = the_sensor(with_sensor_3(warm))
    assert "jumps to and fro" in one.says and "65 K" in one.because[0]  # 25 - (-40), by hand


@pytest.mark.parametrize("kelvin", [-8.0, 25.0])
def test_a_sensor_that_is_off_from_before_the_first_load_on(kelvin: float) -> None:
    """No cell of this pack was loaded when it began, and all stood in one air."""
    one = the_sensor(with_sensor_3(warm_log().temperature[:, 2] + kelvin))
    assert one.low is not None and one.high is not None and one.low < kelvin < one.high
    assert "off from the others" in one.says


@pytest.mark.parametrize("kelvin", [-1.0])
def test_a_kelvin_is_what_sensors_and_places_differ_by(kelvin: float) -> None:
    assert told(with_sensor_3(warm_log().temperature[:, 2] + kelvin)) == []


def test_a_wrong_curve_that_reads_too_warm_hides_charging_in_the_cold() -> None:
    """25 degC is read right, and of the way below it one sixth is missing: at -12 degC it reads -5.8 degC, by hand."""
    cold = warm_log(start_C=-12.0)
    log = with_sensor_3(25.0 + (cold.temperature[:, 2] - 25.0) * 5.0 / 6.0, cold)
    found = {f.cause: f for f in told(log)}
    one = found["temperature_sensor_fault"]
    assert one.level == "act" and "wrong thermistor curve" in one.says
    assert "reads too warm hides charging in the cold" in one.says


def test_a_sensor_that_is_not_believed_makes_no_cell_weak_and_no_limit_passed() -> None:
    """It reads 80 degC: the limit of 55 degC is not passed, nor do its cells drop too much for such heat."""
    pack = a_pack(16)
    hot = with_sensor_3(80.0 + np.random.default_rng(4).normal(0, 0.1, len(WARM_DRIVE)))
    limits = pack.limits.model_copy(update={"temperature_max_C": 55.0})
    found = told(replace(hot, pack=pack.model_copy(update={"limits": limits})))
    assert {f.cause for f in found} == {"temperature_sensor_fault"}


# ---- hot places --------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("more", [0.1])
def test_a_tenth_more_warmth_is_no_fault(more: float) -> None:
    """At an end of the pack, which keeps its warmth no better than the rest."""
    assert told(warm_log((2e-3 * (1 + more), 2e-3, 2e-3, 2e-3))) == []


@pytest.mark.parametrize("place", [0, 2])
def test_a_hot_place_is_sized_wherever_it_is(place: int) -> None:
    """Half as much again per ampere squared: 3 mK per A^2 for 2."""
    per = [2e-3] * 4
    per[place] *= 1.5
    one = only(told(warm_log(tuple(per))), "runs_hot")
    assert one.cells == tuple(range(4 * place + 1, 4 * place + 5))
    assert one.low is not None and one.high is not None and one.low < 0.5 < one.high
    own, middle = (float(part.split()[-1]) for part in (one.because[0].split(" mK")[0], one.because[0]))
    assert (own, middle) == (pytest.approx(3.0, rel=0.02), pytest.approx(2.0, rel=0.02))


def test_a_place_that_is_cooled_better_is_no_fault() -> None:
    assert told(warm_log((2e-3, 1e-3, 2e-3, 2e-3))) == []


def test_a_pack_that_runs_hot_all_over_has_no_hot_place() -> None:
    assert told(warm_log((8e-3,) * 4)) == []


def test_of_two_places_the_warmer_is_told_against_the_other() -> None:
    pack = a_pack(16).model_copy(
        update={
            "temperature_sensors": (
                TemperatureSensor(name="Tfront", cells=list(range(1, 9))),
                TemperatureSensor(name="Trear", cells=list(range(9, 17))),
            )
        }
    )
    s = string(cells=16, pack=pack)
    warm = warmed(WARM_DRIVE, 1.0, [2e-3, 4e-3])
    log = run(s, WARM_DRIVE, temperature=np.round(warm + s.rng.normal(0, 0.05, warm.shape), 1))
    one = only(told(log), "runs_hot")
    assert one.sensor == "Trear" and "than the place at the other sensor" in one.says
    assert one.low is not None and one.high is not None and one.low < 1.0 < one.high


def test_a_place_that_its_own_weak_cells_heat_says_whose_heat_it_is() -> None:
    """Cells 5 to 8 have twice the ohms, and so twice the loss (P = I^2 R): their place warms twice as much."""
    s = string(cells=16)
    s.ohm[4:8] *= 2.0
    warm = warmed(WARM_DRIVE, 1.0, [2e-3, 4e-3, 2e-3, 2e-3])
    log = run(s, WARM_DRIVE, temperature=np.round(warm + s.rng.normal(0, 0.05, warm.shape), 1))
    found = {f.cause: f for f in told(log)}
    assert found["cell_resistance_high"].cells == (5, 6, 7, 8)
    assert any("as much more heat is their loss" in line for line in found["runs_hot"].because)


def test_a_log_in_which_nothing_warms_tells_of_no_place() -> None:
    found = diagnose(warm_log((1e-6,) * 4))
    assert [f for f in found.findings if f.cause == "runs_hot"] == []
    assert {e.status for e in found.of("heating")} <= {"not_determinable", "bounded"}
