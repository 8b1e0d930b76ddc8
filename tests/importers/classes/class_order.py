"""Order and shape of the lines: shuffled, reversed, repeated, cut, delimiters that change, quotes left open."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np

from tests.importers.classes.draft import Draft, draw
from tests.importers.classes.string_model import Rng
from tests.importers.classes.truth import Case, Habit


def log(rng: Rng, style: str | None = None, **over: Any) -> Draft:
    """Return a written drive with dated stamps and clear steps."""
    base: dict[str, Any] = {
        "kind": "drive", "dt_s": (0.2, 0.5, 1.0, 1.0, 2.0, 5.0), "cells": (1, 32), "sensors": (0, 3),
        "layout": False, "noise_mV": 1.0, "current_step": 0.1,
    }  # fmt: skip
    d = draw(rng, **{**base, **over})
    return d.write(
        style or str(rng.choice(["iso", "isoz", "blank", "epoch", "epoch_ms", "dotted", "elapsed"]))
    )


def in_order(order: Callable[[Draft], list[int]], habit: str) -> Habit:
    """Return a habit that writes the rows in another order."""

    def make(rng: Rng) -> Case:
        d = log(rng)
        head, body = d.sheet.lines()
        # Seconds since the start that begin again may also be a restart.
        unsure = order is parts_swapped and d.fields.get("undated")
        data = d.sheet.encode(head + [body[k] for k in order(d)])
        return d.case(habit, "ambiguous" if unsure else "plain", data=data)

    make.__name__ = habit.replace(" ", "_")
    return make


def within_lines(d: Draft) -> list[int]:
    """Return an order that mixes rows within a few dozen lines, all over the file or in places."""
    span = int(d.rng.integers(2, 50))
    everywhere = d.rng.random() < 0.5
    order: list[int] = []
    for at in range(0, d.rows, span):
        part = np.arange(at, min(at + span, d.rows))
        if everywhere or d.rng.random() < 0.15:
            part = d.rng.permutation(part)
        order += part.tolist()
    return order


def newest_first(d: Draft) -> list[int]:
    return list(range(d.rows))[::-1]


def neighbours(d: Draft) -> list[int]:
    """Return an order in which single pairs of rows changed places."""
    order = list(range(d.rows))
    for at in d.rng.integers(1, d.rows - 1, int(d.rng.integers(1, 20))):
        order[at - 1], order[at] = order[at], order[at - 1]
    return order


def parts_swapped(d: Draft) -> list[int]:
    """Return an order with the second part of the file before the first."""
    turn = int(d.rng.integers(d.rows // 4, 3 * d.rows // 4))
    return [*range(turn, d.rows), *range(turn)]


def late_rows(d: Draft) -> list[int]:
    """Return an order in which a few rows come some lines late, as from a buffer."""
    keys = np.arange(d.rows, dtype=float)
    picked = d.rng.random(d.rows) < 0.05
    keys[picked] += d.rng.integers(2, 12, int(picked.sum())) + 0.5
    return np.argsort(keys, kind="stable").tolist()


def interleaved(d: Draft) -> list[int]:
    """Return an order of blocks of two halves in turn."""
    half, size = d.rows // 2, int(d.rng.integers(5, 40))
    first, second = list(range(half)), list(range(half, d.rows))
    order: list[int] = []
    while first or second:
        order += first[:size] + second[:size]
        first, second = first[size:], second[size:]
    return order


def scan_swapped(rng: Rng) -> Case:
    d = log(rng, cells=(2, 32))
    d.dialect.layout = "long"
    d.temperatures = d.temperatures[:, :0]
    head, body = d.sheet.lines()
    n = d.cells
    order = np.concatenate([k * n + rng.permutation(n) for k in range(d.rows)])
    return d.case(
        "one row a cell, cells in another order in each scan", "plain",
        data=d.sheet.encode(head + [body[int(k)] for k in order]), rows_in_file=None,
        truths=(d.truth(temperatures_C=None),),
    )  # fmt: skip


def delimiter_changes(rng: Rng) -> Case:
    d = log(rng)
    d.dialect.decimal, d.dialect.quote, d.dialect.preamble = ".", False, ()
    old, new = (str(v) for v in rng.permutation([",", ";", "\t", "|"])[:2])
    d.dialect.delimiter = old
    head, body = d.sheet.lines()
    turn = int(rng.integers(5, d.rows - 5))
    again = head if rng.random() < 0.4 else []
    lines = [
        *head,
        *body[:turn],
        *(h.replace(old, new) for h in again),
        *(b.replace(old, new) for b in body[turn:]),
    ]
    return d.case(
        f"delimiter {old!r} changes to {new!r} in mid-file", "ambiguous", data=d.sheet.encode(lines),
        other_lines=len(again),
    )  # fmt: skip


def unclosed_quote(rng: Rng) -> Case:
    d = log(rng)
    d.dialect.quote = False
    notes = [""] * d.rows
    at = int(rng.integers(5, d.rows - 5))
    where = str(rng.choice(["note", "number"]))
    if where == "note":
        notes[at] = '"loose lid'
        d.sheet.add("Note", "", notes, "other", False)
        d.dialect.trailing = False
    else:
        column = d.sheet.by_role("cell")[-1]
        column.texts[at] = '"' + column.texts[at]
    optional = np.zeros(d.rows, bool)
    optional[at] = True
    volts = d.volts * 1000
    either = np.zeros(d.volts.shape, bool)
    either[at] = True
    d.fields.update(optional=optional, either=either, cells_mV=volts)
    return d.case(f"a quote left open in a {where}", "ambiguous")


def repeated_headers(rng: Rng) -> Case:
    d = log(rng)
    head, body = d.sheet.lines()
    whole = rng.random() < 0.3
    head_only = head if whole else head[len(d.dialect.preamble) :]
    lines = list(head)
    every = int(rng.integers(20, 200))
    count = 0
    for k, line in enumerate(body):
        if k and k % every == 0:
            lines += head_only
            count += len(head_only)
        lines.append(line)
    case = d.case("header repeated in the file", "plain", data=d.sheet.encode(lines), other_lines=count)
    return case


def repeated_rows(rng: Rng) -> Case:
    d = log(rng)
    head, body = d.sheet.lines()
    lines = list(head)
    twice = set(rng.integers(0, d.rows, int(rng.integers(1, 12))).tolist())
    if rng.random() < 0.4:
        at = int(rng.integers(5, d.rows - 30))
        block = range(at, at + int(rng.integers(2, 20)))
        lines += body[: block.stop] + [body[k] for k in block] + body[block.stop :]
        extra = len(block)
    else:
        for k, line in enumerate(body):
            lines += [line, line] if k in twice else [line]
        extra = len(twice)
    return d.case("rows written twice", "plain", data=d.sheet.encode(lines), rows_in_file=d.rows + extra)


def blank_and_comment_lines(rng: Rng) -> Case:
    d = log(rng)
    head, body = d.sheet.lines()
    lines = list(head)
    for line in body:
        lines.append(line)
        if rng.random() < 0.03:
            lines.append(str(rng.choice(["", "   ", "# key off", "# key on"])))
    extra = len(lines) - len(head) - len(body)
    return d.case(
        "blank lines and remarks between the rows", "plain", data=d.sheet.encode(lines), other_lines=extra
    )


def cut_at_the_end(rng: Rng) -> Case:
    d = log(rng, cells=(2, 32))
    head, body = d.sheet.lines()
    data = d.sheet.encode(head + body)
    unit = 2 if d.dialect.encoding == "utf-16" else 1
    # At least the last delimiter is gone: a number that lost digits only looks like any other.
    least = (
        len(d.dialect.newline)
        + 1
        + len(body[-1].rstrip(d.dialect.delimiter).rsplit(d.dialect.delimiter, 1)[1])
    )
    least += len(body[-1]) - len(body[-1].rstrip(d.dialect.delimiter))
    cut = int(rng.integers(least, len(body[-1]) + len(d.dialect.newline) - 2)) * unit
    optional = np.zeros(d.rows, bool)
    optional[-1] = True
    d.fields["optional"] = optional
    either = np.zeros(d.volts.shape, bool)
    either[-1] = True
    d.fields["either"] = either
    case = d.case("last line cut short", "plain", data=data[:-cut])
    # A number that the cut left shorter is no reading; it may not be stored, and the rest of its row need not be.
    kept = len(body[-1]) - (cut // unit - len(d.dialect.newline))
    fields = body[-1][: max(kept, 0)].split(d.dialect.delimiter)
    whole = d.volts * 1000
    cells = [k for k, c in enumerate(d.sheet.columns) if c.role == "cell"]
    for c, k in enumerate(cells):
        if k >= len(fields) - 1:
            whole[-1, c] = np.nan
    current = d.current.copy()
    if len(fields) - 1 <= d.sheet.columns.index(d.sheet.by_role("current")[0]):
        current[-1] = np.nan
    warm = d.temperatures.copy()
    for s, column in enumerate(d.sheet.by_role("temperature")):
        if d.sheet.columns.index(column) >= len(fields) - 1:
            warm[-1, s] = np.nan
    over = {"cells_mV": whole, "current_A": current}
    if d.temperatures.shape[1]:
        over["temperatures_C"] = warm
    case.truths = (d.truth(**over),)
    return case


def broken_rows(rng: Rng) -> Case:
    d = log(rng, cells=(2, 32))
    d.dialect.trailing = False
    head, body = d.sheet.lines()
    optional = np.zeros(d.rows, bool)
    either = np.zeros(d.volts.shape, bool)
    delimiter = d.dialect.delimiter
    for at in rng.integers(3, d.rows - 3, int(rng.integers(1, 6))):
        fields = body[at].split(delimiter)
        if rng.random() < 0.5:
            body[at] = delimiter.join(fields[: int(rng.integers(1, len(fields)))])
        else:
            body[at] = delimiter.join([*fields, *fields[1:]])
        optional[at] = True
        either[at] = True
    d.fields.update(optional=optional, either=either)
    cells = d.volts * 1000
    current = d.current.copy()
    for at in np.flatnonzero(optional):
        fields = body[at].split(delimiter)
        if len(fields) <= len(d.sheet.columns):
            for c, column in enumerate(d.sheet.by_role("cell")):
                if d.sheet.columns.index(column) >= len(fields):
                    cells[at, c] = np.nan
            if d.sheet.columns.index(d.sheet.by_role("current")[0]) >= len(fields):
                current[at] = np.nan
    d.fields.update(cells_mV=cells, current_A=current)
    warm = d.temperatures.copy()
    for at in np.flatnonzero(optional):
        fields = body[at].split(delimiter)
        for s, column in enumerate(d.sheet.by_role("temperature")):
            if d.sheet.columns.index(column) >= len(fields):
                warm[at, s] = np.nan
    either_warm = np.repeat(optional[:, None], warm.shape[1], axis=1)
    if warm.shape[1]:
        d.fields.update(temperatures_C=warm, either_temperature=either_warm)
    return d.case("rows with too few or too many fields", "plain", data=d.sheet.encode(head + body))


def line_ends(rng: Rng) -> Case:
    d = log(rng)
    head, body = d.sheet.lines()
    kind = str(rng.choice(["mixed", "cr", "none at the end"]))
    lines = head + body
    if kind == "cr":
        text = "\r".join(lines) + "\r"
    elif kind == "mixed":
        turn = int(rng.integers(2, len(lines) - 2))
        text = "\n".join(lines[:turn]) + "\n" + "\r\n".join(lines[turn:]) + "\r\n"
    else:
        text = d.dialect.newline.join(lines)
    return d.case(f"line ends: {kind}", "plain", data=text.encode(d.dialect.encoding, errors="replace"))


def columns_change_places(rng: Rng) -> Case:
    d = log(rng, cells=(2, 16), sensors=(1, 2))
    d.dialect.units, d.dialect.preamble = "[]", ()
    head, body = d.sheet.lines()
    turn = int(rng.integers(10, d.rows - 10))
    kept = list(d.sheet.columns)
    d.sheet.columns[:] = [kept[0], *(kept[1 + int(k)] for k in rng.permutation(len(kept) - 1))]
    again, late = d.sheet.lines()
    d.sheet.columns[:] = kept
    return d.case(
        "a second header names the columns in another order", "ambiguous",
        data=d.sheet.encode([*head, *body[:turn], *again, *late[turn:]]), other_lines=len(again),
    )  # fmt: skip


def overlapping_parts(rng: Rng) -> Case:
    d = log(rng)
    head, body = d.sheet.lines()
    turn = int(rng.integers(20, d.rows - 20))
    over = int(rng.integers(1, 15))
    lines = [*head, *body[: turn + over], *head[len(d.dialect.preamble) :], *body[turn:]]
    return d.case(
        "two parts that overlap by some rows, each with its header", "plain", data=d.sheet.encode(lines),
        rows_in_file=d.rows + over, other_lines=len(head) - len(d.dialect.preamble),
    )  # fmt: skip


HABITS: tuple[Habit, ...] = (
    in_order(within_lines, "rows shuffled within some lines"), in_order(newest_first, "newest row first"),
    in_order(neighbours, "pairs of rows change places"), in_order(parts_swapped, "second part before the first"),
    in_order(late_rows, "single rows come late"), in_order(interleaved, "blocks of two halves in turn"),
    scan_swapped, delimiter_changes, unclosed_quote, repeated_headers, repeated_rows, blank_and_comment_lines,
    cut_at_the_end, broken_rows, line_ends, columns_change_places, overlapping_parts,
    in_order(within_lines, "rows shuffled within some lines"), delimiter_changes, unclosed_quote, repeated_rows,
)  # fmt: skip
