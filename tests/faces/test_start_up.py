"""What a call that only says something brings into memory: a list of modules, since times differ between machines."""

from __future__ import annotations

import inspect
import os
import subprocess
import sys
from pathlib import Path

import pytest

from bmslogs.faces.lazy_commands import COMMANDS, function_of

ROOT = Path(__file__).parents[2]
HEAVY = ("numpy", "pandas", "scipy", "pyarrow", "plotly", "dash", "flask", "rich", "jinja2", "dashboard")
CALLS = {
    "import bmslogs": "import bmslogs; dir(bmslogs)",
    "bmslogs --help": "call('--help')",
    "bmslogs --version": "call('--version')",
    "bmslogs diagnose --help": "call('diagnose', '--help')",
    "bmslogs explain": "call('explain', 'capacity')",
}
START = """
import sys
def call(*words):
    from bmslogs.faces.command import main
    sys.argv = ["bmslogs", *words]
    try:
        main()
    except SystemExit as stop:
        assert not stop.code, stop.code
"""


@pytest.mark.parametrize("name", CALLS)
def test_a_light_call_loads_no_heavy_library(name: str, tmp_path: Path) -> None:
    code = f"{START}{CALLS[name]}\nsys.stderr.write(' '.join(m for m in {HEAVY} if m in sys.modules))"
    environment = {**os.environ, "PYTHONPATH": str(ROOT), "PYTHONUTF8": "1"}
    done = subprocess.run(
        [sys.executable, "-c", code], cwd=tmp_path, env=environment, capture_output=True, text=True, timeout=60,
        check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    assert done.stderr == ""


@pytest.mark.parametrize("name", COMMANDS)
def test_the_list_of_commands_says_what_each_says_of_itself(name: str) -> None:
    said = (inspect.getdoc(function_of(name)) or "").splitlines()[0]
    assert COMMANDS[name][1] == said
