"""What limits a charge or a capacity that is read through the open-circuit curve, in words.

A voltage difference dV is a charge of dV / u'(z), with u' the slope of the open-circuit curve over the state of charge
[V per unit]: 1 mV is 100 % * 1 mV / u'.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from bmslogs.base.nan_statistics import nanmedian

Floats = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]

PERCENT_OVER_MV = 0.1
"""Per cent a unit of charge, over millivolts a volt: makes of a slope how many per cent 1 mV is."""
LEAST_SLOPE_V = 1e-4
"""Under a curve that climbs less the charge of 1 mV is not said to be more [V per unit] (judgement)."""
BOOK_SLOPE_ERROR = 0.35
"""How well the table of a chemistry tells the slope at one place of other cells' curve, as a fraction (half width,
choice): their steps lie a few per cent of charge elsewhere."""


@dataclass(frozen=True)
class ReadingOfCurve:
    """How a log's charges were read through the curve.

    Attributes
    ----------
    swing_V
        How far the open-circuit voltage moved [V].
    slope_V
        Median slope of the curve over what was passed [V per unit of charge]; None where the log contradicts the curve.
    trusted
        (cells,) True where the readings count.
    """

    swing_V: float
    slope_V: float | None
    trusted: Bools

    def limits(self, half: Floats | None, of: str) -> str:
        """Return what limits a width: how much charge 1 mV is, and how far the log tells it.

        Parameters
        ----------
        half
            (cells,) half widths, as shares of the capacity; None where the swing alone forbids a figure.
        of
            What they are half widths of.
        """
        moved = f"the open-circuit voltage moved {self.swing_V * 1e3:.0f} mV over the charge covered"
        if self.slope_V is None:
            return moved
        percent = percent_of_a_millivolt(self.slope_V, LEAST_SLOPE_V)
        worth = f"{moved}, and 1 mV is {percent:.2g} % of charge here"
        if half is None or not np.isfinite(half[self.trusted]).any():
            return f"{worth}: too little to tell {of}"
        usual = float(nanmedian(half[self.trusted]))
        return (
            f"{worth}; with what readings and loads leave unsure, {of} is told to +-{usual * 100:.2g} % only"
        )


def percent_of_a_millivolt(slope_V: float, least_V: float) -> float:
    """Return how much charge 1 mV is [%] where the curve climbs by `slope_V` [V per unit], or by `least_V` at least."""
    return PERCENT_OVER_MV / max(slope_V, least_V)


def conditions_of(span: tuple[float, float] | None, degc: float | None) -> dict[str, float | None]:
    """Return what a charge was told under: temperature [degC], least and most state of charge; None: not known."""
    low, high = span or (None, None)
    return {"temperature_C": degc, "soc_low": low, "soc_high": high}
