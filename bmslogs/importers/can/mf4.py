"""Recordings as MF4, read by asammdf: frames of a bus, or signals that were decoded already."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager, suppress
from typing import Any

import numpy as np
import numpy.typing as npt

from bmslogs.base.errors import BadInput
from bmslogs.importers.can.database import INSTALL
from bmslogs.importers.can.frames import FAR_ON_NS, Frames, Recording, Tally, joined
from bmslogs.importers.text.source import Source

CHUNK = 200_000
"""Choice: records of a group that are taken at a time."""
FRAME = "CAN_DataFrame"


@contextmanager
def opened(source: Source) -> Iterator[Any]:
    """Give the open file for the time of a `with`.

    Raises
    ------
    BadInput
        asammdf is not installed, or cannot read it.
    """
    if source.kind != "plain":
        raise BadInput(f"an MF4 recording packed as {source.kind}", "the unpacked file", file=source.path)
    try:
        from asammdf import MDF
        from asammdf.blocks.utils import MdfException
    except ImportError:
        raise BadInput("a recording (MF4) needs asammdf", INSTALL, file=source.path) from None
    with ExitStack() as stack:
        yield _open(source, MDF, MdfException, stack)


def _open(source: Source, MDF: Any, MdfException: Any, stack: ExitStack) -> Any:
    import struct
    import zlib

    try:
        # given as a path, the whole file would be mapped into memory
        handle = source.path.open("rb")
        stack.callback(handle.close)
        mdf = MDF(handle, remove_source_from_channel_names=False, process_bus_logging=False)
        stack.callback(mdf.close)
        return mdf
    except (
        MdfException, struct.error, zlib.error, ValueError, KeyError, IndexError, TypeError, AttributeError, OSError,
        OverflowError, MemoryError, RecursionError, AssertionError, UnicodeError,
    ) as error:  # fmt: skip
        # what a parser stumbles over in a damaged file is of any kind; nothing of ours runs inside
        line = " ".join(str(error).split())[:150]
        _let_go(error)
        raise BadInput(
            f"the MF4 recording is damaged ({line})", "a whole recording", file=source.path
        ) from None


def _let_go(error: BaseException) -> None:
    """Close what was half opened: left to itself, asammdf tells of it with a traceback on standard error."""
    at = error.__traceback__
    while at is not None:
        half: Any = at.tb_frame.f_locals.get("self")
        if type(half).__module__.startswith("asammdf.") and hasattr(half, "_closed"):
            with suppress(AttributeError, OSError):
                half.close()
        at = at.tb_next


def start_of(mdf: Any) -> tuple[int, str]:
    """Return the start [ns] and its zone: empty where it is the recorder's own clock."""
    moment = mdf.header.start_time
    zone = "UTC" if moment.tzinfo is not None else ""
    at = moment if moment.tzinfo is not None else moment.replace(tzinfo=dt.UTC)
    whole = at - dt.datetime(1970, 1, 1, tzinfo=dt.UTC)
    return int(whole / dt.timedelta(microseconds=1)) * 1000, zone


def bus_groups(mdf: Any) -> list[int]:
    """Return the groups that hold data frames."""
    out = []
    for index, group in enumerate(mdf.groups):
        names = {c.name for c in group.channels}
        if FRAME in names and any(n.startswith(FRAME + ".") for n in names):
            out.append(index)
    return out


