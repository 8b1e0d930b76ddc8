"""The reading of a whole file: bytes, blocks, readings and Parquet at the same time, memory bounded."""

from __future__ import annotations

import hashlib
import json
import queue
import threading
from collections import deque
from collections.abc import Callable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from bmslogs.base.errors import Ambiguous, BadInput
from bmslogs.base.pack import Pack
from bmslogs.importers.plan.plan import Plan
from bmslogs.importers.plan.repairs import Repairs
from bmslogs.importers.plan.sign import Stated, judge_sign
from bmslogs.importers.reading.background import Aside
from bmslogs.importers.reading.balance import Balance
from bmslogs.importers.reading.blocks import BlockReader, Chunk, tidy
from bmslogs.importers.reading.clean import Findings, Finisher
from bmslogs.importers.reading.jumps import SECOND, SET_CLOCK
from bmslogs.importers.reading.later import NewColumns, with_later_columns
from bmslogs.importers.reading.order import Clockwork, Corrections
from bmslogs.importers.reading.pivot import Pivot
from bmslogs.importers.reading.sections import Joint
from bmslogs.importers.reading.table_writer import TableWriter
from bmslogs.importers.reading.whole_rows import Gatherer
from bmslogs.importers.text.dialect import delimiter_changes
from bmslogs.importers.text.encoding import to_utf8
from bmslogs.importers.text.fixed_width import PIECE_BYTES
from bmslogs.importers.text.numbers import NumberStyle
from bmslogs.importers.text.source import Source, lines_of

Progress = Callable[[int, int], None]
"""Called with bytes read so far and in all."""
WORKERS = 2
READ_AHEAD, AHEAD, WRITE_BEHIND = 2, 4, 8
"""Blocks that may wait to be parsed, to be finished and to be written: bounds the memory. A row group takes as long to
write as eight blocks to parse."""
SMALLEST_BLOCK, LARGEST_BLOCK = 1 << 20, 4 << 20
"""Bytes: measured; larger blocks fall out of the processor's cache, smaller ones cost calls."""
BLOCKS = 24
"""Choice: a file has at least half as many blocks before they get larger, so that all threads have work."""
MOST_PASSES = 6
COARSEST, MOST_ALIKE = 61.0, 100
"""Choice [s, rows]: spreadsheets cut stamps to the minute; no pack is read more than 100 times in a stamp."""
MOST_SORTED = 300 << 20
"""Choice [bytes]: a file whose blocks stand in another order is held in memory as a whole, so it may not be larger."""
MOST_SAID = 5
"""Choice: as many joints are told in words."""
MOST_STEPS_BACK = 10
"""Choice: a clock may be set back now and then; more, and in one row of twenty, the rows are in no order."""


@dataclass
class Reading:
    """A file read to its end.

    Attributes
    ----------
    plan
        With all that was decided by the whole file.
    sha256, content_sha256
        Of the bytes given, and of the unpacked text.
    joints
        Where the clock stood still or files were joined.
    """

    plan: Plan
    findings: Findings
    repairs: Repairs
    sha256: str
    content_sha256: str
    joints: tuple[Joint, ...] = ()

    @property
    def notes(self) -> tuple[str, ...]:
        """What is said of the log without being a repair."""
        return self.plan.notes + tuple(j.says for j in self.joints[:MOST_SAID])


@dataclass
class Tally:
    """Rows that did not fit, over the whole file."""

    fields: dict[int, list[tuple[int, str]]] = field(default_factory=dict)
    counts: dict[int, int] = field(default_factory=dict)


def block_size(size: int) -> int:
    """Return a size of blocks for a file; in steps of two, so that a file that grows keeps its blocks for long."""
    size_of_block = SMALLEST_BLOCK
    while size_of_block < LARGEST_BLOCK and size >= BLOCKS * size_of_block:
        size_of_block *= 2
    return size_of_block


def read_whole(
    source: Source,
    plan: Plan,
    pack: Pack,
    never: npt.NDArray[np.bool_],
    regular: bool,
    corrections: Corrections,
    open_writer: Callable[[Plan], TableWriter],
    progress: Progress | None = None,
) -> tuple[Reading, TableWriter]:
    """Read a file, again where the whole shows what the sample did not.

    Returns
    -------
    reading, writer
        The writer has all rows and waits for its metadata.
    """
    try:
        return _read_until_it_fits(source, plan, pack, never, regular, corrections, open_writer, progress)
    except BadInput as error:
        raise source.told(error) from None


