"""Load fits by hand: coefficients that are chosen, and blocks that scatter as told."""

import numpy as np

from bmslogs.analysis.known.resistance import Circumstances
from bmslogs.analysis.regression import BlockFit
from bmslogs.analysis.resistance import LoadFit

TAU_S = 20.0


def load_fit(r0, pair, extra=(), scatter=0.0, drifts=0, rms_A=None, period_s=1.0, seed=1):
    """Return a fit of series resistances r0 and pairs (cells,) [ohm] of 20 s, with further rows (k, cells)."""
    coef = np.array([r0, pair, *extra], float)
    blocks = np.random.default_rng(seed).normal(0, 1.0, (8, *coef.shape)) * scatter
    fit = BlockFit(coef, coef + blocks - blocks.mean(axis=0), np.empty((0, 0)), np.zeros(coef.shape[1]))
    return LoadFit(fit, (TAU_S,), period_s, (), rms_A, drifts)


def circumstances(cells, **other):
    """Return a drive at 25 degC of cells at one charge, read by a perfect current sensor."""
    usual = {
        "trusted": np.ones(cells, bool),
        "offset": np.zeros(cells),
        "degc": 25.0,
        "warmth": np.full(cells, 25.0),
        "drove": True,
        "flat": False,
        "gain_sd": 0.0,
    }
    return Circumstances(**(usual | other))
