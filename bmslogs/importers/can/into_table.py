"""A recording as a table: CSV text of full digits beside the store, read on like any logger's file."""

from __future__ import annotations

import re
import shutil
import tempfile
from collections.abc import Iterable, Iterator, Mapping
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import IO, Any, cast

import numpy as np
import numpy.typing as npt

from bmslogs.base.errors import Ambiguous, BadInput
from bmslogs.base.pack import Pack
from bmslogs.importers.can.database import Definitions
from bmslogs.importers.can.feeds import MOST_COLUMNS, Feed, FrameFeed, GroupFeed, Later
from bmslogs.importers.can.formats import HEAD, open_recording, recognised
from bmslogs.importers.can.scan import Assembler, Layout, Made, Rows, lay_out
from bmslogs.importers.can.streams import Column, Counted, Events, Stream, shown
from bmslogs.importers.plan.plan import Plan
from bmslogs.importers.plan.profile import Profile
from bmslogs.importers.recognise.look import look_at
from bmslogs.importers.text.source import Source, open_source

TRIAL_ROWS = 4_000
"""Choice: rows of the table by which is told what the signals are."""
MOST_EXTRAS = 300
"""Choice: columns besides those of the battery that are kept; a whole vehicle's bus says thousands of things."""
ROLES = frozenset({"current", "charge current", "discharge current", "pack voltage"})
MOST_NAMED = 5
NO_SIGNALS = "what its frames mean stands in a signal database"
"""What a refusal says where no database is given and none is kept."""


@dataclass(frozen=True)
class TableSource(Source):
    """A recording's table in the place of the recording: name, size and hash are the recording's own."""

    text: Path = Path()

    @property
    def text_path(self) -> Path:
        """The table."""
        return self.text

    @property
    def text_size(self) -> int:
        """Bytes of the table."""
        return self.text.stat().st_size

    @property
    def held_size(self) -> int:
        """Bytes of the table."""
        return self.text_size


@dataclass
class Table:
    """A log's text, and what was done where it comes from a recording.

    Attributes
    ----------
    source
        To be looked at and read.
    notes
        One sentence each.
    delays
        Usual delay behind the row's time [s] by the column's header.
    facts
        For the metadata; empty where the log is text itself.
    paced
        Headers of the columns that the rows follow.
    """

    source: Source
    notes: tuple[str, ...] = ()
    delays: dict[str, float] = field(default_factory=dict)
    facts: dict[str, Any] = field(default_factory=dict)
    paced: frozenset[str] = frozenset()

    def agreed(self, plan: Plan) -> Plan:
        """Return the plan with what is to be said of the recording.

        Raises
        ------
        Ambiguous
            The whole recording's table shows other cells than those whose scan its rows follow.
        """
        cells = {t.name for t in plan.of("cell")}
        if self.paced and cells and not cells <= self.paced:
            one = sorted(cells - self.paced)[0]
            raise Ambiguous(
                f"the beginning shows other cells than the whole recording ({one})",
                "a profile with [cell_voltage] pattern",
                file=self.source.path,
            )
        return replace(plan, notes=(*plan.notes, *self.notes)) if self.notes else plan


def recording_kind(path: Path) -> tuple[str, Source] | None:
    """Return the format of a recording and its bytes; None where the file is no recording of a bus."""
    try:
        with path.open("rb") as handle:
            start = handle.read(HEAD)
        size = path.stat().st_size
    except OSError:
        return None
    plain = Source(path, "plain", size)
    if start.startswith((b"LOGG", b"MDF  ", b"UnFinMF")):
        return cast(str, recognised(plain, start)), plain
    try:
        source = open_source(path)
        head = start if source.kind == "plain" else source.head(HEAD)
    except BadInput:
        return None
    kind = recognised(source, head)
    return None if kind is None else (kind, source)


