"""A text log that grows, read on where the last reading stopped; its rows are those of one reading of the whole.

A reading of the whole looks at a sample, then passes over the file, again where the whole shows what the sample did
not. Here the sample is taken anew each time, and every pass is kept with its state behind the last block that will not
change: a pass that comes out again as it did goes on from there, any other begins anew. What follows that block is
read with a copy of the state, so nothing of it is kept.
"""

from __future__ import annotations

import copy
import hashlib
from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from bmslogs.base.errors import BadInput
from bmslogs.base.pack import Pack
from bmslogs.importers.plan.plan import Plan
from bmslogs.importers.reading.balance import Balance
from bmslogs.importers.reading.blocks import BlockReader, Chunk
from bmslogs.importers.reading.clean import Finisher
from bmslogs.importers.reading.growing_table import GrowingTable
from bmslogs.importers.reading.later import NewColumns
from bmslogs.importers.reading.order import Corrections
from bmslogs.importers.reading.stream import (
    MOST_PASSES,
    Reading,
    Tally,
    balanced,
    block_size,
    line_ends,
    note_end,
    refuse_new_width,
    revised,
    tally_wrong,
    whole_lines,
    without_head,
)
from bmslogs.importers.text.source import Source, lines_of

BOM = b"\xef\xbb\xbf"
MOST_STAGES = 6
"""Choice: as many passes are kept; where a sample wavers between two plans, both are followed."""
OPEN_END = 2**62
"""Row behind the last that a shift of the clock may name."""


class CannotGrow(Exception):
    """The file is not of a kind that can be read on from where it ended: it is read as a whole each time."""


@dataclass(eq=False)
class _Stage:
    """A pass over the file as far as its blocks will not change.

    Attributes
    ----------
    at, line, skip, pieces
        First byte and line that were not read, lines of the header still to be left out, and pieces of the file that
        were read to their last line end.
    table
        Its rows; None where this pass is only looked at.
    """

    plan: Plan
    corrections: Corrections
    never: npt.NDArray[np.bool_]
    regular: bool
    size: int
    finisher: Finisher
    tally: Tally = field(default_factory=Tally)
    balance: Balance = field(default_factory=Balance)
    table: GrowingTable | None = None
    at: int = 0
    line: int = 1
    skip: int = 0
    pieces: int = 0

    def alike(self, plan: Plan, lasting: Corrections, never: Any, regular: bool, size: int) -> bool:
        """Whether a pass with these decisions is this one."""
        return (
            (self.size, self.regular) == (size, regular)
            and self.plan == _decisions(plan)
            and self.corrections == lasting
            and np.array_equal(self.never, never)
        )

    def copied(self, corrections: Corrections) -> _Stage:
        """Return the pass with a state of its own, for what will be read again."""
        shared = (self.plan, self.finisher.plan, self.table)
        out = copy.deepcopy(self, {id(x): x for x in shared})
        out.finisher.clockwork.corrections = corrections
        return out

    def take(self, reader: BlockReader, block: bytes, file: Path) -> Chunk | None:
        """Read a block of whole lines; return finished rows."""
        self.at += len(block)
        if self.line == 1:
            block = block.removeprefix(BOM)
        if self.skip:
            block, gone = without_head(block, self.skip)
            self.skip -= gone
            self.line += gone
        if not block:
            return None
        lines = line_ends(block)
        chunk = reader.read(block, self.line, lines)
        self.line += lines
        if chunk is None:
            return None
        for read in balanced(iter([chunk]), self.plan, self.balance, file):
            tally_wrong(read, self.tally)
            refuse_new_width(self.tally, self.plan, file)
            ready = self.finisher.add(read)
            if ready is not None and ready.rows:
                return ready
        return None


def _decisions(plan: Plan) -> Plan:
    """Return a plan without what is only said: words and examples follow the sample from time to time."""
    columns = tuple(replace(c, why="", examples=()) for c in plan.columns)
    return replace(plan, columns=columns, sign_why="", sign_says="", cells_why="", notes=())


