"""Frames of a recording in blocks of arrays, whatever format they stand in."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

BLOCK_BYTES = 8 << 20
"""Choice [bytes of text]: some 150,000 frames."""
FAR_ON_NS = 631_152_000 * 10**9
"""Earlier than 1990 is no date but time since a start."""


@dataclass(frozen=True)
class Frames:
    """Frames in the order of the file.

    Attributes
    ----------
    time
        ns: since 1970 or since the recording's start.
    ident, extended
        Identifier (11 or 29 bits) and whether it is one of 29.
    length
        Bytes of data.
    data
        Frames x 8 (or 64), nought behind `length`.
    channel
        Number of the bus in the recording.
    """

    time: npt.NDArray[np.int64]
    ident: npt.NDArray[np.uint32]
    extended: npt.NDArray[np.bool_]
    length: npt.NDArray[np.uint8]
    data: npt.NDArray[np.uint8]
    channel: npt.NDArray[np.int16]

    def __len__(self) -> int:
        return len(self.time)

    def take(self, which: npt.NDArray[np.bool_] | npt.NDArray[np.int64] | slice) -> Frames:
        """Return some of the frames."""
        return Frames(
            self.time[which],
            self.ident[which],
            self.extended[which],
            self.length[which],
            self.data[which],
            self.channel[which],
        )


def joined(parts: list[Frames]) -> Frames:
    """Put blocks one behind the other."""
    width = max(p.data.shape[1] for p in parts)
    datas = [p.data if p.data.shape[1] == width else _widened(p.data, width) for p in parts]
    return Frames(
        np.concatenate([p.time for p in parts]),
        np.concatenate([p.ident for p in parts]),
        np.concatenate([p.extended for p in parts]),
        np.concatenate([p.length for p in parts]),
        np.concatenate(datas),
        np.concatenate([p.channel for p in parts]),
    )


def _widened(data: npt.NDArray[np.uint8], width: int) -> npt.NDArray[np.uint8]:
    out = np.zeros((len(data), width), dtype=np.uint8)
    out[:, : data.shape[1]] = data
    return out


def none_of(width: int = 8) -> Frames:
    """Return a block without frames."""
    return Frames(
        np.zeros(0, np.int64),
        np.zeros(0, np.uint32),
        np.zeros(0, bool),
        np.zeros(0, np.uint8),
        np.zeros((0, width), np.uint8),
        np.zeros(0, np.int16),
    )


@dataclass
class Tally:
    """What of a recording is no data frame.

    Attributes
    ----------
    remote, errors
        Requests without data, and error frames.
    broken
        Lines or objects that cannot be read; the first with its place.
    others
        Comments, statistics, events.
    cut
        Whether the recording ends in the middle of a frame.
    """

    remote: int = 0
    errors: int = 0
    broken: int = 0
    first_broken: str = ""
    others: int = 0
    cut: bool = False
    channels: dict[int, str] = field(default_factory=dict)


@dataclass(frozen=True)
class Recording:
    """A recording that was recognised.

    Attributes
    ----------
    format
        As people call it.
    dated
        Whether its times are dates; else they count from the recording's start.
    zone
        ``UTC``, or empty where it is the recorder's own clock.
    frames
        Yields all frames, each time from the start.
    """

    format: str
    dated: bool
    zone: str
    frames: Callable[[Tally], Iterator[Frames]]
