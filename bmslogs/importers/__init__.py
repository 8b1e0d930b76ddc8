"""Importers: from what a logger or a spreadsheet wrote to normalised readings, with every repair named.

The way of a file: `recordings` (what is no text becomes a table of text), `text` (bytes to fields), `plan` (what each
column is, as data), `recognise` (decides the plan from header and values, or asks), `reading` (carries it out, block by
block, every repair counted).
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

__all__ = ["Inspection", "Profile", "inspect_file", "load_profile"]

if TYPE_CHECKING:
    from bmslogs.importers.inspection import Inspection, inspect_file
    from bmslogs.importers.plan.profile import Profile, load_profile

_HOME = {
    "Inspection": "inspection",
    "inspect_file": "inspection",
    "Profile": "plan.profile",
    "load_profile": "plan.profile",
}


def __getattr__(name: str) -> Any:
    """Import the public names on first use."""
    import importlib

    if name in _HOME:
        return getattr(importlib.import_module(f"bmslogs.importers.{_HOME[name]}"), name)
    raise AttributeError(f"module 'bmslogs.importers' has no attribute {name!r}")