def _lasting(corrections: Corrections, rows: int) -> Corrections:
    """Return corrections that hold for rows to come as well; what they say is said at the end."""
    shifts = tuple((a, OPEN_END if b >= rows else b, by) for a, b, by in corrections.shifts)
    return replace(corrections, shifts=shifts, says=())


@dataclass
class Grown:
    """What a growing file says now.

    Attributes
    ----------
    table, last, sign
        Its rows: those that will not change, and those behind them for now.
    parsed
        Bytes that were parsed for it, the sample apart.
    """

    reading: Reading
    table: GrowingTable
    last: list[Chunk]
    sign: int
    parsed: int


_Passed = tuple[Reading, Finisher, list[Chunk], tuple[Plan, Corrections, bool] | None]


class GrowingFile:
    """One plain text log that grows.

    Parameters
    ----------
    path
        Holds whole lines only; bytes may be added, never changed.
    folder
        For what is kept of its rows.
    """

    def __init__(self, path: Path, pack: Pack, folder: Path) -> None:
        self.path = path
        self._pack, self._folder = pack, folder
        self._stages: list[_Stage] = []
        self._parsed = self._made = 0
        self._digest, self._hashed = hashlib.sha256(), 0

    def read(
        self,
        source: Source,
        plan: Plan,
        corrections: Corrections,
        never: npt.NDArray[np.bool_],
        regular: bool,
    ) -> Grown:
        """Read on, and say what the whole file says now; all but the first are what its sample says now.

        Raises
        ------
        BadInput
            The file as it is now would be refused.
        CannotGrow
            It must be read as a whole.
        """
        self._parsed, rows = 0, 0
        _must_grow(source, plan)
        for _ in range(MOST_PASSES):
            stage = self._stage(plan, corrections, never, regular, block_size(source.size), rows)
            reading, finisher, last, again = self._passed(stage, plan, corrections, source)
            if again is None and stage.table is None:
                stage = self._with_rows(stage)
                reading, finisher, last, again = self._passed(stage, plan, corrections, source)
            if again is None:
                assert stage.table is not None
                return Grown(reading, stage.table, last, plan.sign or 1, self._parsed)
            rows = finisher.clockwork.row
            plan, corrections, same_rows = again
            if same_rows:  # rows as they are, under another plan: a case that is left to the whole reading
                raise CannotGrow
            sensors = len(plan.of("temperature"))
            never = np.concatenate([never, np.zeros(sensors - len(never), dtype=bool)])
        raise BadInput(
            "the file contradicts itself each time it is read", "a log in order of time", file=self.path
        )

    def close(self) -> None:
        """Remove what was kept."""
        while self._stages:
            self._drop(self._stages[0])

    def _stage(
        self,
        plan: Plan,
        corrections: Corrections,
        never: npt.NDArray[np.bool_],
        regular: bool,
        size: int,
        rows: int,
    ) -> _Stage:
        """Return the pass with these decisions, as far as it has come; `rows` were in the file by the pass before."""
        lasting = _lasting(corrections, rows)
        for k, stage in enumerate(self._stages):
            if stage.alike(plan, lasting, never, regular, size):
                self._stages.append(self._stages.pop(k))
                return stage
        self._stages.append(self._fresh(plan, lasting, never, regular, size))
        while len(self._stages) > MOST_STAGES:
            self._drop(self._stages[0])
        return self._stages[-1]

    def _drop(self, stage: _Stage) -> None:
        self._stages.remove(stage)
        if stage.table is not None:
            stage.table.discard()

    def _fresh(
        self, plan: Plan, lasting: Corrections, never: npt.NDArray[np.bool_], regular: bool, size: int
    ) -> _Stage:
        _must_last(lasting)
        finisher = Finisher(plan, lasting, never, regular, self._pack.nominal_capacity_Ah)
        first = plan.dialect.first_line - 1
        return _Stage(_decisions(plan), lasting, never, regular, size, finisher, skip=first)

    def _with_rows(self, stage: _Stage) -> _Stage:
        """Begin a pass anew whose rows are wanted."""
        self._made += 1
        plan = stage.finisher.plan
        fresh = self._fresh(plan, stage.corrections, stage.never, stage.regular, stage.size)
        fresh.table = GrowingTable(self._folder / f"rows-{self._made}", plan)
        self._stages[self._stages.index(stage)] = fresh
        return fresh

    def _passed(self, stage: _Stage, plan: Plan, corrections: Corrections, source: Source) -> _Passed:
        """Take a pass to the end of the file; say what must be done otherwise."""
        try:
            reading, finisher, last = self._read_on(stage, plan, corrections, source)
        except BaseException as error:
            self._drop(stage)  # it may have stopped in the middle of a block
            if isinstance(error, NewColumns):
                raise CannotGrow from None
            raise
        again = revised(reading, finisher, plan, corrections, self._pack, self.path, source.held_size)
        return reading, finisher, last, again

    def _read_on(
        self, stage: _Stage, plan: Plan, corrections: Corrections, source: Source
    ) -> tuple[Reading, Finisher, list[Chunk]]:
        reader, sign = BlockReader(plan), plan.sign or 1
        for block in self._lasting_blocks(stage, source.size):
            ready = stage.take(reader, block, self.path)
            if ready is not None and stage.table is not None:
                stage.table.add(ready, sign)
        if stage.table is not None:
            stage.table.settle()
        now = stage.copied(corrections)
        finisher = now.finisher
        blocks = self._open_blocks(stage, source.size)
        if blocks:
            blocks[-1] = whole_lines(blocks[-1], plan, finisher.repairs)
        taken = [now.take(reader, block, self.path) for block in blocks if block]
        last = [c for c in (*taken, finisher.end()) if c is not None and c.rows]
        note_end(finisher, now.tally, now.balance, plan, corrections, source)
        sha, joints = self._sha(source.size), tuple(finisher.joints.end())
        return Reading(plan, finisher.findings, finisher.repairs, sha, sha, joints), finisher, last

    def _lasting_blocks(self, stage: _Stage, size: int) -> Iterator[bytes]:
        """Yield the blocks that a reading of the whole cuts alike however far the file grows."""
        with self.path.open("rb") as handle:
            while (end := (stage.pieces + 1) * stage.size) < size:
                handle.seek(stage.at)
                piece = handle.read(end - stage.at)
                cut = piece.rfind(b"\n") + 1
                if b"\0" in piece or cut < stage.size // 2:
                    raise CannotGrow
                stage.pieces += 1
                self._parsed += cut
                yield piece[:cut]

    def _open_blocks(self, stage: _Stage, size: int) -> list[bytes]:
        """Return the blocks behind, as the end of the file is read: a cut last line is told and left out."""
        with self.path.open("rb") as handle:
            handle.seek(stage.at)
            rest = handle.read(size - stage.at)
        if b"\0" in rest:
            raise CannotGrow
        self._parsed += len(rest)
        return list(lines_of(iter([rest]), stage.size, self.path)) if rest else []

    def _sha(self, size: int) -> str:
        with self.path.open("rb") as handle:
            handle.seek(self._hashed)
            while self._hashed < size and (piece := handle.read(min(1 << 20, size - self._hashed))):
                self._digest.update(piece)
                self._hashed += len(piece)
        return self._digest.hexdigest()


def _must_grow(source: Source, plan: Plan) -> None:
    """Leave to the whole reading what is not rows of text, one a scan, the newest last."""
    if (
        source.kind != "plain"
        or plan.dialect.encoding not in ("utf-8", "cp1252")
        or plan.long is not None
        or plan.rows_plan is not None
        or plan.later is not None
        or plan.spread > 1
        or plan.newest_first
    ):
        raise CannotGrow


def _must_last(corrections: Corrections) -> None:
    """Leave to the whole reading what needs all rows at once."""
    if corrections.scattered or corrections.shuffled or corrections.twice:
        raise CannotGrow
