"""The sign of the current: header, mode column, counters, trend of the voltages, answer to steps."""

from __future__ import annotations

from typing import Any

import numpy as np

from tests.importers.classes.dialect import numbers
from tests.importers.classes.draft import Draft, draw
from tests.importers.classes.string_model import Array, Rng
from tests.importers.classes.truth import Case, Habit

CLEAR_SIGNAL = 3.0
"""Drop over the resistance, in errors, above which the answer to steps is plain over hundreds of rows."""
CLEAR_TREND = 12.0
"""Way of the open-circuit voltage, in steps plus noise, above which hours of one direction are plain."""


def log(rng: Rng, kind: str, **over: Any) -> Draft:
    """Return a draft without temperatures by default, of few cells."""
    base: dict[str, Any] = {"cells": (1, 32), "sensors": (0, 1), "layout": False}
    return draw(rng, kind, **{**base, **over})


def finish(d: Draft, habit: str, kind: str, **over: Any) -> Case:
    """Append cells and temperatures and return the case."""
    d.write_cells()
    if d.temperatures.shape[1]:
        d.write_temperatures()
    return d.case(habit, kind, **over)


def by_steps(d: Draft) -> str:
    """Return whether the answer to steps is plain."""
    return "plain" if d.signal() > CLEAR_SIGNAL and np.std(d.current) > 5 else "ambiguous"


