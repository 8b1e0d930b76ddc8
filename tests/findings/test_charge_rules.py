"""Small cells and those that are emptier or fuller, told apart in charges and discharges worked out by hand."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from bmslogs.base.cautions import DAMAGED_CELLS
from bmslogs.base.pack import Limits
from bmslogs.findings import diagnose
from bmslogs.findings.case import METER_FIRST
from bmslogs.log import Log
from tests.findings.by_hand import BENT, OHM, a_pack, city, only, rest, run, string, told
from tests.findings.planted import charge

CHARGE_OFFSET = ("soc_offset_low", "soc_offset_high")


def discharge(ampere_hours: float) -> np.ndarray:
    """Return the same as `charge` the other way."""
    return -charge(ampere_hours)


@pytest.mark.parametrize("lacks", [0.02])
def test_two_per_cent_less_is_the_spread_of_a_lot(lacks: float) -> None:
    s = string(soc=0.35)
    s.capacity[5] = 100.0 * (1.0 - lacks)
    s.soc[5] = 1.0 - 65.0 / s.capacity[5]
    assert [f for f in told(run(s, charge(60.0), 10)) if f.cause == "capacity_low"] == []


def test_a_cell_that_discharges_itself_empty_first_is_small_and_sized() -> None:
    """All full at the start; 60 Ah later a cell of 80 Ah is at a quarter, the others of 100 Ah at 40 %: 20 % less."""
    s = string(soc=0.98)
    s.capacity[5] = 80.0
    one = only(told(run(s, discharge(60.0), 10)), "capacity_low")
    assert one.cells == (6,) and one.level == "act"
    assert one.low is not None and one.high is not None and one.low < -0.2 < one.high
    assert any("gain_by_replacing" in step for step in one.next)


def test_ampere_hours_of_the_small_cell_and_of_the_others() -> None:
    """Counted charge over the fraction of the curve gone through (coulomb counting): 60 Ah over 60 or 75 % of it."""
    s = string(soc=0.98, lot=0.2)
    s.capacity[5] = 80.0
    found = diagnose(run(s, discharge(60.0), 10))
    for e in found.of("capacity"):
        assert e.low is not None and e.high is not None and e.value is not None
        assert e.low < s.capacity[e.cell - 1] < e.high
        assert abs(e.value - s.capacity[e.cell - 1]) < 1.5


def test_a_current_sensor_that_reads_a_tenth_too_much_makes_no_cell_small() -> None:
    """Every cell counts the same charge: what all share is the sensor's gain."""
    s = string(soc=0.35)
    log = run(s, charge(55.0), 10)
    assert told(replace(log, current=1.1 * log.current)) == []


def test_a_weak_cell_that_is_charged_at_one_current_is_not_called_small_or_full() -> None:
    """1.5 mohm more at 30 A lift the reading by 45 mV, 3.8 % of charge if they were its own (Ohm's law)."""
    s = string(soc=0.35)
    s.ohm[5] += 1.5e-3
    findings = told(run(s, np.r_[rest(30, 5), np.full(1440, -30.0), rest(30, 5)], 5))
    assert {f.cause for f in findings} <= {"cell_resistance_high", "cell_or_joint_resistance_high"}
    (one,) = findings
    assert one.cells == (6,) and one.low is not None and one.high is not None
    assert one.low < 1.5e-3 / OHM < one.high


def test_of_two_small_cells_both_are_named_and_the_smaller_first() -> None:
    s = string(soc=0.98)
    s.capacity[[2, 9]] = 92.0, 75.0
    first, second = [f for f in told(run(s, discharge(60.0), 10)) if f.cause == "capacity_low"]
    assert (first.cells, first.level) == ((10,), "act")
    assert (second.cells, second.level) == ((3,), "look")
    for f, lacks in ((first, 0.25), (second, 0.08)):
        assert f.low is not None and f.high is not None and f.low < -lacks < f.high


