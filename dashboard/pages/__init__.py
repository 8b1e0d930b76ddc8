"""The pages, one module each; this tuple is their list and their order."""

from __future__ import annotations

from dashboard.pages import (
    answers,
    bring,
    charge,
    describe,
    handbook,
    history,
    log,
    logbook,
    overlay,
    pack,
    record,
    side_by_side,
    vehicles,
)

PAGES = (
    vehicles,
    pack,
    log,
    logbook,
    charge,
    answers,
    history,
    side_by_side,
    overlay,
    record,
    describe,
    bring,
    handbook,
)
"""In the order in which the bar names them."""
