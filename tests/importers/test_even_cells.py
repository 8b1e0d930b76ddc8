"""Cells read by the places of their digits are those that the CSV parser reads, to the last bit and the last repair.

Beside it stand the parser's own numbers and Python's: ``float`` rounds decimals correctly (IEEE 754).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import fields, replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from bmslogs.importers.plan.plan import Plan
from bmslogs.importers.reading import blocks
from bmslogs.importers.reading.blocks import BlockReader, Chunk
from bmslogs.importers.recognise.look import look_at
from bmslogs.importers.text.fixed_width import read_even
from tests.importers.writing import Dialect, bring, drive, pack_for, stamp, write

CELLS = 16
LAYOUTS = {
    "volts": Dialect(),
    "millivolts": Dialect(cell_unit=1e-3, cell_decimals=0, cell_name=lambda c: f"cell_{c}_mV"),
    "finer": Dialect(cell_decimals=4),
    "finest": Dialect(cell_decimals=6),
    "comma": Dialect(delimiter=";", decimal=",", time_text=stamp("%d.%m.%Y %H:%M:%S,%L")),
    "pairs": Dialect(eol="\r\n", delimiter="\t"),
    "quotes": Dialect(quote=True, pack_name="Pack voltage (V)"),
    "trailing": Dialect(trailing=True),
}


def planned(tmp_path: Path, dialect: Dialect) -> tuple[Plan, bytes]:
    """Return the plan of a drive and its lines behind the header."""
    truth = drive(rows=60, cells=CELLS)
    path = write(truth, dialect, tmp_path)
    plan = look_at(path, None, pack_for(truth)).plan
    assert not plan.problems
    lines = path.read_bytes().split(b"\n")
    return plan, b"\n".join(lines[plan.dialect.first_line - 1 :])


def by_parser(monkeypatch: pytest.MonkeyPatch, plan: Plan, block: bytes) -> Chunk | None:
    with monkeypatch.context() as patch:
        patch.setattr(blocks, "read_even", lambda *_: None)
        return BlockReader(plan).read(block, 2)


def same(a: Any, b: Any) -> bool:
    if isinstance(a, np.ndarray):
        return a.dtype == b.dtype and a.shape == b.shape and a.tobytes() == b.tobytes()
    if isinstance(a, dict):
        return list(a) == list(b) and all(same(a[k], b[k]) for k in a)
    return bool(a.equals(b)) if hasattr(a, "equals") else a == b


def assert_alike(plan: Plan, block: bytes, monkeypatch: pytest.MonkeyPatch) -> None:
    ours, parser = BlockReader(plan).read(block, 2), by_parser(monkeypatch, plan, block)
    assert (ours is None) == (parser is None)
    if ours is not None:
        for field in fields(Chunk):
            assert same(getattr(ours, field.name), getattr(parser, field.name)), field.name


@pytest.mark.parametrize("name", LAYOUTS)
def test_clean_blocks_are_read_alike(name: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    plan, block = planned(tmp_path, LAYOUTS[name])
    cells = plan.of("cell")
    taken = read_even(block, plan.dialect, cells[0].index, len(cells))
    assert (taken is not None) == (name != "quotes")
    assert_alike(plan, block, monkeypatch)


ODD_FIELDS = [
    b"", b" ", b"-", b"nan", b"NaN", b"inf", b"-inf", b"n/a", b"error", b"abc", b"3.8x1", b"3,812", b"3.8.2",
    b"+3.81", b"-3.81", b"-3.812", b" 3.81", b"3.81 ", b"3.812 ", b"3e0", b"3.8e0", b"1e999", b".3812", b"3812.",
    b"03.81", b"3.81", b"3.8125", b"65535", b"65.535", b"0.000", b"9.999", b"3:812", b"3/812", b"3.;12", b"3.8\x0012",
    b"\x00.812", b"\xb5.812", "\u0663.812".encode(), b'"3.812"', b'3"812', b"3.8\r12", b"\r3.812", b"3.812\r",
    b"3.8\n2", b"0x3ab", b"3_812", b"1.#IN", b"3.81,", b",3.81", b"3.8;2", b"3.8\t2", b"38120", b"3.8e1", b"3.8E1",
    b"00000",
]  # fmt: skip


@pytest.mark.parametrize("name", ["volts", "comma", "millivolts", "pairs", "quotes", "trailing"])
@pytest.mark.parametrize("place", ["first", "cell", "last cell", "behind"])
def test_an_odd_field_is_read_and_told_alike(
    name: str, place: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    plan, block = planned(tmp_path, LAYOUTS[name])
    mark = plan.dialect.delimiter.encode()
    at = [t.index for t in plan.of("cell")]
    column = {"first": 0, "cell": at[3], "last cell": at[-1], "behind": at[-1] + 1}[place]
    for odd in ODD_FIELDS:
        for row in (0, 23, -2):
            lines = block.split(b"\n")
            parts = lines[row].split(mark)
            parts[column] = odd
            lines[row] = mark.join(parts)
            assert_alike(plan, b"\n".join(lines), monkeypatch)


def without(lines: list[bytes], row: int, mark: bytes, first: int, last: int) -> None:
    parts = lines[row].split(mark)
    lines[row] = mark.join(parts[:first] + parts[last:])


ODD_LINES: dict[str, Callable[[list[bytes], bytes, int], None]] = {
    "a field less before": lambda x, m, k: without(x, 9, m, 1, 2),
    "a field less in the cells": lambda x, m, k: without(x, 9, m, k + 2, k + 3),
    "a field less behind": lambda x, m, k: without(x, 9, m, k + CELLS, k + CELLS + 1),
    "one less, one more": lambda x, m, k: (
        without(x, 9, m, k + 2, k + 3),
        x.__setitem__(10, x[10].replace(m, m + b"1" + m, 1)),
    )[0],
    "a cell moved into the next row": lambda x, m, k: x.__setitem__(
        slice(9, 11), [m.join(x[9].split(m)[: k + 4]), m.join(x[9].split(m)[k + 4 :]) + m + x[10]]
    ),
    "a field more": lambda x, m, k: x.__setitem__(9, x[9].rstrip(b"\r") + m + b"7"),
    "an empty line": lambda x, m, k: x.insert(9, b""),
    "a blank line": lambda x, m, k: x.insert(9, b"   "),
    "a line of text": lambda x, m, k: x.insert(9, b"--- restart ---"),
    "a line of delimiters": lambda x, m, k: x.insert(9, m * (x[9].count(m))),
    "a line twice": lambda x, m, k: x.insert(9, x[9]),
    "two lines in one": lambda x, m, k: x.__setitem__(slice(9, 11), [x[9] + x[10]]),
    "a line cut off": lambda x, m, k: x.__setitem__(9, x[9][: len(x[9]) // 2]),
    "an old line end": lambda x, m, k: x.__setitem__(slice(9, 11), [x[9] + b"\r" + x[10]]),
    "a long field before": lambda x, m, k: x.__setitem__(9, b"x" * 90 + x[9]),
    "another width from there": lambda x, m, k: x.__setitem__(slice(30, 40), [y + m + b"1" for y in x[30:40]]),
    "no last line end": lambda x, m, k: x.pop(),
    "the last row cut off": lambda x, m, k: x.__setitem__(slice(-2, None), [x[-2][:9], b""]),
    "a return before the cells": lambda x, m, k: x.__setitem__(9, x[9].replace(m, b"\r" + m, k)),
}  # fmt: skip


@pytest.mark.parametrize("name", ["volts", "comma", "pairs", "trailing"])
@pytest.mark.parametrize("trouble", ODD_LINES)
def test_an_odd_line_is_read_and_told_alike(
    name: str, trouble: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    plan, block = planned(tmp_path, LAYOUTS[name])
    lines = block.split(b"\n")
    ODD_LINES[trouble](lines, plan.dialect.delimiter.encode(), plan.of("cell")[0].index)
    assert_alike(plan, b"\n".join(lines), monkeypatch)


@pytest.mark.parametrize("draws", [40, pytest.param(300, marks=pytest.mark.sweep)])
def test_random_bytes_are_read_and_told_alike(
    draws: int, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    rng = np.random.default_rng(5)
    for name in ("volts", "comma"):
        plan, block = planned(tmp_path, LAYOUTS[name])
        for _ in range(draws):
            damaged = bytearray(block)
            for at in rng.integers(0, len(block), rng.integers(1, 3)):
                damaged[at] = rng.choice(list(b'0123456789.,;-+ eE"\r\n\t\x00\xff/:'))
            assert_alike(plan, bytes(damaged), monkeypatch)


@pytest.mark.parametrize("decimals", [0, 1, 2, 3, 4, 5, 6])
def test_numbers_are_those_of_the_standard(
    decimals: int, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    plan, _ = planned(tmp_path, LAYOUTS["volts"])
    at = plan.of("cell")[0].index
    rng = np.random.default_rng(decimals)
    for digits in range(decimals + 1, 8):
        values = rng.integers(0, 10**digits, (1500, CELLS))
        texts = [[f"{v:0{digits}d}" for v in row] for row in values.tolist()]
        texts = [[f"{t[: digits - decimals]}.{t[digits - decimals :]}" for t in row] for row in texts]
        texts = [[t.rstrip(".") for t in row] for row in texts]
        rest = plan.dialect.width - at - CELLS
        block = "".join(",".join([*["1"] * at, *row, *["2"] * rest]) + "\n" for row in texts).encode()
        even = read_even(block, plan.dialect, at, CELLS)
        assert (even is not None) == (CELLS * len(texts[0][0] + ",") >= 48)
        if even is not None:
            truth = np.array([[float(t) for t in row] for row in texts]).astype(np.float32).T
            assert even.values.tobytes() == np.ascontiguousarray(truth).tobytes()
            assert (
                even.rest.tobytes()
                == ",".join([*["1"] * at, *["2"] * rest]).encode().join([b"", b"\n"]) * 1500
            )


def test_a_number_that_stands_for_nothing_is_left_to_the_parser(tmp_path: Path) -> None:
    plan, block = planned(tmp_path, LAYOUTS["volts"])
    cells = plan.of("cell")
    nulls = replace(plan.dialect, nulls=("", "9.999"))
    assert read_even(block, plan.dialect, cells[0].index, CELLS) is not None
    assert read_even(block, nulls, cells[0].index, CELLS) is None


@pytest.mark.parametrize("order", [None, tuple(range(CELLS, 0, -1))])
def test_a_log_of_many_blocks_is_stored_alike(
    order: tuple[int, ...] | None, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    truth = drive(rows=24_000, cells=CELLS)
    path = write(truth, Dialect(cell_order=order), tmp_path)
    lines = path.read_bytes().split(b"\n")
    lines[12_000] = lines[12_000].replace(b",", b",,", 1)
    path.write_bytes(b"\n".join(lines))
    bring(path, pack_for(truth), tmp_path / "ours")
    with monkeypatch.context() as patch:
        patch.setattr(blocks, "read_even", lambda *_: None)
        bring(path, pack_for(truth), tmp_path / "parser")
    ours, parser = (list((tmp_path / k).glob("vehicle=*/**/*.parquet")) for k in ("ours", "parser"))
    assert len(ours) == len(parser) == 1
    assert ours[0].read_bytes() == parser[0].read_bytes()
