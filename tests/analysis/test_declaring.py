"""Quantities declared each in a file of its own: found by themselves, in the announced order, without what computes."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

from bmslogs.analysis.estimators import ESTIMATORS, QUANTITIES, Quantity
from bmslogs.analysis.estimators import declaring as told

ANNOUNCED = [
    "resistance_10s", "resistance_10s_relative", "soc_offset", "capacity_relative", "capacity", "charge_to_full",
    "bleed_needed", "bleed_done", "bleed_duty", "leak_current_relative", "heating", "resistance_outside_taps",
    "current_zero", "current_lag", "balancing_time", "usable_charge", "gain_by_balancing", "gain_by_replacing",
]  # fmt: skip
"""Typed out from a published diagnosis: the order in which programs that read answers have found them."""

FILE = """
from bmslogs.analysis.estimators.declaring import Quantity, estimator

@estimator(Quantity(key="{key}", order={order}, title="T", question="Q?", unit="V", shown_unit="V", shown_factor=1.0,
                    per="pack", needs=("cell",), settle_by="Log it."))
def {key}(k):
    return []
"""


@pytest.fixture
def alone(monkeypatch: pytest.MonkeyPatch) -> None:
    """Let a test declare quantities of its own and take them back."""
    for name in ("QUANTITIES", "ESTIMATORS"):
        monkeypatch.setattr(told, name, dict(getattr(told, name)))


def record(key: str, order: int) -> Quantity:
    return Quantity(key, order, "T", "Q?", "V", "V", 1.0, "pack", ("cell",), "Log it.")


def test_the_order_is_the_announced_one() -> None:
    assert list(QUANTITIES) == list(ESTIMATORS) == ANNOUNCED
    assert all(q.settle_by.endswith(".") and q.question.endswith("?") for q in QUANTITIES.values())


def test_a_file_that_is_put_there_is_found_and_takes_its_place(
    alone: None, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    folder = tmp_path / "found_by_itself"
    folder.mkdir()
    (folder / "__init__.py").write_text("")
    (folder / "a_last.py").write_text(FILE.format(key="last_one", order=999))
    (folder / "b_between.py").write_text(FILE.format(key="between", order=31))
    monkeypatch.syspath_prepend(str(tmp_path))
    told.collect("found_by_itself", [str(folder)])
    assert list(told.QUANTITIES) == [*ANNOUNCED[:3], "between", *ANNOUNCED[3:], "last_one"]
    assert list(told.ESTIMATORS) == list(told.QUANTITIES)
    assert told.ESTIMATORS["between"].__name__ == "between"


@pytest.mark.parametrize(("key", "order"), [("capacity", 999), ("another", 50)])
def test_two_of_one_key_or_place_are_refused(alone: None, key: str, order: int) -> None:
    with pytest.raises(ValueError, match="two quantities 'capacity'"):
        told.estimator(record(key, order))


def test_titles_are_known_without_what_computes() -> None:
    code = (
        "import sys, bmslogs.analysis.registry as r; assert len(r.QUANTITIES) > 9; "
        "print([m for m in ('numpy', 'scipy', 'pandas', 'bmslogs.analysis.knowledge') if m in sys.modules])"
    )
    said = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True).stdout
    assert said.strip() == "[]"