def _read_until_it_fits(
    source: Source,
    plan: Plan,
    pack: Pack,
    never: npt.NDArray[np.bool_],
    regular: bool,
    corrections: Corrections,
    open_writer: Callable[[Plan], TableWriter],
    progress: Progress | None,
) -> tuple[Reading, TableWriter]:
    for _ in range(MOST_PASSES):
        writer = open_writer(plan)
        try:
            reading, finisher = _pass(source, plan, pack, never, regular, corrections, writer, progress)
        except NewColumns as found:
            writer.discard()
            plan = with_later_columns(plan, found, source.path)
            continue
        except BaseException:
            writer.discard()
            raise
        try:
            again = revised(reading, finisher, plan, corrections, pack, source.path, source.held_size)
        except BaseException:
            writer.discard()
            raise
        if again is None:
            return reading, writer
        plan, corrections, same_rows = again
        sensors = len(plan.of("temperature"))
        never = np.concatenate([never, np.zeros(sensors - len(never), dtype=bool)])
        if same_rows:
            reading.plan = plan
            return reading, writer
        writer.discard()
    raise BadInput(
        "the file contradicts itself each time it is read", "a log in order of time", file=source.path
    )


def revised(  # noqa: C901 - the order of the questions is the rule
    reading: Reading,
    finisher: Finisher,
    plan: Plan,
    corrections: Corrections,
    pack: Pack,
    file: Path,
    source_size: int,
) -> tuple[Plan, Corrections, bool] | None:
    """Return what must be done otherwise, None where all fits."""
    found, work = reading.findings, finisher.clockwork
    changed: dict[str, Any] = {}
    if not found.rows:
        raise BadInput("no row with a time and readings", "rows of readings", file=file)
    back = any(j.after < j.before for j in work.jumps)
    if (found.shuffled and not corrections.shuffled) or (back and not corrections.twice):
        return plan, replace(corrections, shuffled=found.shuffled or corrections.shuffled, twice=True), False
    if not corrections.scattered and not corrections.shifts and work.scattered:
        if source_size > MOST_SORTED:
            raise BadInput("blocks of rows in another order than that of time", "them in order", file=file)
        return plan, replace(corrections, scattered=True), False
    if len(work.jumps) > max(MOST_STEPS_BACK, 0.05 * work.row):
        raise BadInput(
            f"time steps back at {len(work.jumps)} places or more in {work.row} rows",
            "rows in the order of time",
            file=file,
            column=next((t.name for t in plan.of("time")), None),
        )
    _refuse_coarse(work, found.rows, plan, file)
    changed |= _columns_of_whole(found, plan)
    if found.repeats and not corrections.repeats:
        return plan, replace(corrections, repeats=True), False
    new = corrections
    if work.jumps or work.strays or (work.repeats and not corrections.coarse):
        new = work.resolve()
        if new.coarse and not corrections.coarse:
            new = replace(new, rows_per_stamp=1)
    if plan.of("current", "discharge current") and plan.cells:
        changed |= _sign_of_whole(found, plan, pack, file)
    changed |= _never_set(found, plan)
    fresh = replace(plan, **changed) if changed else plan
    if new != corrections:
        return fresh, new, False
    if set(changed) - {"sign_why", "notes"}:
        return fresh, corrections, False
    reading.plan = fresh
    return None


def _columns_of_whole(found: Findings, plan: Plan) -> dict[str, Any]:
    """Return what of the columns looks otherwise in the whole file than in its sample: to be changed in the plan."""
    changed: dict[str, Any] = {}
    woken = {t.index for t in plan.of("silent")} & found.text_columns
    if woken:
        changed["columns"] = tuple(
            t
            if t.index not in woken
            else replace(t, role="temperature", style=t.style or NumberStyle(plan.dialect.decimal))
            for t in plan.columns
        )
    if found.text_columns - plan.text_columns - woken:
        changed["text_columns"] = plan.text_columns | frozenset(found.text_columns - woken)
    if not plan.fine and found.finest > 0.02 and plan.cells:
        changed["fine"] = True
        changed["voltage_step"] = 1e-4
    return changed


