"""The questions of the door from the bench, before there is a drive to weigh: match cells, check a sense loom."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from bmslogs.analysis.loom import LoomReport
from bmslogs.analysis.loom import check_loom as _check
from bmslogs.analysis.matching import Frame
from bmslogs.analysis.matching import Match as _Match
from bmslogs.analysis.matching import match as _match
from bmslogs.door.frames import table
from bmslogs.door.logs import Place, Store, kept_store, log_id_of, pack_of
from bmslogs.door.showing import Shown, count
from bmslogs.faces.bench_tables import logged_readings, measured_items, typed_readings
from bmslogs.faces.documents import loom_document, match_document
from bmslogs.faces.numbers import interval
from bmslogs.faces.typed_table import MEASURED, MEASURED_MORE, METER, READINGS, Row, read_table, table_rows
from bmslogs.log import log as stored_logs

if TYPE_CHECKING:
    import pandas as pd

    from bmslogs.base.pack import Pack


@dataclass(frozen=True, repr=False)
class Match(Shown):
    """Which measured cell or module goes into which string and place, and what that wins."""

    _made: _Match

    @property
    def places(self) -> tuple[Any, ...]:
        """Every place: `string`, `place`, `items`, counted from 1."""
        return self._made.places

    @property
    def spare(self) -> tuple[str, ...]:
        """Items left over."""
        return self._made.spare

    @property
    def apart(self) -> tuple[tuple[str, str], ...]:
        """Items that must not be used as they are, each with its reason."""
        return self._made.apart

    @property
    def gain(self) -> tuple[float, float, float]:
        """Charge won over the order of arrival [Ah], with its 95 % interval."""
        return self._made.gain, self._made.gain_low, self._made.gain_high

    @property
    def notes(self) -> tuple[str, ...]:
        """Why it was not sorted finer, and what else to bear in mind."""
        return self._made.notes

    def to_dict(self) -> dict[str, Any]:
        """Return the JSON object that `bmslogs match --json` writes (schema ``bmslogs.match/1``)."""
        return match_document(self._made)

    def to_frame(self) -> pd.DataFrame:
        """Return one row an item; one that is set apart or spare has no place."""
        rows: list[dict[str, Any]] = [
            {"item": item, "use": "placed", "string": p.string, "place": p.place}
            for p in self.places for item in p.items
        ]  # fmt: skip
        rows += [{"item": item, "use": "spare"} for item in self.spare]
        rows += [{"item": item, "use": "apart", "why": why} for item, why in self.apart]
        frame = table(rows, ("item", "use", "string", "place", "why"))
        frame.attrs["gain_Ah"] = list(self.gain)
        return frame

    def _title(self) -> str:
        return (
            f"Match: {count(len(self.places), 'place')}, {len(self.spare)} spare, {len(self.apart)} set apart"
        )

    def _lines(self) -> list[tuple[str, str]]:
        said = [("gain", "against the order of arrival " + interval(*self.gain, "Ah", sign=True))]
        said += [("apart", f"{item}: {why}") for item, why in self.apart]
        return said + [("note", note) for note in self.notes]


@dataclass(frozen=True, repr=False)
class LoomCheck(Shown):
    """What speaks against a sense loom; it can object, it cannot approve."""

    _made: LoomReport

    @property
    def verdict(self) -> str:
        """One line; without objections: "no objection found in these readings; the meter proves"."""
        return self._made.verdict

    @property
    def objections(self) -> tuple[Any, ...]:
        """What readings at rest should not show: `kind`, `cells`, `says`, `reason`, `next`."""
        return self._made.objections

    @property
    def not_checked(self) -> tuple[str, ...]:
        """What could not be looked at, and why."""
        return self._made.not_checked

    def to_dict(self) -> dict[str, Any]:
        """Return the JSON object that `bmslogs check-loom --json` writes (schema ``bmslogs.loom/1``)."""
        return loom_document(self._made)

    def to_frame(self) -> pd.DataFrame:
        """Return one row an objection."""
        return table(map(asdict, self.objections), ("kind", "cells", "sensors", "says", "reason", "next"))

    def _title(self) -> str:
        return f"Sense loom: {self.verdict}"

    def _lines(self) -> list[tuple[str, str]]:
        said = [(one.kind, f"{one.says}, because {one.reason}. Next: {one.next}") for one in self.objections]
        return said + [("not looked at", line) for line in self._made.not_checked]


def match(
    measured: Place | pd.DataFrame,
    series: int,
    *,
    strings: int = 1,
    parallel: int = 1,
    heating: Sequence[float] | None = None,
    voltage_min: float = 2.5,
) -> Match:
    """Plan which measured cells or modules go into which string and place.

    Parameters
    ----------
    measured
        A CSV file or a frame with columns `name`, `rest_voltage_V`, `capacity_Ah`, `capacity_half_width_Ah` and, where
        measured, `resistance_ohm`, `resistance_half_width_ohm`, `lot`; in the order of arrival.
    series, strings, parallel
        Places in series in each string, strings (packs), items in parallel at each place.
    heating
        How hot each place gets for the same loss, one number a place; larger is worse cooled.
    voltage_min
        An item at rest below this is set apart [V].

    Returns
    -------
    The plan: `places`, `spare`, `apart`, `gain` [Ah] with its interval, `notes`.

    Raises
    ------
    BmsLogsError
        The table is not one, or there are too few items.

    Examples
    --------
    >>> import bmslogs, pandas
    >>> arrived = pandas.DataFrame({
    ...     "name": ["a", "b", "c", "d"], "rest_voltage_V": 3.6, "capacity_Ah": [50.0, 46.0, 50.2, 46.1],
    ...     "capacity_half_width_Ah": 0.2})
    >>> made = bmslogs.match(arrived, series=2, strings=2)
    >>> sorted(sorted(p.items[0] for p in made.places if p.string == s) for s in (1, 2))
    [['a', 'c'], ['b', 'd']]
    """
    rows = _rows(measured, MEASURED, MEASURED_MORE)
    frame = Frame(strings, series, parallel, None if heating is None else tuple(heating), voltage_min)
    return Match(_match(measured_items(rows), frame))


def check_loom(
    readings: Place | pd.DataFrame | stored_logs.Log,
    pack: Pack | Place,
    *,
    meter_total: float | None = None,
    ambient: float | None = None,
    store: Store | Place | None = None,
) -> LoomCheck:
    """Look for what speaks against a sense loom, before the contactors close.

    Parameters
    ----------
    readings
        A CSV file or a frame with columns `cell`, `voltage_V` and, where measured, `meter_V`; or a log at rest, read
        or by its id in the store.
    pack
        A pack, a pack file, or the id of a pack that the store knows.
    meter_total
        The whole string by a rated meter [V].
    ambient
        Air temperature by a thermometer [degC].
    store
        As for `open_store`.

    Returns
    -------
    The objections, and what could not be looked at. It never approves: the meter proves.

    Raises
    ------
    BmsLogsError
        The table, the pack or the log cannot be used.

    Examples
    --------
    >>> import bmslogs, pandas
    >>> typed = pandas.DataFrame({"cell": range(1, 17), "voltage_V": [3.650] * 8 + [-3.650] + [3.650] * 7})
    >>> loom = bmslogs.check_loom(typed, "sample_logs/heron-main.toml")
    >>> loom.objections[0].cells
    (9,)
    """
    by_id = isinstance(readings, str | Path) and not Path(readings).exists()
    kept = kept_store(store, new=not by_id)
    described = pack_of(pack, kept)
    if isinstance(readings, stored_logs.Log):
        given = logged_readings(readings, meter_total, ambient)
    elif by_id and not Path(str(readings)).suffix:
        log = stored_logs.read_log(kept.log_path(log_id_of(str(readings), kept)), extra=False)
        given = logged_readings(log, meter_total, ambient)
    else:
        given = typed_readings(_rows(readings, READINGS, METER), described, meter_total, ambient)
    return LoomCheck(_check(given, described))


def _rows(given: Place | pd.DataFrame, needed: Sequence[str], optional: Sequence[str]) -> list[Row]:
    """Return the rows of a file, or of a frame as if it had been written to one."""
    if isinstance(given, str | Path):
        return read_table(Path(given), needed, optional)
    return table_rows(given.to_csv(index=False).splitlines(), Path("the frame"), needed, optional)
