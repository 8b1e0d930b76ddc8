"""The balance of a reading: lines of the file = rows stored + rows that repairs name."""

from __future__ import annotations

from pathlib import Path

from bmslogs.base.errors import BadInput
from bmslogs.importers.plan.repairs import Repairs
from bmslogs.importers.reading.blocks import Chunk

LEFT_OUT = frozenset(
    [
        "header_repeated",
        "nul_bytes",
        "open_quote",
        "row_broken",
        "text_line",
        "no_time",
        "stamp_wrong",
        "row_repeated",
        "row_twice",
        "out_of_order",
        "rows_put_together",
        "scan_gathered",
    ]
)
"""Rules whose rows are lines of the file that are no rows of the log."""


class Balance:
    """Adds up what the blocks held and what became of it."""

    def __init__(self) -> None:
        self.lines = 0

    def read(self, chunk: Chunk, file: Path) -> None:
        """Add a block as it was parsed.

        Raises
        ------
        BadInput
            Lines of it are neither rows nor named.
        """
        named = len(chunk.wrong) + chunk.repeated_headers + chunk.nul_lines + chunk.odd_quotes
        if chunk.lines != chunk.rows + named:
            raise _lost(chunk.lines, chunk.rows + named, file, chunk.line)
        self.lines += chunk.lines

    def close(self, stored: int, repairs: Repairs, file: Path) -> None:
        """Compare with what was stored and named in the whole file.

        Raises
        ------
        BadInput
            Rows were lost on the way.
        """
        named = sum(repairs.rows_of(rule) for rule in LEFT_OUT)
        if self.lines != stored + named:
            raise _lost(self.lines, stored + named, file, None)


def _lost(lines: int, accounted: int, file: Path, line: int | None) -> BadInput:
    return BadInput(
        f"{lines} lines were read and {accounted} are accounted for: the importer contradicts itself",
        "every line stored or named (please report this file)",
        file=file,
        line=line,
    )
