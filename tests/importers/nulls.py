"""True readings that the importer nulls: counted on fault-free logs of many kinds, as read by the rules themselves.

    python -m tests.importers.nulls --rows 10000000 --seed 1

Every kind of log is invented without a fault: whatever is nulled there is a true reading lost. Beside it stands how
many of the frames are found that were lost on purpose. Readings go through the rules block by block, as in an import.
"""

from __future__ import annotations

import argparse
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from bmslogs.importers.reading.fills import cell_fills, scalar_fills, temperature_fills
from bmslogs.importers.reading.repeated_frames import UNKNOWN, held_rows

Floats = npt.NDArray[np.float64]
Float32s = npt.NDArray[np.float32]
RULES = ("cell fills", "temperature fills", "current fills", "held frames", "held cells")
BLOCK = 10_000
"""Rows handed to the rules at a time: about those of a block of the file."""


@dataclass(frozen=True)
class Kind:
    """A fault-free log: cells, noise of each and of all [mV], steps of voltage [mV] and current [A], rows a second."""

    cells: int
    noise_mV: float
    common_mV: float
    step_mV: float
    step_A: float
    period_s: float
    ohm: float
    level_V: float
    bursts: bool
    piecewise: bool
    slow_noise: float

    def says(self) -> str:
        """Return the kind as one line."""
        extra = (
            " bursts" * self.bursts
            + " steps" * self.piecewise
            + f" filtered {self.slow_noise:.1f}" * bool(self.slow_noise)
        )
        return (
            f"{self.cells} cells, noise {self.noise_mV:.2f}+{self.common_mV:.2f} mV, steps {self.step_mV:g} mV "
            f"{self.step_A:g} A, row every {self.period_s:g} s{extra}"
        )


def any_kind(rng: np.random.Generator) -> Kind:
    """Return a kind at random: from noise-free simulations to coarse steps and noise that all channels share."""
    return Kind(
        cells=int(rng.choice([1, 2, 4, 8, 12, 16, 24, 48, 96])),
        noise_mV=float(rng.choice([0.0, 0.1, 0.3, 0.8, 2.0])),
        common_mV=float(rng.choice([0.0, 0.0, 0.5, 2.0])),
        step_mV=float(rng.choice([0.1, 1.0, 1.0, 2.0, 5.0, 10.0])),
        step_A=float(rng.choice([0.01, 0.1, 0.1, 0.5, 1.0])),
        period_s=float(rng.choice([0.1, 0.5, 1.0, 5.0, 10.0, 60.0])),
        ohm=float(rng.choice([0.0003, 0.001, 0.003])),
        level_V=float(rng.choice([3.29, 3.7, 4.05, 4.095, 3.2767])),
        bursts=bool(rng.random() < 0.3),
        piecewise=bool(rng.random() < 0.3),
        slow_noise=float(rng.choice([0.0, 0.0, 0.5, 0.9])),
    )


def currents(kind: Kind, rows: int, rng: np.random.Generator) -> Floats:
    """Return a current [A]: stop and go, steady charge, rest, or steps that each last some rows."""
    out = np.zeros(rows)
    at = 0
    while at < rows:
        length = int(rng.integers(2, 600)) if rng.random() < 0.8 else int(rng.integers(2, 6))
        length = min(length, rows - at)
        what = rng.choice(["drive", "drive", "rest", "steady", "idle"])
        if what == "drive" and kind.piecewise:
            levels = rng.normal(0, 40, length)
            out[at : at + length] = levels[np.cumsum(rng.random(length) < 0.5) - 1]
        elif what == "drive":
            walk = np.cumsum(rng.normal(0, 1, length)) * 8 * np.sqrt(min(kind.period_s, 5.0))
            out[at : at + length] = 60 * np.sin(walk / 40) + rng.normal(
                0, rng.choice([0.0, 0.3, 10.0]), length
            )
        elif what == "steady":
            out[at : at + length] = rng.choice([-30.0, -6.0, 25.0]) + rng.normal(
                0, rng.choice([0.0, 0.05]), length
            )
        elif what == "idle":
            out[at : at + length] = 1.3
        at += length
    return out


def noise(kind: Kind, shape: tuple[int, ...], rng: np.random.Generator) -> Floats:
    """Return noise of unit size along the last axis, filtered where the logger filters."""
    out = rng.normal(size=shape)
    if kind.slow_noise:
        from scipy.signal import lfilter

        out = np.asarray(lfilter([1 - kind.slow_noise], [1, -kind.slow_noise], out, axis=-1))
    return out


