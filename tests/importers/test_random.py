"""A random truth through a random dialect comes back; random damage never changes a number in silence."""

from __future__ import annotations

import tempfile
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from bmslogs.importers.text.numbers import NumberStyle, find_style, parse_number
from bmslogs.importers.text.stamps import parse_one, parse_stamps
from tests.importers.fuzz import Field
from tests.importers.writing import Dialect, assert_same, drive, imported, pack_for, stamp, write

TIMES = [stamp("%Y-%m-%d %H:%M:%S.%L"), stamp("%Y-%m-%dT%H:%M:%S.%LZ"), stamp("%d.%m.%Y %H:%M:%S.%L")]
COUNTED = {
    "plain": lambda n: lambda c: f"Cell {c}",
    "nought": lambda n: lambda c: f"cell_{c - 1}",
    "padded": lambda n: lambda c: f"VC{c:03d}",
    "module": lambda n: lambda c: f"M{(c - 1) // 4 + 1} U{(c - 1) % 4 + 1}",
    "German": lambda n: lambda c: f"Zellspannung{c}",
    "index": lambda n: lambda c: f"cells[{c - 1}].voltage",
}
UNITS = {"V": (1.0, 3), "mV": (1e-3, 0), "0.1mV": (1e-4, 0)}


@st.composite
def dialects(draw: st.DrawFn) -> tuple[Dialect, int, int, int]:
    cells = draw(st.sampled_from([1, 2, 4, 7, 12, 16, 24]))
    sensors = draw(st.sampled_from([0, 1, 3]))
    delimiter = draw(st.sampled_from([",", ";", "\t", "|"]))
    decimal = draw(st.sampled_from([".", ","])) if delimiter != "," else "."
    unit = draw(st.sampled_from(list(UNITS)))
    said = draw(st.sampled_from(["", "header", "row"]))
    scale, decimals = UNITS[unit]
    counted = COUNTED[draw(st.sampled_from(list(COUNTED)))](cells)
    d = Dialect(
        delimiter=delimiter,
        decimal=decimal,
        encoding=draw(st.sampled_from(["utf-8", "utf-8-sig", "cp1252", "utf-16"])),
        eol=draw(st.sampled_from(["\n", "\r\n"])),
        trailing=draw(st.booleans()),
        quote=draw(st.booleans()),
        preamble=draw(st.sampled_from([(), ("Rec 3",), ("a", "", "b: 1", "# x")])),
        time_text=draw(st.sampled_from(TIMES)),
        current_name="Current (A)" if said != "row" else "Current",
        sign=draw(st.sampled_from([1, -1])),
        cell_name=(lambda c: f"{counted(c)} [{unit}]") if said == "header" else counted,
        cell_unit=scale,
        cell_decimals=decimals,
        temperature_name=lambda s: f"Temp {s} (C)" if said != "row" else f"Temp {s}",
        units_row=(unit, "A", "°C") if said == "row" else None,
        cell_order=draw(st.permutations(range(1, cells + 1)).map(tuple)) if cells > 1 else None,
        pack_name=draw(st.sampled_from([None, "Pack voltage (V)"])),
        soc_name=draw(st.sampled_from([None, "SOC %"])),
        repeat_header=draw(st.sampled_from([0, 0, 37])),
    )
    return d, cells, sensors, draw(st.integers(0, 10_000))


@settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.too_slow], derandomize=True)
@given(dialects())
def test_random_truth_through_a_random_dialect(case: tuple[Dialect, int, int, int]) -> None:
    d, cells, sensors, seed = case
    truth = drive(rows=150, cells=cells, sensors=sensors, seed=seed)
    with tempfile.TemporaryDirectory() as name:
        log = imported(write(truth, d, Path(name)), pack_for(truth), Path(name) / "store")
        assert_same(log, truth, d)
        assert {r["rule"] for r in log.repairs} <= {"header_repeated"}


@settings(max_examples=300, deadline=None)
@given(
    st.decimals(-(10**7), 10**7, allow_nan=False, places=3),
    st.sampled_from([(".", ","), (",", "."), (",", " "), (".", "'"), (".", "")]),
)
def test_numbers_come_back(value, marks: tuple[str, str]) -> None:  # type: ignore[no-untyped-def]
    decimal, thousands = marks
    text = f"{value:,.3f}".replace(",", "\0").replace(".", decimal).replace("\0", thousands)
    assert parse_number(text, NumberStyle(decimal, thousands)) == float(value)


@pytest.mark.parametrize(
    "text", ["1.234.5", "1,23,456", "12,34", "--3", "3e", "1 2", "٣", "0x1F", "1_000", "3.7V3", ""]
)
def test_what_is_no_number(text: str) -> None:
    assert parse_number(text, NumberStyle(".", ",")) is None


def test_style_of_a_column() -> None:
    assert find_style(["1.234,5", "12,5"], ",")[0] == NumberStyle(",", ".")
    assert find_style(["3,7", "3,8"], ".")[0] == NumberStyle(",", "")
    assert find_style(["a", "b"], ".")[0] is None


@settings(max_examples=200, deadline=None)
@given(
    st.datetimes(
        min_value=__import__("datetime").datetime(1971, 1, 1),
        max_value=__import__("datetime").datetime(2099, 12, 31),
    )
)
def test_stamps_agree_with_numpy(when) -> None:  # type: ignore[no-untyped-def]
    """numpy's datetime64 is the other opinion; whole columns and single texts must agree with it."""
    import pyarrow as pa

    us = int(np.datetime64(when, "us").astype(np.int64))
    for form, order in (
        ("%Y-%m-%dT%H:%M:%S.%f", "ymd"),
        ("%d.%m.%Y %H:%M:%S.%f", "dmy"),
        ("%m/%d/%Y %H:%M:%S.%f", "mdy"),
    ):
        text = when.strftime(form)
        assert parse_one(text, order) == us
        assert parse_stamps(pa.chunked_array([[text, text]]), order).tolist() == [us, us]


@pytest.fixture(scope="module")
def field(tmp_path_factory: pytest.TempPathFactory) -> Field:
    return Field(tmp_path_factory.mktemp("fuzz"))


@pytest.mark.parametrize("tens", range(5))
def test_damage(field: Field, tens: int) -> None:
    """A slice of what ``python -m tests.importers.fuzz`` runs at length."""
    for seed in range(90_000 + 10 * tens, 90_010 + 10 * tens):
        field.case(seed)
