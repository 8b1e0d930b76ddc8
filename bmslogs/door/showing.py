"""How a result shows itself: a few lines of text, and the same as HTML for notebooks; the cautions stand in both."""

from __future__ import annotations

import html
from abc import ABC, abstractmethod
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from bmslogs.base.cautions import CAUTIONS
from bmslogs.faces.documents import json_text
from bmslogs.faces.output import write_text
from bmslogs.faces.signs import true_minus

if TYPE_CHECKING:
    import pandas as pd

MOST_LINES = 6
"""Lines that a result shows of itself (choice: a notebook cell is looked at, not read)."""


class Shown(ABC):
    """A result of the door: as a frame, as JSON, as text, as HTML."""

    @property
    def cautions(self) -> tuple[str, ...]:
        """What to bear in mind before anybody acts on it."""
        return CAUTIONS

    @abstractmethod
    def to_dict(self) -> dict[str, Any]:
        """Return the JSON object that the command writes with ``--json``."""

    @abstractmethod
    def to_frame(self) -> pd.DataFrame:
        """Return a tidy pandas frame; its ``attrs["cautions"]`` holds the cautions."""

    @abstractmethod
    def _title(self) -> str:
        """Return one line that says what it is."""

    @abstractmethod
    def _lines(self) -> Sequence[tuple[str, str]]:
        """Return what it says, most urgent first: a word and a sentence each."""

    def _told_cautions(self) -> Sequence[str]:
        """Return the cautions that stand where it shows itself."""
        return self.cautions

    def to_json(self, file: str | Path | None = None) -> str:
        """Return the JSON text, byte for byte what the command writes with ``--json FILE`` (UTF-8).

        Parameters
        ----------
        file
            Written to as well, in one piece, where given.
        """
        text = json_text(self.to_dict())
        if file is not None:
            write_text(file, text)
        return text

    def __repr__(self) -> str:
        lines = self._lines()
        told = [f"  {word}: {says}" if word else f"  {says}" for word, says in lines[:MOST_LINES]]
        more = [f"  .. and {len(lines) - MOST_LINES} more"] if len(lines) > MOST_LINES else []
        cautions = [f"  caution: {line}" for line in self._told_cautions()]
        return true_minus("\n".join([f"<{self._title()}>", *told, *more, *cautions]))

    def _repr_html_(self) -> str:
        lines = self._lines()
        rows = "".join(
            f'<tr><td style="text-align:left"><b>{_text(word)}</b></td>'
            f'<td style="text-align:left">{_text(says)}</td></tr>'
            for word, says in lines[:MOST_LINES]
        )
        more = f"<p>.. and {len(lines) - MOST_LINES} more</p>" if len(lines) > MOST_LINES else ""
        cautions = "".join(f"<li>{_text(line)}</li>" for line in self._told_cautions())
        return (
            f'<div class="bmslogs"><p><b>{_text(self._title())}</b></p><table>{rows}</table>{more}'
            f"<p><b>Cautions</b></p><ul>{cautions}</ul></div>"
        )


def _text(text: str) -> str:
    """Return text as it stands between two tags."""
    return html.escape(true_minus(text), quote=False)


def count(number: int, word: str, several: str = "") -> str:
    """Return ``1 log`` or ``3 logs``."""
    return f"{number} {word if number == 1 else several or word + 's'}"
