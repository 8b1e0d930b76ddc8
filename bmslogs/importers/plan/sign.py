"""The sign of the current: from how the voltages answer it, with a confidence; else from their trend."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]
LAGS = 3
"""Rows by which current and voltage may be apart."""
ENOUGH_Z = 6.0
"""Choice: z of the correlation from which on the sign is believed (chance 1e-9)."""
PIECE = 600
"""Choice [rows]: pieces are judged apart as well, to see a current without a sign."""
SMALL_STEP = 0.25
"""Choice: steps below this share of the usual one are noise of the sensor."""
STEADY_FRACTION = 0.02
"""Choice: a current whose largest value is below this share of the capacity per hour never moves (C/50)."""


@dataclass
class SignEvidence:
    """Sums over successive rows; positive `z` means that the voltage rises with the logger's current.

    Feed it blocks in order; it keeps no rows.
    """

    products: Floats
    squares_i: float = 0.0
    squares_v: float = 0.0
    rows: int = 0
    largest: float = 0.0
    spread: float = 0.0
    signed: tuple[int, int] = (0, 0)
    trend: float = 0.0
    trend_rows: int = 0
    charge: float = 0.0
    pieces: tuple[float, float] = (0.0, 0.0)

    @classmethod
    def empty(cls) -> SignEvidence:
        """Return evidence of nothing."""
        return cls(np.zeros(2 * LAGS + 1))

    def add(self, current: Floats, voltage: Floats) -> None:
        """Add successive rows: the logger's current [A, its sign] and the mean cell voltage [V]."""
        good = np.isfinite(current) & np.isfinite(voltage)
        i, v = current[good], voltage[good]
        if len(i) <= LAGS + 1:
            return
        self.largest = max(self.largest, float(np.max(np.abs(i))))
        self.spread = max(self.spread, float(np.ptp(i)))
        self.signed = (self.signed[0] + int((i > 0).sum()), self.signed[1] + int((i < 0).sum()))
        self.trend += float(v[-1] - v[0]) * float(np.sign(np.mean(i)))
        self.trend_rows += 1
        self.charge += float(np.mean(i))
        for first in range(0, len(i), PIECE):
            # a short rest goes with the piece before it
            last = len(i) if len(i) - first < 2 * PIECE else first + PIECE
            self._add_piece(np.diff(i[first:last]), np.diff(v[first:last]))
            if last == len(i):
                break

    def _add_piece(self, di: Floats, dv: Floats) -> None:
        # drifts of both, as in the last hours of a charge, say nothing of the answer to a step
        di, dv = di - di.mean(), dv - dv.mean()
        # a step that the fill or the rest of a fault makes counts as much as any other: bound it
        limit = 8 * np.sqrt(np.mean(dv**2))
        dv = np.clip(dv, -limit, limit)
        di = np.where(np.abs(di) >= SMALL_STEP * np.sqrt(np.mean(di**2)), di, 0.0)
        n = len(di)
        products = np.zeros(2 * LAGS + 1)
        for k, lag in enumerate(range(-LAGS, LAGS + 1)):
            a = di[max(lag, 0) : n + min(lag, 0)]
            b = dv[max(-lag, 0) : n - max(lag, 0)]
            products[k] = float(a @ b)
        squares_i, squares_v = float(di @ di), float(dv @ dv)
        self.products += products
        self.squares_i += squares_i
        self.squares_v += squares_v
        self.rows += n
        if n >= 50 and squares_i > 0 and squares_v > 0:
            r = products / np.sqrt(squares_i * squares_v)
            top = float(r[np.argmax(np.abs(r))])
            if abs(top) > 0.5:
                moved = float(np.sqrt(squares_i))
                self.pieces = (self.pieces[0] + moved * (top > 0), self.pieces[1] + moved * (top < 0))

    @property
    def correlation(self) -> float:
        """Correlation of the steps of current and voltage at the lag where it is largest."""
        if self.squares_i <= 0 or self.squares_v <= 0:
            return 0.0
        r = self.products / np.sqrt(self.squares_i * self.squares_v)
        return float(np.clip(r[np.argmax(np.abs(r))], -1.0, 1.0))

    @property
    def z(self) -> float:
        """Fisher z of the correlation in standard deviations; fewer than ten rows say nothing."""
        if self.rows < 10:
            return 0.0
        return float(np.arctanh(np.clip(self.correlation, -0.999999, 0.999999)) * np.sqrt(self.rows - 3))


@dataclass(frozen=True)
class Sign:
    """The verdict: `factor` turns the logger's current into one that is positive while discharging.

    Attributes
    ----------
    factor
        1 or -1; None where nothing decides.
    why
        One line with the confidence.
    """

    factor: int | None
    why: str


def judge_sign(
    evidence: SignEvidence, capacity_Ah: float | None, hint: int | None = None, hint_says: str = ""
) -> Sign:
    """Weigh the evidence.

    Parameters
    ----------
    evidence
        Over all rows, or over a sample.
    capacity_Ah
        Of the pack; sets what counts as a current that never moves.
    hint
        1 or -1 where header words say which sign is discharge.
    hint_says
        Those words.
    """
    z = evidence.z
    rises, falls = evidence.pieces
    if min(rises, falls) > 0.25 * max(rises, falls):
        return Sign(
            None,
            "the voltage rises with the current in some parts and falls in others: it seems to have lost its sign",
        )
    one_way = min(evidence.signed) <= 0.02 * max(sum(evidence.signed), 1)
    by_trend = (1 if evidence.trend < 0 else -1) if one_way and abs(evidence.trend) > 0.03 else 0
    if abs(z) >= ENOUGH_Z and abs(evidence.correlation) >= 0.05:
        if by_trend and by_trend != (1 if z < 0 else -1) and abs(evidence.correlation) < 0.3:
            return Sign(hint, hint_says or "the answer of the voltages to steps and their trend do not agree")
        factor = 1 if z < 0 else -1
        how = "falls" if z < 0 else "rises"
        said = f"voltage {how} with the current (correlation {evidence.correlation:.2f}, {min(abs(z), 99):.0f} sd)"
        if hint is not None and hint != factor:
            said += f"; against the header ({hint_says})"
        return Sign(factor, said)
    if hint is not None:
        return Sign(hint, hint_says)
    still = max(STEADY_FRACTION * capacity_Ah, 0.2) if capacity_Ah else 0.5
    if evidence.largest <= still:
        return Sign(
            1, f"current never above {evidence.largest:g} A: the sign is immaterial, taken as written"
        )
    if evidence.trend_rows and abs(evidence.trend) > 0.01 and one_way:
        # one steady current alone: voltage rises under charge, falls under discharge
        factor = 1 if evidence.trend < 0 else -1
        how = "falls" if evidence.trend < 0 else "rises"
        return Sign(factor, f"steady current; the voltage {how} under it by {abs(evidence.trend):.3f} V")
    return Sign(None, "the voltages do not answer the current clearly enough to tell its sign")
