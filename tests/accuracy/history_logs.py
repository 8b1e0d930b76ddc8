"""A pack's year whose logs are simulated and diagnosed: a drive and a charge a month, cells that drift, the seasons."""

from __future__ import annotations

import copy

import numpy as np

from bmslogs.findings import diagnose
from sample_logs.loads import Bench
from sample_logs.meter import Meter
from sample_logs.string_model import String, make_string
from tests.accuracy.adapter import as_log, build_pack
from tests.accuracy.history_simulation import PLANTED, Year

MONTHS = 12
PLANS: tuple[tuple[str, float] | None, ...] = (
    ("resistance_10s", 0.025), None, ("soc_offset", -0.004), None, ("capacity", -0.009), None,
)  # fmt: skip
"""What drifts in one cell, as a fraction a month: two to five times what comes to a finding in a year."""
SECONDS = 30.4 * 86400


def year_of_logs(seed: int, plan: tuple[str, float] | None) -> Year:
    """Return a year of twelve logs of a string of 12 cells; each is diagnosed as any other log."""
    rng = np.random.default_rng([seed, 12])
    string = make_string(12, "NMC", 100.0, rng, soc=0.5)
    pack = build_pack(string)
    cell = int(rng.integers(string.cells))
    documents = []
    gain = 1 + float(np.clip(rng.normal(0, 0.005), -0.015, 0.015))
    for month in range(MONTHS):
        aged = copy.deepcopy(string)
        if plan is not None:
            _age(aged, cell, plan[0], plan[1] * month)
        ambient = 17 - 8 * np.cos(2 * np.pi * month / 12) + float(rng.normal(0, 2))
        start = np.datetime64("2025-06-03T08:00:00", "us") + np.timedelta64(round(month * SECONDS), "s")
        name = f"{str(start)[:10].replace('-', '')}-0800-{month:012x}"
        log = as_log(_logged(aged, ambient, gain, rng), pack, name, start)
        documents.append(diagnose(log).to_json())
    slopes = {k: np.zeros(string.cells) for k in PLANTED}
    if plan is not None:
        slopes[plan[0]][cell] = plan[1] * (100.0 if plan[0] == "soc_offset" else 1.0)
    return Year(pack, documents, slopes, 0.0, (plan[0], cell + 1) if plan else None)


def _age(string: String, cell: int, what: str, by: float) -> None:
    """Change one cell by a fraction of its own resistance or capacity, or of charge."""
    if what == "resistance_10s":
        string.r0_ohm[cell] *= 1 + by
        string.pairs_ohm[:, cell] *= 1 + by
    elif what == "soc_offset":
        string.soc[cell] += by
    else:
        missing = (1 - string.soc[cell]) * string.capacity_Ah[cell]
        string.capacity_Ah[cell] *= 1 + by
        string.soc[cell] = 1 - missing / string.capacity_Ah[cell]


def _logged(string: String, ambient_C: float, gain: float, rng: np.random.Generator):  # type: ignore[no-untyped-def]
    bench = Bench(string, rng, ambient_C=ambient_C, log_every_s=2.0, fine_s=0.2)
    bench.rest(0.4)
    bench.drive(rng.uniform(25, 35), rms_c=rng.uniform(0.5, 0.65))
    bench.rest(0.5)
    bench.charge(rng.uniform(0.3, 0.45))
    bench.rest(0.6)
    meter = Meter(
        volt_step=0.001, volt_noise=0.0004, current_noise=0.3, current_step=0.1, current_gain=gain,
        current_lag_s=rng.uniform(-0.2, 0.2), wire_ohm=0.02,
    )  # fmt: skip
    return meter.read(bench.trace(), rng, string.sensors, string.outside_taps_ohm)