def by_trend(d: Draft) -> str:
    """Return whether the trend is plain: the voltage read moves as far as the open-circuit voltage says."""
    middle = np.median(d.volts, axis=1)
    tenth = max(3, d.rows // 10)
    read = abs(np.mean(middle[-tenth:]) - np.mean(middle[tenth : 2 * tenth])) * 1000
    clear = d.trend_steps() > CLEAR_TREND and read > 5 * d.step_mV
    return "plain" if clear and np.any(d.current != 0) else "ambiguous"


def plain_drive(rng: Rng) -> Case:
    d = log(rng, "drive", cells=(1, 96), sensors=(0, 4), layout=True)
    d.write()
    return d.case("drive, steps tell", by_steps(d))


def slow_drive(rng: Rng) -> Case:
    d = log(rng, "day", dt_s=(10.0, 30.0, 60.0), rows=(600, 2500))
    d.write_time()
    d.write_current()
    return finish(d, "days of driving and charging, once in 10 to 60 s", by_steps(d))


def coarse_drive(rng: Rng) -> Case:
    d = log(
        rng, "drive", step_mV=float(rng.choice([5, 10])), current_step=1.0, noise_mV=float(rng.choice([1, 3]))
    )
    d.write_time()
    d.write_current()
    return finish(d, "drive in coarse steps", by_steps(d))


def lagging_current(rng: Rng) -> Case:
    d = log(rng, "drive", dt_s=(0.1, 0.2, 0.5, 1.0), rows=(500, 1500))
    lag = max(1, round(float(rng.uniform(0.2, 1.0)) / float(d.run.t[1])))
    d.current = np.concatenate([np.full(lag, d.current[0]), d.current[:-lag]])
    d.write_time()
    d.write_current()
    return finish(d, "drive, current read late", by_steps(d))


def counters(d: Draft, names: tuple[str, str], per_cycle: bool) -> tuple[Array, Array]:
    """Append counters of charge in and out [Ah] and return them."""
    into, out = d.run.charge_in.copy(), d.run.charge_out.copy()
    if per_cycle:
        into, out = restarted(into, d.current < 0), restarted(out, d.current > 0)
    for name, values in zip(names, (into, out)):
        d.sheet.add(name, "Ah", numbers(values, 3), "counter")
    return into, out


def restarted(counter: Array, moving: Array) -> Array:
    """Return a counter that starts from nought each time its direction begins."""
    begins = np.flatnonzero(np.diff(np.concatenate([[0], moving.astype(int)])) == 1)
    base = np.zeros(len(counter))
    for b in begins:
        base[b:] = counter[max(b - 1, 0)]
    return counter - base


COUNTERS = (
    ("Charged", "Discharged"), ("Charge capacity", "Discharge capacity"), ("Amp hours charged", "Amp hours discharged"),
    ("Charge in", "Charge out"), ("Cumulated charge", "Cumulated discharge"),
)  # fmt: skip


def tester_counters(rng: Rng) -> Case:
    d = log(
        rng, "tester", dt_s=(10.0, 30.0, 60.0), rows=(800, 3000), cells=(1, 2), noise_mV=0.5, step_mV=None
    )
    d.write_time()
    d.write_current()
    counters(d, COUNTERS[int(rng.integers(len(COUNTERS)))], rng.random() < 0.5)
    return finish(d, "bench tester with counters of charge in and out", "plain")


def late_voltages(rng: Rng, beside: bool) -> Case:
    d = log(
        rng, "tester", dt_s=(10.0, 30.0, 60.0), rows=(3000, 7000), cells=(1, 1), noise_mV=float(rng.choice([0.2, 2.0])),
        step_mV=float(rng.choice([0.1, 1.0, 5.0])),
    )  # fmt: skip
    lag = int(rng.integers(1, 4))
    signs = np.sign(d.current)
    # Both directions for hours: what the voltage does over them is plain, though no single step is answered in time.
    hours = float(d.run.t[1]) / 3600
    plain = beside or (min(np.sum(signs < 0), np.sum(signs > 0)) * hours > 1.5 and d.run.chemistry == "NMC")
    d.volts = np.concatenate([np.repeat(d.volts[:1], lag, axis=0), d.volts[:-lag]])
    d.write_time()
    d.write_current()
    if beside:
        counters(d, COUNTERS[int(rng.integers(len(COUNTERS)))], rng.random() < 0.5)
        return finish(d, "bench tester, voltage read rows late, counters beside", "plain")
    return finish(d, "bench tester, voltage read rows late", "plain" if plain else "ambiguous")


def following_voltage(rng: Rng, beside: bool) -> Case:
    d = log(
        rng, "tester", dt_s=(10.0, 30.0, 60.0), rows=(2000, 5000), cells=(1, 2), noise_mV=float(rng.choice([0.2, 1.0])),
        step_mV=float(rng.choice([0.1, 1.0])), current_step=0.01,
    )  # fmt: skip
    share = d.run.cells.mean(axis=1) / float(np.mean(d.run.cells))
    # A resistor draws more where the voltage is high, a charger of constant power gives less: within such a stretch
    # the current moves with the voltage, against the answer of the resistance, and much slower.
    true = d.run.current * np.where(d.run.current > 0, share, 1 / share)
    d.current = np.round(true + rng.normal(0, 0.004, d.rows) * (true != 0), 2) + 0.0
    hours = float(d.run.t[1]) / 3600
    d.run.charge_in = np.cumsum(np.maximum(-true, 0)) * hours
    d.run.charge_out = np.cumsum(np.maximum(true, 0)) * hours
    d.write_time()
    d.write_current()
    if beside:
        counters(d, COUNTERS[int(rng.integers(len(COUNTERS)))], rng.random() < 0.5)
    moved = min(d.run.charge_in[-1], d.run.charge_out[-1]) / d.run.capacity_Ah
    plain = beside or (moved > 0.5 and d.run.chemistry == "NMC")
    return finish(
        d, "resistor as a load, charger of constant power" + (", counters beside" if beside else ""),
        "plain" if plain else "ambiguous",
    )  # fmt: skip


def resistor_only(rng: Rng) -> Case:
    d = log(
        rng, "discharge", dt_s=(10.0, 30.0), rows=(700, 2000), cells=(1, 4), step_mV=1.0, current_step=0.01
    )
    share = d.run.cells.mean(axis=1) / float(np.mean(d.run.cells))
    d.current = np.round(d.run.current * share, 2)
    d.write_time()
    d.write_current()
    return finish(d, "discharge through a resistor, nothing else", by_trend(d))


def mode_texts(d: Draft, words: tuple[str, str, str]) -> list[str]:
    """Return the mode of each row: charge, discharge, rest."""
    return [words[0] if i < 0 else words[1] if i > 0 else words[2] for i in d.current]


MODES = (
    ("Charge", "Discharge", "Rest"), ("charging", "discharging", "idle"), ("CHG", "DCHG", "REST"),
    ("Laden", "Entladen", "Pause"), ("CC charge", "CC discharge", "Rest"),
)  # fmt: skip


def tester_mode(rng: Rng, unsigned: bool) -> Case:
    d = log(rng, "tester", dt_s=(10.0, 30.0, 60.0), rows=(800, 2500), cells=(1, 4), noise_mV=0.5)
    d.write_time()
    words = MODES[int(rng.integers(len(MODES)))]
    name = str(rng.choice(["Mode", "State", "Status", "Step type"]))
    d.sheet.add(name, "", mode_texts(d, words), "mode", False)
    if unsigned:
        d.sheet.add(d.dialect.words[3], "A", numbers(np.abs(d.current), d.current_places), "current")
    else:
        d.write_current()
    habit = "unsigned current beside a mode column" if unsigned else "signed current beside a mode column"
    return finish(d, habit, "plain")


def unsigned_alone(rng: Rng) -> Case:
    kind = str(rng.choice(["drive", "tester"]))
    d = log(rng, kind, rows=(500, 2000), dt_s=(1.0, 2.0) if kind == "drive" else (10.0, 30.0))
    d.write_time()
    d.sheet.add(d.dialect.words[3], "A", numbers(np.abs(d.current), d.current_places), "current")
    return finish(d, "unsigned current, nothing beside", "ambiguous")


def unsigned_counters(rng: Rng) -> Case:
    d = log(rng, "tester", dt_s=(10.0, 30.0), rows=(800, 2500), cells=(1, 4), noise_mV=0.5)
    d.write_time()
    d.sheet.add(d.dialect.words[3], "A", numbers(np.abs(d.current), d.current_places), "current")
    counters(d, COUNTERS[int(rng.integers(len(COUNTERS)))], False)
    return finish(d, "unsigned current beside counters", "ambiguous")


def pure_charge(rng: Rng) -> Case:
    d = log(
        rng, "charge", dt_s=(1.0, 5.0, 10.0, 30.0), rows=(700, 2500), step_mV=float(rng.choice([1, 5, 10])),
        cells=(1, 96),
    )  # fmt: skip
    d.write()
    return d.case("pure charge, nothing else", by_trend(d))


def pure_discharge(rng: Rng) -> Case:
    d = log(rng, "discharge", dt_s=(1.0, 5.0, 10.0, 30.0), rows=(700, 2500), cells=(1, 96))
    d.write()
    return d.case("pure discharge, nothing else", by_trend(d))


def parked_week(rng: Rng) -> Case:
    d = log(
        rng, "parked", dt_s=(300.0, 600.0), rows=(1000, 2200), current_step=float(rng.choice([0.01, 0.1]))
    )
    d.write_time()
    d.write_current()
    return finish(d, "parked week with 0.1 A", by_trend(d))


def parked_noise(rng: Rng) -> Case:
    d = log(rng, "rest", dt_s=(10.0, 60.0), rows=(500, 2000))
    d.current = np.round(np.round(rng.normal(0, 0.05, d.rows) / 0.1) * 0.1, 1) + 0.0
    d.write_time()
    d.write_current()
    return finish(d, "at rest, noise of the current sensor only", "ambiguous")


def all_zero(rng: Rng) -> Case:
    d = log(rng, "rest", dt_s=(1.0, 10.0, 60.0), rows=(300, 2000))
    d.current = np.zeros(d.rows)
    d.write_time()
    d.write_current()
    return finish(d, "current nought in every row: either sign is the same", "plain")


def relaxing_while_parked(rng: Rng) -> Case:
    d = log(rng, "rest", dt_s=(10.0, 30.0), rows=(300, 900), step_mV=1.0, noise_mV=0.0)
    d.current = np.full(d.rows, 0.2)
    rise = 0.04 * (1 - np.exp(-d.run.t / 900))
    d.volts = np.round(d.volts + rise[:, None] * float(rng.choice([-1, 1])), 3)
    d.write_time()
    d.write_current()
    return finish(d, "small steady current while the cells still relax", "ambiguous")


DISCHARGE_POSITIVE = (
    "Current (discharge positive)", "Current discharge +", "Current (+ = discharge)", "Discharge positive current",
    "Strom (Entladen positiv)",
)  # fmt: skip
CHARGE_POSITIVE = (
    "Current (charge positive)", "Current (+ = charge)", "Current, charging positive", "Strom (Laden positiv)",
)  # fmt: skip


def sign_header(rng: Rng, sign: int) -> str:
    """Return a header that states the sign."""
    return str(rng.choice(DISCHARGE_POSITIVE if sign > 0 else CHARGE_POSITIVE))


def with_header(d: Draft, header: str) -> None:
    """Write the current under a header that holds commas or not."""
    if d.dialect.delimiter == "," and not d.dialect.quote:
        header = header.replace(",", "")
    d.dialect.units = "[]" if d.dialect.units != "row" else "row"
    d.write_current(header)


def header_states(rng: Rng) -> Case:
    kind = str(rng.choice(["drive", "parked", "rest", "charge"]))
    step = {"drive": (0.5, 1.0, 2.0), "charge": (5.0, 10.0)}.get(kind, (30.0, 60.0))
    d = log(rng, kind, dt_s=step, rows=(200, 900))
    d.write_time()
    with_header(d, sign_header(rng, d.sign))
    return finish(d, f"header states the sign ({kind})", "plain")


def header_contradicted(rng: Rng) -> Case:
    d = log(rng, "drive", dt_s=(0.5, 1.0), rows=(800, 1500), step_mV=1.0, noise_mV=0.3, current_step=0.1)
    d.write_time()
    with_header(d, sign_header(rng, -d.sign))
    return finish(d, "header states the sign, the voltages answer against it", "refuse")


def counters_contradict(rng: Rng) -> Case:
    d = log(rng, "tester", dt_s=(10.0,), rows=(2000, 3000), cells=(1, 2), step_mV=1.0, noise_mV=0.3)
    d.write_time()
    d.write_current()
    first, second = COUNTERS[int(rng.integers(len(COUNTERS)))]
    counters(d, (second, first), False)
    return finish(d, "counters beside that say the opposite of the voltages", "refuse")


def mode_contradicts(rng: Rng) -> Case:
    d = log(rng, "tester", dt_s=(10.0,), rows=(2000, 3000), cells=(1, 2), step_mV=1.0, noise_mV=0.3)
    words = MODES[int(rng.integers(len(MODES)))]
    d.write_time()
    d.sheet.add("Mode", "", mode_texts(d, (words[1], words[0], words[2])), "mode", False)
    d.write_current()
    return finish(d, "mode column that says the opposite of the voltages", "refuse")


def two_directions(rng: Rng) -> Case:
    d = log(rng, str(rng.choice(["drive", "tester"])), dt_s=(1.0, 2.0), rows=(500, 1500))
    d.write_time()
    pairs = [
        ("Charge current", "Discharge current"), ("Current in", "Current out"), ("I_charge", "I_discharge"),
        ("Ladestrom", "Entladestrom"),
    ]  # fmt: skip
    names = pairs[int(rng.integers(len(pairs)))]
    columns = [np.maximum(-d.current, 0) + 0.0, np.maximum(d.current, 0)]
    order = [0, 1] if rng.random() < 0.5 else [1, 0]
    for k in order:
        d.sheet.add(names[k], "A", numbers(columns[k], d.current_places), "current")
    return finish(d, "charge and discharge current in columns of their own", "plain")


def positive_discharge_only(rng: Rng) -> Case:
    d = log(rng, "discharge", dt_s=(5.0, 10.0), rows=(700, 2000))
    d.sign = 1
    d.write_time()
    d.write_current()
    d.sheet.add("SOC", "%", numbers(np.clip(d.run.soc, 0, 1) * 100, 1), "soc")
    return finish(d, "discharge only, state of charge beside", by_trend(d))


def charge_with_soc(rng: Rng) -> Case:
    d = log(rng, "charge", dt_s=(5.0, 10.0, 30.0), rows=(700, 2000), chemistry="LFP", step_mV=10.0)
    d.write_time()
    d.write_current()
    d.sheet.add("SOC", "%", numbers(np.clip(d.run.soc, 0, 1) * 100, 1), "soc")
    return finish(d, "charge on a flat curve, state of charge beside", by_trend(d))


def numeric_mode(rng: Rng) -> Case:
    d = log(rng, "drive", dt_s=(0.5, 1.0), rows=(500, 1200))
    d.write_time()
    codes = [str(v) for v in rng.permutation(4)[:3]]
    d.sheet.add("State", "", mode_texts(d, (codes[0], codes[1], codes[2])), "mode", False)
    d.write_current()
    return finish(d, "mode in numbers that nothing explains", by_steps(d))


def pulses(rng: Rng) -> Case:
    d = log(rng, "rest", dt_s=(0.1, 0.5, 1.0), rows=(600, 1500), step_mV=1.0, noise_mV=0.3, layout=False)
    level = d.run.capacity_Ah * float(rng.uniform(0.5, 2.0))
    on = np.zeros(d.rows)
    for at in rng.integers(20, d.rows - 30, 8):
        on[at : at + int(rng.integers(5, 25))] = rng.choice([-1, 1])
    drop = 0.05 / d.run.capacity_Ah * on * level
    d.current = np.round(on * level, d.current_places)
    d.volts = np.round(d.volts - drop[:, None], 3)
    d.write_time()
    d.write_current()
    return finish(d, "a few pulses between rests", "plain" if np.mean(on != 0) > 0.03 else "ambiguous")


def regen_heavy(rng: Rng) -> Case:
    d = log(rng, "drive", dt_s=(0.5, 1.0, 2.0), rows=(500, 1500))
    extra = np.where(np.sin(d.run.t / 40) > 0.4, -0.9, 0.0) * d.run.capacity_Ah * 0.6
    r0 = 0.05 / d.run.capacity_Ah
    d.current = np.round(d.current + extra, d.current_places) + 0.0
    d.volts = np.round(
        np.round((d.volts - r0 * extra[:, None]) / (d.step_mV / 1000)) * d.step_mV / 1000, d.places
    )
    d.write_time()
    d.write_current()
    return finish(d, "mostly braking", by_steps(d))


def counter_only_net(rng: Rng) -> Case:
    d = log(rng, "day", dt_s=(10.0, 30.0), rows=(800, 2000))
    d.write_time()
    d.write_current()
    d.sheet.add("Ah used", "Ah", numbers(d.run.charge_out - d.run.charge_in, 2), "counter")
    return finish(d, "net counter of what was used", by_steps(d))


def _signed_mode(rng: Rng) -> Case:
    return tester_mode(rng, False)


def _unsigned_mode(rng: Rng) -> Case:
    return tester_mode(rng, True)


def _late_with_counters(rng: Rng) -> Case:
    return late_voltages(rng, True)


def _late_alone(rng: Rng) -> Case:
    return late_voltages(rng, False)


def _following_with_counters(rng: Rng) -> Case:
    return following_voltage(rng, True)


def _following_alone(rng: Rng) -> Case:
    return following_voltage(rng, False)


HABITS: tuple[Habit, ...] = (
    plain_drive, slow_drive, coarse_drive, lagging_current, tester_counters, _signed_mode, _unsigned_mode,
    unsigned_alone, unsigned_counters, pure_charge, pure_discharge, parked_week, parked_noise, all_zero,
    relaxing_while_parked, header_states, header_contradicted, counters_contradict, mode_contradicts, two_directions,
    positive_discharge_only, charge_with_soc, numeric_mode, pulses, regen_heavy, counter_only_net, _late_with_counters,
    pure_charge, header_states, plain_drive, _late_alone, _following_with_counters,
    _following_alone, resistor_only,
)  # fmt: skip
