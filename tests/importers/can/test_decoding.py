"""Decoding against cantools, frame by frame, over random databases: equal to the last bit."""

from __future__ import annotations

import random
import struct

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

cantools = pytest.importorskip("cantools", reason="the extra 'can' is not installed")

from bmslogs.importers.can import decode  # noqa: E402
from bmslogs.importers.can.database import Message  # noqa: E402
from bmslogs.importers.can.parsing import definitions_of  # noqa: E402

FRAMES = 24
SCALES = (1, 1, 2, 3, -7, 1.0, 0.1, 0.001, -0.5, 1e-6, 0.00390625, 123456789, 2.5e10)
OFFSETS = (0, 0, 0, -40, 0.5, 100000, -273.15, 10**15)


def random_message(rng: random.Random, size: int) -> object | None:
    """Return a message with signals at random places that share no bit, some of them selected by a multiplexer."""
    from cantools.database.can import Message as Described
    from cantools.database.can import Signal
    from cantools.database.conversion import BaseConversion

    used: set[int] = set()
    signals = []
    selector = rng.random() < 0.4 and size > 1
    if selector:
        used |= set(range(8))
        signals.append(Signal("selector", 0, 8, "little_endian", is_multiplexer=True))
    for k in range(rng.randint(1, 12)):
        floating = rng.random() < 0.15
        length = rng.choice((16, 32, 64)) if floating else rng.randint(1, min(64, 8 * size))
        if length > 8 * size:
            continue
        big = rng.random() < 0.5
        first = rng.randint(0, 8 * size - length)
        bits = {first + i if big else 8 * ((first + i) // 8) + 7 - (first + i) % 8 for i in range(length)}
        if used & bits:
            continue
        used |= bits
        start = 8 * (first // 8) + 7 - first % 8 if big else first
        choices = {1: "one", 3: "three"} if rng.random() < 0.2 else None
        selected = selector and rng.random() < 0.6
        signals.append(
            Signal(
                f"signal_{k}", start, length, "big_endian" if big else "little_endian",
                is_signed=not floating and rng.random() < 0.5,
                conversion=BaseConversion.factory(rng.choice(SCALES), rng.choice(OFFSETS), choices, floating),
                multiplexer_ids=[rng.choice((0, 1))] if selected else None,
                multiplexer_signal="selector" if selected else None,
            )
        )  # fmt: skip
    if len(signals) <= selector:
        return None
    return Described(0x123, "random", size, signals, strict=True)


@settings(max_examples=150, deadline=None, derandomize=True)
@given(st.integers(0, 2**32), st.sampled_from((1, 2, 3, 8, 8, 8, 12, 24, 64)))
def test_every_signal_equals_cantools(seed: int, size: int) -> None:
    rng = random.Random(seed)
    described = random_message(rng, size)
    if described is None:
        return
    message: Message = definitions_of(type("Held", (), {"messages": [described]})).messages[0]
    data = np.frombuffer(rng.randbytes(FRAMES * size), np.uint8).reshape(FRAMES, size).copy()
    if any(s.when for s in message.signals):
        data[:, 0] = [rng.choice((0, 1)) for _ in range(FRAMES)]
    length = np.array([rng.choice((size, size, rng.randint(0, size))) for _ in range(FRAMES)], np.uint8)
    frames = decode.Frames(data, length)
    mine = {
        s.name: (decode.scaled(s, decode.raw_bits(s, frames)), decode.present(s, message, frames))
        for s in message.signals
    }
    for i in range(FRAMES):
        whole = data[i, : length[i]].tobytes()
        try:
            theirs = described.decode(whole, decode_choices=False, allow_truncated=True)  # type: ignore[attr-defined]
        except cantools.database.errors.DecodeError:
            continue
        for name, (values, there) in mine.items():
            assert (name in theirs) == (there is None or bool(there[i])), (name, whole.hex())
            if name in theirs:
                expected, found = float(theirs[name]), float(values[i])
                both_nan = np.isnan(expected) and np.isnan(found)
                assert both_nan or struct.pack("d", expected) == struct.pack("d", found), (name, whole.hex())


def test_decoding_twin_by_hand() -> None:
    """Four values that need no library: Intel 0x1234 at byte 0, Motorola at byte 2, signed, scaled."""
    from bmslogs.importers.can.database import Signal

    frames = decode.Frames(
        np.array([[0x34, 0x12, 0x12, 0x34, 0xFE, 0, 0, 0]], np.uint8), np.array([8], np.uint8)
    )

    def one(
        start: int, length: int, little: bool, signed: bool = False, scale: float = 1, offset: float = 0
    ) -> float:
        signal = Signal(
            "s", "", start, length, little, signed, False, scale, offset, scale == 1 and offset == 0
        )
        return float(decode.scaled(signal, decode.raw_bits(signal, frames))[0])

    assert one(0, 16, True) == 0x1234
    assert one(16, 16, False) == 0x1234
    assert one(32, 8, True, signed=True) == -2
    assert one(32, 8, True, signed=True, scale=0.5, offset=-40) == -41.0
