"""What an import says where the log contradicts its pack file, or where the pack file is not that of earlier logs."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq

from bmslogs.base.columns import numbered
from bmslogs.base.errors import Ambiguous, StoreError
from bmslogs.base.pack import Pack
from bmslogs.base.pack_claims import Thinned, contradictions, unlike_packs, unseen_seconds
from bmslogs.importers.plan.profile import Profile
from bmslogs.importers.reading.stream import Reading
from bmslogs.store.files import pack_of_log

if TYPE_CHECKING:
    from bmslogs.store.store import Store

UNITS = ("A", "0.1A", "mA")
"""Units of currents that a profile may say."""
ROWS = 2000
"""Choice: so many rows of a joined log are held against its pack file."""


def pack_notes(store: Store, pack: Pack, thinned: Thinned | None, sha256: str) -> tuple[str, ...]:
    """Return one sentence a line of the pack file that the log or the pack's latest log contradicts.

    A log of the same bytes, `sha256`, is about to be replaced: its pack file was corrected.
    """
    found = [] if thinned is None else contradictions(thinned, pack)
    return (*(one.says for one in found), *_unlike_latest(store, pack, sha256))


def refuse_unit(profile: Profile, thinned: Thinned | None, pack: Pack, file: Path) -> None:
    """Ask where the cells speak against the charge that a current in the profile's unit has moved.

    Raises
    ------
    Ambiguous
        The line of the profile and what contradicts it.
    """
    given = profile.current.unit if profile.current is not None else None
    if given is None or thinned is None:
        return
    against = next((one for one in contradictions(thinned, pack) if one.flow), None)
    if against is not None:
        others = " or ".join(f'unit = "{u}"' for u in UNITS if u != given)
        raise Ambiguous(
            f'the profile says unit = "{given}" for the current, but {against.found}; {against.expected}',
            f"a profile with [current] {others}, or another nominal_capacity_Ah in the pack file",
            file=file,
            column=profile.current.column if profile.current is not None else None,
        )


def thinned_reading(reading: Reading) -> Thinned | None:
    """Return what was kept of a file while it was read."""
    plan = reading.plan
    return reading.findings.thinner.thinned(plan.cells, plan.sign or 1, plan.voltage_step)


def thinned_file(path: Path, step: float) -> Thinned | None:
    """Return a normalised file in few rows; None where it has no cells."""
    with pq.ParquetFile(path) as file:
        names = [n for n in file.schema_arrow.names if numbered("cell", n) is not None]
        if not names or not file.metadata.num_rows:
            return None
        table = file.read(columns=[n for n in ("time", "current_A", *names) if n in file.schema_arrow.names])
    seconds = table["time"].cast(pa.int64()).to_numpy() * 1e-6
    keep = np.arange(0, len(seconds), max(1, len(seconds) // ROWS))
    volts = np.stack([table[n].cast(pa.float64()).to_numpy()[keep] for n in names], axis=1) * 1e-3
    current = charge = None
    if "current_A" in table.column_names:
        amps = table["current_A"].cast(pa.float64()).to_numpy()
        length = np.diff(seconds, append=seconds[-1])
        length = np.minimum(length, 10 * float(np.median(length[:-1]))) if len(length) > 1 else length
        drawn = np.cumsum(np.nan_to_num(amps) * length) / 3600.0
        current, charge = amps[keep], np.concatenate([[0.0], drawn[:-1]])[keep]
    cells = tuple(numbered("cell", n) or 0 for n in names)
    return Thinned(
        seconds[keep] - seconds[0], current, charge, volts, cells, step, unseen_seconds(seconds)[keep]
    )


def _unlike_latest(store: Store, pack: Pack, sha256: str) -> list[str]:
    """Return a sentence where the pack file of the latest log of this pack says otherwise than this one."""
    logs = [e for e in store.logs(pack.id) if e.sha256 != sha256]
    if not logs:
        return []
    latest = max(logs, key=lambda e: e.start)
    try:
        other = pack_of_log(latest.path)
    except StoreError:
        return []
    differ = unlike_packs(pack, other)
    if not differ:
        return []
    return [
        f"The pack file of log {latest.id} of pack {pack.id} is another: {'; '.join(differ)}. Two packs need two ids; "
        "where a line was corrected, import the older logs again."
    ]
