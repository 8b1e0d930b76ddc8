"""A window of a long log: the same as a slow count over all rows, and read from its row groups only."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from numpy.testing import assert_allclose

from bmslogs.faces.figures import log_picture, reduce
from bmslogs.faces.figures.lanes import Mark
from bmslogs.faces.figures.window import log_drawing
from dashboard import open_log
from dashboard.light_json import light
from dashboard.open_log import OpenLog
from tests.dashboard import invent

ROWS = 24_000


@pytest.fixture(scope="module")
def stored(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, np.ndarray]:
    """A log of four row groups with holes and one single outlier, and its cells [V]."""
    pack = invent.pack(8, 4, 1)
    rng = np.random.default_rng(5)
    milli = np.rint(3700 + rng.normal(0, 3, (ROWS, 8))).astype(float)
    milli[100:140, 2] = np.nan
    milli[12_345, 4] = 3000.0
    columns: dict[str, Any] = {
        "time": pa.array(invent.START + np.arange(ROWS).astype("timedelta64[s]"), pa.timestamp("us", "UTC")),
        "current_A": pa.array(rng.normal(0, 30, ROWS).astype(np.float32)),
    }
    columns |= {
        f"cell_{c + 1:03d}_mV": pa.array(milli[:, c], pa.float64(), from_pandas=True).cast(pa.int16())
        for c in range(8)
    }
    columns["temperature_01_C"] = pa.array(np.full(ROWS, 20.0, np.float32))
    columns["bleed_002"] = pa.array(np.arange(ROWS) >= ROWS // 2)
    path = tmp_path_factory.mktemp("log") / "20260503-0910-abcdef012345.parquet"
    with pq.ParquetWriter(path, pa.table(columns).schema) as writer:
        writer.write_table(pa.table(columns), row_group_size=6000)
        writer.add_key_value_metadata(
            {"bmslogs.pack_json": pack.model_dump_json(), "bmslogs.schema": "bmslogs.log/1"}
        )
    return path, milli * 1e-3


@pytest.mark.parametrize(("first", "last"), [(0, ROWS - 1), (11_000, 13_000), (50, 200), (5_900, 6_100)])
def test_a_window_is_what_a_slow_count_gives(stored: tuple[Path, np.ndarray], first: int, last: int) -> None:
    path, volts = stored
    opened = OpenLog(path)
    view = opened.window(opened.time[first], opened.time[last], cells=[5])
    part = volts[first : last + 1]
    assert_allclose(np.nanmin(view.low), np.nanmin(part), atol=1e-6)  # float32 millivolts
    assert_allclose(np.nanmax(view.high), np.nanmax(part), atol=1e-6)
    assert_allclose(np.nanmin(view.lines[5][1]), np.nanmin(part[:, 4]), atol=1e-6)
    starts = np.searchsorted(opened.time, view.time)
    assert (np.diff(starts) > 0).all()
    at = len(starts) - 3  # past the hole in the readings
    rows = slice(starts[at], starts[at + 1])
    assert_allclose(view.low[at], np.nanmin(volts[rows]), atol=1e-6)
    mean = np.nanmean(volts[rows], axis=0)
    assert_allclose(view.deviation[at], (mean - np.nanmedian(mean)) * 1e3, atol=2e-3)
    assert view.rows == last - first + 1


def test_the_one_row_outlier_survives_the_whole_view(stored: tuple[Path, np.ndarray]) -> None:
    opened = OpenLog(stored[0])
    view = opened.window(cells=[5])
    assert_allclose([view.low.min(), view.lines[5][1].min()], 3.0)
    assert len(view.lines[5][0]) < 3000 and len(view.time) <= reduce.BINS + 1


def test_only_the_windows_row_groups_are_read(
    stored: tuple[Path, np.ndarray], monkeypatch: pytest.MonkeyPatch
) -> None:
    opened = OpenLog(stored[0])
    assert opened.overview is not None
    monkeypatch.setattr(open_log, "_BLOCKS", open_log._Kept(12))
    read: list[int] = []
    whole = opened._file.read_row_group

    class Spy:
        def read_row_group(self, group: int, **more: Any) -> pa.Table:
            read.append(group)
            return whole(group, **more)

    monkeypatch.setattr(opened, "_file", Spy())
    opened.window(opened.time[11_900], opened.time[12_500])
    assert read == [1, 2]
    opened.window(opened.time[12_000], opened.time[12_600])
    assert read == [1, 2]  # kept from before
    opened.window()
    assert read == [1, 2]  # from the overview


def test_missing_readings_stay_missing(stored: tuple[Path, np.ndarray]) -> None:
    opened = OpenLog(stored[0])
    view = opened.window(opened.time[100], opened.time[139], cells=[3])
    assert np.isnan(view.deviation[:, 2]).all()
    assert len(view.lines[3][0]) == 0 or np.isnan(view.lines[3][1]).all()
    assert view.bleed is not None and not view.bleed.any()


def test_times_are_utc_and_said_so(stored: tuple[Path, np.ndarray]) -> None:
    """Central Europe's clocks go back on 25 October 2026 at 01:00 UTC: no hour stands twice (EU Directive 2000/84)."""
    opened = OpenLog(stored[0])
    opened.time = np.datetime64("2026-10-24T22:00", "us") + np.arange(opened.rows).astype("timedelta64[s]")
    drawing = log_drawing(opened.window(), opened.pack)
    (x,) = [t["x"] for t in drawing["data"] if t["name"] == "mean"]
    shown = np.array(x, "datetime64[us]")
    assert (np.diff(shown) > np.timedelta64(0)).all()
    assert shown[0] == opened.time[0] and opened.time[-1] - shown[-1] < np.timedelta64(2, "m")
    titles = [
        a["title"]["text"] for k, a in drawing["layout"].items() if k.startswith("xaxis") and "title" in a
    ]
    assert titles == ["time, UTC"]


def test_the_drawing_is_a_valid_figure_and_light(stored: tuple[Path, np.ndarray]) -> None:
    opened = OpenLog(stored[0])
    view = opened.window(cells=[1, 5])
    mark = Mark(1, "▲ Limit passed", "Limit passed: shows here", ((view.time[5], view.time[9]),), True)
    figure = log_picture(view, opened.pack, marks=[mark])
    names = [t.name for t in figure.data]
    assert {
        "▲ Limit passed",
        "current",
        "mean",
        "deviation",
        "M1, cell 1",
        "M2, cell 5",
        "T1",
        "bleed",
    } <= set(names)
    titles = [figure.layout[a].title.text for a in figure.layout if a.startswith("yaxis")]
    assert (
        [t for t in titles if "[A]" in t]
        and [t for t in titles if "[V]" in t]
        and [t for t in titles if "degC" in t]
    )
    plain = light(log_drawing(view, opened.pack))
    z = next(t["z"] for t in plain["data"] if t["name"] == "deviation")
    assert z["dtype"] == "f4" and z["shape"] == f"8, {len(view.time)}"