def both(emptier: float, lacks: float) -> Log:
    """A cell that is smaller, and emptier at full than its size makes it."""
    s = string(soc=0.35)
    s.capacity[5] = 100.0 * (1.0 - lacks)
    s.soc[5] = 1.0 - 65.0 / s.capacity[5] - emptier
    return run(s, charge(60.0), 10)


def test_a_cell_that_is_smaller_and_emptier_is_told_as_both() -> None:
    """It lacks 20 Ah of size, and 8 % of its 80 Ah beyond what the others lack of full: 6.4 Ah."""
    found = {f.cause: f for f in told(both(0.08, 0.2))}
    assert set(found) == {"capacity_low", "soc_offset_low"}
    small, empty = found["capacity_low"], found["soc_offset_low"]
    assert small.low is not None and small.high is not None and small.low < -0.2 < small.high
    assert "smaller as well" in empty.says and "needs balancing, not replacing" not in empty.says
    lacks = re_number(empty.because[0], "it lacks ")
    assert abs(lacks - 6.4) < 1.0


def re_number(text: str, after: str) -> float:
    """Return the number that follows some words."""
    return float(text.split(after)[1].split()[0])


def test_only_balancing_is_called_enough_where_the_capacity_is_known() -> None:
    """The same emptier cell in a whole charge, and in a short drive that tells no capacity."""
    s = string(soc=0.35)
    s.soc[5] -= 0.04
    whole = only(told(run(s, charge(60.0), 10)), "soc_offset_low")
    assert "it needs balancing, not replacing" in whole.says
    s = string(soc=0.6)
    s.soc[5] -= 0.04
    short = only(told(run(s, np.r_[rest(5), city(8), rest(5)])), "soc_offset_low")
    assert "whether it is smaller too, this log cannot tell" in short.says
    assert any("until then treat it as the smaller one" in step.lower() for step in short.next)


@pytest.mark.parametrize("share", [-0.006])
def test_half_a_per_cent_of_charge_is_no_fault(share: float) -> None:
    s = string(soc=0.35, lot=0.3)
    s.soc[5] += share
    assert told(run(s, charge(60.0), 10)) == []


@pytest.mark.parametrize(("share", "level"), [(-0.12, "act"), (0.05, "look")])
def test_what_a_night_of_bleeding_does_not_mend_is_to_be_acted_on(share: float, level: str) -> None:
    s = string(soc=0.35)
    s.soc[5] += share
    one = only(told(run(s, charge(50.0), 10)), CHARGE_OFFSET)
    assert one.level == level and one.cause == CHARGE_OFFSET[share > 0]
    assert (str(abs(round(100 * share))) in one.says.split("%")[0]) and "middle" in one.says
    # an emptier cell is waited for, a fuller one is bled
    assert any(
        ("bleed the other cells down" if share < 0 else "bleed this cell") in step for step in one.next
    )


def test_what_a_cell_lacks_to_full_and_what_is_to_be_bled_agree() -> None:
    """The charge ends with the others 5 Ah short of full, and cell 6 another 4 Ah: 4 Ah are to be bled from them."""
    s = string(soc=0.35, lot=0.0)
    s.soc[5] -= 0.04
    found = diagnose(run(s, charge(60.0), 10))
    lacks = {e.cell: e for e in found.of("charge_to_full")}
    bleed = {e.cell: e for e in found.of("bleed_needed")}
    for cell in range(1, 13):
        missing, take = (9.0, 0.0) if cell == 6 else (5.0, 4.0)
        for e, true in ((lacks[cell], missing), (bleed[cell], take)):
            assert e.low is not None and e.high is not None
            assert e.low - 1e-9 <= true <= e.high + 1e-9


# ---- a shifted reading, and other charge -------------------------------------------------------------------------


