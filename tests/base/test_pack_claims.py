"""Lines of a pack file that a log contradicts, on few rows worked out by hand; odd but right ones stay silent."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from numpy.testing import assert_allclose

from bmslogs.base.pack import Limits, Pack
from bmslogs.base.pack_claims import (
    Contradiction,
    Thinned,
    contradictions,
    still_cells,
    unlike_packs,
    unseen_seconds,
)

CELLS, ROWS = 8, 240


def a_pack(chemistry: str = "NMC", nominal: float = 100.0, **more: Any) -> Pack:
    head: dict[str, Any] = {
        "id": "wren-main",
        "vehicle": "Wren",
        "chemistry": chemistry,
        "nominal_capacity_Ah": nominal,
        "cells_in_series": CELLS,
    }
    return Pack(**(head | more))


def a_log(level: Any, current: Any = 0.0, step_s: float = 60.0, *, apart: float = 0.002) -> Thinned:
    """Return 240 rows a minute apart whose cells lie about `level` [V], with the charge that `current` [A] counts."""
    volts = np.broadcast_to(np.asarray(level, float), (ROWS,))[:, None] + apart * np.linspace(-1, 1, CELLS)
    amps = np.broadcast_to(np.asarray(current, float), (ROWS,)).copy()
    charge = np.concatenate([[0.0], np.cumsum(amps)[:-1]]) * step_s / 3600.0
    seconds = np.arange(ROWS) * step_s
    return Thinned(seconds, amps, charge, np.round(volts, 3), tuple(range(1, CELLS + 1)), 0.001)


def lines(log: Thinned, pack: Pack) -> list[str]:
    return [one.line.split(" = ")[0] for one in contradictions(log, pack)]


RISING = np.linspace(0.0, 1.0, ROWS)

# ---- chemistry ----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("chemistry", "level", "told"),
    [
        ("LFP", 3.40, False),
        ("LFP", 3.69, False),  # held by a float charger, just
        ("LFP", 3.75, True),
        ("NMC", 4.20, False),
        ("NMC", 4.35, False),  # a high-voltage cell
        ("NMC", 4.40, True),
    ],
)
def test_no_cell_stands_so_high_at_rest(chemistry: str, level: float, told: bool) -> None:
    found = contradictions(a_log(level), a_pack(chemistry))
    assert [one.line for one in found] == ([f'chemistry = "{chemistry}"'] if told else [])
    if told:
        assert found[0].curve and f"{level:.2f} V" in found[0].says and "4 h" in found[0].says


def test_a_level_of_some_minutes_proves_nothing() -> None:
    """Nine rows of a minute each are less than the ten minutes that are asked for."""
    level = np.full(ROWS, 3.4)
    level[:9] = 3.9
    assert lines(a_log(level), a_pack("LFP")) == []
    level[:20] = 3.9
    assert lines(a_log(level), a_pack("LFP")) == ["chemistry"]


def test_an_lfp_cell_gives_next_to_nothing_above_its_knee() -> None:
    """4 h at 3 A are 12 Ah of 100; above 3.45 V such a cell gives a twentieth of its charge at most."""
    assert lines(a_log(3.8 - 0.1 * RISING, 3.0), a_pack("LFP")) == ["chemistry"]
    assert lines(a_log(3.40 - 0.1 * RISING, 3.0), a_pack("LFP")) == []


def test_an_nmc_cell_moves_by_tenths_of_a_volt_over_a_third_of_its_charge() -> None:
    """32 Ah while the middle cell stays within 3.30 and 3.34 V: LFP, whatever the file says."""
    flat = a_log(3.34 - 0.04 * RISING, 8.0)
    assert lines(flat, a_pack("NMC")) == ["chemistry"]
    assert lines(flat, a_pack("LFP")) == []
    assert lines(a_log(3.8 - 0.3 * RISING, 8.0), a_pack("NMC")) == []


# ---- capacity -----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("nominal", "told"), [(60.0, True), (100.0, True), (105.0, False), (200.0, False)])
def test_more_charge_in_one_go_than_the_capacity_and_a_little_more(nominal: float, told: bool) -> None:
    """30 A for 239 minutes are 119.5 Ah; a fresh cell holds up to 1.15 times what is printed: 119.5 / 1.15 = 103.9."""
    found = [o for o in contradictions(a_log(4.1 - 0.9 * RISING, 30.0), a_pack(nominal=nominal)) if o.flow]
    assert bool(found) is told
    if told:
        assert found[0].found == "120 Ah were drawn in one go" and not found[0].curve


def test_what_goes_to_and_fro_is_no_capacity() -> None:
    """Ten times 12 Ah out and in again are 120 Ah through the sensor, and never more than 12."""
    current = np.where((np.arange(ROWS) // 12) % 2 == 0, 60.0, -60.0)
    assert lines(a_log(3.7, current), a_pack(nominal=50.0)) == []


def test_a_current_that_is_read_while_the_voltages_stand_moved_nothing() -> None:
    """60 A for four hours in a pack of 100 Ah, and no millivolt: the sensor, not the capacity."""
    assert lines(a_log(3.7, 60.0), a_pack()) == []


def test_a_short_way_up_the_curve_on_a_tenth_of_the_charge() -> None:
    """From 3.6 to 4.1 V an NMC cell takes over a third of its charge; here 4 Ah did it: a cell of some 10 Ah."""
    log = a_log(3.6 + 0.5 * RISING, -1.0)
    assert lines(log, a_pack(nominal=100.0)) == ["nominal_capacity_Ah"]
    assert lines(log, a_pack(nominal=10.0)) == []


# ---- cells and limits ---------------------------------------------------------------------------------------------


def test_channels_that_never_move_while_the_others_do() -> None:
    volts = a_log(3.6 + 0.3 * RISING).volts.copy()
    volts[:, 2], volts[:, 5] = 3.7, np.nan
    assert still_cells(volts, 0.001).tolist() == [False, False, True, False, False, True, False, False]
    standing = np.full((ROWS, CELLS), 3.7)  # all stand: there was nothing to see
    assert not still_cells(standing, 0.001).any()


def with_channels(cells: tuple[int, ...], reads: float) -> list[Contradiction]:
    log = a_log(3.6 + 0.3 * RISING)
    log.volts[:, np.array(cells) - 1] = reads
    return [o for o in contradictions(log, a_pack()) if o.cells]


@pytest.mark.parametrize(
    ("cells", "reads", "frozen"),
    [
        ((7, 8), np.nan, False),
        ((1, 2), 0.0, False),
        ((5, 6, 7, 8), 3.7, True),
        ((2, 5), 3.7, None),
        ((8,), np.nan, None),
    ],
)
def test_channels_without_a_cell_lie_in_one_block_at_an_end(
    cells: tuple[int, ...], reads: float, frozen: bool | None
) -> None:
    """Single channels that stand still, or two apart, are a fault of theirs and no count of cells."""
    found = with_channels(cells, reads)
    if frozen is None:
        assert found == []
        return
    (one,) = found
    assert one.cells == cells and one.frozen is frozen
    assert one.line == "cells_in_series = 8" and f"{len(cells)} of 8 channels" in one.says


@pytest.mark.parametrize(
    ("limits", "line"),
    [
        ({"voltage_max_V": 3.5}, "voltage_max_V"),  # the middle cell is 0.2 V above it all along
        ({"voltage_max_V": 3.6}, None),
        ({"voltage_min_V": 3.9}, "voltage_min_V"),
        ({"voltage_max_V": 4200.0}, "voltage_max_V"),
        ({"voltage_min_V": 2800.0}, "voltage_min_V"),
        ({"temperature_max_C": 131.0}, "temperature_max_C"),
        ({"charge_temperature_min_C": 32.0}, "charge_temperature_min_C"),
        ({"charge_temperature_min_C": 10.0, "temperature_max_C": 60.0}, None),
    ],
)
def test_limits_that_fit_no_reading_or_no_cell(limits: dict[str, float], line: str | None) -> None:
    assert lines(a_log(3.7), a_pack(limits=Limits(**limits))) == ([] if line is None else [line])


def test_a_wrong_chemistry_explains_the_limits_that_go_with_it() -> None:
    """An NMC string under a file of LFP: its upper limit of 3.65 V is no second line."""
    log = a_log(4.0)
    assert lines(log, a_pack("LFP", limits=Limits(voltage_max_V=3.65))) == ["chemistry"]


# ---- helpers ------------------------------------------------------------------------------------------------------


def test_time_that_no_row_stands_for() -> None:
    """Rows every 10 s, one 60 s late: of the 70 s until then 15 are usual, 55 were not seen."""
    seconds = np.array([0.0, 10.0, 20.0, 90.0, 100.0, 110.0])
    assert_allclose(unseen_seconds(seconds), [0.0, 0.0, 0.0, 55.0, 55.0, 55.0])
    assert_allclose(unseen_seconds(np.array([3.0])), [0.0])


def test_a_contradiction_is_one_sentence() -> None:
    one = Contradiction('chemistry = "LFP"', "it stood at 3.9 V", "no LFP cell does so")
    assert one.says == 'The pack file says chemistry = "LFP", but it stood at 3.9 V; no LFP cell does so.'


def test_what_two_files_of_one_pack_say_unlike_each_other() -> None:
    mine = a_pack(cells_in_parallel=2, limits=Limits(voltage_max_V=4.2))
    assert unlike_packs(mine, mine) == []
    assert unlike_packs(mine, a_pack("LFP")) == [
        "chemistry = LFP there, NMC here",
        "cells_in_parallel = 1 there, 2 here",
        "voltage_max_V = nothing there, 4.2 here",
    ]
