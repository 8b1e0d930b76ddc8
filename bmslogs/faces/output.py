"""Where answers go: standard output for the answer, standard error for all else, files in one piece."""

from __future__ import annotations

import json
import os
import sys
from pathlib import Path
from typing import IO, Any

from bmslogs.base.errors import BadInput, printable
from bmslogs.faces.documents import json_text
from bmslogs.faces.signs import plain_minus, true_minus

STDOUT = "-"


def say(text: str = "") -> None:
    """Print to standard output what people read."""
    sys.stdout.write(_for(sys.stdout, text) + "\n")


def put(text: str) -> None:
    """Print to standard output as it is: what programs read, or what is to be typed."""
    sys.stdout.write(text + "\n")


def tell(text: str) -> None:
    """Print one line to standard error."""
    sys.stderr.write(_for(sys.stderr, text) + "\n")


def _for(stream: IO[str], text: str) -> str:
    """Return a text for people as a terminal can show it."""
    return able(stream, true_minus(text))


def able(stream: IO[str], signed: str) -> str:
    """Return a text with plain letters where the terminal's character set lacks its signs."""
    try:
        signed.encode(getattr(stream, "encoding", None) or "utf-8")
    except UnicodeEncodeError:
        return plain_minus(signed)
    return signed


def refuse(reason: str, file: str | Path | None = None) -> None:
    """Print the one line of a refused file to standard error, its name in front."""
    line = printable(reason)
    name = Path(file).name if file else ""
    tell(line if not name or line.startswith(name) else f"{name}: {line}")


def write_text(path: str | Path, text: str, *, encoding: str = "utf-8") -> None:
    """Write a text file in one piece: an interrupted run leaves the old file or none, never a half.

    Raises
    ------
    BadInput
        The place cannot be written.
    """
    import tempfile  # brings half of the standard library along, and most calls write nothing

    target = Path(path)
    partial: str | None = None
    try:
        handle, partial = tempfile.mkstemp(dir=target.parent, prefix=f".{target.name}.", suffix=".part")
        with os.fdopen(handle, "w", encoding=encoding, newline="") as stream:
            stream.write(text)
        mask = os.umask(0)
        os.umask(mask)
        Path(partial).chmod(0o666 & ~mask)
        Path(partial).replace(target)
    except OSError as error:
        if partial is not None:
            Path(partial).unlink(missing_ok=True)
        raise BadInput(
            f"cannot be written ({error.strerror or error})",
            "a file name in a folder that exists",
            file=target,
        ) from None


def write_table(target: str, table: str) -> None:
    """Write a CSV table to file `target`, or to standard output where it is ``-``."""
    if target == STDOUT:
        put(table.replace("\r\n", "\n").rstrip("\n"))
    else:
        # the byte order mark tells a spreadsheet that the text is UTF-8
        write_text(target, table, encoding="utf-8-sig")


def write_json(target: str, data: dict[str, Any]) -> None:
    """Write JSON to file `target`, or to standard output where it is ``-``.

    Standard output gets plain ASCII (the rest escaped), so that no terminal's character set can refuse it.
    """
    if target == STDOUT:
        put(json.dumps(data, indent=1, allow_nan=False))
    else:
        write_text(target, json_text(data))
