"""Two courses over each other: what is put apart comes out, and what has nothing in common is refused in one line."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from bmslogs.base.errors import BadInput
from bmslogs.findings.evidence.overlaid import By, Ground, course, overlaid
from tests.dashboard import invent

PACK = invent.pack()


def driven(ohm: float = 0.0, seed: int = 3, current: np.ndarray | None = None, of=PACK):  # type: ignore[no-untyped-def]
    """A drive in which cell 6 has `ohm` more than the others, which are all alike: no noise, so that sums are exact."""
    one = invent.drive(of, seed=seed)
    flow = one.current if current is None else current
    volts = np.full((one.rows, 16), 3.8) - 1e-3 * flow[:, None]
    volts[:, 5] -= ohm * flow
    return replace(one, id=f"log-{seed}-{ohm}", current=flow, cell_voltage=volts)


def test_by_load_the_added_resistance_is_the_slope_of_the_gap() -> None:
    """Planted: 0.4 mohm more in the second log; at I ampere the two lie 0.4 I mV apart, over different drives."""
    before, after = driven(0.4e-3, seed=3), driven(0.0, seed=7)
    drawn = overlaid(
        course(Ground(before), 6, "apart", "before"), course(Ground(after), 6, "apart", "after"), "load"
    )
    known = np.isfinite(drawn.gap)
    assert known.sum() >= 4
    width = drawn.x[1] - drawn.x[0]
    assert np.all(np.abs(drawn.gap[known] - 0.4 * drawn.x[known]) <= 0.4 * width / 2 + 1e-9)
    assert "after" in drawn.says and "before" in drawn.says and drawn.unit == "mV"


def test_by_time_each_part_is_the_median_of_its_rows() -> None:
    one = driven()
    other = replace(one, id="other", cell_voltage=one.cell_voltage.copy())
    other.cell_voltage[:, 5] += np.where(np.arange(one.rows) < 1200, 0.010, 0.030)
    drawn = overlaid(course(Ground(one), 6, "apart", "a"), course(Ground(other), 6, "apart", "b"), "time")
    assert drawn.axis.endswith("[min]") and drawn.x[0] < 0.1 and abs(drawn.x[-1] - 40) < 0.1
    assert np.allclose(drawn.gap[drawn.x < 19.9], 10) and np.allclose(drawn.gap[drawn.x > 20.1], 30)


def test_by_charge_logs_of_other_rates_meet_at_equal_charge() -> None:
    """The voltage falls by 2 mV an ampere hour in both: at equal charge they lie on each other, at equal time not."""
    slow = driven(current=np.full(2400, 30.0))
    fast = driven(current=np.full(2400, 60.0), seed=5)
    for one in (slow, fast):
        drawn_Ah = np.cumsum(one.current) / 3600
        one.cell_voltage[:] = 3.9 - 2e-3 * drawn_Ah[:, None]
    a, b = (course(Ground(x), 3, "voltage", n) for x, n in ((slow, "slow"), (fast, "fast")))
    by_charge, by_time = overlaid(a, b, "charge"), overlaid(a, b, "time")
    assert by_charge.x[-1] == pytest.approx(20, abs=0.2)  # what the slower of the two has drawn
    assert np.nanmax(np.abs(by_charge.gap)) < 0.2  # a part of 0.1 Ah is 0.2 mV wide
    assert by_time.gap[-1] == pytest.approx(-40, abs=0.5)


def test_two_cells_of_one_log() -> None:
    one = driven(0.5e-3)
    drawn = overlaid(
        course(Ground(one), 5, "voltage", "cell 5"), course(Ground(one), 6, "voltage", "cell 6"), "load"
    )
    known = np.isfinite(drawn.gap)
    assert np.all(np.abs(drawn.gap[known] + 0.5 * drawn.x[known]) <= 2.5) and drawn.unit == "V"


def test_the_median_of_all_cells_stands_where_none_is_picked() -> None:
    one = driven()
    assert np.allclose(course(Ground(one), None, "apart", "a").value, np.median(one.cell_voltage, axis=1))


def refusal(first, second, by: By) -> str:  # type: ignore[no-untyped-def]
    with pytest.raises(BadInput) as told:
        overlaid(first, second, by)
    assert "\n" not in str(told.value)
    return str(told.value)


def test_what_has_nothing_in_common_is_refused_in_one_line() -> None:
    out, back = driven(current=np.full(2400, 30.0)), driven(current=np.full(2400, -30.0), seed=5)
    a, b = (course(Ground(x), 6, "apart", n) for x, n in ((out, "drive"), (back, "charge")))
    assert "nothing in common by load" in refusal(a, b, "load")
    assert "charge drawn" in refusal(a, b, "charge")
    still = course(
        Ground(driven(current=np.random.default_rng(2).normal(0, 0.3, 2400), seed=9)), 6, "apart", "parked"
    )
    for by in ("charge", "load"):
        assert "nothing in common" in refusal(a, still, by)
    mute = course(Ground(replace(out, id="mute", current=None)), 6, "apart", "mute")
    for by in ("charge", "load"):
        assert "mute has no current" in refusal(a, mute, by)
    assert np.isfinite(overlaid(a, mute, "time").gap).all()
    assert "itself" in refusal(a, a, "time")
    lfp = PACK.model_copy(update={"chemistry": "LFP"})
    other = course(Ground(replace(back, pack=lfp)), 6, "voltage", "b")
    assert "NMC and LFP" in refusal(course(Ground(out), 6, "voltage", "a"), other, "time")
    assert "have no axis in common" in refusal(a, course(Ground(back), 6, "voltage", "b"), "time")
    empty = replace(back, id="empty", cell_voltage=np.full((2400, 16), np.nan))
    assert "too little in common" in refusal(a, course(Ground(empty), 6, "apart", "empty"), "time")


def test_a_cell_that_a_log_lacks_is_refused() -> None:
    one = driven()
    half = replace(one, cells=tuple(range(1, 9)), cell_voltage=one.cell_voltage[:, :8])
    with pytest.raises(BadInput, match="half has no cell 12"):
        course(Ground(half), 12, "apart", "half")
    alone = replace(one, cells=(6,), cell_voltage=one.cell_voltage[:, 5:6])
    with pytest.raises(BadInput, match="one cell only"):
        course(Ground(alone), 6, "apart", "alone")