def _never_set(found: Findings, plan: Plan) -> dict[str, Any]:
    """Return the remark that a clock was never set, as a change of the plan; nothing where it was."""
    if (
        plan.clock is not None
        and plan.clock.dated
        and not plan.clock.relative
        and (found.end or 0) < SET_CLOCK
    ):
        never_set = "the logger's clock was never set: its dates are not true"
        if never_set not in plan.notes:
            return {"notes": (*plan.notes, never_set)}
    return {}


def _sign_of_whole(found: Findings, plan: Plan, pack: Pack, file: Path) -> dict[str, Any]:
    """Return what the whole file says otherwise of the sign of the current than the plan does."""
    given = (plan.sign or 0) if plan.sign_fixed else 0
    # what the mode column gave its sign speaks for itself
    stated = Stated(given, plan.sign_hint if not plan.sign_by_mode else 1, plan.sign_says)
    verdict = judge_sign(found.sign, pack.nominal_capacity_Ah, stated, plan.beside)
    if verdict.factor is None:
        raise Ambiguous(
            f"which sign of the current is discharge: {verdict.why}",
            verdict.settle,
            file=file,
            column=next((t.name for t in plan.of("current", "discharge current")), None),
        )
    changed: dict[str, Any] = {}
    if plan.sign != verdict.factor:
        changed["sign"] = verdict.factor
    if verdict.by_mode:
        changed["sign_by_mode"] = True
    if not plan.sign_by_mode:
        changed["sign_why"] = verdict.why
    return changed


def _refuse_coarse(work: Clockwork, rows: int, plan: Plan, file: Path) -> None:
    """Refuse stamps so coarse that to spread rows over them would be to invent their time."""
    step = float(np.median(work.steps)) / SECOND if work.steps else np.inf
    shared = work.repeats / max(work.row, 1)
    if shared > 0.5 and (step > COARSEST if work.steps else rows > MOST_ALIKE):
        each = f"one stamp every {step:g} s" if work.steps else "one stamp"
        raise BadInput(
            f"{work.row} rows share {each}",
            "stamps in seconds; a spreadsheet may have cut them",
            file=file,
            column=next((t.name for t in plan.of("time")), None),
        )


def _pass(
    source: Source,
    plan: Plan,
    pack: Pack,
    never: npt.NDArray[np.bool_],
    regular: bool,
    corrections: Corrections,
    writer: TableWriter,
    progress: Progress | None,
) -> tuple[Reading, Finisher]:
    finisher = Finisher(plan, corrections, never, regular, pack.nominal_capacity_Ah)
    digest, content = hashlib.sha256(), None if source.kind == "plain" else hashlib.sha256()
    tally = Tally()
    balance = Balance()
    with Aside("write", WRITE_BEHIND) as aside:
        for chunk in _scans(source, plan, digest, content, progress, finisher.repairs, balance):
            tally_wrong(chunk, tally)
            refuse_new_width(tally, plan, source.path)
            ready = finisher.add(chunk)
            if ready is not None and ready.rows:
                aside.call(writer.write, ready, plan.sign or 1)
        ready = finisher.end()
        if ready is not None and ready.rows:
            aside.call(writer.write, ready, plan.sign or 1)
        aside.call(writer.flush)
    note_end(finisher, tally, balance, plan, corrections, source)
    sha = digest.hexdigest() if source.kind == "plain" else source.sha256()
    text_sha = content.hexdigest() if content is not None else sha
    joints = tuple(finisher.joints.end())
    return Reading(plan, finisher.findings, finisher.repairs, sha, text_sha, joints), finisher


def note_end(
    finisher: Finisher, tally: Tally, balance: Balance, plan: Plan, corrections: Corrections, source: Source
) -> None:
    """Say at the end of a pass what was left out and moved; every line must be accounted for."""
    _note_wrong(tally, finisher.repairs, plan, source)
    balance.close(finisher.findings.rows, finisher.repairs, source.path)
    if plan.newest_first:
        finisher.repairs.add(
            "rows_turned",
            "the file has its newest row first: {rows} turned round",
            finisher.findings.rows,
            [],
            finisher.findings.start,
            finisher.findings.end,
        )
    if plan.clock is not None and not plan.clock.dated:
        finisher.repairs.add(
            "no_date",
            "the log says no date: its rows are dated from 1970-01-01; give start in a profile for the true one",
            finisher.findings.rows,
            ["time"],
            finisher.findings.start,
            finisher.findings.end,
        )
    for rule, amount, rows, before, after in corrections.says:
        text = {
            "clock_unset": "the clock was not set until later: {rows} before that moved " + amount,
            "clock_lost": "the clock was lost: {rows} behind moved "
            + amount
            + " to follow those before; the pause between is not known",
            "clock_back": "the clock stepped back: {rows} before the step moved " + amount,
            "counter_wrapped": "the counter of time ran over: {rows} behind moved " + amount,
            "counter_restarted": "time since the start began again (a restart?): {rows} behind moved "
            + amount
            + ", the pause between is not known",
        }[rule]
        finisher.repairs.add(rule, text, rows, ["time"], before, after)


