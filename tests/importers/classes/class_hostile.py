"""Hostile files: huge lines, thousands of columns, deep TOML, huge numbers, NUL bytes, and odd but whole ones."""

from __future__ import annotations

import gzip
from typing import Any

import numpy as np

from tests.importers.classes.dialect import numbers
from tests.importers.classes.draft import Draft, draw, pack_text
from tests.importers.classes.string_model import Rng
from tests.importers.classes.truth import Case, Habit


def log(rng: Rng, **over: Any) -> Draft:
    """Return a small drive in a simple dialect."""
    base: dict[str, Any] = {
        "kind": "drive", "dt_s": (0.5, 1.0, 2.0), "cells": (2, 12), "sensors": (0, 2), "layout": False,
        "noise_mV": 1.0, "rows": (300, 800), "current_step": 0.1, "simple": True,
    }  # fmt: skip
    return draw(rng, **{**base, **over})


def refused(d: Draft, habit: str, data: bytes, **over: Any) -> Case:
    """Return a case whose only right answer is a refusal."""
    return d.case(habit, "refuse", data=data, rows_in_file=None, **over)


def one_line(rng: Rng) -> Case:
    size = int(rng.integers(10, 20)) * 1_000_000
    unit = [b"1,", b"x", b'"', b";3.712", b" ", b"\t0", b"3.7,a;b\t", b"\\"][int(rng.integers(8))]
    line = (unit * (size // len(unit) + 1))[:size]
    d = log(rng).write()
    where = str(rng.choice(["alone", "first", "in the middle"]))
    head, body = d.sheet.lines()
    if where == "alone":
        data = line
    elif where == "first":
        data = line + b"\n" + d.sheet.data()
    else:
        text = ("\n".join(head + body[:100]) + "\n").encode(d.dialect.encoding)
        data = text + line + b"\n" + ("\n".join(body[100:]) + "\n").encode(d.dialect.encoding)
    if where == "in the middle" and unit not in (b'"',):
        case = d.case(f"a line of {size // 1_000_000} MB {where}", "ambiguous", data=data, other_lines=1)
        case.must_say = None
        return case
    return refused(d, f"a line of {size // 1_000_000} MB {where}", data)


def many_columns(rng: Rng) -> Case:
    d = log(rng)
    columns = int(rng.integers(5000, 20_000))
    names = ",".join(f"{rng.choice(['x', 'Cell ', 'U', 'T', 'I'])}{k}" for k in range(columns))
    row = ",".join(["3.700"] * columns)
    rows = int(rng.integers(3, 60))
    data = ("time," + names + "\n" + "".join(f"{k},{row}\n" for k in range(rows))).encode()
    return refused(d, f"{columns} columns", data)


def deep_pack(rng: Rng) -> Case:
    d = log(rng).write()
    depth = int(rng.integers(1000, 20_000))
    deep = [f"x = {'[' * depth}{']' * depth}\n", f"x = {'{a=' * depth}1{'}' * depth}\n", f"{'a.' * depth}b = 1\n",
            f"[{'.'.join(['a'] * depth)}]\n"][int(rng.integers(4))]  # fmt: skip
    return refused(d, "a pack file nested deep", d.sheet.data(), pack=d.pack() + deep)


def deep_profile(rng: Rng) -> Case:
    d = log(rng).write()
    depth = int(rng.integers(1000, 20_000))
    deep = [f"[current]\ncolumn = {'[' * depth}{']' * depth}\n", f"[time]\ncolumn = {'{a=' * depth}1{'}' * depth}\n",
            f"{'a.' * depth}b = 1\n"][int(rng.integers(3))]  # fmt: skip
    return refused(d, "a profile nested deep", d.sheet.data(), profile=deep)


def odd_pack(rng: Rng) -> Case:
    d = log(rng).write()
    good = d.pack()
    bad = [
        good.replace("heron-main", "../../heron"),
        good.replace("nominal_capacity_Ah = ", "nominal_capacity_Ah = nan #"),
        good.replace("nominal_capacity_Ah = ", "nominal_capacity_Ah = -"),
        good.replace("cells_in_series = ", "cells_in_series = 1000000000000"),
        good.replace("cells_in_series = ", "cells_in_series = 0.5 #"),
        good + "\x00", good.replace("[pack]", "[pack"), "x" * 3_000_000,
        good.replace("nominal_capacity_Ah = ", "nominal_capacity_Ah = 1e999 #"), "", "[[pack]]\n" * 5000,
        good.replace("nominal_capacity_Ah = ", "nominal_capacity_Ah = " + "9" * 5000),
    ][int(rng.integers(12))]  # fmt: skip
    return refused(d, "a pack file that describes no pack", d.sheet.data(), pack=bad or "# nothing\n")


def slow_pattern(rng: Rng) -> Case:
    d = log(rng)
    d.dialect.cell_name = "U{k}" + "a" * 40 + "!"
    d.dialect.units = "none"
    d.dialect.cell_unit = "V"
    d.write()
    pattern = str(
        rng.choice([r"U(?P<cell>\\d+)(a+)+$", r"(?P<cell>(\\d|U|a)*)*b", r"(U|\\d)+(?P<cell>\\d+)(a|aa)+$"])
    )
    return refused(
        d,
        "a profile whose pattern never ends",
        d.sheet.data(),
        profile=f'[cell_voltage]\npattern = "{pattern}"\n',
    )


def odd_profile(rng: Rng) -> Case:
    d = log(rng).write()
    bad = [
        '[cell_voltage]\npattern = "("\n', '[time]\nformat = "%Q%%%"\n', '[current]\ncolumn = "no such"\n',
        '[cell_voltage]\npattern = "U(?P<cell>\\\\d+)"\nfirst = 99999999999999999999\n',
        '[time]\nzone = "Nowhere/At all"\n',
        '[current]\nunit = "parsec"\n', '[nothing]\nx = 1\n', "[current\n",
        '[time]\nformat = "elapsed_s"\nstart = "yesterday"\n',
        "[current]\ncolumn = 7\n",
    ][int(rng.integers(10))]  # fmt: skip
    return refused(d, "a profile that cannot be", d.sheet.data(), profile=bad)


def huge_numbers(rng: Rng) -> Case:
    d = log(rng)
    d.write()
    truth = d.volts * 1000
    current = d.current.copy()
    text = str(
        rng.choice(["1e400", "9" * 5000, "-1e308", "1e" + "9" * 300, "0." + "3" * 20_000 + "e9", "1E+38"])
    )
    for r in rng.integers(5, d.rows - 5, 3):
        if rng.random() < 0.5:
            c = int(rng.integers(0, d.cells))
            d.sheet.by_role("cell")[c].texts[int(r)] = text
            truth[int(r), c] = np.nan
        else:
            d.sheet.by_role("current")[0].texts[int(r)] = text
            current[int(r)] = np.nan
    d.fields.update(cells_mV=truth, current_A=current)
    return d.case(f"numbers such as {text[:8]} among the readings", "plain")


def huge_in_extra(rng: Rng) -> Case:
    d = log(rng)
    d.write()
    text = str(rng.choice(["1e400", "9" * 5000, "-1e308", "1e-400", "1e38"]))
    d.sheet.add("odometer", "", [text if rng.random() < 0.1 else "12" for _ in range(d.rows)], "other")
    return d.case("huge numbers in a column of no meaning", "plain")


def huge_stamps(rng: Rng) -> Case:
    d = log(rng)
    d.write("epoch")
    optional = np.zeros(d.rows, bool)
    text = str(rng.choice(["1e300", "9" * 400, "-1", "99999999999999999999", "253402300800"]))
    for r in rng.integers(5, d.rows - 5, 2):
        d.sheet.by_role("time")[0].texts[int(r)] = text
        optional[int(r)] = True
    d.fields.update(
        optional=optional, blocks=optional.astype(np.int64) * (1 + np.cumsum(optional)),
        block_slack_s=(0.0015, *[float(d.run.t[1]) * 1.01] * 4),
    )  # fmt: skip
    return d.case(f"stamps such as {text[:8]}", "plain")


def nul_bytes(rng: Rng) -> Case:
    d = log(rng)
    d.write()
    data = bytearray(d.sheet.data())
    kind = str(rng.choice(["at the end", "all", "in a block", "between lines"]))
    if kind == "all":
        return refused(d, "nothing but NUL bytes", b"\0" * int(rng.integers(1, 5_000_000)))
    if kind == "at the end":
        return d.case("NUL bytes after the last row", "plain", data=bytes(data) + b"\0" * int(rng.integers(1, 100_000)),
                      other_lines=1)  # fmt: skip
    head, body = d.sheet.lines()
    at = int(rng.integers(50, d.rows - 50))
    if kind == "between lines":
        before = d.sheet.encode(head + body[:at])
        after = (d.dialect.newline.join(body[at:]) + d.dialect.newline).encode(d.dialect.encoding)
        optional = np.zeros(d.rows, bool)
        optional[at] = True
        either = np.zeros(d.volts.shape, bool)
        either[at] = True
        d.fields.update(optional=optional, either=either)
        between = b"\0" * int(rng.integers(1, 9000))
        return d.case("NUL bytes between two rows", "ambiguous", data=before + between + after, other_lines=1)
    lost = int(rng.integers(1, 8))
    lengths = [len((line + d.dialect.newline).encode("utf-8")) for line in head + body]
    start = sum(lengths[: len(head) + at])
    stop = start + sum(lengths[len(head) + at : len(head) + at + lost])
    data[start : stop - len(d.dialect.newline)] = b"\0" * (stop - start - len(d.dialect.newline))
    keep = np.ones(d.rows, bool)
    keep[at : at + lost] = False
    d.time_s, d.current, d.volts, d.temperatures = (
        d.time_s[keep],
        d.current[keep],
        d.volts[keep],
        d.temperatures[keep],
    )
    return d.case(
        "a block of NUL bytes in place of some rows", "ambiguous", data=bytes(data), other_lines=lost
    )


def quotes_without_end(rng: Rng) -> Case:
    d = log(rng).write()
    size = int(rng.integers(1, 8)) * 1_000_000
    return refused(d, "megabytes of quotes", d.sheet.data()[:20] + b'"' * size)


def junk(rng: Rng) -> Case:
    d = log(rng).write()
    size = int(rng.integers(1, 3_000_000))
    return refused(d, "bytes by chance", rng.integers(0, 256, size, dtype=np.uint8).tobytes())


def bomb(rng: Rng) -> Case:
    d = log(rng).write()
    unit, times = [(b"\0" * 1_000_000, 600), (b"a" * 1_000_000, 600), (b"1,2,3\n" * 200_000, 300)][
        int(rng.integers(3))
    ]
    return refused(
        d, "an archive of hundreds of megabytes", gzip.compress(unit * times, 6), name="log.csv.gz"
    )


def cut_archive(rng: Rng) -> Case:
    d = log(rng).write()
    whole = gzip.compress(d.sheet.data())
    return refused(
        d, "an archive cut short", whole[: int(rng.integers(10, len(whole) - 20))], name="log.csv.gz"
    )


def nothing(rng: Rng) -> Case:
    d = log(rng).write()
    head, _ = d.sheet.lines()
    data = [b"", b"\n\n\n"]
    data += [d.sheet.encode(head), b"\xef\xbb\xbf", b"\xff\xfe", b" " * 100_000, b"time\n", b",,,\n,,,\n"]
    return refused(d, "a file with no reading", data[int(rng.integers(len(data)))])


def huge_cell_number(rng: Rng) -> Case:
    d = log(rng)
    d.write()
    number = str(rng.choice(["1000000000", "99999999999999999999", "65535000"]))
    if rng.random() < 0.5:
        column = d.sheet.by_role("cell")[-1]
        column.header = (
            d.dialect.cell_name.replace("{k:02d}", "{k}").replace("{k:03d}", "{k}").format(k=number)
        )
        return refused(d, "a header that names cell 1000000000", d.sheet.data())
    d.dialect.layout = "long"
    head, body = d.sheet.lines()
    fields = body[40].split(d.dialect.delimiter)
    fields[-2] = number
    body[40] = d.dialect.delimiter.join(fields)
    case = refused(d, "a row of cell 1000000000", d.sheet.encode(head + body))
    case.kind = "ambiguous"
    either = np.zeros(d.volts.shape, bool)
    either[: 40 // d.cells + 2] = True
    case.truths = (d.truth(either=either, temperatures_C=None),)
    return case


def far_future_row(rng: Rng) -> Case:
    d = log(rng)
    d.write("blank")
    optional = np.zeros(d.rows, bool)
    at = int(rng.integers(10, d.rows - 10))
    stamps = ["9999-12-31 23:59:59", "0001-01-01 00:00:00", "2262-04-12 00:00:00"]
    d.sheet.by_role("time")[0].texts[at] = str(rng.choice(stamps))
    optional[at] = True
    d.fields.update(
        optional=optional, blocks=optional.astype(np.int64), block_slack_s=(0.0015, float(d.run.t[1]) * 1.01)
    )
    return d.case("one stamp at the end of the calendar", "plain")


def long_note(rng: Rng) -> Case:
    d = log(rng)
    d.write()
    notes = [""] * d.rows
    notes[int(rng.integers(0, d.rows))] = "lid loose " * int(rng.integers(1000, 12_000))
    d.sheet.add("Note", "", notes, "other", False)
    return d.case("a remark of up to 120 kB in one row", "plain")


def three_hundred_extras(rng: Rng) -> Case:
    d = log(rng, rows=(300, 500))
    d.write()
    for k in range(int(rng.integers(100, 300))):
        d.sheet.add(f"register {k:03X}h", "", numbers(rng.integers(0, 9, d.rows).astype(float), 0), "other")
    return d.case("some hundred columns of no meaning", "plain")


def formulas(rng: Rng) -> Case:
    d = log(rng)
    d.write()
    texts = ["=1+1", "@sum", "<b>x</b>", "' --", "..\\..", "%s%n", "\u202e", "\U0001f50b"]
    if d.dialect.encoding == "cp1252":
        texts = texts[:6]
    d.sheet.add("Remark", "", [str(rng.choice(texts)) for _ in range(d.rows)], "other", False)
    return d.case("remarks with formulas, markup and odd letters", "plain")


def thousand_blank_lines(rng: Rng) -> Case:
    d = log(rng)
    d.write()
    count = int(rng.integers(100, 3000))
    before = d.dialect.newline.join([""] * count) + d.dialect.newline
    data = before.encode(d.dialect.encoding) + d.sheet.data()
    return d.case("thousands of blank lines before the header", "plain", data=data, other_lines=count)


def long_header_names(rng: Rng) -> Case:
    d = log(rng)
    d.write()
    d.sheet.add("x" * int(rng.integers(1000, 60_000)), "", ["1"] * d.rows, "other")
    return d.case("a header name of many thousand letters", "plain")


def odd_name(rng: Rng) -> Case:
    d = log(rng)
    d.write()
    names = ["log with blanks.csv", "läge 7.csv", "log.CSV.txt", "-log.csv", "log;rm.csv", "a" * 180 + ".csv"]
    name = str(rng.choice(names))
    return d.case("an odd file name", "plain", name=name)


def archived(rng: Rng) -> Case:
    d = log(rng)
    d.write()
    return d.case("a whole log in an archive", "plain", data=gzip.compress(d.sheet.data()), name="log.csv.gz")


def wide_pack(rng: Rng) -> Case:
    d = log(rng, cells=(96, 96), rows=(300, 400))
    d.write()
    modules = "".join(f'[[module]]\nname = "M{k}"\ncells = [{k + 1}]\n' for k in range(d.cells))
    return d.case(
        "a pack file of 96 modules", "plain", pack=pack_text(d.cells, d.run.chemistry, 100.0, modules)
    )


HABITS: tuple[Habit, ...] = (
    one_line, huge_numbers, many_columns, huge_in_extra, deep_pack, huge_stamps, deep_profile, long_note, odd_pack,
    three_hundred_extras, slow_pattern, formulas, odd_profile, thousand_blank_lines, nul_bytes, long_header_names,
    quotes_without_end, odd_name, junk, archived, bomb, wide_pack, cut_archive, far_future_row, nothing,
    huge_numbers, huge_cell_number, huge_stamps, one_line, long_note, many_columns, three_hundred_extras, formulas,
    odd_name, archived,
)  # fmt: skip
