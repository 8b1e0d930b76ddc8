"""One proof picture for each cause: the picture that shows what a finding says."""

from __future__ import annotations

from collections.abc import Callable

import plotly.graph_objects as go

from bmslogs.analysis.numerics import calm
from bmslogs.base.results import Diagnosis, Finding
from bmslogs.faces.figures import balance, load, sensing, timeline, warmth
from bmslogs.faces.figures.scene import Scene
from bmslogs.faces.figures.theme import LIGHT, Look, nothing
from bmslogs.findings.registry import CAUSES
from bmslogs.log import Log

PROOFS: dict[str, tuple[str, Callable[[Scene], go.Figure]]] = {
    "resistance": ("Does a cell drop more under load?", load.resistance),
    "cell_or_joint": ("Is it the cell or a joint?", load.cell_or_joint),
    "bursts": ("Does the drop come and go?", load.bursts),
    "empty_or_small": ("Is it empty or small?", balance.empty_or_small),
    "full_first": ("Who is full first?", balance.full_first),
    "bleed_effect": ("Does bleeding work?", balance.bleed_effect),
    "bleed_jump": ("Does a sense wire have resistance?", sensing.bleed_jump),
    "mirror": ("Is a sense wire off?", sensing.mirror),
    "swapped": ("Are two sense wires swapped?", sensing.swapped),
    "stuck": ("Is a reading stuck or shifted?", sensing.stuck),
    "current_zero": ("Does the current read nought at rest?", sensing.current_zero),
    "sensor": ("Does a temperature sensor lie?", warmth.sensor),
    "heating": ("Who runs hot?", warmth.heating),
    "leak": ("Who leaks?", timeline.leak),
    "limit": ("Was a limit passed?", timeline.limit),
    "pack_file": ("Does the log fit its pack file?", timeline.against_pack_file),
    "log_quality": ("What is wrong with the log?", timeline.log_quality),
}
"""Picture key of a cause to the question it answers and the function that draws it."""


def question(finding: Finding) -> str:
    """Return the question that the finding's picture answers."""
    cause = CAUSES.get(finding.cause)
    return PROOFS[cause.picture][0] if cause and cause.picture in PROOFS else ""


def proof_picture(
    finding: Finding,
    diagnosis: Diagnosis,
    log: Log | None,
    *,
    look: Look = LIGHT,
    height: int = 340,
) -> go.Figure:
    """Draw the picture that shows what a finding says.

    Parameters
    ----------
    finding, diagnosis
        The finding and the diagnosis that it stands in.
    log
        The log it was found in; None where it is not at hand, then the picture says so.
    look, height
        Colours, height in px.
    """
    cause = CAUSES.get(finding.cause)
    if log is None:
        return nothing("The log of this finding is not at hand, so it cannot be drawn.", look)
    if log.rows < 2:
        return nothing("The log has one row only.", look)
    if cause is None or cause.picture not in PROOFS:
        return nothing("No picture is known for this cause.", look)
    with calm():
        return PROOFS[cause.picture][1](Scene(finding, diagnosis, log, look, height))