def truth(kind: Kind, rows: int, rng: np.random.Generator) -> tuple[Float32s, Float32s, Float32s]:
    """Return cells (cells, rows) [mV], temperatures (3, rows) [degC], current (rows,) [A] as a logger writes them."""
    amps = currents(kind, rows, rng)
    slow = np.cumsum(amps) * kind.period_s / 3600 / 100
    lag = amps.copy()
    share = np.exp(-kind.period_s / 20)
    for k in range(1, rows):
        lag[k] = share * lag[k - 1] + (1 - share) * amps[k]
    own = rng.normal(0, 0.004, kind.cells)[:, None]
    largest = 0.5 / (1.6 * max(float(np.abs(amps).max()), 1.0))  # no cell is driven beyond half a volt
    ohms = min(kind.ohm, largest) * rng.normal(1, 0.05, kind.cells)[:, None]
    curve = 0.3 * np.tanh(slow) + 0.01 * np.sin(np.arange(rows) / 3000)
    volts = kind.level_V + own - ohms * (amps + 0.6 * lag) - curve
    when = np.ones(rows)
    if kind.bursts:
        when = np.repeat(rng.random(rows // 20 + 1) < 0.5, 20)[:rows].astype(float)
    spread = noise(kind, volts.shape, rng) * kind.noise_mV + noise(kind, (rows,), rng) * kind.common_mV
    cells = np.round((volts * 1e3 + when * spread) / kind.step_mV) * kind.step_mV
    warm = rng.uniform(-5, 35) + np.cumsum(rng.normal(0, 0.02, (3, rows)), axis=1)
    temperatures = np.round(warm / 0.5) * 0.5 if kind.step_mV > 1 else np.round(warm, 1)
    current = np.round(amps / kind.step_A) * kind.step_A
    return cells.astype(np.float32), temperatures.astype(np.float32), current.astype(np.float32)


def blocks(rows: int) -> Iterator[slice]:
    for first in range(0, rows, BLOCK):
        yield slice(first, min(first + BLOCK, rows))


def nulled(
    cells: Float32s, temperatures: Float32s, current: Float32s
) -> tuple[dict[str, int], npt.NDArray[np.bool_]]:
    """Return how many rows each rule nulls, and which rows are taken for held."""
    out = dict.fromkeys(RULES, 0)
    held = np.zeros(cells.shape[1], dtype=bool)
    scatter, last_cells, last_warm = UNKNOWN, None, None
    never = np.zeros(len(temperatures), dtype=bool)
    for part in blocks(cells.shape[1]):
        some, warm, amps = cells[:, part].copy(), temperatures[:, part].copy(), current[part]
        fills, impossible = cell_fills(some, 1.0, last_cells)
        wrong = fills | impossible
        out["cell fills"] += int(wrong.any(axis=0).sum())
        some[wrong] = np.nan
        odd = temperature_fills(warm, 0.1, 0.0, last_warm, never)
        out["temperature fills"] += int(odd.any(axis=0).sum())
        out["current fills"] += int(scalar_fills(amps, 0.1, float("nan"), 50.0).sum())
        whole, alone, scatter = held_rows(some, amps, None, scatter)
        out["held frames"] += int(whole.sum())
        out["held cells"] += int(alone.sum())
        held[part] = whole | alone
        last_cells, last_warm = some[:, -1].copy(), warm[:, -1].copy()
    return out, held


def lose(
    cells: Float32s, current: Float32s, rng: np.random.Generator
) -> tuple[Float32s, Float32s, npt.NDArray[np.bool_]]:
    """Return readings of which one frame in a hundred was lost under load, and which were."""
    rows = cells.shape[1]
    busy = np.abs(np.diff(current, prepend=0)) > 2
    lost = busy & (rng.random(rows) < 0.01)
    lost[0] = False
    lost[1:] &= ~lost[:-1]
    cells, current = cells.copy(), current.copy()
    at = np.flatnonzero(lost)
    cells[:, at], current[at] = cells[:, at - 1], current[at - 1]
    return cells, current, lost


def count(rows: int, seed: int, a_log: int = 40_000, loud: bool = False) -> dict[str, int]:
    """Return totals over as many logs as hold `rows` rows."""
    total: dict[str, int] = {}
    done = number = 0
    while done < rows:
        rng = np.random.default_rng([seed, number])
        kind = any_kind(rng)
        length = int(rng.choice([300, 3000, a_log, a_log]))
        cells, temperatures, current = truth(kind, length, rng)
        one, _ = nulled(cells, temperatures, current)
        with_losses, amps, lost = lose(cells, current, rng)
        _, held = nulled(with_losses, temperatures, amps)
        one |= {
            "rows": length, "readings": cells.size, "lost": int(lost.sum()), "found": int((lost & held).sum()),
            "wrongly found": int((held & ~lost).sum()),
        }  # fmt: skip
        if (
            kind.noise_mV >= 0.5 * kind.step_mV
            and kind.cells >= 12
            and not kind.bursts
            and not kind.slow_noise
        ):
            one |= {"lost, noisy": int(lost.sum()), "found, noisy": int((lost & held).sum())}
        bad = sum(one[k] for k in RULES)
        if loud and (bad or one["wrongly found"]):
            print(f"log {number}: {length} rows, {kind.says()}: { {k: v for k, v in one.items() if v} }")
        for key, value in one.items():
            total[key] = total.get(key, 0) + value
        done += length
        number += 1
    return total


def main() -> None:
    """Print how many true rows each rule nulls per million."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--rows", type=int, default=10_000_000)
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args()
    total = count(options.rows, options.seed, loud=True)
    rows = total["rows"]
    print(f"{rows} fault-free rows, {total['readings']} readings of cells")
    for rule in RULES:
        print(f"{rule:<18} {total[rule]:>6} true rows nulled, {total[rule] * 1e6 / rows:.3f} per million")
    print(
        f"lost frames found: {total['found']} of {total['lost']}; "
        f"true rows nulled beside them: {total['wrongly found']}"
    )
    if "lost, noisy" in total:
        print(
            f"where noise reaches half a step on 12 cells or more: {total['found, noisy']} of {total['lost, noisy']}"
        )


if __name__ == "__main__":
    main()