@contextmanager
def as_table(
    path: Path,
    definitions: Definitions | None = None,
    *,
    profile: Profile | None = None,
    pack: Pack | None = None,
    modules: tuple[str, ...] | None = None,
    folder: Path | None = None,
) -> Iterator[Table]:
    """Give a file as text for the time of a `with`: a recording as a table of its signals, any other as it is.

    Parameters
    ----------
    definitions
        What the frames mean; without it a recording of frames is refused.
    folder
        Where the table may lie meanwhile; the system's place for temporary files where None.

    Raises
    ------
    BadInput
        The recording cannot be read, or its signals cannot be told.
    """
    found = recording_kind(path)
    if found is None:
        yield Table(open_source(path))
        return
    kind, source = found
    if folder is not None:
        folder.mkdir(parents=True, exist_ok=True)
    own = Path(tempfile.mkdtemp(prefix="recording-", dir=folder))
    try:
        with ExitStack() as stack:
            feed = _feed(kind, source, definitions, profile, stack)
            try:
                table = _made(feed, source, definitions, own, profile, pack, modules)
            except OSError as error:
                reason = error.strerror or " ".join(str(error).split())[:100]
                raise BadInput(
                    f"its table cannot be written ({reason})", "free disk beside the store", file=path
                ) from None
        yield table
    finally:
        shutil.rmtree(own, ignore_errors=True)


def _feed(
    kind: str, source: Source, definitions: Definitions | None, profile: Profile | None, stack: ExitStack
) -> Feed:
    mdf = None
    if kind == "MF4":
        from bmslogs.importers.can import mf4

        mdf = stack.enter_context(mf4.opened(source))
        if not mf4.bus_groups(mdf):
            return GroupFeed(source, mdf)
    if definitions is None:
        raise BadInput(
            f"is a CAN recording ({kind}), {NO_SIGNALS}",
            "import or inspect with --signals FILE (.dbc, .kcd, .sym or .arxml), or that file dropped beside it in "
            "the browser; it is kept with the pack",
            file=source.path,
        )
    same = profile.can.same_layout if profile is not None and profile.can is not None else {}
    layouts = {name: [int(i, 0) for i in idents] for name, idents in same.items()}
    recording = open_recording(source, kind) if mdf is None else mf4.open_bus(source, mdf)
    return FrameFeed(recording, definitions, source, layouts)


def _made(
    feed: Feed,
    source: Source,
    definitions: Definitions | None,
    own: Path,
    profile: Profile | None,
    pack: Pack | None,
    modules: tuple[str, ...] | None,
) -> Table:
    for _ in range(20):
        sample = _gathered(feed.sample(), len(feed.streams))
        trial = own / "trial"
        trial.mkdir(exist_ok=True)
        plan = _trial(feed, sample, trial / source.path.name, profile, pack, modules)
        chosen = _choose(feed, sample, plan)
        table = own / source.path.name
        try:
            made, columns = _written(feed, chosen, table)
        except Later:
            assert isinstance(feed, FrameFeed)
            feed.again()
            continue
        return _told(feed, chosen, made, columns, source, table, definitions)
    raise BadInput(
        "messages that are not in the beginning came again and again", "a whole bus", file=source.path
    )


def _gathered(blocks: list[dict[int, Events]], streams: int) -> dict[int, Events]:
    """Return the events of several blocks as one."""
    out: dict[int, Events] = {}
    for k in range(streams):
        parts = [b[k] for b in blocks if k in b and len(b[k].time)]
        if parts:
            time = np.concatenate([p.time for p in parts])
            values = np.concatenate([p.values for p in parts], axis=1)
            order = np.argsort(time, kind="stable")
            out[k] = Events(time[order], values[:, order])
    return out


@dataclass(frozen=True)
class Chosen:
    """What becomes of the streams: the layout of the rows, and which columns are kept."""

    layout: Layout
    kept: list[tuple[int, int]]
    paced: frozenset[str]
    left_out: int


