"""`bmslogs plan`: which log to take next, and what it is expected to settle."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated

import typer

from bmslogs.faces.commands.options import JsonOption, StoreOption, open_store, stored_log
from bmslogs.faces.documents import plan_document
from bmslogs.faces.output import STDOUT, say, write_json
from bmslogs.faces.progress import progress

if TYPE_CHECKING:
    from bmslogs.analysis.bench_charge import BenchPlan
    from bmslogs.analysis.planner import Expected, Plan

QUESTIONS = {
    "joint_share": ("Cell or joint", "mohm", 1e3),
    "follows_module": ("Does it follow the module", "%", 100.0),
}
"""Questions about a high resistance that are no quantity of their own: title, shown unit, factor."""


def plan(
    log: Annotated[str, typer.Argument(metavar="LOG", help="Log id, as `bmslogs logs` lists it.")],
    store: StoreOption = None,
    json: JsonOption = None,
) -> None:
    """Say which log to take next, cheapest first, and how close its answer would come."""
    kept = open_store(store)
    from bmslogs.analysis.planner import plan as made_plan
    from bmslogs.faces.answers import answer
    from bmslogs.faces.on_bench import bench_of
    from bmslogs.log import read_log

    log_id = stored_log(kept, log)
    with progress("plan") as step:
        step(log_id)
        stored, diagnosis = read_log(kept.log_path(log_id), extra=False), answer(kept, log_id)
        made, bench = made_plan(stored, diagnosis), bench_of(diagnosis, stored.pack)
    if json != STDOUT:
        say("\n\n".join(filter(None, [bench_text(bench), plan_text(made)])))
    if json is not None:
        write_json(json, plan_document(log_id, made, bench))


def bench_text(bench: BenchPlan | None, *, width: int | None = None) -> str:
    """Return the bench charge as text; empty where there is none."""
    from bmslogs.faces.layout import part, terminal_width
    from bmslogs.faces.numbers import cells_named

    if bench is None:
        return ""
    now = "longer than a day" if bench.bleed_hours_now is None else f"{bench.bleed_hours_now:.0f} h"
    after = "" if bench.bleed_hours_after is None else f", {bench.bleed_hours_after:.0f} h after this charge"
    lines = [
        f"{one.name} ({cells_named(one.cells)}): {one.charge:.2f} Ah at {one.current:.3g} A or less, "
        f"{one.hours:.1f} h, stop at {one.stop:.2f} V of any cell"
        for one in bench.charges
    ]
    lines.append(f"bleeding alone would take {now}{after}")
    return part("Charge on the bench", [*lines, *bench.limits], width or terminal_width())


def plan_text(made: Plan, *, width: int | None = None) -> str:
    """Return the plan as text: the logs to take, what each would settle, what stays open, cautions."""
    from bmslogs.faces.layout import part, terminal_width, titled, wrapped
    from bmslogs.faces.unknown import quantity_title

    columns = width or terminal_width()
    lines = []
    for number, step in enumerate(made.steps, 1):
        cost = (
            f"{_hours(step.candidate.hands_h)} of work, {_hours(step.candidate.elapsed_h)} until it is there"
        )
        opens = "; the pack is opened, by a qualified person" if step.candidate.opens else ""
        lines.append(wrapped(f"{number}. {step.candidate.says} ({cost}{opens})", "  ", columns))
        lines += [wrapped(_expected(one), "     - ", columns) for one in step.expected]
    open_lines = [f"{quantity_title(key)}: {remedy}" for key, remedy in made.left_open]
    parts = [
        titled(
            "What to log next, cheapest first",
            "\n".join(lines) or "  Nothing is open that a log would settle.",
        ),
        part("What none of these settles", open_lines, columns),
        part("Cautions", made.cautions, columns),
    ]
    return "\n\n".join(text for text in parts if text)


def _expected(one: Expected) -> str:
    from bmslogs.analysis.registry import QUANTITIES
    from bmslogs.faces.numbers import cells_named, interval

    if one.quantity in QUANTITIES:
        quantity = QUANTITIES[one.quantity]
        title, unit, factor = quantity.title, quantity.shown_unit, quantity.shown_factor
    else:
        title, unit, factor = QUESTIONS.get(one.quantity, (one.quantity, one.unit, 1.0))
    of = f", {cells_named(one.cells)}" if one.cells else ""
    now = "not known" if one.now is None else f"+-{interval(one.now, None, None, unit, factor=factor)}"
    if one.then is None:
        return f"{title}{of}: {now} now, settled then; how closely cannot be told beforehand"
    then = interval(one.then, None, None, unit, factor=factor)
    return f"{title}{of}: {now} now, +-{then} then" + (
        "" if one.enough else ", which does not settle it alone"
    )


def _hours(hours: float) -> str:
    if hours < 1:
        return f"{60 * hours:.0f} min"
    return f"{hours:.0f} h" if hours < 48 else f"{hours / 24:.0f} days"
