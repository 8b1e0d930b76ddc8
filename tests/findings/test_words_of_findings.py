"""How a finding is put together: places in words, bounds, the level its interval allows, the table of causes."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from bmslogs.base.results import Finding
from bmslogs.faces.figures.proofs import PROOFS
from bmslogs.findings.case import finding, module_of, percent, places, standing_out
from bmslogs.findings.diagnosing import sure
from bmslogs.findings.registry import CAUSES
from tests.findings.by_hand import a_pack

PACK = a_pack(16)


@pytest.mark.parametrize(
    ("cells", "words", "module"),
    [
        ([], "the pack", None),
        ([6], "front box, module F2, cell 6", "F2"),
        ([5, 6], "front box, module F2, cells 5 and 6", "F2"),
        ([5, 7, 8], "front box, module F2, cells 5, 7 and 8", "F2"),
        ([5, 6, 7, 8], "front box, module F2, cells 5 to 8", "F2"),
        ([4, 5], "cells 4 and 5", None),
        ([3, 4, 5, 6, 7], "cells 3 to 7", None),
        ([1, 16], "cells 1 and 16", None),
    ],
)
def test_places_as_the_builder_names_them(cells: list[int], words: str, module: str | None) -> None:
    assert places(PACK, cells) == words
    assert module_of(PACK, cells) == module if cells else True


def test_without_modules_cells_are_named_by_their_number() -> None:
    bare = PACK.model_copy(update={"modules": (), "boxes": ()})
    assert places(bare, [6]) == "cell 6" and places(bare, [1, 2, 3, 4]) == "cells 1 to 4"
    assert places(bare, [2, 3]) == "cells 2 and 3"
    boxed = PACK.model_copy(
        update={"boxes": tuple(b.model_copy(update={"name": f"Box {b.name}"}) for b in PACK.boxes)}
    )
    assert places(boxed, [5, 6]) == "Box front, module F2, cells 5 and 6"


def made(cause: str = "capacity_low", cells: tuple[int, ...] = (6,), **more: Any) -> Finding:
    return finding(PACK, cause, "look", cells, "It is so.", ["seen"], ["look"], **more)


def test_bounds_are_filled_in_from_a_half_width_or_taken_alone() -> None:
    one = made(size=-0.1, half=0.02)
    assert (one.low, one.high) == pytest.approx((-0.12, -0.08)) and one.unit == "fraction of pack median"
    bound = made("self_discharge_high", size=0.03, low=0.03)
    assert (bound.low, bound.high, bound.unit) == (0.03, None, "A")
    bare = made("taps_swapped", (7, 5, 6))
    assert (
        bare.cells == (5, 6, 7)
        and bare.module == "F2"
        and (bare.size, bare.low, bare.high) == (None, None, None)
    )
    assert made("limit_exceeded", unit="degC", sensor="TF1", size=2.0, half=0.5).unit == "degC"
    assert made("log_quality", ()).module is None and made(cells=(4, 5)).module is None


@pytest.mark.parametrize(
    ("cause", "low", "high", "level"),
    [
        ("capacity_low", -0.2, -0.01, "act"),
        ("capacity_low", -0.2, 0.01, "note"),
        ("soc_offset_high", 0.0, 0.1, "note"),
        ("bleed_ineffective", -0.1, 0.9, "act"),  # sound is what does all that was commanded
        ("bleed_ineffective", 0.2, 1.1, "note"),
        ("self_discharge_high", 0.01, None, "act"),  # at least so much
        ("tap_open", None, None, "act"),
    ],
)
def test_no_level_is_louder_than_its_interval(
    cause: str, low: float | None, high: float | None, level: str
) -> None:
    one = Finding(cause, "act", "s", cells=(5,), size=low, low=low, high=high, because=("seen",))
    got = sure(one)
    assert got.level == level
    assert ("does not exclude" in got.because[-1]) is (level == "note")


@pytest.mark.parametrize(
    ("value", "digits", "text"), [(-0.123, 0, "12 %"), (0.0004, 1, "0.0 %"), (1.5, 0, "150 %")]
)
def test_a_share_is_said_without_a_sign(value: float, digits: int, text: str) -> None:
    assert percent(value, digits) == text


# ---- standing out -------------------------------------------------------------------------------------------------

ALIKE = np.array([0.4, -0.3, 0.1, -0.1, 0.2, -0.2, 0.3, -0.4, 0.0, 0.1]) / 100
HALF, KNOWN = np.full(10, 0.002), np.ones(10, bool)


def stands(value: float, half: float = 0.002, least: float = 0.01, known: int = 10) -> bool:
    values, halves = ALIKE.copy(), HALF.copy()
    values[3], halves[3] = value, half
    out = standing_out(values, halves, least, np.arange(10) < known)
    assert not np.delete(out, 3).any()
    return bool(out[3])


@pytest.mark.parametrize(
    ("value", "half", "told"),
    [
        (0.03, 0.002, True),
        (-0.03, 0.002, True),
        (0.009, 0.002, False),  # less than of practical weight
        (0.03, 0.026, False),  # its nearer bound is less than half of that
        (0.03, 0.05, False),  # it may be nothing
        (0.012, 0.002, False),  # no further out than such cells scatter
    ],
)
def test_a_value_stands_out_where_it_is_large_sure_and_unlike(value: float, half: float, told: bool) -> None:
    assert stands(value, half) is told


def test_of_few_cells_size_and_sureness_alone_decide() -> None:
    """Five cells show no scatter to speak of."""
    assert stands(0.012, known=5) and not stands(0.012, known=10)
    # the nearer bound must be half of the practical size: 30 - 26 is less than 5, 30 - 24 is not
    assert not stands(0.03, half=0.026, known=5) and stands(0.03, half=0.024, known=5)
    assert not standing_out(ALIKE, HALF, 0.01, np.zeros(10, bool)).any()


def test_a_value_that_is_not_known_stands_for_nothing() -> None:
    values = ALIKE.copy()
    values[[3, 4]] = 0.5, np.nan
    known = KNOWN.copy()
    known[[3, 4]] = False
    assert not standing_out(values, HALF, 0.01, known).any()


# ---- the table of causes ------------------------------------------------------------------------------------------

LOUDEST_UNITS = {"", "A", "Ah", "V", "ohm", "degC", "fraction", "fraction of pack median"}


@pytest.mark.parametrize("cause", CAUSES)
def test_each_cause_says_one_thing_and_has_its_unit_and_its_picture(cause: str) -> None:
    one = CAUSES[cause]
    assert one.key == cause and one.unit in LOUDEST_UNITS and one.picture in PROOFS
    assert one.title[0].isupper() and not one.says.endswith(".") and "\n" not in one.says
    factors = {"%": 100.0, "% of charge": 100.0, "mohm": 1e3, "mV": 1e3, "mA": 1e3}
    assert one.shown_factor == factors.get(one.shown_unit, 1.0)
    assert one.least is None or 0 < one.least < 10
    assert one.sound == (1.0 if cause == "bleed_ineffective" else 0.0)


PUBLISHED = {
    "cell_resistance_high", "joint_resistance_high", "cell_or_joint_resistance_high", "capacity_low", "soc_offset_low",
    "soc_offset_high", "self_discharge_high", "tap_open", "tap_resistive", "taps_swapped", "channel_stuck",
    "channel_offset", "temperature_sensor_fault", "runs_hot", "bleed_ineffective", "bleed_misplaced", "limit_exceeded",
    "cold_charge", "current_sensor_zero", "log_quality", "joint_loose", "pack_file_mismatch",
}  # fmt: skip


def test_the_list_of_causes_is_the_published_one() -> None:
    assert set(CAUSES) == PUBLISHED
