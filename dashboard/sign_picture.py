"""The sign of the current as a small picture: current and cells of the file where the current moves most."""

from __future__ import annotations

from dataclasses import dataclass
from urllib.parse import quote

import numpy as np
import numpy.typing as npt

from bmslogs.importers.recognise.look import Job

Floats = npt.NDArray[np.float64]
ROWS = 120
"""Choice: as many rows are drawn."""
TELLS = 0.3
"""Choice: correlation of the steps from which on a picture's line says which way the cells answer."""
WIDE, HIGH, GAP = 340, 46, 10
COLOURS = ("#b36b00", "#16808c")
"""Current and cells; both can be read on light and dark paper."""


@dataclass(frozen=True)
class SignPicture:
    """Current in the logger's own sign and the mean of the cells, where the current moves most.

    Attributes
    ----------
    current, cells
        (rows,) in the file's units.
    answer
        ``falls``, ``rises`` or ``hardly moves``: the cells, where the current goes up.
    """

    current: Floats
    cells: Floats
    answer: str

    def address(self) -> str:
        """Return the picture as an address that holds it."""
        lines = "".join(
            f'<polyline fill="none" stroke="{colour}" stroke-width="1.8" points="{_points(values, top)}"/>'
            for values, colour, top in zip((self.current, self.cells), COLOURS, (0, HIGH + GAP), strict=True)
        )
        nought = _nought(self.current)
        ends = "" if nought is None else f'x1="0" x2="{WIDE}" y1="{nought:.1f}" y2="{nought:.1f}"'
        zero = f'<line {ends} stroke="#8a979c" stroke-dasharray="3 3"/>' if ends else ""
        size = f'width="{WIDE}" height="{2 * HIGH + GAP}" viewBox="0 0 {WIDE} {2 * HIGH + GAP}"'
        return "data:image/svg+xml," + quote(
            f'<svg xmlns="http://www.w3.org/2000/svg" {size}>{zero}{lines}</svg>'
        )


def _scaled(values: Floats) -> tuple[float, float]:
    low, high = float(np.nanmin(values)), float(np.nanmax(values))
    return low, (high - low) or 1.0


def _points(values: Floats, top: float) -> str:
    low, span = _scaled(values)
    x = np.linspace(2, WIDE - 2, len(values))
    y = top + HIGH - 3 - (HIGH - 6) * (values - low) / span
    return " ".join(f"{a:.1f},{b:.1f}" for a, b in zip(x, y, strict=True) if np.isfinite(b))


def _nought(values: Floats) -> float | None:
    low, span = _scaled(values)
    return HIGH - 3 - (HIGH - 6) * (0 - low) / span if low <= 0 <= low + span else None


def sign_picture(job: Job) -> SignPicture | None:
    """Return the picture of a file; None where it has no one current, no cells, or a current that never moves."""
    currents, cells = job.plan.of("current"), job.plan.of("cell")
    if len(currents) != 1 or not cells or job.plan.long is not None:
        return None
    amps = job.sample.columns[currents[0].index].values
    volts = np.array([job.sample.columns[t.index].values for t in cells])
    best: tuple[float, Floats, Floats] | None = None
    for window in np.unique(job.sample.window):
        rows = np.flatnonzero(job.sample.window == window)
        piece = _liveliest(amps[rows])
        rows = rows[piece]
        sound = np.isfinite(amps[rows]) & np.isfinite(volts[:, rows]).any(axis=0)
        rows = rows[sound]
        if len(rows) < 8:
            continue
        moved = float(np.std(amps[rows]))
        if best is None or moved > best[0]:
            best = (moved, amps[rows], np.nanmean(volts[:, rows], axis=0))
    if best is None or best[0] == 0:
        return None
    return SignPicture(best[1], best[2], _answer(best[1], best[2]))


def _liveliest(values: Floats) -> slice:
    """Return the rows of a window around which the current moves most."""
    if len(values) <= ROWS:
        return slice(0, len(values))
    moves = np.abs(np.diff(np.nan_to_num(values)))
    summed = np.convolve(moves, np.ones(ROWS - 1), "valid")
    first = int(np.argmax(summed))
    return slice(first, first + ROWS)


def _answer(current: Floats, cells: Floats) -> str:
    steps, answers = np.diff(current), np.diff(cells)
    if np.std(steps) == 0 or np.std(answers) == 0:
        return "hardly moves"
    together = float(np.corrcoef(steps, answers)[0, 1])
    return "rises" if together > TELLS else "falls" if together < -TELLS else "hardly moves"
