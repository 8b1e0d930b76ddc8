"""Arrow files (also called Feather) and streams.

Source: the columnar format's public description, from memory.
"""

from __future__ import annotations

import struct
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path
from typing import Any

from bmslogs.base.errors import BadInput
from bmslogs.importers.recordings.arrow_tables import batch_rows, write_batches
from bmslogs.importers.recordings.made import refuse_wide
from bmslogs.importers.recordings.reader import Asked, Reader, local_copy
from bmslogs.importers.text.made_table import MadeTable
from bmslogs.importers.text.source import Source

_FILE, _STREAM, _OLD = b"ARROW1\0\0", b"\xff\xff\xff\xff", b"FEA1"
MOST_SCHEMA = 4 << 20
"""Choice [bytes]: two thousand columns with their metadata take 1 MB."""
MOST_BATCH = 128 << 20
"""Choice [bytes]: what one packed batch may unpack to; as usual they hold some thousand rows."""
_RECORDS, _DICTIONARY = 3, 2
_FOOTER_DICTIONARIES, _FOOTER_RECORDS = 2, 3


def make(source: Source, asked: Asked) -> MadeTable:
    """Write the table of an Arrow file out, batch by batch."""
    import pyarrow as pa

    path, _keeper = local_copy(source)
    whole = _is_file(path, source)
    try:
        with closing(pa.memory_map(str(path))) as handle:
            data = memoryview(handle.read_buffer())
            for size in _sizes_of_file(data) if whole else _sizes_of_stream(data):
                _refuse_large(size, source.path)
            handle.seek(0)
            opened = pa.ipc.open_file(handle) if whole else pa.ipc.open_stream(handle)
            refuse_wide(len(opened.schema), source.path)
            rows = batch_rows(len(opened.schema))

            def batches(names: list[str] | None) -> Iterator[Any]:
                for batch in _of_file(opened) if whole else _of_stream(handle):
                    part = batch if names is None else batch.select(names)
                    for at in range(0, part.num_rows, rows):
                        yield part.slice(at, rows)

            return write_batches(source.path, source.size, opened.schema, None, batches)
    except (pa.ArrowException, OSError, OverflowError, UnicodeError, struct.error, IndexError) as error:
        says = " ".join(str(error).split())[:160]
        raise BadInput(f"the Arrow file is broken ({says})", "a whole file", file=source.path) from None


def _of_file(opened: Any) -> Iterator[Any]:
    for k in range(opened.num_record_batches):
        yield opened.get_batch(k)


def _of_stream(handle: Any) -> Iterator[Any]:
    import pyarrow as pa

    handle.seek(0)
    yield from pa.ipc.open_stream(handle)


def _is_file(path: Path, source: Source) -> bool:
    """Whether it is a file with a footer, not a stream."""
    with path.open("rb") as handle:
        head = handle.read(8)
        size = handle.seek(0, 2)
        handle.seek(max(size - 10, 0))
        end = handle.read(10)
    if head.startswith(_OLD):
        raise BadInput(
            "the Arrow file is of the first version of Feather", "version 2 of it", file=source.path
        )
    whole = head == _FILE
    if whole and (size < 24 or end[4:] != _FILE[:6]):
        raise BadInput("the Arrow file is cut off: it lacks its end", "a whole file", file=source.path)
    described = int.from_bytes(end[:4] if whole else head[4:8], "little")
    if described > MOST_SCHEMA:
        raise BadInput(
            f"the Arrow file is described in {described >> 20} MB",
            f"{MOST_SCHEMA >> 20} MB at most, as the columns of a log need",
            file=source.path,
        )
    return whole


def _refuse_large(size: int, file: Path) -> None:
    if size > MOST_BATCH:
        raise BadInput(
            f"the Arrow file has a batch that unpacks to {size >> 20} MB",
            f"batches of {MOST_BATCH >> 20} MB at most",
            file=file,
        )


def _sizes_of_stream(data: memoryview) -> Iterator[int]:
    """Yield to how many bytes the packed buffers of each message unpack."""
    import pyarrow as pa

    messages = pa.ipc.MessageReader.open_stream(pa.BufferReader(pa.py_buffer(data)))
    while True:
        try:
            message = messages.read_next_message()
        except StopIteration:
            return
        if message.body is not None:
            yield _unpacked(bytes(message.metadata), memoryview(message.body))


def _sizes_of_file(data: memoryview) -> Iterator[int]:
    """Yield the same of each message that the footer names."""
    length = struct.unpack_from("<i", data, len(data) - 10)[0]
    footer = bytes(data[len(data) - 10 - length : len(data) - 10])
    root = struct.unpack_from("<I", footer)[0]
    for number in (_FOOTER_DICTIONARIES, _FOOTER_RECORDS):
        blocks = _field(footer, root, number)
        if not blocks:
            continue
        vector = _target(footer, blocks)
        for k in range(struct.unpack_from("<I", footer, vector)[0]):
            at, described, body = struct.unpack_from("<qi4xq", footer, vector + 4 + 24 * k)
            prefix = 8 if bytes(data[at : at + 4]) == _STREAM else 4
            behind = at + described
            yield _unpacked(bytes(data[at + prefix : behind]), data[behind : behind + body])


def _unpacked(metadata: bytes, body: memoryview) -> int:
    """Return to how many bytes the packed buffers of a message unpack; 0 where they are not packed."""
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