def _scans(
    source: Source,
    plan: Plan,
    digest: Any,
    content: Any,
    progress: Progress | None,
    repairs: Repairs,
    balance: Balance,
) -> Iterator[Chunk]:
    """Yield rows of whole scans: those of a long table are put side by side first."""
    rows = plan if plan.rows_plan is None else replace(plan.rows_plan, text_columns=plan.text_columns)
    chunks = balanced(_chunks(source, rows, digest, content, progress, repairs), plan, balance, source.path)
    if plan.newest_first:
        chunks = _turned(chunks)
    if plan.long is not None:
        joiner: Pivot | Gatherer = Pivot(plan.long)
    elif plan.spread > 1:
        joiner = Gatherer()
    else:
        yield from chunks
        return
    lines = scans = 0
    told: list[Chunk] = []
    for chunk in chunks:
        lines += chunk.rows
        told.append(chunk)
        joined = joiner.add(chunk)
        if joined is not None:
            scans += joined.rows
            yield _with_told(joined, told)
            told = []
    last = joiner.end()
    if last is not None:
        scans += last.rows
        yield _with_told(last, told)
    elif told:
        yield _with_told(told[-1].take(slice(0, 0)), told)
    _note_joined(joiner, plan, lines - scans, repairs)


def balanced(chunks: Iterator[Chunk], plan: Plan, balance: Balance, file: Path) -> Iterator[Chunk]:
    """Pass blocks on, once their lines are accounted for."""
    for chunk in chunks:
        if chunk.other_delimiter is not None:
            mark, line = chunk.other_delimiter
            raise delimiter_changes(plan.dialect.delimiter, mark, file, line)
        if chunk.other_header:
            raise BadInput(
                "a second header names the columns in another order",
                "one set of columns in a file; split it at that line",
                file=file,
                line=chunk.other_header,
            )
        balance.read(chunk, file)
        yield chunk


def _with_told(scans: Chunk, blocks: list[Chunk]) -> Chunk:
    """Give scans what the blocks that they came from have to tell beside their rows."""
    unreadable = dict(scans.unreadable)
    for block in blocks:
        for name, rows in block.unreadable.items():
            unreadable.setdefault(name, rows)
    return replace(
        scans,
        line=blocks[0].line if blocks else scans.line,
        wrong=[w for b in blocks for w in b.wrong],
        repeated_headers=sum(b.repeated_headers for b in blocks),
        nul_lines=sum(b.nul_lines for b in blocks),
        odd_quotes=sum(b.odd_quotes for b in blocks),
        stray_quotes=sum(b.stray_quotes for b in blocks),
        reckoned=sum(b.reckoned for b in blocks),
        unreadable=unreadable,
        not_text=set().union(*(b.not_text for b in blocks)),
    )


def _note_joined(joiner: Pivot | Gatherer, plan: Plan, rows: int, repairs: Repairs) -> None:
    """Name the rows of the file that became one row of the log with others."""
    if isinstance(joiner, Gatherer):
        sentence = (
            f"the logger spreads each scan over {plan.spread} rows; put together at the first one's stamp"
        )
        repairs.add("scan_gathered", sentence, rows)
        return
    of = joiner.layout.row
    repairs.add("rows_put_together", f"one row a {of}: {{rows}} put beside the first one of their scan", rows)
    if joiner.nameless:
        repairs.add("cell_unknown", f"{{rows}} that name no {of} left out", joiner.nameless)
    if joiner.doubled:
        repairs.add("cell_twice", f"{{rows}} of a {of} that its scan has already left out", joiner.doubled)


