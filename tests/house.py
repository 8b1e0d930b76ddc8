"""Measures of the code: lengths, complexity, tests beside the rooms, circles. Run ``python -m tests.house``.

They are printed, not judged: an aim stands beside each where DEVELOPERS.md names one.
"""

from __future__ import annotations

import ast
import statistics
import subprocess
import sys
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
SOURCES = ("bmslogs", "dashboard", "sample_logs")
LAYERS = {
    "base": ("bmslogs/base", ("tests/base",)),
    "importers": ("bmslogs/importers", ("tests/importers",)),
    "store": ("bmslogs/store", ("tests/store",)),
    "analysis": ("bmslogs/analysis", ("tests/analysis",)),
    "findings": ("bmslogs/findings", ("tests/findings",)),
    "fleet": ("bmslogs/fleet", ("tests/fleet",)),
    "faces": ("bmslogs/faces", ("tests/faces", "tests/figures")),
    "dashboard": ("dashboard", ("tests/dashboard",)),
}
PLAIN_NUMBERS = {0, 1, 2, -1, 0.5, 1e3, 1e6, 1e-3, 60, 3600, 100, 1e-9, 1e-12}


@dataclass(frozen=True)
class Function:
    """One function: its file, name, lines of body without the docstring, and whether it has one."""

    path: Path
    name: str
    body: int
    documented: bool
    public: bool


def files(folder: str) -> list[Path]:
    """Return the Python files of a folder."""
    return sorted((ROOT / folder).rglob("*.py"))


def lines(paths: list[Path]) -> int:
    """Return the lines that are neither blank nor comment."""
    texts = (line.strip() for path in paths for line in path.read_text(encoding="utf-8").splitlines())
    return sum(bool(text) and not text.startswith("#") for text in texts)


def functions(paths: list[Path]) -> Iterator[Function]:
    """Yield all functions and methods of some files."""
    for path in paths:
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef):
                documented = ast.get_docstring(node) is not None
                body = node.body[1:] if documented else node.body
                last = body[-1].end_lineno if body else None
                length = (last or 0) - body[0].lineno + 1 if body else 0
                yield Function(path, node.name, length, documented, not node.name.startswith("_"))


def bare_numbers(paths: list[Path]) -> int:
    """Return how many numbers stand in bodies of functions that are neither named nor plain."""
    count = 0
    for path in paths:
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.FunctionDef):
                count += sum(
                    isinstance(part, ast.Constant)
                    and type(part.value) in (int, float)
                    and part.value not in PLAIN_NUMBERS
                    for statement in node.body
                    for part in ast.walk(statement)
                )
    return count


def complex_functions(most: int = 10) -> int:
    """Return how many functions have a cyclomatic complexity above `most` (McCabe 1976, as ruff counts it)."""
    command = [
        sys.executable,
        "-m",
        "ruff",
        "check",
        "--select",
        "C901",
        "--exit-zero",
        "--ignore-noqa",
        "--output-format",
        "concise",
        "--config",
        f"lint.mccabe.max-complexity={most}",
        *SOURCES,
    ]
    out = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, check=True).stdout
    return sum("C901" in line for line in out.splitlines())


def circles() -> list[tuple[str, ...]]:
    """Return the groups of modules that import each other at load time."""
    import grimp

    graph = grimp.build_graph(*SOURCES, exclude_type_checking_imports=True)
    order: dict[str, int] = {}
    low: dict[str, int] = {}
    stack: list[str] = []
    found: list[tuple[str, ...]] = []

    def visit(module: str) -> None:
        order[module] = low[module] = len(order)
        stack.append(module)
        for other in graph.find_modules_directly_imported_by(module):
            if other not in order:
                visit(other)
                low[module] = min(low[module], low[other])
            elif other in stack:
                low[module] = min(low[module], order[other])
        if low[module] == order[module]:
            group = []
            while stack[-1] != module:
                group.append(stack.pop())
            group.append(stack.pop())
            if len(group) > 1:
                found.append(tuple(sorted(group)))

    for module in sorted(graph.modules):
        if module not in order:
            visit(module)
    return found


def main() -> None:
    """Print the measures."""
    paths = [path for folder in SOURCES for path in files(folder)]
    every = list(functions(paths))
    sizes = sorted(f.body for f in every)
    longest = max(every, key=lambda f: f.body)
    p90 = sizes[int(0.9 * len(sizes))]
    where = longest.path.relative_to(ROOT)
    print(f"lines of code: {lines(paths):,} in {len(paths)} files, {len(every):,} functions")
    print(
        f"body lines, median / p90 / max: {statistics.median(sizes):.0f} / {p90} / {longest.body} (aim 7 / 24 / 60); "
        f"the longest is {longest.name} in {where}"
    )
    share = complex_functions() / len(every)
    print(f"functions of complexity over 10: {share * 100:.1f} % (aim 3 %)")
    modules = sorted(((lines([p]), p.relative_to(ROOT)) for p in paths), reverse=True)[:5]
    print("longest modules: " + ", ".join(f"{p} {n}" for n, p in modules))
    analysis = files("bmslogs/analysis")
    public = [f for f in functions(analysis) if f.public]
    print(
        f"public functions of analysis with a docstring: {sum(f.documented for f in public)} of {len(public)}"
    )
    print(f"bare numbers in bodies of analysis: {bare_numbers(analysis)} (aim: named)")
    for layer, (source, tests) in LAYERS.items():
        own = lines(files(source))
        beside = lines([p for folder in tests if (ROOT / folder).is_dir() for p in files(folder)])
        print(
            f"test lines per line of {layer}: {beside / max(own, 1):.2f} (aim 0.6; analysis and findings 1)"
        )
    groups = circles()
    print(f"circles of imports: {len(groups)} (aim 0)" + "".join(f"; {' <-> '.join(g)}" for g in groups))


if __name__ == "__main__":
    main()
