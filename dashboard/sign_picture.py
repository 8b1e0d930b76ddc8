"""The sign of the current as a small picture: current and cells of the file where the current moves most."""

from __future__ import annotations

from dataclasses import dataclass
from urllib.parse import quote

import numpy as np
import numpy.typing as npt

from bmslogs.importers.recognise.look import Job
from bmslogs.importers.recognise.sign_shown import sign_shown

Floats = npt.NDArray[np.float64]
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
    """Return the picture of a file; None where it shows nothing."""
    found = sign_shown(job)
    return None if found is None else SignPicture(found.current, found.cells, found.answer)
