"""True readings that look like flags, fills or held frames: all must stay."""

from __future__ import annotations

from typing import Any

import numpy as np

from tests.importers.classes.draft import Draft, draw
from tests.importers.classes.string_model import R0_OHM_AH, Array, Rng
from tests.importers.classes.truth import Case, Habit


def log(rng: Rng, kind: str = "drive", **over: Any) -> Draft:
    """Return a draft with an interval of its own choice; no joint is in it."""
    base: dict[str, Any] = {"cells": (1, 24), "sensors": (0, 3), "layout": False, "simple": True}
    d = draw(rng, kind, **{**base, **over})
    d.fields["joints"] = ()
    return d


def say_sign(d: Draft) -> None:
    """Write the columns with a header that states the sign, so that only the readings are in question."""
    d.write_time()
    d.write_current("Current (discharge positive)" if d.sign > 0 else "Current (charge positive)")
    d.write_cells()
    if d.temperatures.shape[1]:
        d.write_temperatures()


def rounded(d: Draft, volts: Array) -> Array:
    """Return voltages [V] in the logger's steps."""
    return np.round(np.round(volts / (d.step_mV / 1000)) * d.step_mV / 1000, d.places)


def place_levels(d: Draft, level_V: float) -> None:
    """Shift the voltages so that many readings lie at and around a level."""
    d.volts = rounded(d, d.volts + level_V - np.median(d.volts))


def rest_with_repeats(rng: Rng) -> Case:
    d = log(
        rng, "rest", rows=(300, 3000), dt_s=(1.0, 2.0, 10.0, 60.0), cells=(1, 16),
        noise_mV=float(rng.choice([0.2, 0.4, 0.6, 1.0])), step_mV=float(rng.choice([1, 5])),
    )  # fmt: skip
    say_sign(d)
    return d.case("rows repeat by chance at rest", "plain")


def drive_with_stops(rng: Rng) -> Case:
    d = log(
        rng, "drive", rows=(600, 3000), dt_s=(0.1, 0.2, 0.5, 1.0), cells=(1, 12), current_step=1.0,
        noise_mV=float(rng.choice([0.0, 0.2, 0.5])), step_mV=float(rng.choice([1, 5, 10])),
    )  # fmt: skip
    say_sign(d)
    return d.case("rows repeat by chance at the stops of a drive", "plain")


def fill_like_voltages(rng: Rng) -> Case:
    level, step, unit, chemistry = [
        (3.2767, 0.1, "V", "LFP"), (4.095, 1.0, "mV", "NMC"), (4.095, 1.0, "V", "NMC"), (3.2767, 0.1, "mV", "LFP"),
        (3.2768, 0.1, "V", "LFP"), (4.0, 1.0, "V", "NMC"), (3.333, 1.0, "V", "LFP"), (4.096, 1.0, "mV", "NMC"),
        (3.0, 1.0, "V", "LFP"), (3.999, 1.0, "V", "NMC"),
    ][int(rng.integers(10))]  # fmt: skip
    d = log(
        rng, str(rng.choice(["drive", "rest"])), rows=(400, 2500), dt_s=(0.5, 1.0, 10.0), step_mV=step,
        noise_mV=float(rng.choice([0.3, 0.7, 1.5])), chemistry=chemistry, cells=(1, 12),
    )  # fmt: skip
    place_levels(d, level)
    d.dialect.cell_unit = unit
    say_sign(d)
    return d.case(f"voltages around {level} V, which looks like a fill value", "plain")


def fill_like_temperatures(rng: Rng) -> Case:
    d = log(rng, "drive", sensors=(1, 4), rows=(400, 2000))
    level = float(rng.choice([25.5, 25.6, 12.7, 0.0, -1.0, 51.1, 32.7, 25.4, 9.9]))
    d.temperatures = np.round(d.temperatures + level - np.median(d.temperatures), 1) + 0.0
    say_sign(d)
    return d.case(f"temperatures around {level} degC", "plain")


def coarse_parked(rng: Rng) -> Case:
    d = log(
        rng, "parked", rows=(600, 2200), dt_s=(60.0, 300.0), step_mV=float(rng.choice([5, 10])), noise_mV=0.0
    )
    say_sign(d)
    return d.case("parked days in coarse steps, most rows alike", "plain")


def taper_at_limit(rng: Rng) -> Case:
    d = log(
        rng, "charge", rows=(600, 2500), dt_s=(1.0, 5.0, 10.0), chemistry="NMC", cells=(1, 16), noise_mV=0.0
    )
    held = d.run.soc > 0.8
    d.volts[held] = rounded(d, np.full((int(held.sum()), d.cells), 4.2))
    d.current[held] = np.minimum(d.current[held], -0.1)
    d.fields["joints"] = None
    say_sign(d)
    return d.case("a charger that holds 4.200 V for long", "plain")


