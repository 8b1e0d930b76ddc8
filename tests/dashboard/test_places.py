"""Places over vehicles: what is drawn is what was planted; no browser."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from bmslogs.base.results import Diagnosis
from bmslogs.findings.compare import compare_packs, fitted_positions
from dashboard.desk import Desk
from dashboard.frame import Frame
from dashboard.pages import side_by_side as page


def test_the_place_that_was_planted_in_every_vehicle_stands_out_on_the_map(
    stores: Callable[[str], Path],
) -> None:
    """Cell 6 has 12 to 20 % more resistance in five vehicles, no other cell has: planted truth."""
    desk = Desk(stores("fleet"))
    packs = {p.id: p for p in desk.packs()}
    diagnoses: dict[str, list[Diagnosis]] = {i: [desk.diagnosis(e.id) for e in desk.logs(i)] for i in packs}
    told = [p for p in fitted_positions(diagnoses, packs) if p.quantity == "resistance_10s_relative"]
    assert {p.position for p in told} >= {f"cell {c}" for c in range(1, 17)} | {"M1", "M2", "M3", "M4"}
    (out,) = [p for p in told if p.stands_out]
    assert out.position == "cell 6" and out.vehicles == 5
    assert 0.12 < out.effect < 0.20  # between the least and the most that was planted
    named = compare_packs(diagnoses, packs).positions
    assert set(named) == {p for p in fitted_positions(diagnoses, packs) if p.stands_out}
    words = str(page.layout(Frame.of(desk, "")))
    assert "1 place stands out." in words and "M2, cell 6" in words and "◆" in words
