"""Many vehicles: a whole store diagnosed in parallel, and the estimates of all its logs as one dataset."""

from __future__ import annotations

from bmslogs.fleet.dataset import read_estimates, read_findings, read_standing, refresh
from bmslogs.fleet.files import Files, put_logs
from bmslogs.fleet.overview import PackOverview, overview
from bmslogs.fleet.run import FleetRun, Outcome, diagnose_store

__all__ = [
    "Files",
    "FleetRun",
    "Outcome",
    "PackOverview",
    "diagnose_store",
    "overview",
    "put_logs",
    "read_estimates",
    "read_findings",
    "read_standing",
    "refresh",
]
