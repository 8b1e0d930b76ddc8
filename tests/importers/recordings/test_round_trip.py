"""Any value comes back from its field, any text stays one field, and any table equals its CSV."""

from __future__ import annotations

import datetime as dt
import math
import tempfile
from pathlib import Path

import numpy as np
import pyarrow as pa
from hypothesis import given, settings
from hypothesis import strategies as st

from bmslogs.importers.recordings.cells import array_texts, clean, clock_text, number_text, value_text
from bmslogs.importers.recordings.line_protocol import READER as LINE_PROTOCOL
from bmslogs.importers.recordings.reader import Asked
from bmslogs.importers.text.source import open_source
from tests.importers.recordings.kinds import KINDS, as_csv, assert_equal, escaped, stored, typed
from tests.importers.writing import drive, pack_for

FLOATS = st.floats(allow_nan=False, allow_infinity=False)
ASKED = Asked(None, lambda source: None)


@settings(deadline=None)
@given(FLOATS)
def test_a_number_comes_back_to_the_last_bit(value: float) -> None:
    text = number_text(value)
    assert float(text) == value and math.copysign(1, float(text)) == math.copysign(1, value)
    assert "e" not in text or not 1e-30 < abs(value) < 1e22


@settings(deadline=None)
@given(st.lists(st.one_of(st.none(), FLOATS)))
def test_columns_of_numbers_come_back(values: list[float | None]) -> None:
    texts = array_texts(pa.array(values, pa.float64())).to_pylist()
    assert [None if t is None else float(t) for t in texts] == values


@settings(deadline=None)
@given(st.lists(st.floats(allow_nan=False, allow_infinity=False, width=32)))
def test_single_precision_comes_back(values: list[float]) -> None:
    texts = array_texts(pa.array(values, pa.float32())).to_pylist()
    assert [np.float32(t) for t in texts] == [np.float32(v) for v in values]


@settings(deadline=None)
@given(st.text())
def test_a_text_stays_one_field_of_one_line(text: str) -> None:
    field = clean(text)
    assert len(field.splitlines()) <= 1 and "\t" not in field and '"' not in field
    if text.isprintable() and '"' not in text:
        assert field == text
    assert array_texts(pa.array([text])).to_pylist() == [field]


@settings(deadline=None)
@given(st.datetimes(min_value=dt.datetime(1990, 1, 1), max_value=dt.datetime(2100, 1, 1)))
def test_a_stamp_comes_back(stamp: dt.datetime) -> None:
    assert dt.datetime.fromisoformat(value_text(stamp)) == stamp
    assert dt.datetime.fromisoformat(array_texts(pa.array([stamp], pa.timestamp("us")))[0].as_py()) == stamp
    zoned = array_texts(pa.array([stamp], pa.timestamp("ns", "UTC")))[0].as_py()
    assert zoned.endswith("000Z") and dt.datetime.fromisoformat(zoned[:-4]) == stamp


@settings(deadline=None)
@given(st.integers(-(10**15), 10**15))
def test_a_length_of_time_comes_back(us: int) -> None:
    text = clock_text(us)
    hours, minutes, seconds = text.lstrip("-").split(":")
    back = (int(hours) * 60 + int(minutes)) * 60_000_000 + round(float(seconds) * 1e6)
    assert (-back if text.startswith("-") else back) == us


LETTERS = st.characters(exclude_categories=["Cc", "Cs", "Zs", "Zl", "Zp"], exclude_characters='"\\#')
NAME = st.text(LETTERS, min_size=1)


@settings(max_examples=60, deadline=None)
@given(NAME, st.dictionaries(NAME, FLOATS, min_size=1, max_size=5), st.text())
def test_points_come_back(name: str, fields: dict[str, float], text: str) -> None:
    quoted = text.replace("\\", "\\\\").replace('"', '\\"')
    if "\n" in quoted or "\r" in quoted:
        quoted = ""
    line = f"{escaped(name)} " + ",".join(f"{escaped(k)}={v!r}" for k, v in fields.items())
    line += f',said="{quoted}" 1778663400000000000\n'
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "log.lp"
        path.write_text(line * 2, encoding="utf-8", newline="")
        table = LINE_PROTOCOL.make(open_source(path), ASKED)
        rows = [x.split("\t") for x in table.path.read_text("utf-8").split("\n")]
    assert rows[1][0] == "2026-05-13T09:10:00.000000000Z"
    assert [float(v) for v in rows[1][1 : len(fields) + 1]] == list(fields.values())


@settings(max_examples=25, deadline=None)
@given(
    st.sampled_from(sorted(KINDS)),
    st.integers(0, 10**6),
    st.integers(1, 8),
    st.integers(0, 3),
    st.sampled_from([0.1, 1.0, 7.0]),
)
def test_any_log_equals_its_csv(kind: str, seed: int, cells: int, sensors: int, period: float) -> None:
    from bmslogs.importers.plan.profile import parse_profile

    truth = drive(rows=80, cells=cells, sensors=sensors, seed=seed, period_s=period)
    profile = parse_profile({"current": {"discharge": "positive"}})
    write, name = KINDS[kind]
    rows = typed(truth)
    with tempfile.TemporaryDirectory() as folder:
        there = Path(folder)
        log = stored(write(rows, there / name), pack_for(truth), there / "store", profile)
        assert_equal(log, stored(as_csv(rows, there / "log.csv"), pack_for(truth), there / "other", profile))
