"""Importers: from what a logger or a spreadsheet wrote to normalised readings, with every repair named.

The steps, one module each: `source` (bytes), `dialect` (marks and header), `sample` (rows over the whole file),
`recognise` (what each column is), `units`, `clock`, `sign`, `plan` (all of it together), `blocks` and `stream`
(the reading itself), `repairs` (what was mended).
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

__all__ = ["Inspection", "Profile", "inspect_file", "load_profile"]

if TYPE_CHECKING:
    from bmslogs.importers.inspection import Inspection, inspect_file
    from bmslogs.importers.profile import Profile, load_profile

_HOME = {
    "Inspection": "inspection",
    "inspect_file": "inspection",
    "Profile": "profile",
    "load_profile": "profile",
}


def __getattr__(name: str) -> Any:
    """Import the public names on first use."""
    import importlib

    if name in _HOME:
        return getattr(importlib.import_module(f"bmslogs.importers.{_HOME[name]}"), name)
    raise AttributeError(f"module 'bmslogs.importers' has no attribute {name!r}")