def open_bus(source: Source, mdf: Any) -> Recording:
    """Return the reader of the data frames of an open MF4 recording."""
    start, zone = start_of(mdf)
    groups = bus_groups(mdf)

    def frames(tally: Tally) -> Iterator[Frames]:
        waiting: dict[int, Frames] = {}
        streams = {g: _of_group(mdf, g, start, source) for g in groups}
        if len(streams) == 1:
            yield from next(iter(streams.values()))
            return
        while streams or waiting:
            for g in [g for g in streams if g not in waiting]:
                block = next(streams[g], None)
                if block is None:
                    del streams[g]
                elif len(block):
                    waiting[g] = block
            if not waiting:
                continue
            until = min((int(waiting[g].time[-1]) for g in waiting if g in streams), default=2**62)
            parts = []
            for g in list(waiting):
                block = waiting[g]
                cut = int(np.searchsorted(block.time, until, side="right"))
                parts.append(block.take(slice(0, cut)))
                waiting[g] = block.take(slice(cut, None))
                if not len(waiting[g]):
                    del waiting[g]
            merged = joined(parts)
            yield merged.take(np.argsort(merged.time, kind="stable"))

    return Recording("MF4", start >= FAR_ON_NS, zone, frames)


def _of_group(mdf: Any, group: int, start: int, source: Source) -> Iterator[Frames]:
    total = int(mdf.groups[group].channel_group.cycles_nr)
    for offset in range(0, total, CHUNK):
        yield _chunk(mdf, group, offset, min(CHUNK, total - offset), start, source)


def _chunk(mdf: Any, group: int, offset: int, count: int, start: int, source: Source) -> Frames:
    """Return some of the frames of a group."""
    signal = _get(mdf, FRAME, group, offset, count, source)
    names = signal.samples.dtype.names or ()

    def field(name: str) -> npt.NDArray[Any] | None:
        full = f"{FRAME}.{name}"
        if full in names:
            return np.asarray(signal.samples[full])
        if any(c.name == full for c in mdf.groups[group].channels):
            return np.asarray(_get(mdf, full, group, offset, count, source).samples)
        return None

    ident = field("ID")
    data, length = field("DataBytes"), field("DataLength")
    if ident is None or data is None:
        raise BadInput("data frames without identifier or bytes", "a bus recording", file=source.path)
    data = data.reshape(len(ident), -1).view(np.uint8).reshape(len(ident), -1)
    length = np.full(len(ident), data.shape[1]) if length is None else length
    length = np.minimum(length, min(data.shape[1], 64)).astype(np.uint8)
    wide = 8 if int(length.max(initial=0)) <= 8 else 64
    bytes_ = np.zeros((len(ident), wide), dtype=np.uint8)
    bytes_[:, : min(wide, data.shape[1])] = data[:, :wide]
    ide, bus = field("IDE"), field("BusChannel")
    wanted = ident.astype(np.int64)
    extended = (wanted & 0x80000000) > 0 if ide is None else ide.astype(bool)
    time = start + np.rint(signal.timestamps * 1e9).astype(np.int64)
    return Frames(
        time,
        (wanted & 0x1FFFFFFF).astype(np.uint32),
        extended,
        length,
        bytes_,
        (np.ones(len(ident)) if bus is None else bus).astype(np.int16),
    )


def _get(mdf: Any, name: str, group: int, offset: int, count: int, source: Source) -> Any:
    with _damage_told(source):
        return mdf.get(name, group, record_offset=offset, record_count=count, raw=True)


def get_physical(mdf: Any, name: str, group: int, index: int, offset: int, count: int, source: Source) -> Any:
    """Return some samples of a channel in its unit, texts where it has a table of them."""
    with _damage_told(source):
        return mdf.get(
            name,
            group,
            index,
            record_offset=offset,
            record_count=count,
            ignore_invalidation_bits=False,
            raw=False,
        )


@contextmanager
def _damage_told(source: Source) -> Iterator[None]:
    """Tell what the library raises over a damaged file as one line."""
    import struct
    import zlib

    from asammdf.blocks.utils import MdfException

    kinds = (MdfException, ValueError, IndexError, TypeError, zlib.error, struct.error, OSError, MemoryError)
    try:
        yield
    except kinds as error:
        line = " ".join(str(error).split())[:150]
        _let_go(error)
        raise BadInput(
            f"the MF4 recording is damaged ({line})", "a whole recording", file=source.path
        ) from None
