"""Rules that weigh estimates into causes: `diagnose` for one log, `diagnose_pack` for all logs of a pack."""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

__all__ = ["METHOD", "diagnose", "diagnose_pack"]

if TYPE_CHECKING:
    from bmslogs.findings.diagnosing import METHOD, diagnose
    from bmslogs.findings.whole_pack import diagnose_pack

_HOME = {"METHOD": "diagnosing", "diagnose": "diagnosing", "diagnose_pack": "whole_pack"}


def __getattr__(name: str) -> Any:
    """Import the public names on first use: a stored answer is shown without the numerical libraries."""
    if name in _HOME:
        return getattr(import_module(f"bmslogs.findings.{_HOME[name]}"), name)
    raise AttributeError(f"module 'bmslogs.findings' has no attribute {name!r}")
