"""A history for the terminal and for a spreadsheet."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence

import numpy as np

from bmslogs.base.cautions import CAUTIONS
from bmslogs.base.published import json_number
from bmslogs.faces.history_sheet import Sheet, rows_of, sheet_of
from bmslogs.faces.layout import part, terminal_width
from bmslogs.faces.spreadsheet import Cell, table_of
from bmslogs.findings.history.building import Weighed, history_of
from bmslogs.findings.history.shape import stamp
from bmslogs.findings.history.topics import TOPICS

MOST_ROWS = 8  # lines of a topic without a drift that the terminal lists (choice)
COLUMNS = (
    "kind", "quantity", "pack", "cell", "sensor", "place", "log", "time", "value", "low", "high", "unit", "since",
    "verdict", "says",
)  # fmt: skip
SHOWN_COLUMNS = (
    "line",
    "place",
    "log",
    "time",
    "value",
    "low",
    "high",
    "unit",
    "pack_middle",
    "slope_line",
    "says",
)


def history_text(w: Weighed, topics: Sequence[str], *, width: int | None = None) -> str:
    """Return what a pack's history says: the sentences, and each topic's lines with their slopes."""
    columns = width or terminal_width()
    g = w.gathered
    span = ""
    if g.ids:
        first, last = (str(t.astype("datetime64[D]")) for t in (g.start[0], g.start[-1]))
        span = f"{len(g.ids)} log{'s' if len(g.ids) != 1 else ''} from {first} to {last}"
    says = list(w.says(topics))
    out = [
        part(f"History of {g.pack.vehicle}: {span or 'no logs'}", says or ["Nothing to tell yet."], columns)
    ]
    for key in topics:
        out.append(part(TOPICS[key].title, _lines(w, key), columns))
    work = [f"{e.date.isoformat()}: {e.kind}{f', {e.where}' if e.where else ''}" for e in g.pack.events]
    out.append(part("Work on the pack; slopes begin anew at it where it touched", work, columns))
    out.append(part("Cautions", CAUTIONS, columns))
    return "\n\n".join(o for o in out if o)


def _lines(w: Weighed, key: str) -> list[str]:
    rows = rows_of(w, key)
    if not rows:
        why = w.why_untold(key)
        return [f"no log tells it{f': {why}' if why else ''}"]
    sheet = sheet_of(w, key)
    lines = [f"compared {sheet.at}"] if sheet and sheet.at else []
    shown = [r for k, r in enumerate(rows) if r.drift or k < MOST_ROWS or r.column is None]
    for r in shown:
        slope = f"; {r.slope}" if r.slope else ""
        since = f" since {r.since}" if r.since else ""
        lines.append(f"{'drifts: ' if r.drift else ''}{r.place}: {r.now}{slope}{since}")
    if len(rows) > len(shown):
        lines.append(f"{len(rows) - len(shown)} more with smaller slopes; --csv FILE lists all")
    if sheet and sheet.gaps:
        lines.append(
            f"{len(sheet.gaps)} of {len(sheet.ids)} logs do not tell it; the last: {sheet.gaps[-1][1]}"
        )
    return lines


def history_csv(w: Weighed, topics: Sequence[str]) -> str:
    """Return one row a slope, a point, a gap and a work of some topics, then what is said and the cautions (`COLUMNS`).

    Values are in the units of the JSON; slopes are a month.
    """
    h = history_of(w, topics)
    pack, rows = w.gathered.pack, []
    for s in h.series:
        head: dict[str, Cell] = {
            "quantity": s.quantity, "pack": h.pack, "cell": s.cell, "sensor": s.sensor,
            "place": pack.place(s.cell) if s.cell else s.sensor, "unit": s.unit,
        }  # fmt: skip
        rows.append(
            {
                "kind": "slope", **head, "value": json_number(s.slope_per_month), "low": json_number(s.low),
                "high": json_number(s.high), "unit": f"{s.unit} a month", "since": s.since,
                "verdict": "drifts" if s.drift else "no drift beyond chance" if s.since else "not told",
                "says": s.why_no_slope,
            }
        )  # fmt: skip
    for s in h.series:
        head = {
            "quantity": s.quantity, "pack": h.pack, "cell": s.cell, "sensor": s.sensor,
            "place": pack.place(s.cell) if s.cell else s.sensor, "unit": s.unit,
        }  # fmt: skip
        for p in s.points:
            rows.append(
                {
                    "kind": "point", **head, "log": p.log, "time": p.time, "value": json_number(p.value),
                    "low": json_number(p.low), "high": json_number(p.high),
                }
            )  # fmt: skip
        rows += [{"kind": "gap", **head, "log": x.log, "time": x.time, "says": x.why} for x in s.gaps]
    rows += [
        {"kind": "work", "pack": h.pack, "time": e.date, "place": e.where, "says": e.kind} for e in h.events
    ]
    rows += [{"kind": "sentence", "pack": h.pack, "says": x} for x in h.says]
    rows += [{"kind": "caution", "pack": h.pack, "says": x} for x in h.cautions]
    return table_of(COLUMNS, rows)


def shown_csv(
    sheet: Sheet, start: np.datetime64 | None, end: np.datetime64 | None, picked: Sequence[object] = ()
) -> str:
    """Return what the plot shows in its window, in the units of the plot: one row a line and log (`SHOWN_COLUMNS`).

    Parameters
    ----------
    start, end
        The plot's window, UTC; None where it is open.
    picked
        Cells or sensors; without any, all.
    """
    inside = np.ones(len(sheet.times), bool)
    if start is not None:
        inside &= sheet.times >= start
    if end is not None:
        inside &= sheet.times <= end
    gaps = dict(sheet.gaps)
    rows: list[dict[str, Cell]] = []
    for i, column in enumerate(sheet.columns):
        if picked and column not in picked:
            continue
        for k in np.flatnonzero(inside & np.isfinite(sheet.y[:, i])):
            rows.append(
                {
                    "line": column if column is not None else "pack", "place": sheet.names[i], "log": sheet.ids[k],
                    "time": stamp(sheet.times[k]), "value": json_number(float(sheet.y[k, i])),
                    "low": json_number(float(sheet.low[k, i])), "high": json_number(float(sheet.high[k, i])),
                    "unit": sheet.unit,
                    "pack_middle": json_number(float(sheet.ground[k])) if sheet.ground is not None else None,
                    "slope_line": json_number(float(sheet.trend[k, i])),
                }
            )  # fmt: skip
    for k in np.flatnonzero(inside):
        if int(k) in gaps:
            rows.append(
                {"line": "gap", "log": sheet.ids[k], "time": stamp(sheet.times[k]), "says": gaps[int(k)]}
            )
    for e in sheet.marks:
        day = np.datetime64(dt.date.fromisoformat(e.date))
        if (start is None or day >= start) and (end is None or day <= end):
            rows.append({"line": "work", "place": e.where, "time": e.date, "says": e.kind})
    rows += [{"line": "caution", "says": x} for x in CAUTIONS]
    return table_of(SHOWN_COLUMNS, rows)
