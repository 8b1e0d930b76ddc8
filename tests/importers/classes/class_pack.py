"""The log against the pack file and the profile: what contradicts a line there is said, what fits is not doubted."""

from __future__ import annotations

from typing import Any

import numpy as np

from tests.importers.classes.dialect import numbers
from tests.importers.classes.draft import Draft, draw, pack_text
from tests.importers.classes.string_model import Rng
from tests.importers.classes.truth import Before, Case, Habit

DOUBT = r"pack.?file|pack_file_mismatch|chemistry|nominal_capacity|cells_in_series"
"""What a sentence that doubts the pack file cannot do without."""


def log(rng: Rng, kind: str | None = None, **over: Any) -> Draft:
    """Return a draft of any kind whose sign is plain."""
    wanted = kind or str(rng.choice(["drive", "day", "charge"]))
    base: dict[str, Any] = {
        "dt_s": {"drive": (0.5, 1.0, 2.0), "day": (10.0, 30.0), "charge": (10.0, 30.0)}.get(wanted, (1.0, 5.0)),
        "cells": (2, 32), "sensors": (0, 2), "layout": False, "noise_mV": 0.5, "step_mV": 1.0, "current_step": 0.1,
        "simple": True, "rows": (500, 1500),
    }  # fmt: skip
    return draw(rng, wanted, **{**base, **over})


def healthy(rng: Rng) -> Case:
    d = log(rng, cells=(1, 96)).write()
    nominal = round(d.run.capacity_Ah * float(rng.uniform(1.0, 1.35)), 1)
    pack = d.pack(capacity_Ah=nominal)
    return d.case("pack file that fits, cells new or worn", "plain", pack=pack, must_not_say=DOUBT)


def healthy_limits(rng: Rng) -> Case:
    d = log(rng).write()
    high = 4.25 if d.run.chemistry == "NMC" else 3.65
    limits = f"[pack.limits]\nvoltage_min_V = 2.5\nvoltage_max_V = {high}\ntemperature_max_C = 60\n"
    return d.case("pack file with limits that fits", "plain", pack=d.pack(extra=limits), must_not_say=DOUBT)


def healthy_counters(rng: Rng) -> Case:
    d = log(rng, str(rng.choice(["day", "tester"])), dt_s=(10.0, 30.0))
    d.write()
    d.sheet.add("Charged", "Ah", numbers(d.run.charge_in, 2), "counter")
    d.sheet.add("Discharged", "Ah", numbers(d.run.charge_out, 2), "counter")
    return d.case("counters that go round many times, capacity fits", "plain", must_not_say=DOUBT)


def own_curve(d: Draft) -> bool:
    """Return whether the log alone shows its chemistry: the voltages pass where only one curve goes, at little load."""
    calm = np.abs(d.run.current) < 0.3 * d.run.capacity_Ah
    read = d.volts[calm]
    if d.run.chemistry == "NMC":
        return bool(np.mean(read > 3.55) > 0.5)
    return bool(np.mean(read < 3.45) > 0.9 and np.ptp(d.run.soc) > 0.25)


def wrong_chemistry(rng: Rng) -> Case:
    d = log(rng, str(rng.choice(["day", "charge", "drive"])))
    d.write()
    said = "LFP" if d.run.chemistry == "NMC" else "NMC"
    habit = f"pack file says {said}, the cells are {d.run.chemistry}"
    return d.case(habit, "ambiguous", pack=d.pack(chemistry=said), must_say=DOUBT if own_curve(d) else None)


