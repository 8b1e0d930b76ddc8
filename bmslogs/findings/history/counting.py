"""What is added up from the rows of one log: charge and energy through the pack, and how far places part in warmth."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from bmslogs.base.nan_statistics import nanmax, nanmedian, nanmin

Floats = npt.NDArray[np.float64]

LONGEST_STEP = 10.0
"""A step longer than so many usual ones is a pause: what flowed in it nobody saw (choice)."""
NAN = float("nan")


def counted(
    seconds: Floats, current: Floats | None, pack_V: Floats | None, temperature: Floats
) -> tuple[dict[str, float], Floats]:
    """Add up one log.

    Parameters
    ----------
    seconds
        (rows,) rising [s].
    current
        (rows,) [A], positive while the pack discharges; None where the log has none.
    pack_V
        (rows,) [V]; None where neither pack nor cells tell it.
    temperature
        (rows, sensors) [degC].

    Returns
    -------
    Charge drawn and charged [Ah], energy drawn and charged [kWh], hours that were seen [h], usual (median) distance
    between the warmest and the coldest sensor [K]; and (sensors,) the usual distance of each from the middle
    one [K]. NaN for what the log lacks.
    """
    step = np.diff(seconds, append=seconds[-1]) if len(seconds) else np.zeros(0)
    usual = float(np.median(step[:-1])) if len(step) > 1 else 0.0
    step = np.where(step <= LONGEST_STEP * usual, step, 0.0)
    out = {
        "drawn_Ah": NAN,
        "charged_Ah": NAN,
        "drawn_kWh": NAN,
        "charged_kWh": NAN,
        "hours": step.sum() / 3600.0,
    }
    if current is not None and np.isfinite(current).any():
        flow = np.nan_to_num(current) * step / 3600.0
        out["drawn_Ah"], out["charged_Ah"] = float(flow[flow > 0].sum()), float(-flow[flow < 0].sum())
        if pack_V is not None and np.isfinite(pack_V).any():
            work = flow * np.nan_to_num(pack_V) / 1000.0
            out["drawn_kWh"], out["charged_kWh"] = float(work[work > 0].sum()), float(-work[work < 0].sum())
    out["spread_K"] = NAN
    sensors = np.full(temperature.shape[1], np.nan)
    if temperature.shape[1] >= 2 and np.isfinite(temperature).any():
        sensors = nanmedian(temperature - nanmedian(temperature, axis=1, keepdims=True), axis=0)
        out["spread_K"] = float(nanmedian(nanmax(temperature, axis=1) - nanmin(temperature, axis=1)))
    return {k: float(v) for k, v in out.items()}, sensors
