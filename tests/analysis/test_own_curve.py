"""A pack's own curve from a slow charge, against the planted curve; refusals."""

import numpy as np
import pytest

from bmslogs.analysis.knowledge import Knowledge
from bmslogs.analysis.own_curve import own_curve
from bmslogs.analysis.study import Study
from bmslogs.base.errors import NotEnoughData
from bmslogs.base.pack import dump_ocv_table, parse_ocv_table
from tests.accuracy.adapter import build_log, build_pack
from tests.accuracy.cases import draft


def charged(chemistry, seed, c_rate, rest_h=2.0):
    """A simulated string charged once from 10 %, rests before and after; its curve is bent as no table knows."""
    d = draft([77, seed], 0.0, chemistry=chemistry, soc=0.1, rates_s=(5.0,), most_cells=16)
    d.bench.rest(1.0)
    d.bench.charge(c_rate, end_c=0.03)
    if rest_h:
        d.bench.rest(rest_h)
    return d, build_log(d.string, d.bench, d.meter, d.rng, build_pack(d.string))


@pytest.mark.parametrize(("chemistry", "seed", "c_rate"), [("NMC", 0, 0.2), ("NMC", 3, 0.1), ("LFP", 1, 0.1)])
def test_the_learnt_curve_is_nearer_the_planted_one_than_the_table_is(chemistry, seed, c_rate):
    d, log = charged(chemistry, seed, c_rate)
    known = Knowledge(Study(log))
    found = own_curve(known)
    soc, volt = np.array(found.table).T
    assert np.all(np.diff(volt) > 0) and soc[0] == 0.0 and soc[-1] == 1.0
    seen = (soc > found.soc_low) & (soc < found.soc_high)
    planted = d.string.curve.at(soc)
    own = np.sqrt(((volt - planted)[seen] ** 2).mean())
    table = np.sqrt(((known.study.readings.curve.voltage(soc) - planted)[seen] ** 2).mean())
    assert own < table and own < 0.004
    assert parse_ocv_table(dump_ocv_table(found.table, found.source)) == found.table


def test_a_fast_charge_and_one_without_a_rest_tell_no_curve():
    with pytest.raises(NotEnoughData, match=r"0\.25 C or less"):
        own_curve(Knowledge(Study(charged("NMC", 0, 0.5)[1])))
    with pytest.raises(NotEnoughData, match="no rest"):
        own_curve(Knowledge(Study(charged("NMC", 0, 0.2, rest_h=0.0)[1])))
