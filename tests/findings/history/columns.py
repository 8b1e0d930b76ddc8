"""What a pack's logs told, as columns written by hand."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from bmslogs.base.pack import Pack
from bmslogs.findings.history.gathered import CONDITIONS, Gathered, Told
from tests.findings.by_hand import a_pack

NAN = np.nan


def told(value: Any, half: float = 0.01, columns: Sequence[Any] = (), warm: float = 20.0, **at: Any) -> Told:
    """Return a quantity over logs; conditions are one value for all logs, or one a log."""
    v = np.atleast_2d(np.asarray(value, float))
    given = {"soc_low": 0.5, "soc_high": 0.8, "current_A": 60.0, "middle": 1.0, "weeks": 1.0} | at
    return Told(
        tuple(columns) or tuple(range(1, v.shape[1] + 1)),
        v,
        v - half,
        v + half,
        np.full(v.shape, warm),
        {k: np.broadcast_to(np.asarray(given[k], float), (len(v),)).copy() for k in CONDITIONS},
        tuple("" if np.isfinite(row).any() else "no drive" for row in v),
        np.zeros(v.shape, bool),
    )


def gathered(
    days: Sequence[int],
    kinds: Sequence[str] = (),
    counters: Any = None,
    pack: Pack | None = None,
    **quantities: Told,
) -> Gathered:
    start = np.array([np.datetime64("2026-01-01T09:00:00", "us") + np.timedelta64(d, "D") for d in days])
    return Gathered(
        pack or a_pack(),
        tuple(f"log-{d}" for d in days),
        start,
        quantities,
        counters=counters or {},
        kinds=tuple((k,) for k in kinds) or (("drive",),) * len(days),
    )
