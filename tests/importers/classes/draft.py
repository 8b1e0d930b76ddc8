"""From a run to a file and its truth: what every habit starts from."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from tests.importers.classes.dialect import Dialect, Sheet, add_time, draw_dialect, has_fractions, numbers
from tests.importers.classes.string_model import R0_OHM_AH, Array, Rng, Run, scene
from tests.importers.classes.truth import Case, Truth

RATES_S = (0.1, 0.2, 0.5, 1.0, 1.0, 2.0, 5.0, 10.0, 30.0, 60.0)
"""Steps of loggers: 10 Hz to once a minute."""
STEPS_MV = (1.0, 1.0, 5.0, 10.0)


def pack_text(
    cells: int, chemistry: str, capacity_Ah: float, extra: str = "", pack: str = "heron-main"
) -> str:
    """Return a pack file."""
    return (
        f'[pack]\nid = "{pack}"\nvehicle = "Heron"\nchemistry = "{chemistry}"\n'
        f"nominal_capacity_Ah = {capacity_Ah:.1f}\ncells_in_series = {cells}\n{extra}"
    )


def random_start(rng: Rng, day_over_12: bool = True) -> float:
    """Return a start in 2023 to 2025, whole seconds since 1970; far from midnight of the month's ends."""
    year, month = int(rng.integers(2023, 2026)), int(rng.integers(1, 13))
    day = int(rng.integers(13, 27)) if day_over_12 else int(rng.integers(1, 13))
    start = dt.datetime(year, month, day, tzinfo=dt.UTC).timestamp()
    return start + float(rng.integers(6 * 3600, 20 * 3600))


@dataclass
class Draft:
    """A run as a logger reads it, the sheet being written, and the truth so far.

    Attributes
    ----------
    volts
        As printed [V], rows x cells.
    places
        Digits after the point in V.
    sign
        1 where the logger gives discharge a positive sign, -1 where it does not.
    """

    rng: Rng
    run: Run
    dialect: Dialect
    time_s: Array
    current: Array
    volts: Array
    temperatures: Array
    step_mV: float
    noise_mV: float
    current_places: int
    places: int
    sign: int
    sheet: Sheet
    fields: dict[str, Any] = field(default_factory=dict)

    @property
    def rows(self) -> int:
        return len(self.time_s)

    @property
    def cells(self) -> int:
        return int(self.volts.shape[1])

    def voltage_texts(self, volts: Array) -> list[str]:
        """Return voltages [V] in the dialect's unit."""
        if self.dialect.cell_unit == "mV":
            return numbers(volts * 1000, max(0, self.places - 3))
        return numbers(volts, self.places)

    def write_time(self, style: str | None = None) -> None:
        """Append the stamps; `elapsed` leaves the truth undated."""
        if not add_time(self.sheet, self.rng, self.time_s, style):
            self.fields["undated"] = True

    def write_current(self, header: str | None = None, unit: str = "A") -> None:
        """Append the current, with the logger's sign."""
        texts = numbers(self.current * self.sign + 0.0, self.current_places)
        texts = [t[1:] if t.startswith("-") and not t.strip("-0.") else t for t in texts]
        self.sheet.add(header or self.dialect.words[3], unit, texts, "current")

    def write_cells(self) -> None:
        """Append the cells' voltages."""
        d = self.dialect
        for c in range(self.cells):
            texts = self.voltage_texts(self.volts[:, c])
            self.sheet.add(d.cell_name.format(k=c + d.first), d.cell_unit, texts, "cell")

    def write_temperatures(self) -> None:
        """Append the temperatures [degC]."""
        d = self.dialect
        unit = {"_": "degC", " ": "degC"}.get(d.units, "°C" if d.encoding != "cp1252" else "degC")
        for s in range(self.temperatures.shape[1]):
            header = d.temperature_name.format(k=s + 1)
            self.sheet.add(header, unit, numbers(self.temperatures[:, s], 1), "temperature")

    def write(self, style: str | None = None) -> Draft:
        """Append all columns in the plain order."""
        self.write_time(style)
        self.write_current()
        self.write_cells()
        if self.temperatures.shape[1]:
            self.write_temperatures()
        return self

    def truth(self, **over: Any) -> Truth:
        """Return the truth of what was written."""
        has_temperatures = bool(self.sheet.by_role("temperature")) and self.dialect.layout == "wide"
        base: dict[str, Any] = {
            "time_s": self.time_s,
            "current_A": self.current,
            "cells_mV": self.volts * 1000,
            "temperatures_C": self.temperatures if has_temperatures else None,
        }
        return Truth(**{**base, **self.fields, **over})

    def pack(self, chemistry: str | None = None, capacity_Ah: float | None = None, extra: str = "") -> str:
        """Return the pack file that fits: nominal capacity some way above the true one."""
        nominal = capacity_Ah or round(self.run.capacity_Ah * float(self.rng.uniform(1.0, 1.15)), 1)
        return pack_text(self.cells, chemistry or self.run.chemistry, nominal, extra)

    def case(self, habit: str, kind: str, **over: Any) -> Case:
        """Return the case of what was written; `over` replaces fields of the case."""
        base: dict[str, Any] = {
            "habit": habit,
            "kind": kind,
            "name": "log.csv",
            "pack": "",
            "truths": (),
            "rows_in_file": self.rows if self.dialect.layout == "wide" else None,
            "headers": tuple(c.header for c in self.sheet.columns),
        }
        fields = {**base, **over}
        fields.setdefault("data", None)
        if fields["data"] is None:
            fields["data"] = self.sheet.data()
        fields["pack"] = fields["pack"] or self.pack()
        if not fields["truths"] and kind != "refuse":
            fields["truths"] = (self.truth(),)
        return Case(**fields)

    def signal(self) -> float:
        """Return how far the drop over the resistance stands out of noise and step (a ratio)."""
        r0 = R0_OHM_AH / self.run.capacity_Ah
        error = np.hypot(self.step_mV / np.sqrt(12), self.noise_mV) / 1000
        return float(np.std(self.current) * r0 / error)

    def trend_steps(self) -> float:
        """Return the way of the open-circuit voltage over the log, in units of noise plus step."""
        return float(abs(self.run.ocv[-1] - self.run.ocv[0]) * 1000 / (self.step_mV + self.noise_mV))


