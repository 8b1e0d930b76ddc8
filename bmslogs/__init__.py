"""From a battery management system's CSV log to what is wrong with the pack, how surely, and what stays unknown."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from bmslogs.base.version import __version__

__all__ = ["__version__", "diagnose", "read_log"]

if TYPE_CHECKING:
    from bmslogs.findings import diagnose
    from bmslogs.log import read_log


def __getattr__(name: str) -> Any:
    """Import the public functions on first use: the command line starts without the numerical libraries."""
    if name == "read_log":
        from bmslogs.log import read_log

        return read_log
    if name == "diagnose":
        from bmslogs.findings import diagnose

        return diagnose
    raise AttributeError(f"module 'bmslogs' has no attribute {name!r}")
