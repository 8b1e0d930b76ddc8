"""The pictures of the door: the same as on the dashboard, as plotly figures."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

import plotly.graph_objects as go

from bmslogs.analysis.registry import QUANTITIES
from bmslogs.base.errors import BadInput
from bmslogs.base.pack import Pack
from bmslogs.base.results import Finding, by_urgency
from bmslogs.door.asking import Diagnosis
from bmslogs.door.drawing import draw_log, with_cautions
from bmslogs.door.logs import Place, Store, load_pack, read_log
from bmslogs.faces.answers import shown_by
from bmslogs.faces.figures import DARK, LIGHT, pack_picture, proof_picture
from bmslogs.log import log as stored_logs


def plot_log(
    log: stored_logs.Log | Place,
    *,
    cells: Iterable[int] = (),
    start: object = None,
    end: object = None,
    store: Store | Place | None = None,
    dark: bool = False,
    height: int = 760,
) -> go.Figure:
    """Draw a log on one time axis: current, cells, their deviations, temperatures, bleeding.

    Parameters
    ----------
    log
        A log that was read, its Parquet file, or its id in the store.
    cells
        Cells to draw as lines of their own.
    start, end
        Part of the log, UTC, such as ``"2026-05-09 10:00"``; None for the log's own start and end.
    store
        As for `open_store`.
    dark, height
        Colours for a dark page; height [px].

    Returns
    -------
    A plotly figure.

    Raises
    ------
    BmsLogsError
        There is no such log, it has no such cell, or start and end are no times.

    Examples
    --------
    >>> import bmslogs
    >>> figure = bmslogs.plot_log("20260509", cells=[5])
    >>> len(figure.data) > 3
    True
    """
    read = log if isinstance(log, stored_logs.Log) else read_log(log, store=store, extra=False)
    return draw_log(read, cells=cells, start=start, end=end, dark=dark, height=height)


def plot_pack(
    pack: Pack | Diagnosis | Place, quantity: str | None = None, *, dark: bool = False
) -> go.Figure:
    """Draw a pack as it is built, its cells coloured by one quantity of a diagnosis.

    Parameters
    ----------
    pack
        A diagnosis of a log or of a whole pack, whose findings are marked; or a pack or its file, drawn as it is built.
    quantity
        Which estimates colour the cells, such as ``"capacity_relative"``; None takes the first that is known.
    dark
        Colours for a dark page.

    Returns
    -------
    A plotly figure.

    Raises
    ------
    BmsLogsError
        There is no such quantity of cells, or the diagnosis does not know its pack.

    Examples
    --------
    >>> import bmslogs
    >>> answer = bmslogs.diagnose("20260509")
    >>> figure = bmslogs.plot_pack(answer, "resistance_10s_relative")
    >>> figure.layout.height > 100
    True
    """
    look = DARK if dark else LIGHT
    of_cells = [q.key for q in QUANTITIES.values() if q.per == "cell"]
    if quantity is not None and quantity not in of_cells:
        raise BadInput(f"no quantity of cells is named {quantity!r}", f"one of: {', '.join(of_cells)}")
    if not isinstance(pack, Diagnosis):
        described = load_pack(pack) if isinstance(pack, str | Path) else pack
        return with_cautions(pack_picture(described, look=look))
    if pack._pack is None:
        raise BadInput("a diagnosis without its pack", "one made by `diagnose` or `diagnose_pack`")
    if quantity is None:
        relative = sorted(of_cells, key=lambda k: QUANTITIES[k].centre is None)
        quantity = next((k for k in relative if any(e.status == "determined" for e in pack.of(k))), None)
    estimates = pack.of(quantity) if quantity else ()
    return with_cautions(
        pack_picture(pack._pack, estimates, quantity=quantity, findings=pack.findings, look=look)
    )


def plot_finding(
    diagnosis: Diagnosis, finding: int | Finding = 1, *, dark: bool = False, height: int = 340
) -> go.Figure:
    """Draw the picture that shows what a finding says.

    Parameters
    ----------
    diagnosis
        Of one log, or of a whole pack: then the newest log that shows the finding is drawn.
    finding
        One of `diagnosis.findings`, or its number, counted from 1 as they are listed.
    dark, height
        Colours for a dark page; height [px].

    Returns
    -------
    A plotly figure.

    Raises
    ------
    BmsLogsError
        There is no such finding, or its log is not at hand.

    Examples
    --------
    >>> import bmslogs
    >>> answer = bmslogs.diagnose("20260509")
    >>> figure = bmslogs.plot_finding(answer, 1)
    >>> len(figure.data) > 0
    True
    """
    wanted = _finding(diagnosis, finding)
    source = diagnosis
    if diagnosis._of_logs:
        found = shown_by(wanted, [one._made for one in diagnosis._of_logs])
        if found is None:
            raise BadInput("no log of the pack shows this finding by itself", "a finding of one log")
        made, number = found
        source = next(one for one in diagnosis._of_logs if one._made is made)
        wanted = by_urgency(made.findings)[number - 1]
    if source._read is None:
        raise BadInput("a diagnosis without its log", "one made by `diagnose` or `diagnose_pack`")
    look = DARK if dark else LIGHT
    return with_cautions(proof_picture(wanted, source._made, source._read(), look=look, height=height))


def _finding(diagnosis: Diagnosis, finding: int | Finding) -> Finding:
    findings = diagnosis.findings
    if isinstance(finding, Finding):
        if finding in findings:
            return finding
        raise BadInput("a finding of another diagnosis", "one of this diagnosis' findings")
    if not 1 <= finding <= len(findings):
        raise BadInput(
            f"no finding {finding}", f"1..{len(findings)}" if findings else "a diagnosis with findings"
        )
    return findings[finding - 1]