def _turned(chunks: Iterator[Chunk]) -> Iterator[Chunk]:
    """Yield the rows of a file from its end to its start."""
    for chunk in reversed(list(chunks)):
        back = chunk.take(slice(None, None, -1))
        unreadable = {k: np.sort(chunk.rows - 1 - v) for k, v in chunk.unreadable.items()}
        yield replace(
            back,
            wrong=chunk.wrong,
            repeated_headers=chunk.repeated_headers,
            nul_lines=chunk.nul_lines,
            odd_quotes=chunk.odd_quotes,
            stray_quotes=chunk.stray_quotes,
            reckoned=chunk.reckoned,
            lines=chunk.lines,
            unreadable=unreadable,
            not_text=chunk.not_text,
        )


def _chunks(
    source: Source, plan: Plan, digest: Any, content: Any, progress: Progress | None, repairs: Repairs
) -> Iterator[Chunk]:
    """Yield the blocks of a file as readings, in order, parsed side by side."""
    reader = BlockReader(plan)
    with ThreadPoolExecutor(WORKERS, thread_name_prefix="parse") as pool:
        pending: deque[Future[Chunk | None]] = deque()
        for block, line, lines in _blocks(source, plan, digest, content, progress, repairs):
            pending.append(pool.submit(reader.read, block, line, lines))
            while len(pending) > AHEAD:
                chunk = pending.popleft().result()
                if chunk is not None:
                    yield chunk
        while pending:
            chunk = pending.popleft().result()
            if chunk is not None:
                yield chunk


def _blocks(  # noqa: C901 - one pass over the file
    source: Source, plan: Plan, digest: Any, content: Any, progress: Progress | None, repairs: Repairs
) -> Iterator[tuple[bytes, int, int]]:
    """Yield blocks of whole lines behind the header, the number of their first line and that of their line ends.

    Read by another thread.
    """
    size = block_size(source.text_size)
    waiting: queue.Queue[Any] = queue.Queue(maxsize=READ_AHEAD)
    stop = threading.Event()

    def fill() -> None:
        try:
            done = 0
            pieces = source.reads(size, digest)

            def counted() -> Iterator[bytes]:
                nonlocal done
                for piece in pieces:
                    if content is not None:
                        content.update(piece)
                    done += len(piece)
                    if progress is not None:
                        progress(min(done, source.text_size), source.text_size)
                    yield piece

            for block in lines_of(to_utf8(counted(), plan.dialect.encoding), size, source.path):
                if stop.is_set():
                    return
                waiting.put(block)
            waiting.put(None)
        except BaseException as error:
            waiting.put(error)

    thread = threading.Thread(target=fill, name="read", daemon=True)
    thread.start()
    try:
        line, skip = 1, plan.dialect.first_line - 1
        held: bytes | None = None
        while (block := waiting.get()) is not None:
            if isinstance(block, BaseException):
                raise block
            if skip:
                block, gone = without_head(block, skip)
                skip -= gone
                line += gone
                if not block:
                    continue
            if held is not None:
                lines = line_ends(held)
                yield held, line, lines
                line += lines
            held = block
        if held is not None:
            held = whole_lines(held, plan, repairs)
            if held:
                yield held, line, line_ends(held)
    finally:
        stop.set()
        while thread.is_alive():
            try:
                waiting.get_nowait()
            except queue.Empty:
                thread.join(0.01)


def line_ends(block: bytes) -> int:
    """Count line ends; numpy does so without keeping the other threads waiting."""
    codes = np.frombuffer(block, np.uint8)
    pieces = [codes[k : k + PIECE_BYTES] for k in range(0, len(codes), PIECE_BYTES)]
    return sum(int(np.count_nonzero(p == 10)) for p in pieces) or int(np.count_nonzero(codes == 13))


def without_head(block: bytes, lines: int) -> tuple[bytes, int]:
    """Cut up to `lines` lines from the start of a block; return the rest and how many were cut."""
    at, gone = 0, 0
    mark = b"\n" if b"\n" in block else b"\r"
    while gone < lines:
        end = block.find(mark, at)
        if end < 0:
            return b"", gone + 1
        at, gone = end + 1, gone + 1
    return block[at:], gone


