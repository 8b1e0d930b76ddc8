"""Resistors that are not those of the pack file, told over a rest; a dead one among them stays a dead one."""

from __future__ import annotations

import pytest

from bmslogs.base.results import Finding
from bmslogs.findings import diagnose
from tests.findings.planted import bled_at_rest

TOLD = (2, 6, 10)


def found(works: dict[int, float]) -> dict[str, Finding]:
    return {f.cause: f for f in diagnose(bled_at_rest(TOLD, works)).findings}


@pytest.mark.parametrize("factor", [3.0, 6.0, 0.35])
def test_all_that_bleed_lose_another_charge_alike(factor: float) -> None:
    told = found(dict.fromkeys(TOLD, factor))
    assert set(told) == {"pack_file_mismatch"}
    assert "bleed_resistor_ohm" in told["pack_file_mismatch"].says
    assert any("prove dead" in step for step in told["pack_file_mismatch"].next)


def test_what_they_are_told_is_nothing_to_say() -> None:
    assert found(dict.fromkeys(TOLD, 1.0)) == {}


def test_a_dead_bleeder_is_no_line_of_the_pack_file() -> None:
    told = found({2: 1.0, 6: 0.0, 10: 1.0})
    assert set(told) == {"bleed_ineffective"} and told["bleed_ineffective"].cells == (6,)
    both = found({2: 4.0, 6: 0.0, 10: 4.0, 14: 0.0})
    assert both["bleed_ineffective"].cells == (6,)


def test_none_that_works_is_no_resistor() -> None:
    told = found({})
    assert "pack_file_mismatch" not in told and "bleed_ineffective" in told
