"""Whatever is done to the logs in whatever order: none is lost, none is in two places, all are whole."""

from __future__ import annotations

import shutil
import tempfile
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from bmslogs.base.errors import BmsLogsError
from bmslogs.store import Store
from bmslogs.store.order import (
    add_remark,
    bring_back,
    gone,
    in_bin,
    move_log,
    remarks,
    remove_log,
    rename_vehicle,
)
from tests.importers.writing import Dialect, drive, pack_for, write

PACKS = ("heron-main", "plover-main", "wren-main")
DOINGS = st.lists(
    st.tuples(st.sampled_from(["remove", "back", "move", "rename"]), st.integers(0, 5), st.integers(0, 2)),
    min_size=1, max_size=9,
)  # fmt: skip


@pytest.fixture(scope="module")
def begun(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("begun")
    store = Store(folder / "store")
    for n, pack in enumerate(PACKS):
        truth = drive(rows=40, cells=8 if pack == "wren-main" else 12, seed=n)
        described = pack_for(truth, id=pack, vehicle=pack.split("-")[0].title())
        assert not store.import_files([write(truth, Dialect(), folder, f"{pack}.csv")], described).refused
    for entry in store.logs():
        add_remark(store, entry.pack, f"first of {entry.pack}", log=entry.id)
    return store.root


def _do(store: Store, what: str, number: int, pack: int) -> None:
    logs, removed = store.logs(), in_bin(store)
    if what == "remove" and logs:
        remove_log(store, logs[number % len(logs)].id)
    elif what == "back" and removed:
        bring_back(store, removed[number % len(removed)].log)
    elif what == "move" and logs:
        move_log(store, logs[number % len(logs)].id, PACKS[pack])
    elif what == "rename":
        vehicles = sorted({p.vehicle for p in store.packs()})
        rename_vehicle(store, vehicles[pack % len(vehicles)], f"Vehicle {number}")


def _contents(store: Store) -> list[tuple[str, str]]:
    """Return what there is, by the bytes that it came from, with its note; in the store or in the bin."""
    found = [(e.source, *(r.text for r in remarks(store, e.pack, e.id))) for e in store.logs()]
    found += [(i.source, *(r.text for r in remarks(store, i.pack, i.log))) for i in in_bin(store)]
    return sorted(found)  # type: ignore[arg-type]


@settings(max_examples=25, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(doings=DOINGS)
def test_no_log_is_lost_or_doubled(begun: Path, doings: Any) -> None:
    with tempfile.TemporaryDirectory() as folder:
        store = Store(shutil.copytree(begun, Path(folder) / "store"))
        before = _contents(store)
        for what, number, pack in doings:
            ids = {e.id for e in store.logs()}
            try:
                _do(store, what, number, pack)
            except BmsLogsError as refused:
                assert len(str(refused).splitlines()) == 1
                assert {e.id for e in store.logs()} == ids
            for log in ids - {e.id for e in store.logs()}:
                assert gone(store, log) is not None  # its address can say what became of it
            assert _contents(store) == before
        assert len(before) == 3 and store.check().problems == ()
        cells = {e.pack: 8 if e.pack == "wren-main" else 12 for e in store.logs()}
        assert all(store.pack(p).cells_in_series == n for p, n in cells.items())