def whole_lines(block: bytes, plan: Plan, repairs: Repairs) -> bytes:
    """Leave out a last line that was cut off in the middle of a number."""
    if block.endswith(b"\0") and plan.dialect.encoding in ("utf-8", "cp1252"):
        block = block.rstrip(b"\0")
        repairs.add("nul_bytes_behind", "bytes of nought behind the last row left out")
    if block.endswith((b"\n", b"\r")) or not block.strip():
        return block
    mark = b"\n" if b"\n" in block else b"\r"
    head, found, last = block.rpartition(mark)
    delimiter = plan.dialect.delimiter.encode()
    if not found or delimiter == b" ":
        return block + b"\n"
    rows = [x.rstrip(b"\r") for x in head.split(mark)[-200:] if x.strip()]
    tails = [x.rpartition(delimiter)[2].strip() for x in rows]
    fields = [x.count(delimiter) for x in rows]
    if not rows or last.count(delimiter) < min(fields):
        repairs.add("line_cut", "the last line is cut off; it is left out", 1)
        return head + mark
    tail = last.rpartition(delimiter)[2].strip()
    if tails and len(tail) < min(map(len, tails)):
        repairs.add(
            "line_cut", "the last line ends without a line end in the middle of a field; it is left out", 1
        )
        return head + mark
    return block + b"\n"


def tally_wrong(chunk: Chunk, tally: Tally) -> None:
    """Count a block's rows that did not fit, and keep the first of each width."""
    for line, fields, text in chunk.wrong:
        tally.counts[fields] = tally.counts.get(fields, 0) + 1
        kept = tally.fields.setdefault(fields, [])
        if len(kept) < 50:
            kept.append((line, text))


def refuse_new_width(tally: Tally, plan: Plan, file: Path) -> None:
    """Refuse a file whose rows go on with another number of fields: its columns are others from there on."""
    for fields, count in tally.counts.items():
        numeric = [(n, t) for n, t in tally.fields[fields] if _looks_like_row(t, plan)]
        if count > 20 and len(numeric) > 15 and numeric[15][0] - numeric[0][0] < 60:
            line, text = tally.fields[fields][0]
            if not _looks_like_row(text, plan) and plan.later is None and not plan.dialect.quoted:
                raise NewColumns(line, text, fields)
            raise BadInput(
                f"rows of {plan.dialect.width} fields become rows of {fields}",
                "one set of columns in a file; split it at that line",
                file=file,
                line=numeric[0][0],
            )


def _looks_like_row(text: str, plan: Plan) -> bool:
    digits = sum(c.isdigit() for c in text)
    return digits > 0.4 * len(text) and text.count(plan.dialect.delimiter) > 2


def _note_wrong(tally: Tally, repairs: Repairs, plan: Plan, source: Source) -> None:
    for fields, rows in tally.fields.items():
        line, text = rows[0]
        if _looks_like_row(text, plan):
            repairs.add(
                "row_broken",
                f"{{rows}} with another number of fields left out (first: {source.place(line)}, {fields} fields)",
                tally.counts[fields],
            )
        else:
            repairs.add(
                "text_line",
                f"{{rows}} of text between the readings skipped (first: {source.place(line)}, {tidy(text)!r})",
                tally.counts[fields],
            )


def metadata(
    reading: Reading, source: Source, pack: Pack, profile_json: str, version: str, schema: str
) -> dict[str, str]:
    """Return the metadata of the Parquet file."""
    from bmslogs.importers.plan.repairs import iso

    found = reading.findings
    return {
        "bmslogs.schema": schema,
        "bmslogs.version": version,
        "bmslogs.pack": pack.id,
        "bmslogs.vehicle": pack.vehicle,
        "bmslogs.pack_json": pack.model_dump_json(),
        "bmslogs.source": source.path.name,
        "bmslogs.source_sha256": reading.sha256,
        "bmslogs.content_sha256": reading.content_sha256,
        "bmslogs.source_bytes": str(source.size),
        "bmslogs.profile": profile_json,
        "bmslogs.repairs": json.dumps(reading.repairs.to_json(), ensure_ascii=False),
        "bmslogs.voltage_step_V": repr(reading.plan.voltage_step),
        "bmslogs.current_sign": json.dumps(
            {"factor": reading.plan.sign, "why": reading.plan.sign_why}, ensure_ascii=False
        ),
        "bmslogs.notes": json.dumps(list(reading.notes), ensure_ascii=False),
        "bmslogs.sections": json.dumps([j.to_json() for j in reading.joints], ensure_ascii=False),
        "bmslogs.rows": str(found.rows),
        "bmslogs.start": iso(found.start or 0),
        "bmslogs.end": iso(found.end or 0),
    }
