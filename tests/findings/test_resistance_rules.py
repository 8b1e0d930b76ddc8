"""Weak cells, loose links, whole modules and cold ones, in strings worked out by hand."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from bmslogs.base.pack import Module, TemperatureSensor
from bmslogs.base.results import Finding
from bmslogs.log import Log
from tests.findings.by_hand import OHM, String, a_pack, city, only, rest, run, string, told

DRIVE = np.r_[rest(3), city(10), rest(5)]
RESISTANCE = ("cell_resistance_high", "joint_resistance_high", "cell_or_joint_resistance_high")


def two_part(s: String) -> String:
    """Give every cell 0.7 mohm at once and 0.4 mohm behind 25 s: 0.7 + 0.4 (1 - e^-0.4) = 0.832 mohm at 10 s."""
    s.slow_ohm, s.ohm = 0.4 * s.ohm, 0.7 * s.ohm
    s.slow_ohm *= 1.0 + s.rng.normal(0, 0.005, s.n)
    return s


def resistances(log: Log) -> list[Finding]:
    findings = told(log)
    assert {f.cause for f in findings} <= set(RESISTANCE)
    return findings


@pytest.mark.parametrize("more", [0.5, 15.0])
def test_a_cell_that_has_aged_evenly_is_no_joint_though_a_link_lies_in_its_tap(more: float) -> None:
    """Both parts of cell 5 grow by one factor: its excess grows with time into the load as the string's fall does."""
    s = two_part(string())
    s.ohm[4] *= 1.0 + more
    s.slow_ohm[4] *= 1.0 + more
    one = only(resistances(run(s, DRIVE)), "cell_resistance_high")
    assert one.cells == (5,) and one.low is not None and one.high is not None
    assert one.low < more < one.high
    assert any("a link to the next module" in line for line in one.because)


@pytest.mark.parametrize(("joint", "right"), [(False, RESISTANCE[::2]), (True, RESISTANCE[1:])])
def test_a_few_steps_that_begin_while_the_last_load_still_settles_blame_no_joint_for_a_cell(
    joint: bool, right: tuple[str, ...]
) -> None:
    """Six minutes of ten-second loads, told by steps alone: a cell of four times the ohms settles four times as far.

    What it still settles from the load before is no lack of growth. A link of as many ohms may be called one.
    """
    s = two_part(string())
    if joint:
        s.ohm[4] += 2.5e-3
    else:
        s.ohm[4] *= 4.0
        s.slow_ohm[4] *= 4.0
    one = only(resistances(run(s, np.r_[rest(5, 0.5), city(6, every_s=0.5), rest(10, 0.5)], 0.5)), right)
    assert one.cells == (5,) and one.level == "act"


def test_a_bar_inside_a_module_is_not_called_a_weak_cell() -> None:
    """1.6 mohm that do not grow with time, in the tap of cell 6, where no link lies: a bar, or a film in the cell."""
    s = two_part(string())
    s.ohm[5] += 1.6e-3
    one = only(resistances(run(s, DRIVE)), "cell_or_joint_resistance_high")
    assert one.cells == (6,) and any("no link between modules lies inside" in line for line in one.because)
    assert any("lug to lug" in step for step in one.next)


@pytest.mark.parametrize(("where", "links"), [("next", (5,)), ("previous", (4,))])
def test_the_pack_file_says_in_whose_tap_a_link_lies(where: str, links: tuple[int, ...]) -> None:
    for cell in (4, 5):
        s = two_part(string(pack=a_pack(joint_in_tap_of=where)))
        s.ohm[cell - 1] += 2.5e-3
        (one,) = resistances(run(s, DRIVE))
        assert (one.cause == "joint_resistance_high") is (cell in links)


def test_a_usual_link_is_no_fault_and_is_taken_off_one_that_is() -> None:
    """Three links of 0.2 mohm are how this pack is built: a fourth of 0.8 mohm has 0.6 mohm too many."""
    links = np.array([4, 8, 12, 16])
    s = string(cells=20)
    s.ohm[links] += 0.2e-3
    assert resistances(run(s, DRIVE)) == []
    s = string(cells=20)
    s.ohm[links] += 0.2e-3
    s.ohm[8] += 0.6e-3
    (one,) = resistances(run(s, DRIVE))
    assert one.cells == (9,) and one.low is not None and one.high is not None
    assert one.low < 0.6 < one.high


