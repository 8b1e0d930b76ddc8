"""Arrow files (also called Feather) and streams."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import closing
from typing import Any

from bmslogs.base.errors import BadInput
from bmslogs.importers.recordings.arrow_tables import batch_rows, write_batches
from bmslogs.importers.recordings.made import MadeTable, refuse_wide
from bmslogs.importers.recordings.reader import Asked, Reader, local_copy
from bmslogs.importers.text.source import Source

_FILE, _STREAM, _OLD = b"ARROW1\0\0", b"\xff\xff\xff\xff", b"FEA1"


def make(source: Source, asked: Asked) -> MadeTable:
    """Write the table of an Arrow file out, batch by batch."""
    import pyarrow as pa

    path, _keeper = local_copy(source)
    head = source.head(8)
    if head.startswith(_OLD):
        raise BadInput("is a Feather file of the first version", "version 2 (an Arrow file)", file=source.path)
    try:
        with closing(pa.OSFile(str(path))) as handle:
            stream = not head.startswith(_FILE)
            opened = pa.ipc.open_stream(handle) if stream else pa.ipc.open_file(handle)
            schema = opened.schema
            refuse_wide(len(schema), source.path)
            rows = batch_rows(len(schema))

            def batches(names: list[str] | None) -> Iterator[Any]:
                for batch in _all(handle) if stream else _of_file(opened):
                    part = batch if names is None else batch.select(names)
                    for at in range(0, part.num_rows, rows):
                        yield part.slice(at, rows)

            return write_batches(source.path, source.size, schema, None, batches)
    except (pa.ArrowException, OSError, OverflowError, UnicodeError) as error:
        says = " ".join(str(error).split())[:160]
        raise BadInput(f"the Arrow file is broken ({says})", "a whole file", file=source.path) from None


def _of_file(opened: Any) -> Iterator[Any]:
    for k in range(opened.num_record_batches):
        yield opened.get_batch(k)


def _all(handle: Any) -> Iterator[Any]:
    import pyarrow as pa

    handle.seek(0)
    yield from pa.ipc.open_stream(handle)


def _tells(head: bytes) -> bool:
    return head.startswith((_FILE, _OLD)) or (head.startswith(_STREAM) and 0 < int.from_bytes(head[4:8], "little") < 1 << 24)


READER = Reader("Arrow file", _tells, make)
