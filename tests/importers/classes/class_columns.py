"""Which column is what: counters, set points, other currents, smoothings, voltages that are not cells."""

from __future__ import annotations

from typing import Any

import numpy as np

from tests.importers.classes.dialect import numbers
from tests.importers.classes.draft import Draft, draw
from tests.importers.classes.string_model import Array, Rng
from tests.importers.classes.truth import Case, Habit, Truth


def log(rng: Rng, **over: Any) -> Draft:
    """Return a drive with clear steps, in English headers where a habit's names are English."""
    base: dict[str, Any] = {
        "kind": "drive", "dt_s": (0.2, 0.5, 1.0, 1.0, 2.0), "noise_mV": 0.5, "cells": (1, 32), "layout": False,
        "current_step": 0.1,
    }  # fmt: skip
    d = draw(rng, **{**base, **over})
    d.dialect.units = str(rng.choice(["[]", "()", "_", " "]))
    return d


def english(d: Draft) -> None:
    """Write headers in English."""
    d.dialect.language, d.dialect.cell_name, d.dialect.temperature_name = "en", "Cell {k}", "Temperature {k}"


def smooth(values: Array, rows: int) -> Array:
    """Return the mean of the last `rows` rows."""
    kernel = np.ones(rows) / rows
    return np.convolve(np.concatenate([np.full(rows - 1, values[0]), values]), kernel, "valid")


def finish(d: Draft, habit: str, kind: str = "plain", **over: Any) -> Case:
    """Append cells and temperatures where they are missing, put the columns in an order by chance."""
    if not d.sheet.by_role("cell"):
        d.write_cells()
    if d.temperatures.shape[1] and not d.sheet.by_role("temperature"):
        d.write_temperatures()
    if d.rng.random() < 0.3:
        others = [c for c in d.sheet.columns if c.role not in ("time", "cell", "temperature")]
        rest = [c for c in d.sheet.columns if c.role in ("cell", "temperature")]
        d.sheet.columns[:] = [*d.sheet.by_role("time"), *rest, *others]
    return d.case(habit, kind, **over)


def amp_hours_pair(rng: Rng) -> Case:
    d = log(rng)
    english(d)
    d.write_time()
    names = [
        ("Amp Hours Charge", "Amp Hours Discharge"), ("Amphours In", "Amphours Out"), ("Ah Charge", "Ah Discharge"),
        ("Total Ah charged", "Total Ah discharged"), ("Charge Ah", "Discharge Ah"),
    ]  # fmt: skip
    pair = names[int(rng.integers(len(names)))]
    current_first = rng.random() < 0.5
    if current_first:
        d.write_current()
    for name, values in zip(pair, (d.run.charge_in, d.run.charge_out)):
        d.sheet.add(name, "Ah" if rng.random() < 0.3 else "", numbers(values, 2), "counter")
    if not current_first:
        d.write_current()
    return finish(d, "counters named like a pair of currents")


def more_counters(rng: Rng) -> Case:
    d = log(rng)
    english(d)
    d.write_time()
    pack = d.volts.sum(axis=1)
    d.sheet.add("Capacity", "Ah", numbers(d.run.charge_out - d.run.charge_in + 1.0, 3), "counter")
    d.sheet.add("Energy", "Wh", numbers(np.cumsum(d.run.current * pack) / 3600 * d.run.t[1], 1), "counter")
    power = str(rng.choice(["Power", "Pack power", "Electrical power"]))
    unit = str(rng.choice(["W", "kW"]))
    d.sheet.add(power, unit, numbers(d.run.current * pack / (1000 if unit == "kW" else 1), 2), "counter")
    d.write_current()
    return finish(d, "capacity, energy and power beside the current")


