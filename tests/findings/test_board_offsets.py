"""A measuring board that is off against cells that are all emptier: one number for a whole board, by hand."""

from types import SimpleNamespace

import numpy as np
import pytest

from bmslogs.analysis.ocv import built_in
from bmslogs.base.pack import Module, Pack, SenseBoard
from bmslogs.findings.rules_charge import _board_offsets

CELLS = tuple(range(1, 25))


def told(board_share, *, modules=4, stray=0.0):
    """Findings where the middle one of three boards has `board_share` more charge (seed: cells 0.3 % apart)."""
    value = np.random.default_rng(4).normal(0.0, 0.003, 24)
    value[8:16] += board_share
    value[8] += stray
    size = 24 // (modules * 3 // 2)
    pack = Pack(
        id="wren",
        vehicle="Wren",
        chemistry="NMC",
        nominal_capacity_Ah=100.0,
        cells_in_series=24,
        modules=[Module(name=f"M{k}", cells=CELLS[k * size : (k + 1) * size]) for k in range(24 // size)],
        sense_boards=[SenseBoard(name=f"B{k}", cells=CELLS[8 * k : 8 * k + 8]) for k in range(3)],
    )
    case = SimpleNamespace(
        pack=pack,
        cells=CELLS,
        places=lambda cells: "box",
        knowledge=SimpleNamespace(
            place=SimpleNamespace(soc_span=(0.6, 0.7)),
            study=SimpleNamespace(readings=SimpleNamespace(curve=built_in("NMC"))),
        ),
    )
    return _board_offsets(case, value, np.ones(24, bool), 0.01)


@pytest.mark.parametrize("share", [0.03, -0.03, -0.10])
def test_a_board_whose_cells_differ_alike_is_one_finding(share):
    found, taken = told(share)
    (one,) = found
    assert one.cause == "channel_offset" and one.cells == CELLS[8:16] and np.sign(one.size) == np.sign(share)
    assert np.flatnonzero(taken).tolist() == list(range(8, 16))


def test_cells_that_differ_among_themselves_are_no_board():
    assert told(0.0)[0] == [] and told(0.03, stray=-0.06)[0] == []


def test_one_module_on_a_board_of_its_own_may_have_come_in_emptier():
    assert told(-0.03, modules=2)[0] == []
