"""The store: normalised logs as plain Parquet in ``vehicle=../pack=..`` folders, content-addressed and atomic."""

from __future__ import annotations

from bmslogs.store.entries import CheckReport, Imported, ImportReport, LogEntry, Refused
from bmslogs.store.store import Store

__all__ = ["CheckReport", "ImportReport", "Imported", "LogEntry", "Refused", "Store"]
