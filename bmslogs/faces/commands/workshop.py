"""`bmslogs check-loom` and `bmslogs match`: questions from the bench, before there is a drive to weigh."""

from __future__ import annotations

from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from bmslogs.base.cautions import CAUTIONS
from bmslogs.base.errors import BadInput
from bmslogs.faces.commands.options import JsonOption, StoreOption, find_pack, open_store
from bmslogs.faces.output import STDOUT, say, write_json

if TYPE_CHECKING:
    from bmslogs.analysis.loom import LoomReadings, LoomReport
    from bmslogs.analysis.matching import Item, Match
    from bmslogs.base.pack import Pack

READINGS = ("cell", "voltage_V")
METER = ("meter_V",)
MEASURED = ("name", "rest_voltage_V", "capacity_Ah", "capacity_half_width_Ah")
MEASURED_MORE = ("resistance_ohm", "resistance_half_width_ohm", "lot")


def check_loom(
    readings: Annotated[
        str,
        typer.Argument(
            metavar="READINGS",
            help="CSV with columns cell, voltage_V and, where measured, meter_V; or a log id.",
        ),
    ],
    pack: Annotated[
        Path, typer.Option("--pack", metavar="PACK.toml", help="Pack file, or a pack id of the store.")
    ],
    meter_total: Annotated[
        float | None, typer.Option("--meter-total", metavar="V", help="The whole string, by a rated meter.")
    ] = None,
    ambient: Annotated[
        float | None, typer.Option("--ambient", metavar="C", help="Air temperature, by a thermometer.")
    ] = None,
    store: StoreOption = None,
    json: JsonOption = None,
) -> None:
    """Look for what speaks against a sense loom, before the contactors close."""
    from bmslogs.analysis.loom import check_loom as check

    path = Path(readings)
    kept = open_store(store, new=path.exists())
    described = find_pack(pack, kept)
    if path.exists():
        given = typed_readings(path, described, meter_total, ambient)
    else:
        from bmslogs.faces.answers import find_log
        from bmslogs.log import read_log

        log_id = find_log(kept, readings)
        if log_id is None:
            raise BadInput(
                f"{readings!r} is no file and no log of the store", "a CSV table or an id from `bmslogs logs`"
            )
        given = logged_readings(read_log(kept.log_path(log_id), extra=False), meter_total, ambient)
    report = check(given, described)
    if json != STDOUT:
        say(loom_text(report))
    if json is not None:
        write_json(
            json,
            {
                "schema": "bmslogs.loom/1",
                "verdict": report.verdict,
                **asdict(report),
                "cautions": list(CAUTIONS),
            },
        )
    if report.objections:
        raise typer.Exit(1)


def typed_readings(path: Path, pack: Pack, meter_total: float | None, ambient: float | None) -> LoomReadings:
    """Return the readings of a typed table; a cell that is not in it has none."""
    import numpy as np

    from bmslogs.analysis.loom import LoomReadings
    from bmslogs.faces.typed_table import read_table

    rows = read_table(path, READINGS, METER)
    highest = max([pack.cells_in_series, *(int(r.needed("cell")) for r in rows)])
    if highest > 1000:
        raise BadInput(f"cell {highest}", f"1..{pack.cells_in_series}", file=path, column="cell")
    volts, meter = np.full(highest, np.nan), np.full(highest, np.nan)
    for row in rows:
        cell = row.needed("cell")
        if cell != int(cell) or cell < 1:
            raise BadInput(
                f"cell {cell:g}", f"1..{pack.cells_in_series}", file=path, line=row.line, column="cell"
            )
        if not np.isnan(volts[int(cell) - 1]):
            raise BadInput(f"cell {cell:g} twice", "each cell once", file=path, line=row.line, column="cell")
        volts[int(cell) - 1] = row.needed("voltage_V")
        by_meter = row.number("meter_V")
        meter[int(cell) - 1] = np.nan if by_meter is None else by_meter
    return LoomReadings(
        volts, meter_total=meter_total, meter_cell=None if np.isnan(meter).all() else meter, ambient=ambient
    )


def logged_readings(log: object, meter_total: float | None, ambient: float | None) -> LoomReadings:
    """Return the readings of a log at rest: the median of each channel."""
    import numpy as np

    from bmslogs.analysis.loom import LoomReadings
    from bmslogs.log import Log

    assert isinstance(log, Log)
    middle = np.full(max(log.cells), np.nan)
    middle[np.array(log.cells) - 1] = np.nanmedian(log.cell_voltage, axis=0)
    bleed = None
    if log.bleed is not None:
        bleed = np.zeros(len(middle), dtype=bool)
        bleed[np.array(log.cells) - 1] = log.bleed.any(axis=0)
    current = None if log.current is None else float(np.nanmax(np.abs(log.current)))
    temperature = np.nanmedian(log.temperature, axis=0) if log.temperature.size else None
    return LoomReadings(middle, meter_total, None, temperature, ambient, bleed, current)


