"""What three invented vehicles' loggers write in a day: a drive that grows, a night, now and then another kind."""

from __future__ import annotations

import datetime as dt
import gzip
import hashlib
import random
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from bmslogs.base.pack import Pack
from tests.importers.recordings.kinds import as_json_lines, as_parquet, as_xlsx, typed
from tests.importers.writing import Dialect, Truth, drive, pack_for, text_of

START = dt.datetime(2026, 1, 5, tzinfo=dt.UTC)
VEHICLES = ("Heron", "Plover", "Wren")
CELLS = 12
OTHERS = (("xlsx", as_xlsx), ("parquet", as_parquet), ("jsonl", as_json_lines))


@dataclass(frozen=True)
class Written:
    """One log as it will be when its file is whole.

    Attributes
    ----------
    name
        Of its file, no other has it.
    data
        The file's bytes.
    rows
        Rows that they hold.
    pieces
        Where the file ends while it still grows, in bytes.
    """

    name: str
    data: bytes
    rows: int
    pieces: tuple[int, ...] = ()

    def archived(self, folder: Path) -> Archived:
        """Write it to a folder of all that was ever written."""
        path = folder / self.name
        path.write_bytes(self.data)
        return Archived(path, self.rows, hashlib.sha256(self.data).hexdigest())


@dataclass(frozen=True)
class Archived:
    """What a logger wrote, kept on disk: ninety days of it in memory would look like a program that grows."""

    path: Path
    rows: int
    sha256: str

    @property
    def name(self) -> str:
        """Name of the file."""
        return self.path.name


def packs() -> dict[str, Pack]:
    """Return the packs of the vehicles by id."""
    truth = drive(rows=10, cells=CELLS)
    made = [pack_for(truth, id=f"{v.lower()}-main", vehicle=v) for v in VEHICLES]
    return {p.id: p for p in made}


def written(vehicle: str, day: int, rng: random.Random, folder: Path, rows: int) -> list[Written]:
    """Return what a vehicle's logger writes on a day."""
    seed = rng.randrange(1 << 30)
    first = START + dt.timedelta(days=day, hours=8, minutes=rng.randrange(60))
    truth = drive(rows=rows, cells=CELLS, seed=seed, start=_plain(first))
    text = text_of(truth, Dialect()).encode()
    ends = [k + 1 for k, byte in enumerate(text) if byte == 10]
    cuts = sorted(
        rng.sample(range(len(text) // 4, len(text) - 1), 2)
    )  # in the midst of a line, as loggers leave them
    out = [Written(f"{vehicle.lower()}-{day:03d}-drive.csv", text, len(ends) - 1, tuple(cuts))]
    night = _parked(
        drive(
            rows=rows // 3,
            cells=CELLS,
            seed=seed + 1,
            start=_plain(first + dt.timedelta(hours=9)),
            period_s=60.0,
        )
    )
    name = f"{vehicle.lower()}-{day:03d}-night"
    if day % 5 == 4:
        ending, write = OTHERS[day // 5 % len(OTHERS)]
        path = write(typed(night), folder / f"{name}.{ending}")
        out.append(Written(path.name, path.read_bytes(), len(night.time)))
        path.unlink()
    else:
        data = gzip.compress(text_of(night, Dialect()).encode(), mtime=0)
        out.append(Written(f"{name}.csv.gz", data, len(night.time)))
    return out


def _plain(moment: dt.datetime) -> str:
    return moment.replace(tzinfo=None).isoformat()


def _parked(truth: Truth) -> Truth:
    rng = np.random.default_rng(len(truth.time))
    truth.current = np.zeros(len(truth.time))
    truth.cells = np.round(
        truth.cells[:1]
        - np.linspace(0, 0.002, len(truth.time))[:, None]
        + rng.normal(0, 4e-4, truth.cells.shape),
        3,
    )
    return truth
