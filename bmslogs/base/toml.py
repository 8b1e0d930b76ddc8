"""Files in TOML: read, and what is wrong with them said in one line."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path
from typing import Any

from pydantic import ValidationError

from bmslogs.base.errors import BadInput, printable

MOST_BYTES = 1 << 20
"""Choice: a pack of a thousand cells with names for everything takes a tenth of it."""
_ENDLESS_KEY = re.compile(r"(?:[\w-]+[ \t]*\.[ \t]*){100}")


class NotToml(ValueError):
    """A text that is no document in TOML; says why in one line."""


def read_toml(path: Path, what: str, refusal: type[BadInput]) -> dict[str, Any]:
    """Return a file's document.

    Parameters
    ----------
    what
        What the file is, with its article: ``a pack file``.
    refusal
        Raised where it is missing, cannot be read or is not TOML.
    """
    try:
        if path.stat().st_size > MOST_BYTES:
            raise refusal(f"is larger than {MOST_BYTES >> 20} MB", f"{what} in TOML", file=path)
        return parse_toml(path.read_text(encoding="utf-8-sig"))
    except FileNotFoundError:
        raise refusal("no such file", what, file=path) from None
    except (OSError, UnicodeDecodeError) as error:
        raise refusal(f"cannot be read ({error})", f"{what} in TOML, UTF-8", file=path) from None
    except NotToml as error:
        raise refusal(str(error), f"{what} in TOML", file=path) from None


def parse_toml(text: str) -> dict[str, Any]:
    """Return the document that a text spells.

    Raises
    ------
    NotToml
        It spells none, or one built to keep a program busy: keys or lists nested without end.
    """
    if _ENDLESS_KEY.search(text):
        raise NotToml("a key of more than 100 parts")
    try:
        return tomllib.loads(text)
    except RecursionError:
        raise NotToml("lists or tables within each other without end") from None
    except ValueError as error:  # what is no TOML, and a whole number of thousands of digits
        raise NotToml(f"not TOML ({error})") from None


def refused(
    error: ValidationError, key: str, what: str, refusal: type[BadInput], file: str | Path | None
) -> BadInput:
    """Return the first problem of a document as one line.

    Parameters
    ----------
    key
        As the file spells the place of the problem.
    what
        What the file is, without its article: ``pack file``.
    """
    first = error.errors(include_url=False)[0]
    kind, message = first["type"], str(first["msg"]).removeprefix("Value error, ")
    if kind == "missing":
        return refusal(f"key {key!r} is missing", f"it in the {what}", file=file)
    if kind == "extra_forbidden":
        return refusal(f"unknown key {key!r}", f"a key of the {what}", file=file, column=key)
    if kind == "value_error":
        return refusal(message, file=file, column=key or None)
    if kind == "string_pattern_mismatch":
        message = "letters, digits, - and _ only, 64 at most"  # all our patterns are those of ids
    found = printable(repr(first.get("input")), 80)
    return refusal(f"found {found}", message[:1].lower() + message[1:], file=file, column=key)
