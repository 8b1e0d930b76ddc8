"""Arrow files (also called Feather) and streams.

Source: the columnar format's public description, from memory. A file is a stream between two marks and a footer, so
both are read as streams.
"""

from __future__ import annotations

import struct
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path
from typing import Any

from bmslogs.base.errors import BadInput
from bmslogs.importers.recordings.arrow_tables import batch_rows, write_batches
from bmslogs.importers.recordings.made import MadeTable, refuse_wide
from bmslogs.importers.recordings.reader import Asked, Reader, local_copy
from bmslogs.importers.text.source import Source

_FILE, _STREAM, _OLD = b"ARROW1\0\0", b"\xff\xff\xff\xff", b"FEA1"
MOST_SCHEMA = 4 << 20
"""Choice [bytes]: two thousand columns with their metadata take 1 MB."""
MOST_BATCH = 128 << 20
"""Choice [bytes]: what one packed batch may unpack to; as usual they hold some thousand rows."""
_RECORDS, _DICTIONARY = 3, 2


def make(source: Source, asked: Asked) -> MadeTable:
    """Write the table of an Arrow file out, batch by batch."""
    import pyarrow as pa

    path, _keeper = local_copy(source)
    start = _start(path, source)
    try:
        with closing(pa.memory_map(str(path))) as handle:
            handle.seek(start)
            _refuse_large(pa.ipc.MessageReader.open_stream(handle), source.path)
            handle.seek(start)
            schema = pa.ipc.open_stream(handle).schema
            refuse_wide(len(schema), source.path)
            rows = batch_rows(len(schema))

            def batches(names: list[str] | None) -> Iterator[Any]:
                handle.seek(start)
                for batch in pa.ipc.open_stream(handle):
                    part = batch if names is None else batch.select(names)
                    for at in range(0, part.num_rows, rows):
                        yield part.slice(at, rows)

            return write_batches(source.path, source.size, schema, None, batches)
    except (pa.ArrowException, OSError, OverflowError, UnicodeError, struct.error) as error:
        says = " ".join(str(error).split())[:160]
        raise BadInput(f"the Arrow file is broken ({says})", "a whole file", file=source.path) from None


def _start(path: Path, source: Source) -> int:
    """Return where the stream begins."""
    with path.open("rb") as handle:
        head = handle.read(16)
        size = handle.seek(0, 2)
        handle.seek(max(size - 6, 0))
        end = handle.read(6)
    if head.startswith(_OLD):
        raise BadInput(
            "the Arrow file is of the first version of Feather", "version 2 of it", file=source.path
        )
    start = 8 if head.startswith(_FILE) else 0
    if start and (size < 24 or end != _FILE[:6]):
        raise BadInput("the Arrow file is cut off: it lacks its end", "a whole file", file=source.path)
    if int.from_bytes(head[start + 4 : start + 8], "little") > MOST_SCHEMA:
        raise BadInput(
            f"the Arrow file is described in more than {MOST_SCHEMA >> 20} MB", "a log's columns", file=source.path
        )
    return start


def _refuse_large(messages: Any, file: Path) -> None:
    """Refuse batches that unpack to more than can be held."""
    while True:
        try:
            message = messages.read_next_message()
        except StopIteration:
            return
        size = _unpacked(bytes(message.metadata), memoryview(message.body) if message.body is not None else None)
        if size > MOST_BATCH:
            raise BadInput(
                f"the Arrow file has a batch that unpacks to {size >> 20} MB",
                f"batches of {MOST_BATCH >> 20} MB at most",
                file=file,
            )


def _unpacked(metadata: bytes, body: memoryview | None) -> int:
    """Return to how many bytes the packed buffers of a message unpack; 0 where they are not packed."""
    if body is None:
        return 0
    message = struct.unpack_from("<I", metadata)[0]
    kind = _field(metadata, message, 1)
    header = _field(metadata, message, 2)
    if not kind or not header or metadata[kind] not in (_RECORDS, _DICTIONARY):
        return 0
    batch = _target(metadata, header)
    if metadata[kind] == _DICTIONARY:
        batch = _target(metadata, _field(metadata, batch, 1))
    buffers = _field(metadata, batch, 2)
    if not buffers or not _field(metadata, batch, 3):
        return 0
    vector = _target(metadata, buffers)
    total = 0
    for k in range(struct.unpack_from("<I", metadata, vector)[0]):
        at, length = struct.unpack_from("<qq", metadata, vector + 4 + 16 * k)
        if length >= 8:
            total += max(struct.unpack_from("<q", body, at)[0], 0)
    return total


def _field(data: bytes, table: int, number: int) -> int:
    """Return the place of a field of a table of the description; 0 where it has none."""
    kinds = table - struct.unpack_from("<i", data, table)[0]
    at = 4 + 2 * number
    if at >= struct.unpack_from("<H", data, kinds)[0]:
        return 0
    place = struct.unpack_from("<H", data, kinds + at)[0]
    return table + place if place else 0


def _target(data: bytes, at: int) -> int:
    return at + int(struct.unpack_from("<I", data, at)[0])


def _tells(head: bytes) -> bool:
    stream = head.startswith(_STREAM) and 0 < int.from_bytes(head[4:8], "little") < 1 << 26
    return stream or head.startswith((_FILE, _OLD))


READER = Reader("Arrow file", _tells, make)
