"""A log as a picture, drawn the same from the log itself and from `plot_log`."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

import numpy as np
import plotly.graph_objects as go

from bmslogs.base.cautions import CAUTIONS
from bmslogs.base.errors import BadInput
from bmslogs.faces.figures import DARK, LIGHT, log_picture
from bmslogs.faces.figures.reduce import log_view
from bmslogs.log import log as stored_logs


def draw_log(
    read: stored_logs.Log,
    *,
    cells: Iterable[int] = (),
    start: object = None,
    end: object = None,
    dark: bool = False,
    height: int = 760,
) -> go.Figure:
    """Draw a log that was read on one time axis; the options are those of `plot_log`.

    Raises
    ------
    BadInput
        It has no rows or no such cell, or start and end are no times.
    """
    if not read.rows:
        raise BadInput(f"log {read.id} has no row", "a log with readings")
    wanted = list(cells)
    for cell in wanted:
        if cell not in read.cells:
            raise BadInput(f"no cell {cell} in log {read.id}", f"cells {read.cells[0]}..{read.cells[-1]}")
    view = log_view(read, _moment(start), _moment(end), wanted)
    return with_cautions(log_picture(view, read.pack, look=DARK if dark else LIGHT, height=height))


def _moment(time: Any) -> np.datetime64 | None:
    """Return a time as UTC; one that names a zone is brought to UTC first."""
    if time is None:
        return None
    import pandas as pd

    try:
        stamp = pd.Timestamp(time)
    except (ValueError, TypeError):
        raise BadInput(repr(time), "a time, such as '2026-05-09 10:00' (UTC)") from None
    if pd.isna(stamp):
        raise BadInput(repr(time), "a time, such as '2026-05-09 10:00' (UTC)")
    if stamp.tzinfo is not None:
        stamp = stamp.tz_convert("UTC").tz_localize(None)
    return np.datetime64(stamp.to_pydatetime(), "us")


def with_cautions(figure: go.Figure) -> go.Figure:
    """Put the cautions into the figure, where they go wherever it is saved."""
    return figure.update_layout(meta={"cautions": list(CAUTIONS)})
