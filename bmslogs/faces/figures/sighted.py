"""A finding where its log shows it plainest, as one small picture for paper."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import plotly.graph_objects as go

from bmslogs.analysis.sampling import row_medians
from bmslogs.faces.figures.against import against
from bmslogs.faces.figures.reduce import log_view
from bmslogs.faces.figures.theme import LIGHT, Look
from bmslogs.faces.figures.window import log_picture
from bmslogs.faces.sight import Sight
from bmslogs.log import Log

PAPER_PX = 300


def sight_picture(sight: Sight, log: Log, *, look: Look = LIGHT, height: int = PAPER_PX) -> go.Figure:
    """Draw the window of a sight: the current and the worst cell against the rest, or the sensor against the others."""
    view = log_view(log, sight.start, sight.end)
    rows = (log.time >= sight.start) & (log.time <= sight.end)
    names = [log.pack.sensor_name(i + 1) for i in range(log.temperature.shape[1])]
    others = [names.index(n) for n in sight.others]
    sensors = (log.time[rows], row_medians(log.temperature[rows][:, others])) if others else None
    drawn = against(sight, log.time[rows], np.asarray(log.cell_voltage[rows].T, float), log.cells, sensors)
    strips = ["current", "temperature"] if sight.sensor is not None else ["current", "cells"]
    return log_picture(replace(view, against=drawn), log.pack, strips=strips, look=look, height=height)
