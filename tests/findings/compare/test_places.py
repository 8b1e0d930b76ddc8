"""Places over vehicles of one design, from answers by hand: effects, strengths, and what makes no vehicle more."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest

from bmslogs.base.pack import Pack
from bmslogs.base.results import Diagnosis
from bmslogs.findings.compare import compare_packs, fitted_positions
from bmslogs.findings.compare.like_logs import middle_of, names_unlike, refusal
from bmslogs.findings.compare.measured import measured
from bmslogs.findings.compare.positions import position_effects
from tests.findings.by_hand import a_pack
from tests.findings.compare.answered import CELLS, a_log

RELATIVE = ("resistance_10s_relative", "ratio to pack median")
Fleet = tuple[dict[str, list[Diagnosis]], dict[str, Pack]]


def fleet(
    vehicles: int,
    more: Callable[[np.ndarray], None],
    *,
    design: Callable[[int], str | None] = lambda v: "two-box",
    vehicle: Callable[[int], str] = lambda v: f"V{v}",
) -> Fleet:
    """Return packs of cells that lie apart by 2 % (planted), of each two logs that repeat to 0.3 %."""
    logs, packs = {}, {}
    for v in range(vehicles):
        rng = np.random.default_rng(100 + v)
        pack = a_pack(id=f"p{v}", vehicle=vehicle(v), design=design(v))
        ratio = 1.0 + rng.normal(0, 0.02, CELLS)
        more(ratio)
        packs[pack.id] = pack
        logs[pack.id] = [
            a_log(d, ratio * (1 + rng.normal(0, 0.003, CELLS)), *RELATIVE, pack=pack) for d in (0, 9)
        ]
    return logs, packs


def weak_module(ratio: np.ndarray) -> None:
    ratio[4:8] *= 1.12


def alike(ratio: np.ndarray) -> None:
    pass


def named(made: Fleet) -> set[tuple[str, str]]:
    return {(p.position, p.strength) for p in position_effects(*made)}


def test_a_module_that_differs_in_every_vehicle_is_the_place_s_doing() -> None:
    for vehicles, strength in ((4, "suggests"), (5, "supports"), (7, "supports")):
        found = [p for p in position_effects(*fleet(vehicles, weak_module)) if p.position == "F2"]
        (one,) = found
        assert (one.strength, one.vehicles, one.design) == (strength, vehicles, "two-box")
        assert one.effect == pytest.approx(0.12, abs=0.02) and one.low <= one.effect <= one.high


def test_a_design_without_a_place_names_none() -> None:
    assert named(fleet(6, alike)) == set()


@pytest.mark.parametrize("vehicles", [1, 2])
def test_one_or_two_vehicles_make_no_place(vehicles: int) -> None:
    assert fitted_positions(*fleet(vehicles, weak_module)) == ()


def test_several_packs_of_one_vehicle_are_one_vehicle() -> None:
    made = fleet(6, weak_module, vehicle=lambda v: f"V{v % 2}")
    assert fitted_positions(*made) == ()


def test_packs_of_other_designs_and_of_none_stand_for_themselves() -> None:
    made = fleet(6, weak_module, design=lambda v: "two-box" if v < 4 else None)
    assert {p.vehicles for p in fitted_positions(*made)} == {4}
    mixed = fleet(6, weak_module, design=lambda v: ("two-box", "three-box")[v % 2])
    assert {(p.design, p.vehicles) for p in fitted_positions(*mixed)} == {("two-box", 3), ("three-box", 3)}


def test_a_hot_place_is_told_as_a_share_of_the_pack_s_middle() -> None:
    """0.4 mK per A^2 more than a middle of 2: a fifth; sensors stand for the modules they sit in."""
    logs, packs = {}, {}
    for v in range(6):
        rng = np.random.default_rng(v)
        pack = a_pack(id=f"p{v}", vehicle=f"V{v}", design="two-box")
        slope = np.array([0.0, 0.4e-3, 0.0]) + rng.normal(0, 4e-5, 3)
        packs[pack.id] = pack
        logs[pack.id] = [
            a_log(
                0, slope, "heating", "K/A^2", pack=pack, sensors=("TF1", "TF2", "TR3"), median_K_per_A2=2e-3
            )
        ]
    (one,) = [p for p in position_effects(logs, packs) if p.quantity == "heating"]
    assert one.position == "F2" and one.effect == pytest.approx(0.2, abs=0.03)


def test_readings_from_before_a_swap_count_for_no_place() -> None:
    """The weak module was swapped in every vehicle between its two logs: what is left is a sound one."""
    made = fleet(6, alike)
    logs, packs = made
    event: dict[str, Any] = {"date": "2026-03-05", "kind": "module swapped", "where": "F2"}
    for name, pack in packs.items():
        first, second = logs[name]
        worse = [e.value * (1.2 if e.cell in (5, 6, 7, 8) else 1.0) for e in first.estimates]
        logs[name] = [a_log(0, worse, *RELATIVE, pack=pack), second]
    assert ("F2", "supports") in named((logs, packs))
    swapped = {n: Pack.model_validate(p.model_dump() | {"events": [event]}) for n, p in packs.items()}
    assert named((logs, swapped)) == set()


# ---- whether two logs are alike -----------------------------------------------------------------------------------

SPREAD = 1e-3 * np.exp(np.random.default_rng(7).normal(0, 0.05, CELLS))


def why_not(before: Diagnosis, after: Diagnosis, quantity: str = "resistance_10s") -> str | None:
    pack = a_pack()
    return refusal(quantity, before, after, *(measured(quantity, [d], pack) for d in (before, after)))


def test_two_drives_alike_are_compared() -> None:
    assert why_not(a_log(0, SPREAD), a_log(9, 1.02 * SPREAD)) is None


@pytest.mark.parametrize(
    ("moved", "word"),
    [
        (SPREAD[::-1], "in reversed order"),
        (np.roll(SPREAD, 1), "one place on"),
        (np.roll(SPREAD, -1), "one place back"),
    ],
)
def test_cells_found_in_another_order_are_not_paired(moved: np.ndarray, word: str) -> None:
    said = why_not(a_log(0, SPREAD), a_log(9, moved))
    assert said is not None and word in said and "prove each tap" in said


def test_cells_too_alike_to_show_an_order_are_taken_as_they_come() -> None:
    flat = 1e-3 * (1 + 0.001 * np.random.default_rng(8).normal(0, 1, CELLS))
    assert why_not(a_log(0, flat), a_log(9, flat[::-1])) is None


@pytest.mark.parametrize(("kelvin", "alike"), [(14.0, True), (16.0, False)])
def test_drives_within_fifteen_kelvin_are_compared(kelvin: float, alike: bool) -> None:
    said = why_not(a_log(0, SPREAD), a_log(9, SPREAD, temperature_C=20.0 + kelvin))
    assert (said is None) is alike
    assert alike or "the logs lie 16 K apart; a log within 15 K of the first" in str(said)
    # capacities are compared at any temperature
    made = [
        a_log(d, [100.0] * 12, "capacity_relative", "ratio", temperature_C=t)
        for d, t in ((0, 0.0), (9, 40.0))
    ]
    assert why_not(*made, quantity="capacity_relative") is None


def test_drives_that_share_no_charge_are_not_compared() -> None:
    said = why_not(a_log(0, SPREAD, soc_low=0.1, soc_high=0.3), a_log(9, SPREAD, soc_low=0.5, soc_high=0.9))
    assert said is not None and "10 to 30 % charge, the log after at 50 to 90 %" in said


def test_a_log_that_tells_nothing_says_its_own_reason() -> None:
    said = why_not(a_log(0, SPREAD), a_log(9, [np.nan] * CELLS))
    assert said == "the log after does not tell: the current hardly moved. Drive."


def test_names_that_the_logger_gave_anew_are_a_note_and_the_same_names_are_none() -> None:
    def with_names(d: Diagnosis, names: list[str]) -> Diagnosis:
        return Diagnosis(d.log | {"settings": {"cell_columns": names}}, d.pack, d.estimates, d.findings)

    before, after = a_log(0, SPREAD), a_log(9, SPREAD)
    one, other = [f"U{i}" for i in range(12)], [f"cell{i}" for i in range(12)]
    assert names_unlike(with_names(before, one), with_names(after, one)) == ()
    assert names_unlike(before, with_names(after, one)) == ()
    (note,) = names_unlike(with_names(before, one), with_names(after, other))
    assert "'cell0' to 'cell11' now and called them 'U0' to 'U11' before" in note


def test_the_middle_of_what_is_known() -> None:
    assert middle_of(np.array([3.0, np.nan, 1.0])) == 2.0
    assert np.isnan(middle_of(np.array([np.nan])))


def test_more_than_eight_packs_are_set_side_by_side_without_pairs() -> None:
    logs, packs = {}, {}
    for v in range(9):
        pack = a_pack(id=f"p{v}", vehicle=f"V{v}")
        packs[pack.id], logs[pack.id] = pack, [a_log(0, SPREAD, pack=pack)]
    found = compare_packs(logs, packs)
    assert found.of("resistance_10s").comparable and found.differences == ()
