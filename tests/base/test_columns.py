"""The vocabulary of a normalised log, against what the outside is promised of it."""

from __future__ import annotations

import re

import pyarrow as pa
import pytest

from bmslogs.base.columns import COLUMNS, SCHEMA, bleed_column, cell_column, numbered, temperature_column

PUBLISHED = {
    "time": ("timestamp[us, UTC]", "UTC"),
    "current_A": ("float32", "A"),
    "pack_V": ("float32", "V"),
    "cell_001_mV": ("int16", "mV"),
    "cell_1000_mV": ("int16", "mV"),
    "temperature_01_C": ("float32", "degC"),
    "bleed_001": ("bool", ""),
    "extra_RPM": ("string", ""),
}
"""Names, types and units that others read out of a store's files."""


def kind_of(name: str) -> str:
    (kind,) = [k for k, c in COLUMNS.items() if re.fullmatch(c.pattern, name)]
    return kind


@pytest.mark.parametrize("name", PUBLISHED)
def test_a_published_name_is_of_one_kind_with_its_type_and_unit(name: str) -> None:
    column = COLUMNS[kind_of(name)]
    assert (column.dtype, column.unit) == PUBLISHED[name]


def test_the_schema_has_its_published_name() -> None:
    assert SCHEMA == "bmslogs.log/1"


@pytest.mark.parametrize("number", [1, 9, 10, 99, 100, 999, 1000])
def test_numbers_go_into_names_and_come_back(number: int) -> None:
    for kind, name in (
        ("cell", cell_column(number)),
        ("bleed", bleed_column(number)),
        ("temperature", temperature_column(number)),
    ):
        assert numbered(kind, name) == number and kind_of(name) == kind


def test_names_of_a_hundred_cells_sort_by_their_number() -> None:
    names = [cell_column(c) for c in range(1, 1000)]
    assert sorted(names) == names


@pytest.mark.parametrize(
    ("kind", "name"),
    [
        ("cell", "cell_01_mV"),
        ("cell", "cell_001_V"),
        ("cell", "xcell_001_mV"),
        ("cell", "cell_001_mV_2"),
        ("cell", "temperature_01_C"),
        ("temperature", "temperature_1_C"),
        ("bleed", "bleed_on"),
    ],
)
def test_what_is_nearly_a_name_is_none(kind: str, name: str) -> None:
    assert numbered(kind, name) is None


def test_every_type_is_one_of_arrow_s() -> None:
    for column in COLUMNS.values():
        if column.dtype.startswith("timestamp"):
            assert column.dtype == f"timestamp[{pa.timestamp('us', 'UTC').unit}, UTC]"
        else:
            assert pa.type_for_alias(column.dtype) is not None
        assert column.says and "\n" not in column.says


def test_the_sign_of_the_current_is_said_where_it_is_fixed() -> None:
    assert "positive while discharging" in COLUMNS["current"].says
