"""A store with two packs of twelve cells, one of eight, and two logs."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import pytest

from bmslogs.base.pack import Pack
from bmslogs.store import LogEntry, Store
from tests.importers.writing import Dialect, drive, pack_for, write


@dataclass
class Workshop:
    """The store and what lies in it."""

    store: Store
    heron: Pack
    plover: Pack
    small: Pack
    files: list[Path]

    def logs(self) -> list[LogEntry]:
        return self.store.logs("heron-main")


@pytest.fixture
def workshop(tmp_path: Path) -> Workshop:
    first, second = drive(rows=120), drive(rows=120, seed=2, start="2026-06-20T08:00:00")
    heron = pack_for(first)
    plover = pack_for(first, id="plover-main", vehicle="Plover")
    small = pack_for(first, id="wren-main", vehicle="Wren", cells_in_series=8)
    store = Store(tmp_path / "store")
    files = [write(first, Dialect(), tmp_path, "a.csv"), write(second, Dialect(), tmp_path, "b.csv")]
    assert not store.import_files(files, heron).refused
    for pack in (plover, small):
        store.save_pack(pack)
    for entry in store.logs():
        store.save_answer({"method": "1", "pack": {"id": entry.pack, "vehicle": entry.vehicle}}, entry.id)
    return Workshop(store, heron, plover, small, files)
