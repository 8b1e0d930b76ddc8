"""What to charge on the bench: Ohm's law and subtraction, by hand."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bmslogs.analysis.bench_charge import bench_plan
from bmslogs.base.errors import NotEnoughData
from bmslogs.base.pack import Limits, Module, Pack


def pack(modules=((1, 2), (3, 4)), resistor=33.0, chemistry="NMC", **limits):
    return Pack(
        id="wren",
        vehicle="Wren",
        chemistry=chemistry,
        nominal_capacity_Ah=100.0,
        cells_in_series=4,
        bleed_resistor_ohm=resistor,
        modules=tuple(Module(name=f"M{k}", cells=list(m)) for k, m in enumerate(modules, 1)),
        limits=Limits(**limits),
    )


def test_a_module_gets_what_brings_its_fullest_cell_level():
    """M2 lacks 6 and 9 Ah where the pack's fullest cell lacks 1: 5 Ah for both, 3 stay to be bled from the others.

    4.1 V over 33 ohm are 0.1242 A: 8 Ah take 64.4 h without, 3 Ah 24.1 h with the bench charge.
    """
    plan = bench_plan({1: 1.0, 2: 1.0, 3: 6.0, 4: 9.0}, pack())
    (one,) = plan.charges
    assert (one.name, one.cells, one.charge, one.left_to_bleed) == ("M2", (3, 4), 5.0, 3.0)
    assert one.current == 10.0 and one.hours == pytest.approx(0.5)  # a tenth of the capacity an hour
    assert plan.bleed_hours_now == pytest.approx(8.0 * 33.0 / 4.1)
    assert plan.bleed_hours_after == pytest.approx(3.0 * 33.0 / 4.1)
    assert plan.wanted


def test_without_modules_each_cell_is_charged_by_itself():
    plan = bench_plan({1: 1.0, 2: 1.0, 3: 6.0, 4: 9.0}, pack(modules=()))
    assert [(c.name, c.charge) for c in plan.charges] == [("cell 3", 5.0), ("cell 4", 8.0)]
    assert plan.bleed_hours_after == pytest.approx(0.0)


def test_what_the_resistors_do_in_a_day_is_left_to_them():
    """2.5 Ah at 0.1242 A: 20 h; 3.5 Ah: 28 h. And less than 0.2 % of the capacity is never carried to a bench."""
    assert not bench_plan({1: 0.0, 2: 0.0, 3: 2.5, 4: 2.5}, pack()).wanted
    assert bench_plan({1: 0.0, 2: 0.0, 3: 3.5, 4: 3.5}, pack()).wanted
    assert bench_plan({1: 0.0, 2: 0.0, 3: 2.5, 4: 2.5}, pack(), duty=0.5).wanted
    assert bench_plan({1: 0.0, 2: 0.0, 3: 0.19, 4: 0.19}, pack()).charges == ()


def test_a_pack_without_resistors_wants_the_bench_and_no_hours_are_made_up():
    plan = bench_plan({1: 0.0, 2: 0.0, 3: 1.0, 4: 1.0}, pack(resistor=None))
    assert plan.wanted and plan.bleed_hours_now is None and plan.bleed_hours_after is None


@pytest.mark.parametrize(
    ("chemistry", "limits", "current", "stop", "degc"),
    [
        ("NMC", {}, 10.0, 4.15, 5),
        ("LFP", {}, 10.0, 3.55, 5),
        (
            "NMC",
            {"voltage_max_V": 4.1, "charge_current_max_A": 4.0, "charge_temperature_min_C": 10.0},
            4.0,
            4.1,
            10,
        ),
        ("NMC", {"voltage_max_V": 4.3, "charge_current_max_A": 40.0}, 10.0, 4.15, 5),
    ],
)
def test_the_gentler_of_two_limits_stands(chemistry, limits, current, stop, degc):
    plan = bench_plan({1: 0.0, 2: 0.0, 3: 9.0, 4: 9.0}, pack(chemistry=chemistry, **limits))
    (one,) = plan.charges
    assert (one.current, one.stop) == (current, stop)
    assert f"{current:.3g} A" in plan.limits[0] and f"{stop:.2f} V" in plan.limits[0]
    assert f"above {degc} degC" in plan.limits[1]


def test_a_module_with_a_cell_of_which_nothing_is_known_is_not_charged():
    """Cell 4 shares the module's current: it may be the fullest, and would be overfilled before any other is full."""
    plan = bench_plan({1: 1.0, 2: 1.0, 3: 6.0}, pack())
    assert plan.charges == () and not plan.wanted
    assert plan.limits[-1] == "not M2: what one of its cells lacks is not known"
    # of a module of which nothing at all is known nothing is said either
    assert len(bench_plan({1: 1.0, 2: 9.0}, pack()).limits) == 3
    every = bench_plan({1: 1.0, 2: 1.0, 3: 6.0, 4: 6.0}, pack())
    assert [c.name for c in every.charges] == ["M2"] and len(every.limits) == 3


@pytest.mark.parametrize("known", [{}, {3: 1.0}])
def test_one_cell_alone_lacks_nothing_against_others(known):
    with pytest.raises(NotEnoughData, match="knee"):
        bench_plan(known, pack())


@settings(max_examples=60, deadline=None)
@given(st.lists(st.floats(0.0, 50.0), min_size=4, max_size=4), st.floats(0.0, 20.0))
def test_no_cell_is_filled_beyond_the_fullest_and_full_means_nothing(lacks, more):
    """Whatever they lack: no cell ends fuller than the pack's fullest, and only differences count."""
    given_ = dict(enumerate(lacks, 1))
    plan = bench_plan(given_, pack())
    for one in plan.charges:
        assert one.charge <= min(given_[c] for c in one.cells) - min(lacks) + 1e-9
        assert one.charge + one.left_to_bleed == pytest.approx(max(given_[c] for c in one.cells) - min(lacks))
    assert plan.bleed_hours_after <= plan.bleed_hours_now
    other = bench_plan({c: ah + more for c, ah in given_.items()}, pack())
    assert [c.name for c in other.charges] == [c.name for c in plan.charges] or min(
        abs(ah - min(lacks) - 0.2) for ah in lacks
    ) < 1e-6