def _trial(
    feed: Feed,
    sample: dict[int, Events],
    path: Path,
    profile: Profile | None,
    pack: Pack | None,
    modules: tuple[str, ...] | None,
) -> Plan | None:
    """Return what the recognition of tables takes the signals for, by rows of the beginning."""
    lead = _busiest(feed.streams, sample)
    time = sample[lead].time
    # where cells come in banks, rows begin where all have come once
    start = max((int(e.time[0]) for e in sample.values() if e.time[0] <= time[len(time) // 4]), default=0)
    time = time[np.searchsorted(time, start) :][:TRIAL_ROWS]
    time = time[np.append(True, np.diff(time) > 0)] if len(time) else sample[lead].time[:1]
    values: dict[int, Any] = {}
    for k, stream in enumerate(feed.streams):
        out = np.full((len(stream.columns), len(time)), np.nan)
        if k in sample:
            at = np.searchsorted(sample[k].time, time, side="right") - 1
            good = at >= 0
            out[:, good] = sample[k].values[:, at[good]]
        values[k] = out
    kept = [(k, c) for k, s in enumerate(feed.streams) for c in range(len(s.columns))][:MOST_COLUMNS]
    with path.open("wb") as handle:
        writer = Writer(handle, feed, kept)
        writer.write(Rows(feed.straight.real(time), values))
    try:
        return look_at(path, profile, pack, modules, source=Source(path, "plain", path.stat().st_size)).plan
    except Ambiguous:
        raise
    except BadInput:
        return None


def _busiest(streams: list[Stream], sample: dict[int, Events]) -> int:
    """Return the stream with the most that may be cells, or else the most events."""

    def score(k: int) -> tuple[int, int]:
        volts = sum(c.unit.lower() in ("v", "mv") or "cell" in c.name.lower() for c in streams[k].columns)
        return volts, len(sample[k].time)

    return max(sample, key=score)


def _choose(feed: Feed, sample: dict[int, Events], plan: Plan | None) -> Chosen:
    """Decide on rows and columns by what the signals were taken for."""
    places = {c.name: (k, i) for k, s in enumerate(feed.streams) for i, c in enumerate(s.columns)}
    roles: dict[tuple[int, int], str] = {}
    pace: list[int] = []
    if plan is not None:
        for taken in plan.columns:
            if taken.name in places:
                roles[places[taken.name]] = taken.role
        cells = [places[t.name] for t in plan.of("cell") if t.name in places]
        pace = list(dict.fromkeys(k for k, _ in cells if k in sample))
    else:
        cells = []
    if not pace:
        pace = [_busiest(feed.streams, sample)]
    near = {k for (k, _), role in roles.items() if role in ROLES and k not in pace}
    current = next((p for p, r in roles.items() if r == "current" and p[0] in near), None)
    layout = lay_out(sample, feed.streams, pace, near, current)
    battery = [p for p, r in roles.items() if r not in ("extra", "unused", "nothing")]
    wanted = set(battery) | {(k, c) for k in pace for c in range(len(feed.streams[k].columns))}
    kept, extras = [], 0
    for k, stream in enumerate(feed.streams):
        for c in range(len(stream.columns)):
            extra = (k, c) not in wanted
            extras += extra
            if not extra or extras <= MOST_EXTRAS:
                kept.append((k, c))
    paced = frozenset(feed.streams[k].columns[c].name for k, c in cells)
    return Chosen(layout, kept, paced, max(extras - MOST_EXTRAS, 0))


class Writer:
    """Writes rows as CSV: numbers with the digits that their signals carry."""

    def __init__(self, handle: IO[bytes], feed: Feed, kept: list[tuple[int, int]]) -> None:
        self.handle = handle
        self.feed = feed
        self.kept = kept
        self.columns: list[Column] = [feed.streams[k].columns[c] for k, c in kept]
        time = "time" if feed.dated else "elapsed (s)"
        handle.write((",".join([time, *(c.name for c in self.columns)]) + "\n").encode())

    def write(self, rows: Rows) -> None:
        """Write rows."""
        import pyarrow as pa
        from pyarrow import csv

        arrays = [self._time(rows.time)]
        for (k, c), column in zip(self.kept, self.columns):
            arrays.append(_texts(rows.values[k][c], column, self.feed.texts(k, c)))
        table = pa.table(arrays, names=[str(i) for i in range(len(arrays))])
        csv.write_csv(
            table, self.handle, csv.WriteOptions(include_header=False, quoting_style="none", batch_size=4096)
        )

    def _time(self, time: npt.NDArray[np.int64]) -> Any:
        import pyarrow as pa

        micro = (time + 500) // 1000
        if not self.feed.dated:
            return _decimals(micro, 6, None)
        stamps = pa.array(micro, pa.timestamp("us"))
        return stamps.cast(pa.timestamp("us", "UTC")) if self.feed.zone else stamps


def _texts(values: npt.NDArray[np.float64], column: Column, labels: tuple[tuple[int, str], ...]) -> Any:
    """Return a column as what is written with its digits: decimals, floating point, or the texts of states."""
    import pyarrow as pa

    missing = ~np.isfinite(values)
    if labels:
        return _states(values, missing, labels)
    largest = float(np.abs(values[~missing]).max(initial=0.0))
    if column.decimals is not None and largest * 10.0**column.decimals < 2**53:
        with np.errstate(invalid="ignore"):
            whole = np.rint(np.where(missing, 0.0, values) * 10.0**column.decimals).astype(np.int64)
        return _decimals(whole, column.decimals, missing if missing.any() else None)
    array = pa.array(values, mask=missing)
    return array.cast(pa.float32()) if column.single else array


def _decimals(whole: npt.NDArray[np.int64], decimals: int, missing: npt.NDArray[np.bool_] | None) -> Any:
    """Return whole numbers with a decimal mark so many digits from the right."""
    import pyarrow as pa

    if not decimals:
        return pa.array(whole, mask=missing)
    wide = np.empty((len(whole), 2), dtype="<i8")
    wide[:, 0], wide[:, 1] = whole, whole >> 63
    valid = None if missing is None else pa.array(~missing).buffers()[1]
    return pa.Array.from_buffers(pa.decimal128(38, decimals), len(whole), [valid, pa.py_buffer(wide)])


def _states(
    values: npt.NDArray[np.float64], missing: npt.NDArray[np.bool_], labels: tuple[tuple[int, str], ...]
) -> Any:
    import pyarrow as pa

    numbers = np.where(missing, 0, values).astype(np.int64)
    known = {n: re.sub(r'[,;"\r\n\t]', " ", t).strip() or str(n) for n, t in labels}
    unique, inverse = np.unique(numbers, return_inverse=True)
    texts = pa.array([known.get(n, str(n)) for n in unique.tolist()], pa.string())
    return texts.take(pa.array(inverse.ravel(), mask=missing))


def _written(feed: Feed, chosen: Chosen, path: Path) -> tuple[Made, list[Column]]:
    """Write the table of a whole recording."""
    assembler = Assembler(chosen.layout, feed.streams, feed.straight)
    with path.open("wb") as handle:
        writer = Writer(handle, feed, chosen.kept)
        blocks = feed.blocks()
        for events in blocks:
            # a feed that begins anew has a clock of its own
            assembler.straight = feed.straight
            rows = assembler.feed(events)
            if rows is not None:
                writer.write(rows)
        rows = assembler.end()
        if rows is not None:
            writer.write(rows)
    return assembler.made, writer.columns


def _told(
    feed: Feed,
    chosen: Chosen,
    made: Made,
    columns: list[Column],
    source: Source,
    table: Path,
    definitions: Definitions | None,
) -> Table:
    """Return the finished table with what was done."""
    if not made.rows:
        raise BadInput(
            "no scan of cells in the recording", "frames with the cells' voltages", file=source.path
        )
    delays: dict[str, float] = {}
    for (k, _), column in zip(chosen.kept, columns):
        delay = made.delay(k, chosen.layout.period)
        if delay is not None:
            delays[column.name] = round(delay, 6)
    notes = tuple(_notes(feed, chosen, made, definitions))
    counted, tally, layout = feed.counted, feed.tally, chosen.layout
    facts = {
        "recording": feed.format,
        "database": definitions.file if definitions is not None else None,
        "database_sha256": definitions.sha256 if definitions is not None else None,
        "frames": counted.frames,
        "frames_read": counted.decoded,
        "remote_frames": tally.remote,
        "error_frames": tally.errors,
        "broken": tally.broken,
        "unknown_identifiers": {
            shown(k): n for k, n in sorted(counted.unknown.items(), key=lambda i: -i[1])[:100]
        },
        "not_available": counted.codes,
        "too_short": counted.short,
        "rows": made.rows,
        "scan_s": round(layout.period * 1e-9, 6),
        "scan_led_by": feed.streams[layout.lead].name,
        "scan_spans_s": round(layout.span * 1e-9, 6),
        "rows_parted_at_current_steps": made.parted,
        "scans_without_their_lead": made.leads_lost,
        "readings_replaced_within_a_scan": made.twice,
        "rows_without_current": made.without_current if layout.current is not None else None,
        "columns_left_out": chosen.left_out,
    }
    given = TableSource(source.path, "table", source.size, text=table)
    return Table(given, notes, delays, facts, chosen.paced)


def _notes(feed: Feed, chosen: Chosen, made: Made, definitions: Definitions | None) -> Iterable[str]:  # noqa: C901 - one sentence a condition
    """Say in words what was done, the ordinary first."""
    counted, tally, layout = feed.counted, feed.tally, chosen.layout
    what = "samples" if definitions is None else "frames"
    yield (
        f"{feed.format}: {counted.frames} {what} made {made.rows} rows, one a scan of the cells (every "
        f"{layout.period * 1e-9:.3g} s, led by {feed.streams[layout.lead].name}); states stay as last said, "
        "nothing is interpolated"
    )
    if layout.span > 0:
        yield f"the cells of a scan are read over {layout.span * 1e-9:.3g} s: each column keeps its delay"
    drifting = [k for k in layout.pace if made.delays.get(k) and made.delay(k, layout.period) is None]
    if drifting:
        yield f"{len(drifting)} parts of the scan drift against its lead: how late they are is not kept"
    if made.parted:
        yield f"{made.parted} scans parted where the current steps between two cells"
    if made.leads_lost:
        yield f"{made.leads_lost} scans lack their first frame"
    if made.twice:
        yield f"{made.twice} readings that came again within a scan replaced the earlier ones"
    if layout.current is not None and made.without_current:
        yield f"{made.without_current} rows have no reading of the current near enough to their scan"
    if counted.unknown:
        yield _unknown(counted, feed)
    if counted.strays:
        yield f"{counted.strays} frames under another bus's number than all others of their message left out"
    if counted.codes:
        most = sorted(counted.codes.items(), key=lambda i: -i[1])
        named = ", ".join(f"{n} {c}" for n, c in most[:MOST_NAMED])
        yield f"{sum(counted.codes.values())} codes for 'signal not available' are no readings ({named})"
    if counted.short:
        named = ", ".join(f"{n} {c}" for n, c in sorted(counted.short.items())[:MOST_NAMED])
        yield f"frames shorter than their signals: {named}"
    if len(feed.straight.at) > 1:
        yield f"the recording's clock steps back {len(feed.straight.at) - 1} times"
    if tally.broken:
        yield f"{tally.broken} lines or objects that cannot be read left out (first: {tally.first_broken})"
    if tally.cut:
        yield "the recording ends within a frame"
    if tally.errors:
        yield f"{tally.errors} error frames on the bus"
    if chosen.left_out:
        yield f"{chosen.left_out} signals that are not the battery's left out"
    if definitions is not None and definitions.left_out:
        yield f"{len(definitions.left_out)} definitions cannot be read (first: {definitions.left_out[0]})"


def _unknown(counted: Counted, feed: Feed) -> str:
    most = sorted(counted.unknown.items(), key=lambda i: -i[1])
    named = ", ".join(f"{shown(k)} {n}" for k, n in most[:MOST_NAMED])
    more = f" and {len(most) - MOST_NAMED} more" if len(most) > MOST_NAMED else ""
    frames = sum(counted.unknown.values())
    of = "1 identifier" if len(most) == 1 else f"{len(most)} identifiers"
    return f"{frames} frames of {of} that the database lacks: {named}{more}"


def with_delays(schema: Any, delays: Mapping[str, float]) -> Any:
    """Return an Arrow schema whose fields say their delay behind the row's time (``scan_delay_s``)."""
    import pyarrow as pa

    fields = []
    for one in schema:
        meta = dict(one.metadata or {})
        delay = delays.get(meta.get(b"source_column", b"").decode())
        if delay is not None:
            meta[b"scan_delay_s"] = repr(delay).encode()
        fields.append(one.with_metadata(meta))
    return pa.schema(fields, metadata=schema.metadata)
