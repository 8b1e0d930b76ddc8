"""Pictures as pure functions: the same on the screen, in the record and in the documentation."""

from bmslogs.faces.figures.balance import bleed_figure, to_full
from bmslogs.faces.figures.cells import per_cell
from bmslogs.faces.figures.compare import before_after, over_months, position_effects, side_by_side
from bmslogs.faces.figures.pack import pack_picture
from bmslogs.faces.figures.proofs import proof_picture, question
from bmslogs.faces.figures.theme import DARK, LIGHT, LOOKS, Look, nothing
from bmslogs.faces.figures.window import LogView, log_picture

__all__ = [
    "DARK",
    "LIGHT",
    "LOOKS",
    "LogView",
    "Look",
    "before_after",
    "bleed_figure",
    "log_picture",
    "nothing",
    "over_months",
    "pack_picture",
    "per_cell",
    "position_effects",
    "proof_picture",
    "question",
    "side_by_side",
    "to_full",
]
