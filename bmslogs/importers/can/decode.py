"""Bits to values: one signal of many frames at once, equal to cantools' own decoding to the last bit."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from bmslogs.importers.can.database import Message, Signal

Bytes = npt.NDArray[np.uint8]
Floats = npt.NDArray[np.float64]
Flags = npt.NDArray[np.bool_]
EXACT = 2**53
"""Integers below are exact in double precision."""


class Frames:
    """Frames of one message, ready to have their signals taken out.

    Parameters
    ----------
    data
        Bytes, frames x width; what a frame lacks is anything.
    length
        Bytes that each frame has.
    """

    def __init__(self, data: Bytes, length: npt.NDArray[np.uint8]) -> None:
        width = max(8, -(-data.shape[1] // 8) * 8)
        if data.shape[1] != width or not data.flags.c_contiguous:
            padded = np.zeros((len(data), width), dtype=np.uint8)
            padded[:, : data.shape[1]] = data
            data = padded
        self.data = data
        self.length = length
        self.shortest = int(length.min(initial=255))
        self._words: dict[bool, npt.NDArray[np.uint64]] = {}

    def words(self, little: bool) -> npt.NDArray[np.uint64]:
        """Return eight bytes at a time as one number (frames x words)."""
        if little not in self._words:
            words = self.data.view("<u8" if little else ">u8")
            self._words[little] = words.astype(np.uint64, copy=False)
        return self._words[little]


def raw_bits(signal: Signal, frames: Frames) -> npt.NDArray[np.uint64]:
    """Return the signal's bits as unsigned integers."""
    words = frames.words(signal.little)
    first, last = signal.start // 64, (signal.start + signal.length - 1) // 64
    if last >= words.shape[1]:
        missing = np.zeros((len(words), last + 1 - words.shape[1]), dtype=np.uint64)
        words = np.concatenate([words, missing], axis=1)
    at = signal.start - 64 * first
    mask = np.uint64((1 << signal.length) - 1)
    if signal.little:
        bits = words[:, first] >> np.uint64(at)
        if last > first:
            bits = bits | (words[:, last] << np.uint64(64 - at))
        return np.asarray(bits & mask)
    over = at + signal.length - 64
    if over <= 0:
        return np.asarray((words[:, first] >> np.uint64(-over)) & mask)
    bits = (words[:, first] << np.uint64(over)) | (words[:, last] >> np.uint64(64 - over))
    return np.asarray(bits & mask)


def signed_bits(signal: Signal, bits: npt.NDArray[np.uint64]) -> npt.NDArray[np.int64]:
    """Return two's complement bits as signed integers."""
    up = np.uint64(64 - signal.length)
    return np.asarray((bits << up).view(np.int64) >> np.int64(64 - signal.length))


def scaled(signal: Signal, bits: npt.NDArray[np.uint64]) -> Floats:
    """Return values in the signal's unit, as the nearest double of what cantools computes."""
    if signal.floating:
        narrow = {16: np.uint16, 32: np.uint32, 64: np.uint64}[signal.length]
        wide = bits.astype(narrow).view({16: np.float16, 32: np.float32, 64: np.float64}[signal.length])
        with np.errstate(invalid="ignore"):
            return _linear(wide.astype(np.float64), signal)
    raw = signed_bits(signal, bits) if signal.signed else bits
    largest = 1 << (signal.length - 1 if signal.signed else signal.length)
    whole = isinstance(signal.scale, int) or float(signal.scale).is_integer()
    if not (signal.exact or (whole and isinstance(signal.scale, int))):
        return _linear(raw.astype(np.float64), signal)
    if largest * abs(int(signal.scale)) + abs(signal.offset) < EXACT:
        return _linear(raw.astype(np.float64), signal)
    if signal.scale == 1 and signal.offset == 0:
        return raw.astype(np.float64)
    # beyond what doubles hold, cantools' integers have no bounds: take them as they are, value by value
    scale, offset = (int(signal.scale), int(signal.offset)) if signal.exact else (signal.scale, signal.offset)
    return np.array([float(int(r) * scale + offset) for r in raw.tolist()], dtype=np.float64)


def _linear(raw: Floats, signal: Signal) -> Floats:
    if signal.scale == 1 and signal.offset == 0:
        return raw
    with np.errstate(over="ignore", invalid="ignore"):
        return np.asarray(raw * float(signal.scale) + float(signal.offset))


def within(signal: Signal, frames: Frames) -> Flags | None:
    """Return where frames are long enough to hold the signal; None where all are."""
    needed = -(-(signal.start + signal.length) // 8)
    return None if frames.shortest >= needed else np.asarray(frames.length >= needed)


def present(signal: Signal, message: Message, frames: Frames) -> Flags | None:
    """Return where the signal is in the frame: long enough, and selected by its multiplexers; None where everywhere."""
    there = within(signal, frames)
    for condition in signal.when:
        selector = message.signal(condition.selector)
        value = np.trunc(scaled(selector, raw_bits(selector, frames)))
        fits = np.isin(value, condition.values) if len(condition.values) > 1 else value == condition.values[0]
        long_enough = within(selector, frames)
        for more in (fits, long_enough):
            if more is not None:
                there = more if there is None else there & more
    return there


def not_available(signal: Signal, bits: npt.NDArray[np.uint64], values: Floats) -> Flags:
    """Return where the bits are a code for "no reading".

    Such are codes whose text in the value table says so, and the codes that are customary for it (all bits set, the
    topmost two of a byte range, the outermost of signed values) where they lie outside of the range that the database
    gives, or where the signal has a unit and no range: a reading at its very end would be a sensor at its stop.
    """
    out = np.zeros(len(bits), dtype=bool)
    if signal.floating:
        return np.asarray(~np.isfinite(values))
    for raw in signal.silent_raw:
        out |= bits == np.uint64(raw & ((1 << signal.length) - 1))
    if signal.length < 8 or signal.is_state:
        return out
    top = (1 << signal.length) - 1
    codes = [top, top - 1] if not signal.signed else [top >> 1, (top >> 1) + 1]
    if _has_range(signal):
        assert signal.minimum is not None and signal.maximum is not None
        outside = (values < signal.minimum) | (values > signal.maximum)
        at_code = np.isin(bits, np.array(codes, dtype=np.uint64))
        return np.asarray(out | (at_code & outside))
    if signal.unit:
        out |= bits == np.uint64(codes[0])
        if signal.signed:
            out |= bits == np.uint64(codes[1])
    return out


def _has_range(signal: Signal) -> bool:
    return signal.minimum is not None and signal.maximum is not None and signal.minimum < signal.maximum
