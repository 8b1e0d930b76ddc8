"""Where findings show along the time axis; no browser."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from bmslogs.base.pack import Limits
from bmslogs.base.results import Finding
from bmslogs.faces.figures.lanes import mark_strip
from bmslogs.faces.figures.theme import LIGHT
from bmslogs.findings.registry import CAUSES
from dashboard.desk import Desk
from dashboard.evidence import MOST_ROWS, RESTS_ON, SHOWN, marks
from dashboard.open_log import OpenLog
from tests.dashboard.test_open_log import ROWS, stored

__all__ = ["stored"]


def found(cause: str, *cells: int) -> Finding:
    return Finding(cause, "look", "a place", cells=cells)


@pytest.fixture(scope="module")
def drive(stores: Callable[[str], Path]) -> OpenLog:
    desk = Desk(stores("sample"))
    return desk.open(next(e.id for e in desk.logs("heron-main") if "test-drive" in str(e.source)))


def test_a_passed_limit_is_marked_where_the_rule_counts_it(
    stored: tuple[Path, np.ndarray], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Cell 5 reads 3.000 V, all others 3.7: planted. One row of it is a glitch to the rule; two are a passed limit."""
    opened = OpenLog(stored[0])
    opened.pack = opened.pack.model_copy(update={"limits": Limits(voltage_min_V=3.2)})
    (mark,) = marks([found("limit_exceeded", 5)], opened)
    assert not mark.exact
    log = opened.log()
    volts = log.cell_voltage.copy()
    volts[12_346, 4] = volts[12_345, 4]
    opened.shown.clear()
    monkeypatch.setattr(opened, "log", lambda: replace(log, cell_voltage=volts))
    (mark,) = marks([found("limit_exceeded", 5)], opened)
    ((start, end),) = mark.spans
    assert mark.exact and start == opened.time[12_345] and end == opened.time[12_347]


def test_bleeding_is_marked_while_it_was_on(stored: tuple[Path, np.ndarray]) -> None:
    opened = OpenLog(stored[0])  # cell 2 is bled in the second half: planted
    (mark,) = marks([found("bleed_ineffective", 2)], opened)
    ((start, end),) = mark.spans
    assert mark.exact and abs(start - opened.time[ROWS // 2]) <= np.timedelta64(8, "s")
    assert end == opened.time[-1]


def test_a_resistance_rests_on_the_drive(drive: OpenLog) -> None:
    """Within the mark current flows, outside it hardly any does: read from the log itself."""
    (mark,) = marks([found("cell_resistance_high", 2)], drive)
    assert not mark.exact and "rests on these stretches (drive)" in mark.says
    inside = np.zeros(drive.rows, bool)
    for start, end in mark.spans:
        inside |= (drive.time >= start) & (drive.time <= end)
    assert drive.current is not None
    assert np.nanstd(drive.current[inside]) > 20 * np.nanstd(drive.current[~inside])


@pytest.mark.parametrize("cause", CAUSES)
def test_every_cause_has_its_place_in_time(cause: str, drive: OpenLog) -> None:
    (mark,) = marks([found(cause, 2)], drive)
    assert mark.spans and all(drive.time[0] <= a <= b <= drive.time[-1] for a, b in mark.spans)
    assert ("shows here" in mark.says) == mark.exact


def test_causes_have_a_row_each_and_only_a_few(drive: OpenLog) -> None:
    assert set(RESTS_ON) | set(SHOWN) <= set(CAUSES)
    every = [found(c, 2) for c in CAUSES]
    assert len(marks(every, drive)) == MOST_ROWS
    (one,) = marks([found("cell_resistance_high", c) for c in (1, 2, 3)], drive)
    assert one.name.endswith("(3)") and one.number == 1


def test_a_mark_answers_everywhere_in_the_window(drive: OpenLog) -> None:
    (mark,) = marks([found("log_quality")], drive)
    first, last = drive.time[300], drive.time[900]
    (trace,), _, _ = mark_strip([mark], first, last, LIGHT)
    x = np.array(trace["x"][:-1], "datetime64[us]")  # type: ignore[index]
    assert x[0] == first and x[-1] == last  # cut to the window
    assert np.diff(x).max() <= (last - first) / 149
