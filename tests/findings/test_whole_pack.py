"""Several logs of a pack made one value: resistances at one temperature, by Arrhenius' law."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest

from bmslogs.base.results import Estimate
from bmslogs.findings.whole_pack import _one

BOLTZMANN_EV = 8.617333e-5


def ohms(degc: float | None, ea: float = 0.3) -> Estimate:
    """1 mohm at 8 degC, known to 1 % at another temperature."""
    at = 8.0 if degc is None else degc
    value = 1e-3 * float(np.exp(ea / BOLTZMANN_EV * (1 / (at + 273.15) - 1 / 281.15)))
    return Estimate(
        "resistance_10s",
        "ohm",
        cell=3,
        sensor=None,
        value=value,
        low=0.99 * value,
        high=1.01 * value,
        conditions={"temperature_C": degc},
    )


def one(*degc: float | None, reference: float | None = 8.0) -> Estimate:
    return _one([(SimpleNamespace(log={"id": str(k)}), ohms(t)) for k, t in enumerate(degc)], reference)


@pytest.mark.parametrize("coldest", [-5.0, 0.0, 5.0])
def test_resistances_of_unlike_warmth_are_told_at_one_temperature(coldest: float) -> None:
    """Freezing point is a temperature like any other, and none that is not known."""
    found = one(coldest, 8.0, 16.0)
    assert found.value == pytest.approx(1e-3, rel=0.01)
    assert found.conditions["temperature_C"] == 8.0 and "activation_eV" in found.conditions
    assert found.low < 1e-3 < found.high


def test_where_a_temperature_is_not_known_none_is_made_up() -> None:
    assert "activation_eV" not in one(None, 8.0, 16.0).conditions
    assert "activation_eV" not in one(0.0, 8.0, reference=None).conditions
