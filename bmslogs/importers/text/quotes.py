"""Lines with a quote that is not closed: it would swallow the lines behind it up to the next one."""

from __future__ import annotations


def is_open(line: bytes) -> bool:
    """Whether a line has a quote that it does not close."""
    return line.count(b'"') % 2 == 1


def without_stray(line: bytes, delimiter: bytes, width: int) -> bytes | None:
    """Return a line with an open quote as it reads without quotes, None where it is no whole row then.

    A quote at the edge of a field is taken away; a field with a quote inside is no number any more.
    """
    fields = line.split(delimiter)
    return delimiter.join(map(_unquoted, fields)) if len(fields) == width else None


def _unquoted(field: bytes) -> bytes:
    return field.strip().removeprefix(b'"').removesuffix(b'"').replace(b'"', b"#")
