"""What stored answers told, gathered into columns: by hand, a cell at a time."""

from __future__ import annotations

from pathlib import Path

import numpy as np
from numpy.testing import assert_allclose

from bmslogs.base.results import Estimate, Finding, refused
from bmslogs.fleet.gathering import answers_stamp, cache_path, gather, gathered_from
from bmslogs.store import Store

from .answered import known, write
from .conftest import pack_of


def heats(sensor: str, value: float) -> Estimate:
    return Estimate("heating", "K/A^2", sensor=sensor, value=value, low=value, high=value,
                    conditions={"median_K_per_A2": 2e-3})  # fmt: skip


def test_columns_hold_what_each_log_told_and_why_it_did_not(tmp_path: Path) -> None:
    at = {"temperature_C": 18.0, "soc_low": 0.4, "soc_high": 0.8, "step_A": 30.0}
    off = Finding("tap_open", "act", "Off.", cells=(3, 4))
    first = known("resistance_10s", 1e-3, low=9e-4, high=1.1e-3, conditions=at)
    write(tmp_path, "Heron", 5, [], [refused("resistance_10s", "ohm", "No load.", "Drive.", cell=3)])
    write(tmp_path, "Heron", 0, [off], [first, heats("T01", 1e-4)])
    got = gather(Store(tmp_path), pack_of("Heron"))
    assert got.ids == tuple(sorted(got.ids)) and len(got.ids) == 2
    told = got.told["resistance_10s"]
    assert told.columns == (3,)
    assert_allclose(told.value[:, 0], [1e-3, np.nan])
    assert_allclose(
        (told.low[0, 0], told.high[0, 0], told.temperature[0, 0]), (9e-4, 1.1e-3, 18.0), rtol=1e-6
    )
    assert told.why == ("", "No load.")
    assert told.spoiled[:, 0].tolist() == [True, False]  # in the log whose wire was off alone
    assert_allclose(told.conditions["current_A"], [30.0, np.nan])  # a single step is a load as well
    assert_allclose(got.told["heating"].conditions["middle"], [2e-3, np.nan])
    assert got.told["heating"].columns == ("T01",) and got.missing == 0


def test_what_was_gathered_is_read_again_only_where_an_answer_changed(tmp_path: Path) -> None:
    for n in range(3):
        write(tmp_path, "Heron", n, estimates=[known("resistance_10s", 1e-3 * (n + 1))])
    store, pack = Store(tmp_path), pack_of("Heron")
    read: list[str] = []
    gather(store, pack, progress=read.append)
    assert len(read) >= 3 and cache_path(tmp_path, pack.id).exists()
    stamp = answers_stamp(store, pack.id)
    read.clear()
    assert_allclose(
        gather(store, pack, progress=read.append).told["resistance_10s"].value[:, 0], [1e-3, 2e-3, 3e-3]
    )
    assert read == [] and answers_stamp(store, pack.id) == stamp
    changed = write(tmp_path, "Heron", 1, estimates=[known("resistance_10s", 9e-3)])
    assert answers_stamp(Store(tmp_path), pack.id) != stamp
    assert_allclose(
        gather(Store(tmp_path), pack, progress=read.append).told["resistance_10s"].value[:, 0],
        [1e-3, 9e-3, 3e-3],
    )
    assert changed in read


def test_a_damaged_cache_is_made_anew(tmp_path: Path) -> None:
    write(tmp_path, "Heron", 0, estimates=[known("resistance_10s", 1e-3)])
    store, pack = Store(tmp_path), pack_of("Heron")
    gather(store, pack)
    for damage in (b"", b"PK\x03\x04 no more", cache_path(tmp_path, pack.id).read_bytes()[:200]):
        cache_path(tmp_path, pack.id).write_bytes(damage)
        assert_allclose(gather(store, pack).told["resistance_10s"].value, [[1e-3]])


def test_answers_that_lie_in_no_store_are_gathered_in_order_of_time() -> None:
    def document(day: int, value: float) -> dict[str, object]:
        made = known("resistance_10s", value).to_json()
        log = {"id": f"log-{day}", "start": f"2026-05-0{day}T08:00:00Z", "kinds": ["drive"]}
        return {
            "log": log,
            "pack": {"id": "heron-main", "vehicle": "Heron"},
            "estimates": [made],
            "findings": [],
        }

    got = gathered_from(pack_of("Heron"), [document(4, 4e-3), document(1, 1e-3)])
    assert got.ids == ("log-1", "log-4") and got.kinds == (("drive",), ("drive",))
    assert_allclose(got.told["resistance_10s"].value[:, 0], [1e-3, 4e-3])
