"""Named baselines of a pack, kept as JSON in the store: what later visits are compared with."""

from __future__ import annotations

import datetime as dt
import hashlib
import json
import re
from dataclasses import dataclass, field
from pathlib import Path
from typing import Annotated, Any, Final, Literal

from bmslogs.base.errors import BadInput
from bmslogs.base.marks import Key, Text
from bmslogs.base.pack import Pack, dump_pack
from bmslogs.base.published import Published
from bmslogs.base.results import Diagnosis
from bmslogs.faces.output import write_text

SCHEMA: Final = "bmslogs.baseline/1"
FOLDER = "_baselines"
NAME = re.compile(r"[A-Za-z0-9_-]{1,64}")


@dataclass(frozen=True)
class Baseline(Published):
    """What was known of a pack on one day.

    Attributes
    ----------
    name, pack_id
        Its name, and the pack that it is of.
    made
        When, UTC.
    configuration
        Hash of the pack file as it then was.
    typed
        What was typed in beside the logs, such as the insulation value with its instrument.
    diagnosis
        All estimates with their intervals, and what was not known.
    """

    schema: Literal["bmslogs.baseline/1"] = field(default=SCHEMA, init=False, repr=False)
    name: Text
    pack_id: Annotated[Text, Key("pack")]
    made: dt.datetime
    configuration: Text
    typed: dict[str, Any]
    diagnosis: Diagnosis


def configuration_hash(pack: Pack) -> str:
    """Return the SHA-256 of what the pack file says, however it is laid out."""
    table = "" if pack.ocv is None else json.dumps(pack.ocv)
    return hashlib.sha256((dump_pack(pack) + table).encode()).hexdigest()


def baselines(store: Path, pack_id: str) -> list[Baseline]:
    """Return the baselines of a pack, oldest first.

    Raises
    ------
    BadInput
        A file among them is no baseline.
    """
    folder = store / FOLDER / pack_id
    files = sorted(folder.glob("*.json")) if folder.is_dir() else []
    return sorted((_read(file) for file in files), key=lambda b: b.made)


def keep_baseline(store: Path, baseline: Baseline) -> Path:
    """Write a baseline; one that exists is never written over.

    Raises
    ------
    BadInput
        The name cannot be a file's, or is taken.
    """
    if not NAME.fullmatch(baseline.name):
        raise BadInput(f"baseline name {baseline.name!r}", "letters, digits, - and _ only, 64 at most")
    path = store / FOLDER / baseline.pack_id / f"{baseline.name}.json"
    if path.exists():
        raise BadInput(f"baseline {baseline.name!r} exists", "a new name", file=path)
    path.parent.mkdir(parents=True, exist_ok=True)
    write_text(path, json.dumps(baseline.to_json(), indent=1, ensure_ascii=False, allow_nan=False) + "\n")
    return path


def _read(path: Path) -> Baseline:
    try:
        data = json.loads(path.read_text(encoding="utf-8"))
        if data["schema"] != SCHEMA:
            raise BadInput(f"schema {data['schema']!r}", SCHEMA, file=path)
        return Baseline.from_json(data)
    except (OSError, ValueError, KeyError, TypeError, AttributeError) as error:
        raise BadInput(f"cannot be read ({type(error).__name__}: {error})", "a baseline", file=path) from None