def loom_text(report: LoomReport) -> str:
    """Return the report as text: objections with reasons and what to do, what was not checked, the touch test."""
    from bmslogs.faces.layout import part, terminal_width, wrapped

    columns = terminal_width()
    said = [
        wrapped(f"- {one.says}, because {one.reason}. Next: {one.next}", "  ", columns)
        for one in report.objections
    ]
    parts = [
        "\n".join([report.verdict, *said]),
        part("Looked at", [", ".join(report.checked)], columns),
        part("Not looked at", report.not_checked, columns),
        part("Touch test", [f"{i}. {line}" for i, line in enumerate(report.touch_test, 1)], columns),
        part("Cautions", CAUTIONS, columns),
    ]
    return "\n\n".join(text for text in parts if text)


def match(
    measured: Annotated[
        Path,
        typer.Argument(
            metavar="MEASURED.csv", help="Columns: " + ", ".join((*MEASURED, *MEASURED_MORE)) + "."
        ),
    ],
    series: Annotated[
        int, typer.Option("--series", min=1, metavar="N", help="Places in series in each string.")
    ],
    strings: Annotated[int, typer.Option("--strings", min=1, metavar="N", help="Strings (packs).")] = 1,
    parallel: Annotated[
        int, typer.Option("--parallel", min=1, metavar="N", help="Items in parallel a place.")
    ] = 1,
    heating: Annotated[
        str | None,
        typer.Option(
            "--heating",
            metavar="A,B,..",
            help="How hot each place gets for the same loss; larger is worse cooled.",
        ),
    ] = None,
    voltage_min: Annotated[
        float, typer.Option("--voltage-min", metavar="V", help="An item at rest below this is set apart.")
    ] = 2.5,
    json: JsonOption = None,
) -> None:
    """Plan which measured cells or modules go into which string and place."""
    from bmslogs.analysis.matching import Frame
    from bmslogs.analysis.matching import match as plan

    frame = Frame(strings, series, parallel, _numbers(heating), voltage_min)
    made = plan(read_items(measured), frame)
    if json != STDOUT:
        say(match_text(made))
    if json is not None:
        write_json(json, {"schema": "bmslogs.match/1", **asdict(made), "cautions": list(CAUTIONS)})


def _numbers(text: str | None) -> tuple[float, ...] | None:
    if text is None:
        return None
    try:
        return tuple(float(part) for part in text.split(","))
    except ValueError:
        raise BadInput(repr(text), "numbers with commas between", column="--heating") from None


def read_items(path: Path) -> list[Item]:
    """Return the measured items in the order of the file, which is that of arrival."""
    from bmslogs.analysis.matching import Item
    from bmslogs.faces.typed_table import read_table

    return [
        Item(
            name=row.text("name") or f"line {row.line}",
            rest_voltage=row.needed("rest_voltage_V"),
            capacity=row.needed("capacity_Ah"),
            capacity_half_width=row.needed("capacity_half_width_Ah"),
            resistance=row.number("resistance_ohm"),
            resistance_half_width=row.number("resistance_half_width_ohm"),
            lot=row.text("lot"),
        )
        for row in read_table(path, MEASURED, MEASURED_MORE)
    ]


def match_text(made: Match) -> str:
    """Return the plan as text: places, spare items, gain with its interval, notes."""
    from bmslogs.faces.layout import part, terminal_width
    from bmslogs.faces.numbers import interval

    columns = terminal_width()
    strings: dict[int, list[str]] = {}
    for place in made.places:
        strings.setdefault(place.string, []).append(f"place {place.place:>3}: {', '.join(place.items)}")
    gain = interval(made.gain, made.gain_low, made.gain_high, "Ah", sign=True)
    sums = [
        f"usable charge of all strings {made.usable:.1f} Ah; against the order of arrival {gain}",
        "sorted by " + (", ".join(made.sorted_by) or "nothing, the order of arrival stays"),
        "spare: " + (", ".join(made.spare) or "none"),
        *made.notes,
    ]
    parts = [
        *(part(f"String {number}", lines, columns) for number, lines in strings.items()),
        part("What it gives", sums, columns),
        part("Set apart", [f"{name}: {why}" for name, why in made.apart], columns),
        part("Cautions", CAUTIONS, columns),
    ]
    return "\n\n".join(text for text in parts if text)
