"""A place that warms more, or a pack whose other end stands in cold air: along a line nothing tells the two apart."""

from __future__ import annotations

import zlib

import numpy as np
import pytest

from bmslogs.findings import diagnose
from bmslogs.findings.rules_thermal import _in_other_air
from tests.accuracy import healthy
from tests.accuracy.bench import build_log, build_pack


@pytest.mark.parametrize(
    ("excess", "says"),
    [
        # a line through the pack whose cold end hardly warms: by hand, 1 + 1 < 1 / 0.1
        ([1.0, 0.5, -0.5, -0.9], [True, True, False, False]),
        # the same warm end, but its other end warms by more than half: no air is that cold
        ([1.0, 0.5, -0.2, -0.4], [False, False, False, False]),
        # further over the middle, in proportion, than the cold end is under it: 1 + 5 > 1 / 0.4
        ([5.0, 2.0, -0.3, -0.6], [False, False, False, False]),
        # an end that does not warm at all, or cools, silences no place that warms three times as much again
        ([4.0, 2.6, -0.4, -1.0], [False, False, False, False]),
        ([4.0, 2.0, -0.4, -1.3], [False, True, False, False]),
        # three places: warming by a factor of three, and by a quarter, is one line in the logarithm, log 3 < log 4
        ([2.0, 0.0, -0.75], [True, False, False]),
        # a place that stands out of its neighbours is no end of a line
        ([0.0, 1.0, 0.0, -0.6], [False, False, False, False]),
        # of two places each is the other's measure
        ([1.0, -0.6], [False, False]),
    ],
)
def test_only_a_line_with_a_cold_end_may_be_air(excess: list[float], says: list[bool]) -> None:
    told = _in_other_air(np.array(excess), np.ones(len(excess), bool))
    assert told.tolist() == says


@pytest.mark.parametrize("seed", [21, 22])
def test_a_pack_driven_with_one_end_in_the_cold_has_no_hot_place_to_look_at(seed: int) -> None:
    d = healthy.cold_end([zlib.crc32(b"cold_end"), seed, 0])
    found = diagnose(build_log(d.string, d.bench, d.meter, d.rng, build_pack(d.string))).findings
    assert [f for f in found if f.cause == "runs_hot" and f.level != "note"] == []