def draw(
    rng: Rng,
    kind: str = "drive",
    *,
    rows: tuple[int, int] = (300, 1500),
    dt_s: float | tuple[float, ...] = (0.1, 0.2, 0.5, 1.0, 1.0, 2.0, 5.0),
    cells: tuple[int, int] = (1, 96),
    sensors: tuple[int, int] = (0, 4),
    chemistry: str | None = None,
    step_mV: float | None = None,
    noise_mV: float | None = None,
    current_step: float | None = None,
    jitter: bool | None = None,
    gaps: bool = False,
    start: float | None = None,
    layout: bool = True,
    simple: bool = False,
) -> Draft:
    """Return a draft by chance: nothing is written yet.

    Parameters
    ----------
    rows, cells, sensors
        Ranges, both ends meant. Rows are cut so that a file has at most 60,000 voltages.
    jitter
        Stamps off the even step by some milliseconds; None: by chance.
    """
    step_s = float(dt_s if isinstance(dt_s, float | int) else rng.choice(dt_s))
    n_cells = _size(rng, cells)
    n_rows = min(int(rng.integers(rows[0], rows[1] + 1)), max(rows[0], 60_000 // n_cells))
    n_sensors = int(rng.integers(sensors[0], sensors[1] + 1))
    chem = chemistry or str(rng.choice(["NMC", "LFP"]))
    run = scene(rng, kind, n_rows, step_s, n_cells, n_sensors, chem)
    step = float(rng.choice(STEPS_MV)) if step_mV is None else step_mV
    noise = float(rng.choice([0.0, 0.3, 1.0, 2.5])) if noise_mV is None else noise_mV
    amp = float(rng.choice([0.01, 0.1, 0.1, 1.0])) if current_step is None else current_step
    if current_step is None and kind in ("parked", "rest"):
        amp = float(rng.choice([0.01, 0.1]))
    places = 4 if step < 1 else 3
    grid = step / 1000
    volts = np.round(
        np.round((run.cells + rng.normal(0, 1, run.cells.shape) * noise / 1000) / grid) * grid, places
    )
    error = amp / 2 if kind not in ("parked", "rest", "charge", "discharge", "tester") else 0.0
    current = np.round(np.round((run.current + rng.normal(0, 1, len(run.t)) * error) / amp) * amp, 3) + 0.0
    t = run.t.copy()
    if rng.random() < 0.2 if jitter is None else jitter:
        t = np.round(t + rng.uniform(-0.2, 0.2, len(t)) * step_s, 3)
        t[0] = 0.0
    if gaps:
        t = with_gaps(rng, t)
    begin = random_start(rng) if start is None else start
    d = draw_dialect(rng, layout=layout and n_cells >= 2 and n_sensors == 0, simple=simple)
    return Draft(
        rng, run, d, np.round(begin + t, 3), current, volts, np.round(run.temperatures, 1), step, noise,
        {0.01: 2, 0.1: 1}.get(amp, 0), places, int(rng.choice([-1, 1])), Sheet(d),
    )  # fmt: skip


def _size(rng: Rng, cells: tuple[int, int]) -> int:
    """Return a cell count: small ones as likely as large ones."""
    low, high = np.log(cells[0]), np.log(cells[1] + 0.99)
    return int(np.exp(rng.uniform(low, high)))


def with_gaps(rng: Rng, t: Array) -> Array:
    """Return times with a few pauses of minutes to hours."""
    t = t.copy()
    for at in rng.integers(1, len(t), int(rng.integers(1, 4))):
        t[at:] += float(rng.integers(60, 20_000))
    return t


def drop_fractions(draft: Draft) -> None:
    """Make the true times whole seconds where the step allows it."""
    if has_fractions(draft.time_s):
        draft.time_s = np.round(draft.time_s[0] + draft.run.t, 3)
