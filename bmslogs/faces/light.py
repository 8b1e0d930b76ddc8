"""Keep pandas out of a short-lived process that has no use for it."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from importlib.machinery import ModuleSpec
from types import ModuleType


class _NoPandas:
    """An import finder for which pandas is not installed."""

    def find_spec(
        self, name: str, path: Sequence[str] | None = None, target: ModuleType | None = None
    ) -> ModuleSpec | None:
        if name == "pandas":
            raise ModuleNotFoundError(f"No module named {name!r}", name=name)
        return None


def arrow_without_pandas() -> None:
    """Let pyarrow settle, once and for this process, that it works without pandas.

    With its first array pyarrow imports pandas only to learn whether a value might be one of its frames: a quarter of
    a second and 30 MB for nothing. Asked while pandas cannot be found, it never asks again. Arrow's own conversions
    to pandas fail afterwards, so this is for commands that end with the process, not for the dashboard.
    """
    if "pandas" in sys.modules:
        return
    import pyarrow as pa

    finder = _NoPandas()
    sys.meta_path.insert(0, finder)
    try:
        pa.array([0])
    finally:
        sys.meta_path.remove(finder)
