"""Files of the store: safe names, atomic writes, metadata of Parquet files."""

from __future__ import annotations

import contextlib
import errno
import os
import secrets
from collections.abc import Iterator
from pathlib import Path
from typing import Any
from urllib.parse import quote, unquote

from bmslogs.base.columns import SCHEMA
from bmslogs.base.errors import StoreError, printable
from bmslogs.base.pack import Pack
from bmslogs.store.given import given_file, given_in, given_to


def folder_name(key: str, value: str) -> str:
    """Return ``key=value`` as a folder name: whatever is no letter, digit, ``-`` or ``_`` is percent-encoded."""
    text = quote(value, safe="").replace(".", "%2E").replace("~", "%7E")
    return f"{key}={text or '%00'}"


def vehicle_in(path: Path) -> str | None:
    """Return the vehicle that a stored log is one of, which its folder names; None for a file that lies elsewhere.

    The name stands there alone: what the file itself says is what the vehicle was called when it was written.
    """
    key, _, name = path.absolute().parent.parent.name.partition("=")
    return unquote(name).strip("\0") if key == "vehicle" else None


def placed(pack: Pack, path: Path) -> Pack:
    """Return the pack that a stored log says it is of, as described for it since, under its vehicle's name of now."""
    return in_vehicle(given_to(path) or pack, path)


def in_vehicle(pack: Pack, path: Path) -> Pack:
    """Return a pack under the name that the vehicle of a stored log has now."""
    vehicle = vehicle_in(path)
    return pack if vehicle in (None, pack.vehicle) else pack.model_copy(update={"vehicle": vehicle})


def renamed_in(answer: dict[str, Any], vehicle: str) -> dict[str, Any]:
    """Return a stored answer, changed in place, under its vehicle's name of now."""
    if isinstance(answer.get("pack"), dict):
        answer["pack"]["vehicle"] = vehicle
    return answer


def pack_of_log(path: Path) -> Pack:
    """Return the pack of a stored log as it holds for that, under its vehicle's name of now.

    Raises
    ------
    StoreError
        Not a log of the store.
    """
    meta = read_metadata(path)
    try:
        return placed(Pack.model_validate_json(meta["bmslogs.pack_json"]), path)
    except (KeyError, ValueError) as error:
        raise StoreError(f"{path.name}: its pack cannot be read ({_short(error)})") from None


def write_atomic(path: Path, content: str | bytes) -> None:
    """Write a file so that it is there whole or not at all.

    Raises
    ------
    StoreError
        The disk is full or the folder cannot be written.
    """
    temporary = path.with_name(f"_{path.name}.{os.getpid()}-{secrets.token_hex(4)}")
    with store_errors(path):
        path.parent.mkdir(parents=True, exist_ok=True)
        try:
            with temporary.open("wb") as handle:
                handle.write(content.encode("utf-8") if isinstance(content, str) else content)
                handle.flush()
                os.fsync(handle.fileno())
            temporary.replace(path)
        finally:
            temporary.unlink(missing_ok=True)


def forget_given(root: Path, pack_folder: str, log: str) -> None:
    """Let a log have the description in its own metadata again: it was written anew with it."""
    given = given_in(root, pack_folder)
    if log in given.logs:
        write_atomic(given_file(root, pack_folder), given.without(log).text())


def sync_file(path: Path) -> None:
    """Force a file's bytes to disk."""
    with path.open("rb+") as handle:
        os.fsync(handle.fileno())


def sync_folder(path: Path) -> None:
    """Force a folder's entries to disk, where the system can."""
    if not hasattr(os, "O_DIRECTORY"):
        return
    with contextlib.suppress(OSError):
        handle = os.open(path, os.O_RDONLY | os.O_DIRECTORY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)


@contextlib.contextmanager
def store_errors(where: Path) -> Iterator[None]:
    """Turn errors of the file system into one line."""
    try:
        yield
    except OSError as error:
        full = error.errno in (errno.ENOSPC, getattr(errno, "EDQUOT", -1)) or "No space left" in str(error)
        if full:
            raise StoreError(
                f"{where}: the disk is full; nothing was stored, free some space and try again"
            ) from None
        raise StoreError(f"{where}: cannot be written ({error.strerror or error})") from None


def read_metadata(path: Path) -> dict[str, str]:
    """Return the project's metadata of a Parquet file.

    Raises
    ------
    StoreError
        Not a Parquet file of the store.
    """
    import pyarrow as pa
    import pyarrow.parquet as pq

    try:
        raw: dict[bytes, bytes] = pq.read_metadata(path).metadata or {}
    except (pa.ArrowException, OSError) as error:
        raise StoreError(f"{path.name}: cannot be read ({_short(error)})") from None
    meta = {
        k.decode("utf-8", "replace"): v.decode("utf-8", "replace")
        for k, v in raw.items()
        if k.startswith(b"bmslogs.")
    }
    if "bmslogs.schema" not in meta:
        raise StoreError(f"{path.name}: no log of this store (no bmslogs metadata)")
    refuse_newer(meta["bmslogs.schema"], path.name)
    return meta


class NewerStore(StoreError):
    """A log, and so perhaps the whole store, was written by a newer version of this program."""


def refuse_newer(schema: str, name: str) -> None:
    """Refuse a log of a schema that this version does not know.

    Raises
    ------
    NewerStore
        One line.
    """
    kind, _, number = schema.rpartition("/")
    known, _, highest = SCHEMA.rpartition("/")
    if kind != known or not number.isdigit() or int(number) > int(highest):
        raise NewerStore(
            f"{name}: written by a newer version of this program ({printable(schema, 40)}; this one reads up to "
            f"{SCHEMA}); nothing was changed, update bmslogs to read this store"
        )


def _short(error: Any) -> str:
    return " ".join(str(error).split())[:200]
