"""The documents hold: what they name exists, and what they show runs."""

from __future__ import annotations

import os
import re
import shlex
import shutil
import subprocess
import sys
import tomllib
from pathlib import Path

import pytest
from typer.main import get_command

from bmslogs.base.pack import parse_pack
from bmslogs.faces.command import app

ROOT = Path(__file__).parents[2]
README = (ROOT / "README.md").read_text(encoding="utf-8")
DEVELOPERS = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
COMMANDS = {
    name: {option for parameter in command.params for option in parameter.opts}
    for name, command in get_command(app).commands.items()  # type: ignore[attr-defined]
}
SERVERS = ("serve", "demo")


def blocks(text: str, language: str) -> list[str]:
    """Return the fenced blocks of one language."""
    return re.findall(rf"^```{language}\n(.*?)^```", text, re.MULTILINE | re.DOTALL)


def examples() -> list[str]:
    """Return every line of the README's shell blocks that calls the program."""
    return [
        line for block in blocks(README, "sh") for line in block.splitlines() if line.startswith("bmslogs ")
    ]


def environment() -> dict[str, str]:
    return {**os.environ, "PYTHONPATH": str(ROOT), "PYTHONUTF8": "1"}


def run(line: str, folder: Path) -> subprocess.CompletedProcess[str]:
    words = [sys.executable, "-m", *shlex.split(line)]
    return subprocess.run(
        words, cwd=folder, env=environment(), capture_output=True, text=True, timeout=300, check=False
    )


@pytest.mark.parametrize("line", examples())
def test_a_command_shown_names_options_that_exist(line: str) -> None:
    _, name, *rest = shlex.split(line)
    assert name in COMMANDS
    for word in rest:
        if word.startswith("--"):
            assert word in COMMANDS[name], f"{word} is no option of {name}"


def test_every_option_in_the_text_belongs_to_a_command() -> None:
    known = set().union(*COMMANDS.values(), {"--help", "--version", "--dist"})
    for option in re.findall(r"(?<![\w-])--[a-z][a-z-]+", README):
        assert option in known, option


def test_every_command_stands_in_the_readme() -> None:
    for name in COMMANDS:
        assert f"bmslogs {name}" in README or f"`{name}`" in README or f"/bmslogs {name}" in README, name


def test_the_readme_has_exactly_two_commands_for_a_fresh_machine_each_with_its_windows_spelling() -> None:
    fresh = [line for block in blocks(README, "sh") for line in block.splitlines() if "-m venv" in line]
    assert len(fresh) == 2
    windows = re.findall(r"^Windows: `(.*)`$", README, re.MULTILINE)
    for unix, other in zip(fresh, windows, strict=True):
        same = unix.replace("python3 ", "py ").replace(".venv/bin/", ".venv\\Scripts\\").replace('"', "")
        assert other == same


@pytest.mark.parametrize("name", ["README.md", "DEVELOPERS.md"])
def test_files_and_folders_that_are_named_exist(name: str) -> None:
    text = (ROOT / name).read_text(encoding="utf-8")
    named = set(re.findall(r"\]\((?!http|#)([^)]+)\)", text))
    named |= set(re.findall(r"`((?:bmslogs|dashboard|tests|sample_logs|\.ci)/[\w./-]*)`", text))
    missing = sorted(path for path in named if "KEY" not in path and not (ROOT / path).exists())
    assert not missing


def test_modules_that_are_to_be_run_exist() -> None:
    for module in re.findall(r"python -m (tests[\w.]+|bmslogs)", DEVELOPERS):
        path = ROOT / module.replace(".", "/")
        assert path.with_suffix(".py").exists() or (path / "__main__.py").exists(), module
    for name in re.findall(r"`\.\.(\w+)`", DEVELOPERS):
        assert (ROOT / "tests" / "accuracy" / f"{name}.py").exists(), name


def test_the_pack_file_of_the_readme_is_one() -> None:
    (text,) = blocks(README, "toml")
    assert parse_pack(tomllib.loads(text)).place(5) == "front box, module F2, cell 5"


@pytest.mark.sweep
def test_the_examples_run_one_after_the_other(tmp_path: Path) -> None:
    shutil.copytree(
        ROOT / "sample_logs", tmp_path / "sample_logs", ignore=shutil.ignore_patterns("*.py", "__pycache__")
    )
    for line in examples():
        if shlex.split(line)[1] in SERVERS:
            continue
        done = run(line, tmp_path)
        assert done.returncode == 0, f"{line}\n{done.stderr}"
        assert "Traceback" not in done.stderr
    for block in blocks(README, "python"):
        script = subprocess.run(
            [sys.executable, "-c", block],
            cwd=tmp_path,
            env=environment(),
            capture_output=True,
            text=True,
            timeout=120,
            check=False,
        )
        assert script.returncode == 0, f"{block}\n{script.stderr}"
        assert script.stdout.strip()