@pytest.mark.parametrize(
    ("weak", "groups"),
    [
        ((5, 6, 7, 8), [(5, 6, 7, 8)]),
        ((5, 6, 7), [(5, 6, 7)]),  # three of four: the module as a whole
        ((6, 8), [(6,), (8,)]),  # half of it: two cells
        ((6, 12), [(6,), (12,)]),
    ],
)
def test_a_module_is_named_as_a_whole_where_most_of_its_cells_are_weak(
    weak: tuple[int, ...], groups: list[tuple[int, ...]]
) -> None:
    s = string(cells=16)
    s.ohm[np.array(weak) - 1] *= 1.4
    found = resistances(run(s, DRIVE))
    assert sorted(f.cells for f in found) == groups
    for f in found:
        assert f.low is not None and f.high is not None and f.low < 0.4 < f.high
        assert ("these cells drop" in f.says) is (len(f.cells) > 1)


@pytest.mark.parametrize("more", [0.0, 0.07])
def test_the_spread_of_a_lot_is_no_fault(more: float) -> None:
    """Less than a tenth more is the spread of sound cells (common practice, no source)."""
    s = string()
    s.ohm[5] = (1.0 + more) * OHM
    assert told(run(s, DRIVE)) == []


COLDER = float(np.exp(0.3 / 8.617333e-5 * (1 / 283.15 - 1 / 293.15)))
"""R(10 degC) / R(20 degC) at 0.3 eV, Arrhenius: 1.52. METHODS C16 gives R(10)/R(25) = 1.856; R(20)/R(25) = 1.221."""


def a_cold_module(sensor_C: float, factor: float = COLDER) -> list[Finding]:
    """Cells 9 to 12 drop by `factor` more; their sensor reads `sensor_C`, the others 20 degC."""
    s = string(cells=16)
    s.ohm[8:12] *= factor
    log = run(s, DRIVE)
    warm = np.full((log.rows, 4), 20.0) + s.rng.normal(0, 0.05, (log.rows, 4))
    warm[:, 2] += sensor_C - 20.0
    return [f for f in told(replace(log, temperature=np.round(warm, 1))) if f.cause in RESISTANCE]


def test_a_module_ten_kelvin_colder_is_not_called_weak() -> None:
    assert pytest.approx(1.856 / 1.221, abs=0.002) == COLDER
    assert a_cold_module(10.0) == []
    (weak,) = a_cold_module(20.0)  # the same drop in a module as warm as the others
    assert weak.cells == (9, 10, 11, 12) and weak.level == "act"


def test_of_a_cold_and_weak_module_the_cold_is_taken_out() -> None:
    """Twice the resistance beyond what 10 K make: the size is the cells' own, the rest is said."""
    (weak,) = a_cold_module(10.0, 2.0 * COLDER)
    assert weak.low is not None and weak.high is not None
    assert weak.low < 1.0 < weak.high
    assert any("temperature" in line and "taken out" in line for line in weak.because)


def test_places_are_named_as_far_as_the_pack_file_describes_them() -> None:
    for modules, boxes, place in (
        (True, True, "front box, module F2, cell 6:"),
        (True, False, "module F2, cell 6:"),
        (False, False, "cell 6:"),
    ):
        pack = a_pack()
        more = {} if modules else {"modules": ()}
        more |= {} if boxes else {"boxes": ()}
        s = string(pack=pack.model_copy(update=more))
        s.ohm[5] *= 1.5
        (one,) = resistances(run(s, DRIVE))
        assert one.says.startswith(place)
        assert one.module == ("F2" if modules else None)


def test_where_no_links_are_described_a_cell_is_not_cleared_of_its_joint() -> None:
    """2.5 mohm that do not grow, and no word of modules: a link may lie anywhere."""
    s = two_part(string(pack=a_pack(modules=(), boxes=())))
    s.ohm[5] += 2.5e-3
    assert only(resistances(run(s, DRIVE)), "cell_or_joint_resistance_high").cells == (6,)


def test_the_size_is_against_the_middle_not_the_mean() -> None:
    """Two cells of five times the ohms move the mean of eight to 2 mohm, not the middle: +400 % each."""
    pack = a_pack(
        8,
        modules=(Module(name="A", cells=list(range(1, 9))),),
        boxes=(),
        temperature_sensors=(TemperatureSensor(name="T", cells=list(range(1, 9))),),
        sense_boards=(),
    )
    s = string(cells=8, pack=pack)
    s.ohm[[1, 6]] = 5.0 * OHM
    found = resistances(run(s, DRIVE))
    assert sorted(f.cells for f in found) == [(2,), (7,)]
    assert all(f.low is not None and f.high is not None and f.low < 4.0 < f.high for f in found)
