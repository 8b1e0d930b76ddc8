"""The estimates and findings of all logs, and what stands of each pack, as Parquet datasets: one file a pack.

They are made from the stored diagnoses and say in their metadata from which ones; a file is written again only when
those have changed. Any Parquet reader takes ``STORE/_estimates``, ``STORE/_findings`` and ``STORE/_standing`` as
tables.
"""

from __future__ import annotations

import datetime as dt
import io
import json
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path
from typing import Any

import pyarrow as pa
import pyarrow.parquet as pq

from bmslogs.base.errors import StoreError
from bmslogs.base.pack import Pack
from bmslogs.base.results import Diagnosis
from bmslogs.fleet.files import Files, Stamp

WORD = pa.string()
CONDITIONS = ("temperature_C", "soc_low", "soc_high", "current_rms_A")
ESTIMATES = pa.schema(
    [
        ("pack", WORD), ("vehicle", WORD), ("log", pa.string()), ("start", pa.timestamp("us", "UTC")),
        ("quantity", WORD), ("cell", pa.int16()), ("sensor", WORD), ("value", pa.float64()), ("low", pa.float64()),
        ("high", pa.float64()), ("unit", WORD), ("status", WORD), *((c, pa.float64()) for c in CONDITIONS),
        ("conditions", pa.string()), ("why", WORD), ("settle_by", WORD), ("method", WORD),
    ]
)  # fmt: skip
FINDINGS = pa.schema(
    [
        ("pack", WORD), ("vehicle", WORD), ("log", pa.string()), ("start", pa.timestamp("us", "UTC")), ("cause", WORD),
        ("level", WORD), ("cells", pa.list_(pa.int16())), ("module", WORD), ("sensor", WORD), ("size", pa.float64()),
        ("low", pa.float64()), ("high", pa.float64()), ("unit", WORD), ("says", pa.string()), ("method", WORD),
    ]
)  # fmt: skip
MADE_FROM, PACK = b"bmslogs.made_from", b"bmslogs.pack_json"
"""Metadata keys: log id to [size, time of change, method] of the diagnosis it was made from; the pack at that time."""


def refresh(files: Files, packs: Iterable[str] | None = None) -> list[str]:
    """Bring the datasets up to the stored diagnoses; return the packs whose files were written again.

    Parameters
    ----------
    files
        The store.
    packs
        Pack ids; None takes all, and removes the files of packs that are gone.
    """
    present: dict[str, set[str]] = {}
    for log in files.logs:
        present.setdefault(log.pack, set()).add(log.id)
    written = []
    for pack in sorted(present) if packs is None else packs:
        answers = {i: s for i, s in files.answers(pack).items() if i in present.get(pack, set())}
        described = files.pack(pack)
        metadata = _metadata(files, pack)
        same = {i: (s.size, s.changed) for i, s in answers.items()} == {
            i: k[:2] for i, k in _made(metadata).items()
        }
        if same and metadata.get(PACK, b"").decode() == _pack_json(described):
            continue
        _write_pack(files, pack, answers, described)
        written.append(pack)
    if packs is None:
        for folder in ("_estimates", "_findings", "_standing"):
            for info in files.listing(files.path(folder)):
                if info.base_name.removesuffix(".parquet") not in present:
                    files.remove(info.path)
    return written


def made_from(files: Files, pack: str) -> dict[str, tuple[int, int, str]]:
    """Return the diagnoses that a pack's estimates were made from: log id to size, time of change and method."""
    return _made(_metadata(files, pack))


def _metadata(files: Files, pack: str) -> dict[bytes, bytes]:
    try:
        with files.system.open_input_file(files.path("_estimates", f"{pack}.parquet")) as handle:
            return dict(pq.read_schema(handle).metadata or {})
    except (OSError, pa.ArrowInvalid):
        return {}


def _made(metadata: Mapping[bytes, bytes]) -> dict[str, tuple[int, int, str]]:
    try:
        found = json.loads(metadata.get(MADE_FROM, b"{}"))
        return {i: (int(a), int(b), str(m)) for i, (a, b, m) in found.items()}
    except (ValueError, TypeError, AttributeError):
        return {}


def _pack_json(pack: Pack | None) -> str:
    return "" if pack is None else pack.model_dump_json()


def read_estimates(
    root: str | Path | Files, columns: Sequence[str] | None = None, **equal: object
) -> pa.Table:
    """Read the estimates of all logs.

    Parameters
    ----------
    root
        The store: a folder, an address, or its files on a filesystem of the caller's.
    columns
        Columns to read; None for all.
    equal
        Column = value, or a list of values: only such rows, for example ``quantity="resistance_10s"``.
    """
    return _read(root, "_estimates", ESTIMATES, columns, equal)


