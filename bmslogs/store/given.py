"""Descriptions that stored logs were given afterwards: kept beside them, so that no log is written again.

One file a pack, ``_described/PACK.json``: the descriptions by their digest, and which log has which. A log that is not
named there has the description that its own metadata hold.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from functools import lru_cache
from pathlib import Path

from bmslogs.base.errors import StoreError
from bmslogs.base.pack import Pack

FOLDER = "_described"
PACK_FOLDER = "pack="


def description_id(text: str) -> str:
    """Return the digest by which a description (its JSON) is known."""
    return hashlib.sha256(text.encode()).hexdigest()[:16]


@dataclass(frozen=True)
class Given:
    """What logs of one pack were given.

    Attributes
    ----------
    logs
        Digest of the description by the log's id.
    texts, packs
        The descriptions by digest: as JSON, and read.
    """

    logs: Mapping[str, str] = field(default_factory=dict)
    texts: Mapping[str, str] = field(default_factory=dict)
    packs: Mapping[str, Pack] = field(default_factory=dict)

    def pack(self, log: str) -> Pack | None:
        """Return the description that a log was given; None where it has its own."""
        return self.packs.get(self.logs.get(log, ""))

    def with_logs(self, pack: Pack, logs: Iterable[str]) -> Given:
        """Return the same with a description given to these logs."""
        text = pack.model_dump_json()
        one = description_id(text)
        return _used({**self.logs, **dict.fromkeys(logs, one)}, {**self.texts, one: text})

    def without(self, log: str) -> Given:
        """Return the same without a log, which was written anew with a description of its own."""
        return _used({k: v for k, v in self.logs.items() if k != log}, self.texts)

    def over(self, other: Given) -> Given:
        """Return what another file says, and this one where both speak of a log."""
        return _used({**other.logs, **self.logs}, {**other.texts, **self.texts})

    def text(self) -> str:
        """Return the file's content."""
        return json.dumps({"descriptions": dict(self.texts), "logs": dict(self.logs)})


def _used(logs: Mapping[str, str], texts: Mapping[str, str]) -> Given:
    wanted = {k: texts[k] for k in dict.fromkeys(logs.values())}
    return Given(logs, wanted, {k: Pack.model_validate_json(t) for k, t in wanted.items()})


def given_of(text: str | bytes) -> Given:
    """Read such a file's content.

    Raises
    ------
    ValueError, KeyError, TypeError
        It is none.
    """
    data = json.loads(text)
    return _used(dict(data["logs"]), dict(data["descriptions"]))


def given_file(root: Path, pack_folder: str) -> Path:
    """Return where it lies, for a pack as its folder is named."""
    return root / FOLDER / f"{pack_folder.removeprefix(PACK_FOLDER)}.json"


def given_in(root: Path, pack_folder: str) -> Given:
    """Return what the logs of a pack were given, read again where that has changed.

    Raises
    ------
    StoreError
        The file cannot be read: an older description must not stand in for the one that was given.
    """
    path = given_file(root, pack_folder)
    try:
        state = path.stat()
    except OSError:
        return Given()
    return _read(str(path), state.st_size, state.st_mtime_ns)


def given_to(path: Path) -> Pack | None:
    """Return the description that a stored log was given; None where it has its own, or lies elsewhere."""
    folder = path.absolute().parent
    if not folder.name.startswith(PACK_FOLDER):
        return None
    return given_in(folder.parents[1], folder.name).pack(path.stem)


def given_key(path: Path) -> str:
    """Return the digest of the description that a stored log was given; empty where it has its own."""
    folder = path.absolute().parent
    if not folder.name.startswith(PACK_FOLDER):
        return ""
    return given_in(folder.parents[1], folder.name).logs.get(path.stem, "")


@lru_cache(maxsize=512)
def _read(path: str, _size: int, _changed: int) -> Given:
    try:
        return given_of(Path(path).read_bytes())
    except (OSError, ValueError, KeyError, TypeError, AttributeError):
        says = "the descriptions that logs of this pack were given cannot be read"
        raise StoreError(f"{Path(path).name}: {says}") from None