def constant_all_through(rng: Rng) -> Case:
    d = log(rng, "rest", rows=(300, 1500), dt_s=(1.0, 10.0, 60.0), noise_mV=0.0)
    d.current = np.zeros(d.rows)
    say_sign(d)
    return d.case("nothing moves at all", "plain")


def deep_dip(rng: Rng) -> Case:
    d = log(rng, "drive", rows=(500, 1500), dt_s=(0.1, 0.5, 1.0), step_mV=1.0)
    r0 = R0_OHM_AH / d.run.capacity_Ah
    for at in rng.integers(50, d.rows - 50, int(rng.integers(1, 4))):
        span = slice(at, at + int(rng.integers(1, 8)))
        size = round(0.45 / r0)
        d.volts[span] = rounded(d, d.volts[span] - r0 * (size - d.current[span, None]))
        d.current[span] = size
    say_sign(d)
    return d.case("a load of 9 C that takes 0.45 V for a moment", "plain")


def empty_cell(rng: Rng) -> Case:
    d = log(rng, "discharge", rows=(600, 2000), dt_s=(1.0, 5.0), cells=(3, 16), step_mV=1.0)
    c = int(rng.integers(0, d.cells))
    fall = np.linspace(0, 1, d.rows) ** 6 * float(rng.uniform(0.8, 1.8))
    d.volts[:, c] = rounded(d, d.volts[:, c] - fall)
    say_sign(d)
    return d.case("one cell runs empty", "plain")


def overcharged_cell(rng: Rng) -> Case:
    d = log(rng, "charge", rows=(600, 2000), dt_s=(1.0, 5.0), cells=(3, 16), step_mV=1.0)
    c = int(rng.integers(0, d.cells))
    rise = np.linspace(0, 1, d.rows) ** 8 * float(rng.uniform(0.2, 0.6))
    d.volts[:, c] = rounded(d, d.volts[:, c] + rise)
    say_sign(d)
    return d.case("one cell runs over its limit", "plain")


def frost(rng: Rng) -> Case:
    d = log(rng, "drive", sensors=(1, 4), rows=(400, 2000))
    d.temperatures = np.round(d.temperatures - d.temperatures.mean() + float(rng.uniform(-28, -2)), 1) + 0.0
    say_sign(d)
    return d.case("temperatures of a winter night", "plain")


def whole_degrees(rng: Rng) -> Case:
    d = log(rng, "day", rows=(500, 2500), dt_s=(5.0, 10.0, 30.0), sensors=(1, 4), noise_mV=0.3, step_mV=5.0)
    d.temperatures = np.round(d.temperatures)
    say_sign(d)
    return d.case("whole degrees and 5 mV over a day", "plain")


def single_pulses(rng: Rng) -> Case:
    d = log(rng, "rest", rows=(500, 1500), dt_s=(0.1, 0.5, 1.0), step_mV=1.0, noise_mV=0.3)
    r0 = R0_OHM_AH / d.run.capacity_Ah
    for at in rng.integers(20, d.rows - 20, int(rng.integers(3, 12))):
        size = round(float(rng.uniform(1, 3)) * d.run.capacity_Ah)
        d.current[at] = size
        d.volts[at] = rounded(d, d.volts[at] - r0 * size)
    say_sign(d)
    return d.case("loads of a single row", "plain")


def fine_steps(rng: Rng) -> Case:
    d = log(
        rng, "day", rows=(500, 2500), dt_s=(1.0, 10.0), step_mV=0.1, noise_mV=float(rng.choice([0.05, 0.1]))
    )
    say_sign(d)
    return d.case("steps of 0.1 mV", "plain")


def day_of_everything(rng: Rng) -> Case:
    d = log(rng, "day", rows=(800, 4000), dt_s=(1.0, 2.0, 5.0), noise_mV=float(rng.choice([0.0, 0.5, 2.0])))
    say_sign(d)
    return d.case("drives, rests and charges", "plain")


HABITS: tuple[Habit, ...] = (
    rest_with_repeats, drive_with_stops, fill_like_voltages, fill_like_temperatures, coarse_parked, taper_at_limit,
    constant_all_through, deep_dip, empty_cell, overcharged_cell, frost, whole_degrees,
    single_pulses, fine_steps, day_of_everything, rest_with_repeats, fill_like_voltages, drive_with_stops,
)  # fmt: skip
