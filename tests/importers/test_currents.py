"""Which column is the current: no counter, limit or motor's; of smoothings the fastest; of two that differ neither."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from bmslogs.importers.plan.profile import parse_profile
from tests.importers.writing import (
    Dialect,
    Truth,
    assert_same,
    bring,
    drive,
    imported,
    pack_for,
    refusal,
    write,
)

D = Dialect(current_name="Current (A)")
Text = Callable[[int], str]


def column(values: np.ndarray, places: int = 1) -> Text:
    return lambda r: f"{values[r]:.{places}f}"


def stored(truth: Truth, extras: dict[str, Text], folder: Path, d: Dialect = D, sign: int = 1) -> None:
    """Import and compare: the current stored must be the truth's."""
    path = write(truth, d.but(extras=extras, sign=sign), folder)
    assert_same(imported(path, pack_for(truth), folder / "store"), truth)


NOT_THE_CURRENT = [
    "Current setpoint (A)", "Charge current limit (A)", "Max discharge current (A)", "Requested current (A)",
    "Allowed charge current (A)", "Current target (A)", "Motor current (A)", "Charger current (A)",
    "Inverter current (A)", "DC-DC current (A)", "Phase current (A)", "Heater current (A)", "12V current (A)",
    "Sollstrom (A)", "Ladegerät Strom (A)", "Courant moteur (A)", "Corriente límite (A)", "Corrente caricatore (A)",
    "Strøm grense (A)", "Stroom omvormer (A)", "Prąd silnika (A)", "Amp Hours", "Ah used", "Energy (Wh)",
    "Power (kW)", "Capacity (Ah)", "Amperestunden", "Peak current (A)", "Average current (A)",
]  # fmt: skip


@pytest.mark.parametrize("name", NOT_THE_CURRENT)
def test_what_is_not_the_packs_current(name: str, tmp_path: Path) -> None:
    """In front of it or behind, and larger than it."""
    truth = drive()
    other = 1.5 * np.abs(truth.current) + 3
    stored(truth, {name: column(other)}, tmp_path, sign=-1)


@pytest.mark.parametrize(
    "names", [("Charge in (Ah)", "Charge out (Ah)"), ("Amp Hours Charge", "Amp Hours Discharge")]
)
def test_counters_named_like_a_pair_of_currents(names: tuple[str, str], tmp_path: Path) -> None:
    truth = drive()
    into = np.cumsum(np.maximum(-truth.current, 0)) / 3600
    out = np.cumsum(np.maximum(truth.current, 0)) / 3600
    stored(truth, {names[0]: column(into, 4), names[1]: column(out, 4)}, tmp_path)


@pytest.mark.parametrize("span", [2, 5, 10, 30])
@pytest.mark.parametrize("name", ["Current slow (A)", "Current filtered (A)", "Current avg 10s (A)"])
def test_the_fastest_of_smoothings(name: str, span: int, tmp_path: Path) -> None:
    truth = drive(rows=1200)
    smooth = np.convolve(
        np.r_[np.full(span - 1, truth.current[0]), truth.current], np.ones(span) / span, "valid"
    )
    path = write(truth, D.but(extras={name: column(smooth, 2)}), tmp_path)
    assert_same(imported(path, pack_for(truth), tmp_path / "store"), truth)
    report = bring(path, pack_for(truth), tmp_path / "again")
    notes = " ".join(report.logs[0].notes)
    assert "Current (A)" in notes and name in notes


@pytest.mark.parametrize(
    "names", [("Current 1 (A)", "Current 2 (A)"), ("Current left (A)", "Current right (A)")]
)
@pytest.mark.parametrize("share", [0.5, 0.4])
def test_two_strings_side_by_side_are_asked_about(
    names: tuple[str, str], share: float, tmp_path: Path
) -> None:
    """At equal parts too: each carries half, however alike they read."""
    truth = drive()
    noise = np.random.default_rng(1).normal(0, 0.3, len(truth.current))
    other = Truth(truth.time, truth.current * (1 - share), truth.cells, truth.temperatures)
    d = D.but(current_name=names[0], extras={names[1]: column(truth.current * share + noise)})
    reason = refusal(write(other, d, tmp_path), pack_for(truth), tmp_path / "store")
    assert "two columns may be the current" in reason and names[1] in reason


def test_one_current_twice_is_no_question(tmp_path: Path) -> None:
    truth = drive()
    stored(truth, {"Current 2 (A)": column(truth.current)}, tmp_path, D.but(current_name="Current 1 (A)"))


@pytest.mark.parametrize("name", ["Motor current (A)", "Charger current (A)", "Prąd silnika (A)"])
def test_a_motors_current_alone_is_asked_about(name: str, tmp_path: Path) -> None:
    truth = drive()
    path = write(truth, D.but(current_name=name), tmp_path)
    reason = refusal(path, pack_for(truth), tmp_path / "store")
    assert "no current of the pack" in reason and name in reason
    profile = parse_profile({"current": {"column": name}})
    assert_same(imported(path, pack_for(truth), tmp_path / "answered", profile), truth)


def test_a_pair_beside_the_net_current(tmp_path: Path) -> None:
    """The pair says the sign, whichever the net current has."""
    truth = drive()
    into, out = np.maximum(-truth.current, 0), np.maximum(truth.current, 0)
    extras = {"Charge current (A)": column(into), "Discharge current (A)": column(out)}
    stored(truth, extras, tmp_path, sign=-1)
    wild = np.random.default_rng(2).normal(0, 50, len(into))
    path = write(truth, D.but(extras={**extras, "Current B (A)": column(wild)}), tmp_path, "wild.csv")
    assert "three columns may be the current" in refusal(path, pack_for(truth), tmp_path / "other")


@pytest.mark.parametrize("names", [("HVolt1 (V)", "HVolt2 (V)"), ("Pack voltage (V)", "Bus voltage (V)")])
def test_two_pack_voltages_beside_the_cells(names: tuple[str, str], tmp_path: Path) -> None:
    truth = drive(cells=24)
    total = truth.pack_voltage
    extras = {names[0]: column(total, 2), names[1]: column(total + 0.3, 2)}
    log = imported(write(truth, D.but(extras=extras), tmp_path), pack_for(truth), tmp_path / "store")
    assert_same(log, truth)
