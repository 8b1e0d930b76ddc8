"""Readings that cannot be: marks, flags, text, letters that are no units, one sensor twice, swapped taps."""

from __future__ import annotations

from typing import Any

import numpy as np

from tests.importers.classes.dialect import Column, numbers
from tests.importers.classes.draft import Draft, draw
from tests.importers.classes.string_model import Rng
from tests.importers.classes.truth import Case, Habit


def log(rng: Rng, **over: Any) -> Draft:
    """Return a drive with clear steps; noise keeps rows apart."""
    base: dict[str, Any] = {
        "kind": "drive", "dt_s": (0.2, 0.5, 1.0, 1.0, 2.0), "cells": (2, 48), "sensors": (1, 4), "layout": False,
        "noise_mV": 1.0, "current_step": 0.1,
    }  # fmt: skip
    return draw(rng, **{**base, **over})


def some_rows(rng: Rng, rows: int, most: int = 12) -> list[int]:
    """Return rows inside the log, single or in short runs."""
    picked: set[int] = set()
    for _ in range(int(rng.integers(1, most + 1))):
        at = int(rng.integers(3, rows - 6))
        picked.update(range(at, at + int(rng.choice([1, 1, 1, 2, 4]))))
    return sorted(picked)


def minus_as_mark(rng: Rng) -> Case:
    d = log(rng, cells=(3, 48))
    d.write()
    cells = d.sheet.by_role("cell")
    share = float(rng.uniform(0.2, 0.94))
    either = np.zeros(d.volts.shape, bool)
    for c in rng.permutation(d.cells)[: max(1, d.cells // 3)]:
        marked = rng.random(d.rows) < share
        if rng.random() < 0.5:
            marked = (np.arange(d.rows) // int(rng.integers(5, 60))) % 2 == int(rng.random() < share)
            marked[:5] = True
        cells[int(c)].texts = [f"-{t}" if m else t for t, m in zip(cells[int(c)].texts, marked)]
        either[marked, int(c)] = True
    d.fields["either"] = either
    return d.case("a minus sign as a mark on some cells' voltages", "plain")


def voltage_flags(rng: Rng) -> Case:
    d = log(rng, step_mV=1.0)
    d.write()
    mV = d.dialect.cell_unit == "mV"
    flag = str(rng.choice(["65535", "32767", "-1", "9999", "0", "-32768", "8191"] if mV else [
        "65.535", "32.767", "9.999", "0.000", "99.99", "-1.000", "655.35", "-0.001"
    ]))  # fmt: skip
    cells = d.sheet.by_role("cell")
    truth = d.volts * 1000
    whole_board = rng.random() < 0.4
    for r in some_rows(rng, d.rows):
        for c in range(d.cells) if whole_board else rng.integers(0, d.cells, 1):
            cells[int(c)].texts[r] = flag
            truth[r, int(c)] = np.nan
    d.fields["cells_mV"] = truth
    return d.case(f"flag {flag} among the voltages", "plain")


def current_flags(rng: Rng) -> Case:
    d = log(rng)
    d.write()
    flag = str(rng.choice(["65535", "3276.7", "-3276.8", "6553.5", "99999", "NaN", "n/a"]))
    current = d.current.copy()
    for r in some_rows(rng, d.rows, 5):
        d.sheet.by_role("current")[0].texts[r] = flag
        current[r] = np.nan
    d.fields["current_A"] = current
    return d.case(f"flag {flag} in the current", "plain")


def temperature_flags(rng: Rng) -> Case:
    d = log(rng)
    d.write()
    flag = str(rng.choice(["-127.0", "-40.0", "215.0", "6553.5", "-273.1", "999.9", "-100.0", "327.67"]))
    warm = d.temperatures.copy()
    column = d.sheet.by_role("temperature")[0]
    for r in some_rows(rng, d.rows, 8):
        column.texts[r] = flag
        warm[r, 0] = np.nan
    d.fields["temperatures_C"] = warm
    return d.case(f"flag {flag} among the temperatures", "plain")


def open_sensor(rng: Rng) -> Case:
    d = log(rng, sensors=(2, 4))
    d.write()
    flag = str(rng.choice(["-127.0", "-273.1", "-40.0", "327.6", "6553.5"]))
    at = int(rng.integers(0, d.temperatures.shape[1]))
    d.sheet.by_role("temperature")[at].texts = [flag] * d.rows
    warm = d.temperatures.copy()
    warm[:, at] = np.nan
    d.fields["temperatures_C"] = warm
    return d.case(f"a sensor that reads {flag} all through", "plain")


def text_in_every_row(rng: Rng) -> Case:
    d = log(rng, sensors=(1, 4))
    d.write()
    word = str(rng.choice(["none", "n/a", "NC", "---", "absent", "null", "off", "not fitted"]))
    at = int(rng.integers(0, d.temperatures.shape[1]))
    d.sheet.by_role("temperature")[at].texts = [word] * d.rows
    warm = d.temperatures.copy()
    warm[:, at] = np.nan
    d.fields["temperatures_C"] = warm
    return d.case(f"text {word!r} in every row of a sensor", "plain")


def text_in_some_rows(rng: Rng) -> Case:
    d = log(rng)
    d.write()
    word = str(
        rng.choice(["nan", "NaN", "inf", "-inf", "#N/A", "#DIV/0!", "null", "", "--", "ERR", "OL", "None"])
    )
    truth = d.volts * 1000
    for r in some_rows(rng, d.rows):
        c = int(rng.integers(0, d.cells))
        d.sheet.by_role("cell")[c].texts[r] = word
        truth[r, c] = np.nan
    d.fields["cells_mV"] = truth
    return d.case(f"text {word!r} in place of single voltages", "plain")


def fahrenheit(rng: Rng) -> Case:
    d = log(rng)
    d.write_time()
    d.write_current()
    d.write_cells()
    reading = np.round(d.temperatures * 1.8 + 32, 1)
    if d.dialect.units in ("none", "row"):
        d.dialect.units = "()"
    unit = str(rng.choice(["F", "°F", "degF"])) if d.dialect.encoding != "cp1252" else "degF"
    for s in range(reading.shape[1]):
        d.sheet.add(
            d.dialect.temperature_name.format(k=s + 1), unit, numbers(reading[:, s], 1), "temperature"
        )
    d.fields["temperatures_C"] = (reading - 32) / 1.8
    return d.case(f"temperatures in {unit}", "plain")


def kelvin(rng: Rng) -> Case:
    d = log(rng)
    d.write_time()
    d.write_current()
    d.write_cells()
    if d.dialect.units in ("none", "row"):
        d.dialect.units = "[]"
    reading = np.round(d.temperatures + 273.15, 1)
    for s in range(reading.shape[1]):
        d.sheet.add(d.dialect.temperature_name.format(k=s + 1), "K", numbers(reading[:, s], 1), "temperature")
    d.fields["temperatures_C"] = reading - 273.15
    return d.case("temperatures in K", "plain")


def both_units(rng: Rng) -> Case:
    d = log(rng, sensors=(1, 3))
    d.write_time()
    d.write_current()
    d.write_cells()
    d.dialect.units = str(rng.choice(["[]", "()", " ", "_"]))
    columns = []
    for s in range(d.temperatures.shape[1]):
        header = d.dialect.temperature_name.format(k=s + 1)
        warm = d.temperatures[:, s]
        columns.append(Column(header, "C", numbers(warm, 1), "temperature"))
        columns.append(Column(header, "F", numbers(warm * 1.8 + 32, 1), "temperature"))
    if rng.random() < 0.5:
        columns = columns[0::2] + columns[1::2]
    d.sheet.columns.extend(columns)
    d.fields["temperatures_C"] = d.temperatures
    return d.case("one sensor in degC and in degF", "plain")


def letters_are_places(rng: Rng) -> Case:
    d = log(rng, sensors=(3, 3))
    d.dialect.language, d.dialect.units = "en", "none"
    d.temperatures = np.round(d.temperatures + np.clip(18 - d.temperatures.min(), 0, None), 1)
    d.write_time()
    d.write_current()
    d.write_cells()
    for s, letter in enumerate("FCR"):
        d.sheet.add(f"Temp {letter}", "", numbers(d.temperatures[:, s], 1), "temperature")
    return d.case(
        "letters F and C for front and centre", "ambiguous", truths=(d.truth(), d.truth(temperatures_C=None))
    )


def letters_in_cells(rng: Rng) -> Case:
    d = log(rng, sensors=(1, 2))
    d.dialect.language, d.dialect.cell_name, d.dialect.units = "en", "C{k}", "none"
    d.dialect.temperature_name = str(rng.choice(["T{k} C", "T{k} (C)", "Temp{k}_C"]))
    d.write()
    return d.case("cells C1, C2 .. beside temperatures in C", "plain")


def widening_header(rng: Rng) -> Case:
    d = log(rng, sensors=(2, 3))
    d.dialect.units = "[]"
    d.dialect.preamble = ()
    d.write()
    turn = int(rng.integers(20, d.rows - 20))
    lost = d.sheet.columns.pop()
    head, early = d.sheet.lines()
    d.sheet.columns.append(lost)
    wide, late = d.sheet.lines()
    warm = d.temperatures.copy()
    warm[:turn, -1] = np.nan
    d.fields["temperatures_C"] = warm
    return d.case(
        "a header that widens in mid-file", "ambiguous", other_lines=len(wide),
        data=d.sheet.encode([*head, *early[:turn], *wide, *late[turn:]]),
    )  # fmt: skip


def swapped_tap(rng: Rng) -> Case:
    d = log(rng, cells=(4, 48))
    j = int(rng.integers(0, d.cells - 2))
    a, b, c = d.volts[:, j].copy(), d.volts[:, j + 1].copy(), d.volts[:, j + 2].copy()
    d.volts[:, j], d.volts[:, j + 1], d.volts[:, j + 2] = np.round(a + b, 4), -b, np.round(b + c, 4)
    d.write()
    return d.case("two taps change places, the cell between reads negative", "plain")


def swapped_tap_clipped(rng: Rng) -> Case:
    d = log(rng, cells=(5, 48))
    j = int(rng.integers(0, d.cells - 2))
    a, b, c = d.volts[:, j].copy(), d.volts[:, j + 1].copy(), d.volts[:, j + 2].copy()
    full = 5.0
    true = d.volts.copy()
    true[:, j], true[:, j + 1], true[:, j + 2] = np.minimum(a + b, full), 0.0, np.minimum(b + c, full)
    d.volts = true
    d.write()
    either = np.zeros(d.volts.shape, bool)
    either[:, j : j + 3] = True
    d.fields["either"] = either
    return d.case("two taps change places, the readings are clipped", "ambiguous")


def open_tap(rng: Rng) -> Case:
    d = log(rng, cells=(4, 48))
    j = int(rng.integers(0, d.cells - 1))
    walk = np.clip(np.cumsum(rng.normal(0, 0.01, d.rows)) + float(rng.uniform(-0.2, 0.2)), -0.5, 0.5)
    walk = np.round(np.round(walk / (d.step_mV / 1000)) * d.step_mV / 1000, d.places)
    d.volts[:, j] = np.round(d.volts[:, j] + walk, d.places)
    d.volts[:, j + 1] = np.round(d.volts[:, j + 1] - walk, d.places)
    d.write()
    return d.case("a sense wire off: two neighbours mirror each other", "plain")


def bit_error(rng: Rng) -> Case:
    d = log(rng, step_mV=1.0)
    d.write()
    truth = d.volts * 1000
    for r in some_rows(rng, d.rows, 5):
        c = int(rng.integers(0, d.cells))
        value = d.volts[r, c] + float(rng.choice([8.192, 16.384, 32.768]))
        d.sheet.by_role("cell")[c].texts[r] = d.voltage_texts(np.array([value]))[0]
        truth[r, c] = np.nan
    d.fields["cells_mV"] = truth
    return d.case("single readings with a high bit wrong", "plain")


def silent_board(rng: Rng) -> Case:
    d = log(rng, cells=(8, 48), step_mV=1.0)
    d.write()
    half = slice(0, d.cells // 2) if rng.random() < 0.5 else slice(d.cells // 2, d.cells)
    at = int(rng.integers(20, d.rows - 80))
    span = int(rng.integers(5, 60))
    text = str(rng.choice(["", "0.000" if d.dialect.cell_unit == "V" else "0"]))
    truth = d.volts * 1000
    truth[at : at + span, half] = np.nan
    for column in d.sheet.by_role("cell")[half]:
        column.texts[at : at + span] = [text] * span
    d.fields["cells_mV"] = truth
    return d.case(f"a board that falls silent: {text!r}", "plain")


def units_in_fields(rng: Rng) -> Case:
    d = log(rng, cells=(2, 12))
    d.dialect.units = "none"
    d.dialect.decimal = "."
    d.write()
    for column in d.sheet.by_role("cell"):
        column.texts = [f"{t} {d.dialect.cell_unit}" for t in column.texts]
    for column in d.sheet.by_role("current"):
        column.texts = [f"{t} A" for t in column.texts]
    for column in d.sheet.by_role("temperature"):
        column.texts = [f"{t} C" for t in column.texts]
    return d.case("units in the fields", "plain")


def plus_signs(rng: Rng) -> Case:
    d = log(rng)
    d.write()
    for column in (*d.sheet.by_role("cell"), *d.sheet.by_role("current")):
        column.texts = [t if t.startswith("-") else f"+{t}" for t in column.texts]
    return d.case("plus signs before the readings", "plain")


def power_up_value(rng: Rng) -> Case:
    d = log(rng, sensors=(1, 3))
    d.write()
    d.sheet.by_role("temperature")[0].texts[0] = "85.0"
    warm = d.temperatures.copy()
    warm[0, 0] = np.nan
    d.fields["temperatures_C"] = warm
    shown = warm.copy()
    shown[0, 0] = 85.0
    # A sensor's own value at power-up is no flag that everyone knows; either answer is honest.
    return d.case(
        "first reading of a sensor is its power-up value", "ambiguous",
        truths=(d.truth(), d.truth(temperatures_C=shown)),
    )  # fmt: skip


def padded_numbers(rng: Rng) -> Case:
    d = log(rng)
    d.write()
    for column in d.sheet.columns[1:]:
        width = max(len(t) for t in column.texts) + 1
        column.texts = [t.rjust(width) for t in column.texts]
    return d.case("numbers padded with blanks", "plain")


def unfitted_cells(rng: Rng) -> Case:
    d = log(rng, cells=(4, 20), sensors=(0, 1))
    real = d.cells
    d.write()
    spare = int(rng.integers(1, 5))
    at = max(k for k, c in enumerate(d.sheet.columns) if c.role == "cell") + 1
    zero = "0.000" if d.dialect.cell_unit == "V" else "0"
    for k in range(spare):
        header = d.dialect.cell_name.format(k=real + k + d.dialect.first)
        d.sheet.columns.insert(at + k, Column(header, d.dialect.cell_unit, [zero] * d.rows, "spare"))
    d.dialect.units = "[]"
    return d.case("channels beyond the pack's cells read nought", "plain")


HABITS: tuple[Habit, ...] = (
    minus_as_mark, voltage_flags, current_flags, temperature_flags, open_sensor, text_in_every_row,
    text_in_some_rows, fahrenheit, kelvin, both_units, letters_are_places, letters_in_cells, widening_header,
    swapped_tap, swapped_tap_clipped, open_tap, bit_error, silent_board, units_in_fields, plus_signs,
    power_up_value, padded_numbers, unfitted_cells, minus_as_mark, voltage_flags, text_in_every_row,
)  # fmt: skip