def read_findings(
    root: str | Path | Files, columns: Sequence[str] | None = None, **equal: object
) -> pa.Table:
    """Read the findings of all logs, as `read_estimates` does."""
    return _read(root, "_findings", FINDINGS, columns, equal)


def read_standing(
    root: str | Path | Files, columns: Sequence[str] | None = None, **equal: object
) -> pa.Table:
    """Read the findings that stand when all logs of each pack are weighed together, as `read_estimates` does."""
    return _read(root, "_standing", FINDINGS, columns, equal)


def _read(
    root: str | Path | Files,
    folder: str,
    schema: pa.Schema,
    columns: Sequence[str] | None,
    equal: Mapping[str, object],
) -> pa.Table:
    import pyarrow.dataset as ds

    files = root if isinstance(root, Files) else Files(root)
    names = [i.path for i in files.listing(files.path(folder)) if i.base_name.endswith(".parquet")]
    names = [n for n in names if not n.rsplit("/", 1)[1].startswith(("_", "."))]
    condition = None
    for column, value in equal.items():
        if column not in schema.names:
            raise StoreError(f"no column {column!r} in {folder}; there are {', '.join(schema.names)}")
        one = ds.field(column).isin(list(value) if isinstance(value, list | tuple | set) else [value])
        condition = one if condition is None else condition & one
    data = ds.dataset(names, schema=schema, filesystem=files.system, format="parquet")
    return data.to_table(columns=list(columns) if columns else None, filter=condition)


def _write_pack(files: Files, pack: str, answers: Mapping[str, Stamp], described: Pack | None) -> None:
    estimates: list[dict[str, Any]] = []
    findings: list[dict[str, Any]] = []
    documents: list[dict[str, Any]] = []
    known: dict[str, tuple[int, int, str]] = {}
    for log_id, stamp in sorted(answers.items()):
        answer = files.read_answer(pack, log_id)
        if answer is None:
            continue
        known[log_id] = (stamp.size, stamp.changed, answer.made_by)
        documents.append(answer.document)
        estimates += estimate_rows(answer.document)
        findings += finding_rows(answer.document)
    metadata = {MADE_FROM: json.dumps(known).encode(), PACK: _pack_json(described).encode()}
    standing = finding_rows(_whole(documents, described)) if documents else []
    tables = (
        ("_standing", FINDINGS, standing), ("_findings", FINDINGS, findings), ("_estimates", ESTIMATES, estimates)
    )  # fmt: skip
    for folder, schema, rows in tables:
        table = pa.Table.from_pylist(rows, schema=schema).replace_schema_metadata(metadata)
        buffer = io.BytesIO()
        pq.write_table(table, buffer, compression="zstd")
        files.write(files.path(folder, f"{pack}.parquet"), buffer.getvalue())


def _whole(documents: Sequence[dict[str, Any]], pack: Pack | None) -> dict[str, Any]:
    """Return the diagnosis that weighs all logs of a pack (its JSON object)."""
    from bmslogs.findings import diagnose_pack

    return diagnose_pack([Diagnosis.from_json(d) for d in documents], pack).to_json()


def estimate_rows(document: Mapping[str, Any]) -> list[dict[str, Any]]:
    """Return one row an estimate of a diagnosis (its JSON object)."""
    common = _common(document)
    out = []
    for e in document["estimates"]:
        conditions = e.get("conditions", {})
        row = common | {
            k: e.get(k) for k in ("quantity", "cell", "sensor", "value", "low", "high", "unit", "status")
        }
        row |= {c: _number(conditions.get(c)) for c in CONDITIONS}
        rest = {k: v for k, v in conditions.items() if k not in CONDITIONS}
        row |= {
            "conditions": json.dumps(rest) if rest else None,
            "why": e.get("why"),
            "settle_by": e.get("settle_by"),
        }
        out.append(row)
    return out


def finding_rows(document: Mapping[str, Any]) -> list[dict[str, Any]]:
    """Return one row a finding of a diagnosis (its JSON object)."""
    common = _common(document)
    keys = ("cause", "level", "cells", "module", "sensor", "size", "low", "high", "unit", "says")
    return [common | {k: f.get(k) for k in keys} for f in document["findings"]]


def _common(document: Mapping[str, Any]) -> dict[str, Any]:
    return {
        "pack": document["pack"]["id"],
        "vehicle": document["pack"]["vehicle"],
        "log": document["log"]["id"],
        "start": dt.datetime.fromisoformat(str(document["log"]["start"]).replace("Z", "+00:00")),
        "method": document.get("method", ""),
    }


def _number(value: object) -> float | None:
    return float(value) if isinstance(value, int | float) and not isinstance(value, bool) else None
