"""The demonstration: the sample logs of three invented vehicles, imported and diagnosed like any others."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from bmslogs.base.errors import StoreError
from bmslogs.base.pack import load_pack
from bmslogs.faces.answers import answer
from bmslogs.faces.progress import Step

if TYPE_CHECKING:
    from bmslogs.store import Store


def samples() -> dict[Path, list[Path]]:
    """Return the sample pack files, and the logs of each in the order in which they were taken."""
    from sample_logs import SAMPLES

    packs = sorted(SAMPLES.glob("*-main.toml"))
    return {pack: sorted(SAMPLES.glob(f"{pack.stem.removesuffix('-main')}-*.csv*")) for pack in packs}


def build(store: Store, step: Step) -> int:
    """Import and diagnose every sample log; what is there already is left as it is.

    Parameters
    ----------
    store
        Where to.
    step
        Called with the name of what comes next.

    Returns
    -------
    Number of logs.
    """
    count = 0
    for pack_file, files in samples().items():
        step(f"importing {pack_file.stem}")
        report = store.import_files(files, load_pack(pack_file))
        if report.refused:
            raise StoreError(f"a sample log was refused: {report.refused[0].reason}")
        for log in report.logs:
            step(f"weighing {Path(log.file).name}")
            answer(store, log.id)
            count += 1
    return count
