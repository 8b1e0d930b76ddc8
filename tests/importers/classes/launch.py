"""The command line in a process of its own that says what it cost.

``python -m tests.importers.classes.launch COST.json import FILE ...`` writes processor time [s] since the command line
was loaded and the memory [MB] beyond what it then held.
"""

from __future__ import annotations

import json
import sys
import time
from pathlib import Path

from bmslogs.faces.command import main


def peak_memory() -> float | None:
    """Return the greatest resident memory so far [MB]; None where the system does not say."""
    try:
        import resource
    except ImportError:
        return None
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    # Kilobytes on Linux, bytes on macOS (their manuals).
    return peak / (1024 * 1024 if sys.platform == "darwin" else 1024)


def run(cost: Path, arguments: list[str]) -> None:
    """Run the command line and write what it cost, whatever comes of it."""
    before, begin = peak_memory(), time.process_time()
    sys.argv = ["bmslogs", *arguments]
    try:
        main()
    finally:
        after = peak_memory()
        memory = None if before is None or after is None else after - before
        cost.write_text(
            json.dumps({"seconds": time.process_time() - begin, "memory_MB": memory}), encoding="utf-8"
        )


if __name__ == "__main__":
    run(Path(sys.argv[1]), sys.argv[2:])
