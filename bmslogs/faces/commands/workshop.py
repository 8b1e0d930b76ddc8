"""`bmslogs check-loom` and `bmslogs match`: questions from the bench, before there is a drive to weigh."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from bmslogs.base.cautions import CAUTIONS
from bmslogs.base.errors import BadInput
from bmslogs.faces.commands.options import JsonOption, StoreOption, find_pack, open_store
from bmslogs.faces.documents import loom_document, match_document
from bmslogs.faces.output import STDOUT, say, write_json
from bmslogs.faces.typed_table import MEASURED, MEASURED_MORE, METER, READINGS, read_table

if TYPE_CHECKING:
    from bmslogs.analysis.loom import LoomReport
    from bmslogs.analysis.matching import Match


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
    from bmslogs.faces.bench_tables import logged_readings, typed_readings

    path = Path(readings)
    kept = open_store(store, new=path.exists())
    described = find_pack(pack, kept)
    if path.exists():
        given = typed_readings(read_table(path, READINGS, METER), described, meter_total, ambient)
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
        write_json(json, loom_document(report))
    if report.objections:
        raise typer.Exit(1)


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
    from bmslogs.faces.bench_tables import measured_items

    frame = Frame(strings, series, parallel, _numbers(heating), voltage_min)
    made = plan(measured_items(read_table(measured, MEASURED, MEASURED_MORE)), frame)
    if json != STDOUT:
        say(match_text(made))
    if json is not None:
        write_json(json, match_document(made))


def _numbers(text: str | None) -> tuple[float, ...] | None:
    if text is None:
        return None
    try:
        return tuple(float(part) for part in text.split(","))
    except ValueError:
        raise BadInput(repr(text), "numbers with commas between", column="--heating") from None


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
