"""Recordings as TRC: text of several versions, read by python-can."""

from __future__ import annotations

import io
import re
from collections.abc import Iterator

import numpy as np

from bmslogs.base.errors import BadInput
from bmslogs.importers.can.database import INSTALL
from bmslogs.importers.can.frames import FAR_ON_NS, Frames, Recording, Tally
from bmslogs.importers.text.source import Source, lines_of

CHUNK = 100_000
"""Frames that are put together."""
DAYS_TO_1970 = 25_569
"""Days from 1899-12-30, from which $STARTTIME counts."""


def open_trc(source: Source) -> Recording:
    """Return the reader of a TRC recording.

    Raises
    ------
    BadInput
        python-can is not installed.
    """
    try:
        from can import TRCReader
    except ImportError:
        raise BadInput("a CAN recording (TRC) needs python-can", INSTALL, file=source.path) from None
    head = source.head(8192).decode("utf-8", "replace")
    found = re.search(r"\$STARTTIME\s*=\s*(\d+(?:\.\d+)?)", head)
    start = round((float(found.group(1)) - DAYS_TO_1970) * 86_400_000) * 10**6 if found else 0
    start = start if start >= FAR_ON_NS else 0
    comments = "".join(x + "\n" for x in head.splitlines() if x.lstrip().startswith(";"))

    def frames(tally: Tally) -> Iterator[Frames]:
        for block in lines_of(source.reads(1 << 20), 4 << 20, source.path):
            text = comments + "".join(
                x for x in block.decode("utf-8", "replace").splitlines(True) if not x.lstrip().startswith(";")
            )
            yield _read(TRCReader(io.StringIO(text)), start, tally)

    return Recording("TRC", start > 0, "", frames)


def _read(reader: object, start: int, tally: Tally) -> Frames:
    rows = []
    messages = iter(reader)  # type: ignore[call-overload]
    offset: float | None = None
    while True:
        try:
            message = next(messages, None)
        except (ValueError, IndexError, KeyError, NotImplementedError) as error:
            tally.broken += 1
            tally.first_broken = tally.first_broken or " ".join(str(error).split())[:60]
            break
        if message is None:
            break
        if message.is_remote_frame:
            tally.remote += 1
        elif message.is_error_frame:
            tally.errors += 1
        else:
            rows.append(message)
    offset = getattr(reader, "start_time", 0) or 0
    first = offset.timestamp() if hasattr(offset, "timestamp") else float(offset)
    data = np.zeros((len(rows), 64 if any(len(m.data) > 8 for m in rows) else 8), dtype=np.uint8)
    for k, m in enumerate(rows):
        data[k, : len(m.data)] = np.frombuffer(bytes(m.data), dtype=np.uint8)
    # a tenth of a microsecond is the finest that the format writes
    since = np.array([round((m.timestamp - first) * 1e7) * 100 for m in rows], dtype=np.int64)
    return Frames(
        start + since,
        np.array([m.arbitration_id for m in rows], dtype=np.uint32),
        np.array([m.is_extended_id for m in rows], dtype=bool),
        np.array([len(m.data) for m in rows], dtype=np.uint8),
        data,
        np.array([_channel(m.channel) for m in rows], dtype=np.int16),
    )


def _channel(name: object) -> int:
    text = str(name)
    return int(text) if text.isdigit() else 1
