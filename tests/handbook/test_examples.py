"""What the handbook shows runs: commands, Python and notebooks, in a folder with nothing but the sample logs."""

from __future__ import annotations

import ast
import json
import shlex
from importlib import resources
from pathlib import Path
from typing import Any

import plotly.graph_objects as go
import pytest

from bmslogs.faces.handbook import CHAPTERS, pages
from tests.faces.program import Program
from tests.handbook.test_handbook import HANDBOOK, blocks

NOTEBOOKS = sorted(f.name for f in HANDBOOK.iterdir() if f.name.endswith(".ipynb"))
SHOWING = [name for names in CHAPTERS.values() for name in names if "```sh" in pages()[name].text or
           "```python" in pages()[name].text]  # fmt: skip


@pytest.mark.sweep
@pytest.mark.parametrize("name", SHOWING)
def test_the_examples_of_a_chapter_run(
    name: str, folder: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    text = pages()[name].text
    program = Program(monkeypatch, capsys)
    if name == "door":  # its examples go on where the stories left off
        program("diagnose", "sample_logs/heron-2-test-drive.csv.gz", "--pack", "sample_logs/heron-main.toml")
    for block in blocks(text, "sh"):
        for line in block.splitlines():
            words = shlex.split(line)
            assert words[0] == "bmslogs"
            done = program(*words[1:])
            assert done.code == 0, f"{line}\n{done.err}"
            assert done.out.strip(), line
    for block in blocks(text, "python"):
        exec(compile(block, name, "exec"), {})


@pytest.mark.sweep
@pytest.mark.parametrize("name", NOTEBOOKS)
def test_a_notebook_runs_cell_by_cell(name: str, folder: Path) -> None:
    notebook = json.loads((HANDBOOK / name).read_text(encoding="utf-8"))
    assert notebook["nbformat"] == 4 and notebook["cells"][0]["cell_type"] == "markdown"
    named: dict[str, Any] = {}
    shown = []
    for cell in notebook["cells"]:
        if cell["cell_type"] == "code":
            assert cell["outputs"] == [] and cell["execution_count"] is None, "outputs are not kept"
            shown.append(run_cell("".join(cell["source"]), name, named))
    assert any(hasattr(value, "_repr_html_") for value in shown)
    if name != "between-vehicles.ipynb":
        assert any(isinstance(value, go.Figure) and value.data for value in shown)


def run_cell(source: str, name: str, named: dict[str, Any]) -> Any:
    """Run one cell and return the value of its last line, which a notebook would show."""
    tree = ast.parse(source)
    last = tree.body.pop() if isinstance(tree.body[-1], ast.Expr) else None
    exec(compile(tree, name, "exec"), named)
    return (
        eval(compile(ast.Expression(last.value), name, "eval"), named) if isinstance(last, ast.Expr) else None
    )


def test_three_notebooks_ship_with_the_program() -> None:
    assert NOTEBOOKS == ["between-vehicles.ipynb", "first-charge.ipynb", "weak-module.ipynb"]
    assert resources.files("bmslogs").joinpath("handbook", NOTEBOOKS[0]).is_file()
