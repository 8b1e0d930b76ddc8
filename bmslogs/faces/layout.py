"""Plain text laid out for a terminal: titles, wrapped lines."""

from __future__ import annotations

import shutil
import textwrap
from collections.abc import Iterable

NARROW, WIDE = 60, 110


def terminal_width() -> int:
    """Return the columns to use: the terminal's, within what reads well."""
    return max(NARROW, min(WIDE, shutil.get_terminal_size((WIDE, 24)).columns))


def titled(title: str, body: str) -> str:
    """Return `body` under an underlined title."""
    return f"{title}\n{'-' * len(title)}\n{body}"


def wrapped(text: str, indent: str, columns: int, hang: str = "  ") -> str:
    """Return `text` wrapped, later lines indented by `hang` more; long words are left whole."""
    return textwrap.fill(
        text, columns, initial_indent=indent, subsequent_indent=indent + hang, break_long_words=False
    )


def part(title: str, lines: Iterable[str], columns: int) -> str:
    """Return wrapped lines under a title; empty where there are none."""
    body = "\n".join(wrapped(line, "  ", columns) for line in lines)
    return titled(title, body) if body else ""
