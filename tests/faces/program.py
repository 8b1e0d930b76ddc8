"""The command line called from a test, in this process, as a shell would call it."""

from __future__ import annotations

from dataclasses import dataclass

import pandas as pd  # noqa: F401 - `import` keeps pandas out of a process that has not loaded it; this one serves others
import pytest

from bmslogs.faces.command import main


@dataclass(frozen=True)
class Outcome:
    """Exit code and what was printed."""

    code: int
    out: str
    err: str


class Program:
    """Call it with the words of a command line."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
        self._monkeypatch = monkeypatch
        self._capsys = capsys

    def __call__(self, *words: object) -> Outcome:
        """Run and return the outcome; an exception that a user would see as a traceback is raised here."""
        self._monkeypatch.setattr("sys.argv", ["bmslogs", *map(str, words)])
        self._capsys.readouterr()
        code = 0
        try:
            main()
        except SystemExit as stop:
            code = stop.code if isinstance(stop.code, int) else int(stop.code is not None)
        out, err = self._capsys.readouterr()
        return Outcome(code, out, err)