@pytest.mark.parametrize("volts", [0.03, -0.03])
def test_a_shifted_reading_over_the_bends_of_a_curve_is_neither_charge_nor_capacity(volts: float) -> None:
    s = string(pack=a_pack(ocv=BENT), soc=0.97)
    log = run(s, discharge(90.0), 10)
    readings = log.cell_voltage.copy()
    readings[:, 6] += volts
    one = only(told(replace(log, cell_voltage=np.round(readings, 3))), "channel_offset")
    assert one.cells == (7,) and one.low is not None and one.high is not None
    assert one.low < volts < one.high
    assert f"{1e3 * volts:+.0f} mV" in one.says
    assert any("Do not balance by this reading" in step for step in one.next)


def test_other_charge_over_the_bends_is_not_called_a_shifted_reading() -> None:
    s = string(pack=a_pack(ocv=BENT), soc=0.93)
    s.soc[6] += 0.04
    one = only(told(run(s, discharge(85.0), 10)), "soc_offset_high")
    assert one.cells == (7,) and one.low is not None and one.high is not None and one.low < 0.04 < one.high


# ---- a cell found below its lower limit --------------------------------------------------------------------------


def dead_cell(volts: float, **more: object) -> Log:
    """A driven pack of which cell 7 reads `volts` all along, at rest as well."""
    s = string(pack=a_pack(**more))
    log = run(s, np.r_[rest(3), city(8), rest(5)])
    readings = log.cell_voltage.copy()
    readings[:, 6] = volts + s.rng.normal(0, 1e-3, log.rows)
    return replace(log, cell_voltage=np.round(readings, 3))


@pytest.mark.parametrize(
    ("volts", "more", "bound"),
    [
        (1.31, {}, "3.00 V"),  # no limit in the pack file: the end of the curve is one
        (2.6, {"limits": Limits(voltage_min_V=2.8)}, "2.80 V"),
    ],
)
def test_no_charge_is_advised_for_a_cell_found_below_its_lower_limit(
    volts: float, more: dict[str, object], bound: str
) -> None:
    """As the standing caution says; to charge until the knee would be the worst advice."""
    assert "Never recharge a cell found below its lower limit" in DAMAGED_CELLS
    found = [f for f in told(dead_cell(volts, **more)) if f.cells == (7,)]
    (one,) = [f for f in found if f.cause == "soc_offset_low"]
    assert one.level == "act"
    assert f"{volts:.2f} V at rest" in one.says and bound in one.says
    assert one.next[0].startswith("Do not charge") and METER_FIRST in one.next
    for f in found:
        assert "needs balancing" not in f.says
        assert not any(step.startswith("Charge") for step in f.next)
    assert ("limit_exceeded" in {f.cause for f in found}) is bool(more)


def test_an_empty_cell_that_is_within_its_limits_may_be_charged() -> None:
    """At 4 % of charge, 3.05 V of this curve, the others at 20 %: it only needs to be charged and balanced."""
    s = string(soc=0.2, pack=a_pack(limits=Limits(voltage_min_V=2.8)))
    s.soc[6] = 0.04
    one = only(told(run(s, charge(60.0), 10)), "soc_offset_low")
    assert one.next[0].startswith("Charge to the knee")


def test_a_sag_under_load_is_no_cell_below_its_limit() -> None:
    """Cell 7 sags by 2 mohm more under 132 A, below 3 V for moments; at rest it stands at 3.06 V and may be charged."""
    s = string(soc=0.25, pack=a_pack(limits=Limits(voltage_min_V=3.0)))
    s.soc[6] = 0.12
    s.ohm[6] = 2.5e-3
    log = run(s, np.r_[rest(3), city(8), rest(5)])
    assert np.nanmin(log.cell_voltage[:, 6]) < 2.98
    offsets = [f for f in told(log) if f.cause == "soc_offset_low"]
    assert [f.cells for f in offsets] == [(7,)]
    assert "no cell to charge" not in offsets[0].says
