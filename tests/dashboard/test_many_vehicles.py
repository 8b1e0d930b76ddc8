"""A store of many packs: one line each from the datasets, without asking for every single diagnosis."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
from plotly.utils import PlotlyJSONEncoder

from bmslogs.fleet import overview, refresh
from bmslogs.fleet.files import Files
from dashboard.desk import Desk
from dashboard.frame import Frame
from dashboard.pages import vehicles
from tests.benchmarks.bench_fleet import keep, pack_of, summarised

PACKS, LOGS = vehicles.MOST_CARDS + 2, 3


def parts(node: Any, kind: str) -> list[Any]:
    """Return all components of a kind, in order, from the JSON that the browser gets."""
    if isinstance(node, list):
        return [found for child in node for found in parts(child, kind)]
    if not isinstance(node, dict):
        return []
    own = [node] if node.get("type") == kind else []
    return own + parts(node.get("props", {}).get("children"), kind)


def text(node: Any) -> str:
    if isinstance(node, list):
        return "".join(text(child) for child in node)
    if isinstance(node, dict):
        return text(node.get("props", {}).get("children"))
    return "" if node is None else str(node)


@pytest.fixture(scope="module")
def store(tmp_path_factory: pytest.TempPathFactory) -> Path:
    root = tmp_path_factory.mktemp("many") / "store"
    summarised(root, PACKS, LOGS)
    refresh(Files(root))
    return root


def page(root: Path, monkeypatch: pytest.MonkeyPatch) -> Any:
    def not_here(*_: Any) -> None:
        raise AssertionError("a single diagnosis was asked for")

    for name in ("standing", "at_hand", "diagnosis"):
        monkeypatch.setattr(Desk, name, not_here)
    laid_out = vehicles.layout(Frame.of(Desk(root), "", "light"))
    return json.loads(json.dumps(laid_out, cls=PlotlyJSONEncoder))


def test_one_line_a_pack_with_what_the_overview_says(store: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    shown = page(store, monkeypatch)
    rows = [[text(cell) for cell in parts(row, "Td")] for row in parts(parts(shown, "Tbody"), "Tr")]
    expected = overview(store)
    assert [row[1] for row in rows] == [p.pack for p in expected] and len(rows) == PACKS
    first = expected[0]
    assert rows[0][0] == first.vehicle and rows[0][2] == str(LOGS)
    assert rows[0][5] == str(first.look) and rows[0][-1] == first.worst
    assert "not weighed yet" not in text(shown)


def test_what_is_not_weighed_is_counted(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    import datetime as dt

    import pyarrow as pa

    summarised(tmp_path, PACKS, 1)
    refresh(Files(tmp_path))
    stub = pa.table({"time": pa.array([0], pa.timestamp("us", "UTC"))})
    for pack, number in ((pack_of(0), 1), (pack_of(900), 1)):
        keep(tmp_path, pack, number, dt.datetime(2026, 5, 1, tzinfo=dt.UTC), stub)
    shown = page(tmp_path, monkeypatch)
    assert "2 logs are not weighed yet" in text(shown) and vehicles.RUN in text(shown)
    last = parts(parts(shown, "Tbody"), "Tr")[-1]
    assert "wren-0900" in text(last) and text(last).endswith("not weighed yet")