def set_points(rng: Rng) -> Case:
    d = log(rng)
    english(d)
    d.write_time()
    limit = np.full(d.rows, round(d.run.capacity_Ah * 2))
    limit[d.rows // 2 :] -= 10
    choices = [
        ("Current setpoint", "A", limit), ("Max discharge current", "A", limit), ("Max charge current", "A", limit / 2),
        ("Charge current limit", "A", limit / 2), ("Discharge current limit", "A", limit),
        ("Max voltage", "V", np.full(d.rows, 4.2)), ("Requested current", "A", limit / 4),
        ("Allowed charge current", "A", limit / 3), ("Current target", "A", limit / 4),
    ]  # fmt: skip
    for k in rng.permutation(len(choices))[: int(rng.integers(1, 5))]:
        name, unit, values = choices[int(k)]
        d.sheet.add(name, unit, numbers(values, 1), "other")
        if k == 3:
            d.sheet.add("Measured state", "", ["1"] * d.rows, "other")
    d.sheet.columns.insert(int(rng.integers(1, len(d.sheet.columns) + 1)), _current(d))
    return finish(d, "set points and limits beside the current")


def _current(d: Draft) -> Any:
    """Return the current's column, taken off the sheet again."""
    d.write_current(str(d.rng.choice(["Current", "Pack current", "Battery current"])))
    return d.sheet.columns.pop()


def other_currents(rng: Rng) -> Case:
    d = log(rng)
    english(d)
    d.write_time()
    others = [
        "Motor current", "Charger current", "Inverter current", "DC-DC current", "Phase current", "Heater current"
    ]  # fmt: skip
    for k in rng.permutation(len(others))[: int(rng.integers(1, 4))]:
        name = others[int(k)]
        values = np.abs(d.current) * float(rng.uniform(1.1, 2.5)) if name in ("Motor current", "Phase current") else (
            np.maximum(-d.current, 0) + 0.3
        )  # fmt: skip
        d.sheet.add(name, "A", numbers(values, 1), "other")
    at = int(rng.integers(1, len(d.sheet.columns) + 1))
    d.write_current(str(rng.choice(["Pack current", "Battery current"])))
    d.sheet.columns.insert(at, d.sheet.columns.pop())
    return finish(d, "currents of motor and charger beside the pack's")


def only_another_current(rng: Rng) -> Case:
    d = log(rng)
    english(d)
    d.write_time()
    name = str(rng.choice(["Motor current", "Charger current", "Phase current"]))
    d.sheet.add(name, "A", numbers(np.abs(d.current) * 1.7 + 2, 1), "other")
    d.fields["current_A"] = None
    return finish(d, "a motor's or charger's current only", "ambiguous")


def smoothings(rng: Rng) -> Case:
    d = log(rng)
    english(d)
    d.write_time()
    seconds = d.run.t[1]
    names = [
        ("Current", 0), ("Current avg 10s", 10), ("Current avg 60s", 60), ("Current filtered", 4),
        ("Current mean 30s", 30),
    ]  # fmt: skip
    picked = [names[0], *(names[int(k)] for k in 1 + rng.permutation(4)[: int(rng.integers(1, 3))])]
    for k in rng.permutation(len(picked)):
        name, span = picked[int(k)]
        values = d.current if span == 0 else smooth(d.current, max(2, round(span / seconds)))
        places = d.current_places if span == 0 else 2
        d.sheet.add(name, "A", numbers(values * d.sign + 0.0, places), "current")
    return finish(d, "smoothings of one current")


def two_currents(rng: Rng) -> Case:
    d = log(rng)
    english(d)
    d.write_time()
    share = float(rng.uniform(0.35, 0.65))
    pairs = [("Current 1", "Current 2"), ("Current A", "Current B"), ("Current left", "Current right")]
    names = pairs[int(rng.integers(len(pairs)))]
    for name, part in zip(names, (share, 1 - share)):
        noise = rng.normal(0, 0.2, d.rows)
        d.sheet.add(name, "A", numbers((d.current * part + noise) * d.sign, 1), "current")
    return finish(d, "two different currents", "refuse")


def redundant_currents(rng: Rng) -> Case:
    d = log(rng, current_step=0.1)
    english(d)
    d.write_time()
    d.write_current("Current 1")
    d.write_current("Current 2")
    return finish(d, "one current twice, alike in every row")


def pack_voltages(rng: Rng) -> Case:
    d = log(rng, cells=(2, 96))
    english(d)
    total = d.volts.sum(axis=1)
    names = [
        "Pack voltage",
        "Bus voltage",
        "Inverter voltage",
        "DC link voltage",
        "Battery voltage",
        "Total voltage",
    ]
    picked = [names[int(k)] for k in rng.permutation(len(names))[:2]]
    d.write_time()
    readings = []
    for k, name in enumerate(picked):
        read = np.round(total + 0.1 * k + rng.normal(0, 0.05, d.rows), 1)
        readings.append(read)
        d.sheet.add(name, "V", numbers(read, 1), "other")
    if rng.random() < 0.5:
        d.write_current()
        d.write_cells()
    else:
        d.write_cells()
        d.write_current()
        others = d.sheet.by_role("other")
        d.sheet.columns[:] = [*(c for c in d.sheet.columns if c.role != "other"), *others]
    return finish(d, "two pack voltages beside the cells", truths=(d.truth(pack_V=tuple(readings)),))


def low_pack_voltage(rng: Rng) -> Case:
    d = log(rng, cells=(2, 5))
    english(d)
    d.write_time()
    d.write_current()
    d.write_cells()
    name = str(rng.choice(["12V battery voltage", "Aux voltage", "Supply voltage", "Logger supply"]))
    d.sheet.add(name, "V", numbers(rng.normal(12.6, 0.1, d.rows), 2), "other")
    if rng.random() < 0.5:
        d.sheet.add("Reference 3V3", "V", numbers(rng.normal(3.3, 0.002, d.rows), 3), "other")
    return finish(d, "supply voltages beside few cells")


def extremes(rng: Rng) -> Case:
    d = log(rng, cells=(4, 96))
    english(d)
    d.write_time()
    d.write_current()
    low, high = d.volts.min(axis=1), d.volts.max(axis=1)
    extra = [
        ("Min cell voltage", low), ("Max cell voltage", high), ("Average cell voltage", d.volts.mean(axis=1)),
        ("Lowest cell", low), ("Highest cell", high),
    ]  # fmt: skip
    for k in rng.permutation(len(extra))[: int(rng.integers(1, 4))]:
        name, values = extra[int(k)]
        d.sheet.add(name, d.dialect.cell_unit, d.voltage_texts(np.round(values, d.places)), "other")
    d.sheet.add("Cell spread", "mV", numbers((high - low) * 1000, 0), "other")
    d.sheet.add("Min cell no", "", numbers(d.volts.argmin(axis=1) + 1, 0), "other")
    return finish(d, "lowest, highest and mean cell beside the cells")


def beside_each_cell(rng: Rng) -> Case:
    d = log(rng, cells=(2, 24))
    english(d)
    d.write_time()
    d.write_current()
    d.write_cells()
    what = str(rng.choice(["resistance", "balance", "target"]))
    d.temperatures = d.temperatures[:, :0]
    for c in range(d.cells):
        k = c + d.dialect.first
        if what == "resistance":
            d.sheet.add(f"Cell {k} resistance", "mOhm", numbers(rng.normal(1.1, 0.02, d.rows), 2), "other")
        elif what == "balance":
            d.sheet.add(f"Cell {k} balance", "", [str(int(v)) for v in rng.random(d.rows) < 0.1], "other")
        else:
            d.sheet.add(f"Cell {k} target", "V", ["3.600"] * d.rows, "other")
    return finish(d, f"a {what} column for each cell")


def milliamps(rng: Rng) -> Case:
    d = log(rng)
    d.write_time()
    d.sheet.add(d.dialect.words[3], "mA", numbers(d.current * d.sign * 1000 + 0.0, 0), "current")
    return finish(d, "current in mA")


def peaks(rng: Rng) -> Case:
    d = log(rng)
    english(d)
    d.write_time()
    d.sheet.add("Peak current", "A", numbers(np.maximum.accumulate(d.current), 1), "other")
    if rng.random() < 0.5:
        d.sheet.add("Max current", "A", numbers(np.maximum.accumulate(np.abs(d.current)), 1), "other")
    d.write_current()
    return finish(d, "greatest current so far beside the current")


def shares(rng: Rng) -> Case:
    d = log(rng)
    english(d)
    d.write_time()
    d.sheet.add("Current", "%", numbers(d.current * d.sign / d.run.capacity_Ah * 50, 1), "other")
    d.write_current("Current")
    d.sheet.add("SOC", "%", numbers(d.run.soc * 100, 1), "soc")
    d.sheet.add("SOH", "%", ["97.0"] * d.rows, "other")
    # Two columns of one name under a dialect that writes no unit could not be told apart.
    return finish(d, "the current in per cent beside the current")


def bare_current(rng: Rng) -> Case:
    d = log(rng)
    d.dialect.units = "none"
    d.write_time()
    d.write_current()
    d.sheet.columns[-1].unit = ""
    return finish(d, "current without a unit", "ambiguous")


def same_header_twice(rng: Rng) -> Case:
    d = log(rng)
    d.write_time()
    d.write_current()
    second = np.round(d.current * float(rng.uniform(0.3, 0.6)) + 2.0, 1)
    d.sheet.add(d.dialect.words[3], "A", numbers(second, 1), "current")
    return finish(d, "two currents of one name", "refuse")


def voltage_over_current(rng: Rng) -> Case:
    d = log(rng)
    english(d)
    d.write_time()
    d.sheet.add("Speed", "km/h", numbers(np.clip(np.abs(smooth(d.current, 5)), 0, 120), 1), "other")
    d.sheet.add("Throttle", "%", numbers(np.clip(d.current, 0, 100), 0), "other")
    d.sheet.add("Altitude", "m", numbers(rng.normal(120, 2, d.rows), 1), "other")
    d.write_current()
    d.sheet.add("Insulation", "kOhm", ["1950"] * d.rows, "other")
    d.sheet.add("Row", "", [str(k + 1) for k in range(d.rows)], "other")
    return finish(d, "columns of the vehicle beside the pack's")


def temperatures_of_others(rng: Rng) -> Case:
    d = log(rng, sensors=(1, 3))
    english(d)
    d.write_time()
    d.write_current()
    d.write_cells()
    d.write_temperatures()
    name = str(rng.choice(["Motor temperature", "Inverter temperature", "Board temperature"]))
    d.sheet.add(name, "degC", numbers(rng.normal(48, 0.5, d.rows), 1), "other")
    hot = [float(t) for t in d.sheet.columns[-1].texts]
    all_in = d.truth(temperatures_C=np.column_stack([d.temperatures, hot]))
    first = d.truth(temperatures_C=np.column_stack([hot, d.temperatures]))
    d.dialect.layout = "wide"
    truths: tuple[Truth, ...] = (d.truth(), all_in, first)
    return finish(d, "temperatures of motor and boards beside", truths=truths)


HABITS: tuple[Habit, ...] = (
    amp_hours_pair, more_counters, set_points, other_currents, only_another_current, smoothings, two_currents,
    redundant_currents, pack_voltages, low_pack_voltage, extremes, beside_each_cell, milliamps, peaks, shares,
    bare_current, same_header_twice, voltage_over_current, temperatures_of_others, amp_hours_pair, smoothings,
    pack_voltages,
)  # fmt: skip
