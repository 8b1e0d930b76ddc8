"""Processor time until the program answers: ``python -m tests.benchmarks.start_up``.

Runs ``bmslogs --help``, ``import bmslogs`` and a Python that does nothing by turns, each in processes of its own, and
prints the middle and the least of the processor time that they took (user and system), and the modules that cost most.
The aim is 0.2 s for ``bmslogs --help`` (common practice, no source).
"""

from __future__ import annotations

import argparse
import os
import subprocess
import sys
from pathlib import Path
from statistics import median

ROOT = Path(__file__).parents[2]
CALLS = {
    "python -c pass": "pass",
    "import bmslogs": "import bmslogs",
    "bmslogs --help": "call('--help')",
    "bmslogs explain capacity": "call('explain', 'capacity')",
}
START = """
import atexit, sys, time
atexit.register(lambda: sys.stderr.write(f"took {time.process_time()}"))
def call(*words):
    from bmslogs.faces.command import main
    sys.argv = ["bmslogs", *words]
    main()
"""
AIM_S = 0.2


def main() -> int:
    """Print the figures; return 1 where the aim is missed."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--rounds", type=int, default=15, help="calls of each kind")
    parser.add_argument(
        "--modules", type=int, default=8, help="costliest modules of `bmslogs --help` to list"
    )
    given = parser.parse_args()
    for code in CALLS.values():
        processor_time(code)  # byte code is written once, by whoever comes first
    taken: dict[str, list[float]] = {name: [] for name in CALLS}
    for _ in range(given.rounds):
        for name, code in CALLS.items():
            taken[name].append(processor_time(code))
    for name, seconds in taken.items():
        print(f"{name:<26} middle {median(seconds):.3f} s, least {min(seconds):.3f} s of processor time")
    for microseconds, module in costly(CALLS["bmslogs --help"])[: given.modules]:
        print(f"  {microseconds / 1e3:6.1f} ms  {module} and what it brings")
    return int(median(taken["bmslogs --help"]) > AIM_S)


def processor_time(code: str) -> float:
    """Return user and system time of a process from its start to its end [s], as it says itself."""
    return float(run(["-c", START + code]).stderr.rsplit("took ", 1)[1])


def costly(code: str) -> list[tuple[int, str]]:
    """Return the modules that a call imports with the time each took with what it brings [us], costliest first."""
    lines = run(["-X", "importtime", "-c", START + code]).stderr.splitlines()
    parts = [
        line.removeprefix("import time:").split("|") for line in lines if line.startswith("import time:")
    ]
    return sorted(((int(p[1]), p[2].strip()) for p in parts if p[1].strip().isdigit()), reverse=True)


def run(words: list[str]) -> subprocess.CompletedProcess[str]:
    """Call this Python."""
    environment = {**os.environ, "PYTHONPATH": str(ROOT)}
    return subprocess.run(
        [sys.executable, *words], cwd=ROOT, env=environment, capture_output=True, text=True, check=True
    )


if __name__ == "__main__":
    sys.exit(main())