def half_never_move(rng: Rng) -> Case:
    d = log(rng, "drive", cells=(8, 96))
    half = slice(0, d.cells // 2) if rng.random() < 0.5 else slice(d.cells // 2, d.cells)
    text = float(rng.choice([3.7, 3.3, 3.0, 3.6]))
    stuck = d.volts.copy()
    stuck[:, half] = text
    d.volts = stuck
    d.write()
    either = np.zeros(d.volts.shape, bool)
    either[:, half] = True
    d.fields["either"] = either
    words = DOUBT + r"|never move|not move|no move|constant|stuck|stand still"
    return d.case("half of the cells never move", "ambiguous", must_say=words)


def capacity_too_small(rng: Rng) -> Case:
    d = log(rng, str(rng.choice(["charge", "discharge"])), dt_s=(10.0, 30.0), rows=(1000, 1500))
    d.write()
    d.sheet.add("Charged", "Ah", numbers(d.run.charge_in, 2), "counter")
    d.sheet.add("Discharged", "Ah", numbers(d.run.charge_out, 2), "counter")
    moved = float(max(d.run.charge_in[-1], d.run.charge_out[-1]))
    nominal = round(moved / float(rng.uniform(1.5, 4.0)), 1)
    return d.case("one discharge or charge moves far more than the capacity", "ambiguous",
                  pack=d.pack(capacity_Ah=nominal), must_say=DOUBT + "|capacity")  # fmt: skip


def capacity_too_large(rng: Rng) -> Case:
    d = log(
        rng, str(rng.choice(["charge", "discharge"])), dt_s=(10.0, 30.0), rows=(1000, 1500), chemistry="NMC"
    )
    d.write()
    nominal = round(d.run.capacity_Ah * float(rng.uniform(4.0, 10.0)), 1)
    plain = np.ptp(d.run.soc) > 0.6
    return d.case("most of the curve passed with a small part of the capacity", "ambiguous",
                  pack=d.pack(capacity_Ah=nominal), must_say=DOUBT + "|capacity" if plain else None)  # fmt: skip


def limits_changed(rng: Rng) -> Case:
    first, d = log(rng, "drive").write(), log(rng, "drive", cells=(4, 4)).write()
    first = log(rng, "drive", cells=(4, 4), chemistry=d.run.chemistry).write()
    tops = (4.2, 4.1) if d.run.chemistry == "NMC" else (3.65, 3.5)
    texts = [
        pack_text(4, d.run.chemistry, 100.0, f"[pack.limits]\nvoltage_min_V = 2.5\nvoltage_max_V = {top}\n")
        for top in tops
    ]
    return d.case("a second log of a pack id with other limits", "ambiguous", pack=texts[1],
                  before=(Before("first.csv", first.sheet.data(), texts[0]),),
                  must_say=r"limit|voltage_max|pack.?file")  # fmt: skip


def limits_alike(rng: Rng) -> Case:
    d = log(rng, "drive", cells=(4, 4)).write()
    first = log(rng, "drive", cells=(4, 4), chemistry=d.run.chemistry).write()
    text = pack_text(
        4, d.run.chemistry, round(d.run.capacity_Ah * 1.05, 1), "[pack.limits]\nvoltage_min_V = 2.4\n"
    )
    # The first log's cells may be of another size than the second's: only the second log is held against the file.
    return d.case("a second log of a pack id, pack file alike", "plain", pack=text,
                  before=(Before("first.csv", first.sheet.data(), text),), must_not_say="limit")  # fmt: skip


def other_cell_count(rng: Rng) -> Case:
    d = log(rng, cells=(3, 32)).write()
    count = d.cells + int(rng.choice([-2, -1, 1, 2, d.cells]))
    return d.case("the log has another number of cells than the pack file", "refuse",
                  pack=pack_text(count, d.run.chemistry, 100.0))  # fmt: skip


def quoted(text: str) -> str:
    """Return a TOML string."""
    return '"' + text.replace("\\", "\\\\") + '"'


def profile_for(d: Draft, sign: int, current_unit: str = "A", cell_unit: str | None = None) -> str:
    """Return a profile that names current and cells of a written sheet."""
    title = d.sheet.by_role("current")[0].title(d.dialect.units if d.dialect.units != "none" else "[]")
    return (
        f'[current]\ncolumn = {quoted(title)}\nunit = "{current_unit}"\n'
        f'discharge = "{"positive" if sign > 0 else "negative"}"\n'
        + (f'[cell_voltage]\nunit = "{cell_unit}"\n' if cell_unit else "")
    )


def right_profile(rng: Rng) -> Case:
    d = log(rng).write()
    return d.case(
        "a profile that says what the log says", "plain", profile=profile_for(d, d.sign), must_not_say=DOUBT
    )


def right_profile_rest(rng: Rng) -> Case:
    d = log(rng, "rest", dt_s=(10.0, 60.0))
    d.current = np.round(rng.normal(0.0, 0.1, d.rows), 1) + 0.0
    d.write()
    return d.case(
        "a profile that says the sign where the log cannot", "plain", profile=profile_for(d, d.sign)
    )


def wrong_discharge(rng: Rng) -> Case:
    kind = str(rng.choice(["drive", "charge", "day"]))
    d = log(rng, kind, chemistry="NMC" if kind == "charge" else None).write()
    habit, profile = "a profile with the other sign of discharge", profile_for(d, -d.sign)
    if kind == "charge" or d.signal() > 4:
        return d.case(habit, "refuse", profile=profile)
    # Where the readings cannot contradict the profile, its word is taken.
    return d.case(
        habit, "ambiguous", profile=profile, truths=(d.truth(), d.truth(current_A=-d.current + 0.0))
    )


def wrong_current_unit(rng: Rng) -> Case:
    d = log(rng, str(rng.choice(["charge", "day"])), chemistry="NMC", rows=(1000, 1500))
    d.dialect.units = "none"
    d.write_time()
    d.write_current()
    d.sheet.columns[-1].unit = ""
    d.write_cells()
    kind = "refuse" if np.ptp(d.run.soc) > 0.3 else "ambiguous"
    text = profile_for(d, d.sign, "mA")
    milli = d.truth(current_A=d.current / 1000)
    truths = () if kind == "refuse" else (milli, d.truth())
    return d.case("a profile with mA for a current in A", kind, profile=text, truths=truths)


def wrong_cell_unit(rng: Rng) -> Case:
    d = log(rng, "drive")
    d.dialect.cell_unit, d.dialect.units = "mV", "none"
    d.write()
    return d.case("a profile with V for cells in mV", "refuse", profile=profile_for(d, d.sign, "A", "V"))


def wrong_clock(rng: Rng) -> Case:
    d = log(rng, "drive")
    wrong, style = [("epoch_ms", "epoch"), ("epoch_s", "epoch_ms")][int(rng.integers(2))]
    d.dialect.units = "[]"
    d.write(style)
    column = d.sheet.columns[0].title("[]")
    return d.case(f"a profile with {wrong} for {style}", "refuse",
                  profile=f'[time]\ncolumn = {quoted(column)}\nformat = "{wrong}"\n')  # fmt: skip


def wrong_day_order(rng: Rng) -> Case:
    d = log(rng, "drive")
    d.write("dotted")
    column = d.sheet.columns[0].title("[]")
    return d.case("a profile with month before day for days beyond 12", "refuse",
                  profile=f'[time]\ncolumn = {quoted(column)}\nformat = "%m.%d.%Y %H:%M:%S"\n')  # fmt: skip


HABITS: tuple[Habit, ...] = (
    healthy, wrong_chemistry, healthy_limits, half_never_move, healthy_counters, capacity_too_small, right_profile,
    capacity_too_large, right_profile_rest, limits_changed, limits_alike, other_cell_count, healthy, wrong_discharge,
    healthy, wrong_current_unit, healthy_limits, wrong_cell_unit, right_profile, wrong_clock, healthy_counters,
    wrong_day_order, healthy, healthy,
)  # fmt: skip
