"""Bleed flags in one field: a number or a row of digits whose bits stand for cells."""

from __future__ import annotations

import re

import numpy as np
import numpy.typing as npt

from bmslogs.importers.plan.plan import Bits

Bools = npt.NDArray[np.bool_]


def decode_bits(texts: list[str | None], bits: Bits, cells: int) -> Bools:
    """Return the flags of a bitfield column.

    Parameters
    ----------
    texts
        One field a row.
    cells
        How many cells the bits are of.

    Returns
    -------
    (rows, cells) flags, first cell first; rows without a readable field are all False.
    """
    out = np.zeros((len(texts), cells), dtype=bool)
    known: dict[str, list[bool]] = {}
    for r, text in enumerate(texts):
        if text is None:
            continue
        if text not in known:
            value = bit_value(text, bits.kind)
            width = max(cells, 1)
            row = [bool(value is not None and value >> k & 1) for k in range(width)]
            known[text] = row if bits.lowest == "first_cell" else row[::-1]
        out[r] = known[text]
    return out


def bit_value(text: str, kind: str) -> int | None:
    """Return the number that a bitfield's text spells, None where it spells none."""
    bare = re.sub(r"[\s_|]", "", text)
    try:
        if kind == "hex":
            return int(bare.lower().removeprefix("0x").removesuffix("h"), 16)
        if kind == "binary text":
            return int(bare, 2)
        return int(float(bare))
    except (ValueError, OverflowError):
        return None
