"""Pictures as pure functions: the same on the screen, in the record and in the documentation."""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

__all__ = [
    "DARK",
    "LIGHT",
    "LOOKS",
    "LogView",
    "Look",
    "before_after",
    "bleed_figure",
    "history_picture",
    "log_picture",
    "nothing",
    "ocv_picture",
    "pack_picture",
    "per_cell",
    "place_map",
    "proof_picture",
    "question",
    "side_by_side",
    "to_full",
]

if TYPE_CHECKING:
    from bmslogs.faces.figures.balance import bleed_figure, to_full
    from bmslogs.faces.figures.cells import per_cell
    from bmslogs.faces.figures.compare import before_after, side_by_side
    from bmslogs.faces.figures.curve import ocv_picture
    from bmslogs.faces.figures.history import history_picture
    from bmslogs.faces.figures.pack import pack_picture
    from bmslogs.faces.figures.places import place_map
    from bmslogs.faces.figures.proofs import proof_picture, question
    from bmslogs.faces.figures.theme import DARK, LIGHT, LOOKS, Look, nothing
    from bmslogs.faces.figures.window import LogView, log_picture

_HOME = {
    **dict.fromkeys(("bleed_figure", "to_full"), "balance"),
    "ocv_picture": "curve",
    "per_cell": "cells",
    **dict.fromkeys(("before_after", "side_by_side"), "compare"),
    "history_picture": "history",
    "pack_picture": "pack",
    "place_map": "places",
    **dict.fromkeys(("proof_picture", "question"), "proofs"),
    **dict.fromkeys(("DARK", "LIGHT", "LOOKS", "Look", "nothing"), "theme"),
    **dict.fromkeys(("LogView", "log_picture"), "window"),
}


def __getattr__(name: str) -> Any:
    """Import the public names on first use: the words of the pictures serve the terminal without plotly."""
    if name in _HOME:
        return getattr(import_module(f"bmslogs.faces.figures.{_HOME[name]}"), name)
    raise AttributeError(f"module 'bmslogs.faces.figures' has no attribute {name!r}")
