"""An invented pack and diagnosis that the tests of the faces share."""

from __future__ import annotations

from bmslogs.base.cautions import CAUTIONS
from bmslogs.base.pack import Pack
from bmslogs.base.results import Diagnosis, Estimate, Finding, refused

WREN = Pack.model_validate(
    {
        "id": "wren-main",
        "vehicle": "Wren",
        "chemistry": "NMC",
        "nominal_capacity_Ah": 50.0,
        "cells_in_series": 6,
        "boxes": [{"name": "front", "modules": ["F1", "F2"]}],
        "modules": [{"name": "F1", "cells": [1, 2, 3]}, {"name": "F2", "cells": [4, 5, 6]}],
        "temperature_sensors": [{"name": "T1", "cells": [1, 2]}],
    }
)
LOG = {
    "id": "20260503-0910-0123456789ab",
    "start": "2026-05-03T09:10:00Z",
    "end": "2026-05-03T10:10:00Z",
    "rows": 3600,
    "kinds": ["drive", "rest"],
}
CONDITIONS = {"temperature_C": 21.3, "soc_low": 0.4, "soc_high": 0.8, "current_rms_A": 62.0}
OHMS = {1: 1.00e-3, 2: 1.01e-3, 3: 0.99e-3, 4: 1.00e-3, 5: 1.24e-3, 6: 1.00e-3}


def diagnosis(*, name: str = "Wren", findings: tuple[Finding, ...] | None = None) -> Diagnosis:
    """Return a diagnosis with something known, something found and something that cannot be told."""
    estimates = [
        Estimate(
            "resistance_10s", "ohm", cell=c, value=r, low=r - 2e-5, high=r + 2e-5, conditions=dict(CONDITIONS)
        )
        for c, r in OHMS.items()
    ]
    estimates += [
        refused(
            "soc_offset",
            "fraction",
            f"SOC offset of cell {c} is not determinable from this log: no rest on a slope.",
            "Charge to the knee with taper and 30 min rest.",
            cell=c,
        )
        for c in OHMS
    ]
    estimates.append(Estimate("current_zero", "A", value=-0.12, low=-0.16, high=-0.08))
    hot = Finding(
        cause="cell_resistance_high",
        level="act",
        says="Front box, module F2, cell 5 drops 24 % more voltage under load than its neighbours.",
        cells=(5,),
        module="F2",
        size=0.24,
        low=0.22,
        high=0.26,
        unit="fraction of pack median",
        because=("resistance_10s of cell 5 is 1.24 mohm, the pack's middle 1.00",),
        next=("Do not ask for full power.", "Measure the drop over the links."),
    )
    return Diagnosis(
        log=LOG,
        pack={"id": "wren-main", "vehicle": name, "cells": 6},
        estimates=tuple(estimates),
        findings=(hot,) if findings is None else findings,
        repairs=("2 rows whose time repeated were dropped",),
        cautions=CAUTIONS,
        method="1",
    )
