"""Measured strings through the whole tool: ``python -m tests.accuracy.measured DIR``.

DIR holds the data of the sources as `measured_strings` says; none of it is kept here. Each string is written as a log
with its pack file, diagnosed by the command a workshop would give, and its answer set against what the data give
directly: findings that the data exclude are false, intervals that miss the direct figure do not hold. Exit 1 on any
false finding.
"""

from __future__ import annotations

import argparse
import json
import subprocess
import sys
import tempfile
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np

from tests.accuracy.measured_direct import Figure
from tests.accuracy.measured_strings import SOURCES, String, all_strings

START = np.datetime64("2026-01-05T06:00:00.000", "ms")
"""When every log begins; the date is ours."""
ALARMS = ("act", "look")
SOC_NEAR = 0.06
"""A step's figure is of the estimate's conditions where its charge lies no further outside them than this."""

EXCESS = ("cell_resistance_high", "joint_resistance_high", "cell_or_joint_resistance_high")
OFFSETS = ("soc_offset_low", "soc_offset_high")
PRACTICAL = {"resistance_10s_relative": 0.10, "capacity_relative": 0.03, "soc_offset": 0.01}
"""Least size worth a look, as METHODS G5 has it: judgement, common practice."""


@dataclass
class Line:
    """One direct figure beside ours: `state` is holds, misses, bounded, refused, elsewhere (other conditions)."""

    figure: Figure
    state: str
    ours: dict[str, Any] | None = field(default=None)


# --- files --------------------------------------------------------------------------------------------------------


def log_text(string: String) -> str:
    """Return the string as a logger's CSV file, in millivolts to a tenth."""
    names = ["time_utc", "current_A (discharge positive)"]
    columns = [[f"{c:.4f}" for c in string.current]]
    if string.sum_V is not None:
        names.append("pack_voltage_V")
        columns.append([f"{v:.2f}" for v in string.sum_V])
    for i in range(string.cells):
        names.append(f"cell_{i + 1}_mV")
        columns.append([f"{1000 * v:.1f}" for v in string.volts[:, i]])
    if string.temperature is not None:
        for i in range(string.temperature.shape[1]):
            names.append(f"temp_{i + 1}_C")
            columns.append([f"{v:.2f}" for v in string.temperature[:, i]])
    stamps = START + np.round(1000 * string.seconds).astype("timedelta64[ms]")
    rows = [",".join(row) for row in zip([f"{s}Z" for s in stamps], *columns, strict=True)]
    return "\n".join([",".join(names), *rows]) + "\n"


def pack_text(string: String) -> str:
    """Return the string's pack file: what a workshop would know of it."""
    lines = [
        "[pack]",
        'id = "measured"',
        'vehicle = "Dunlin"',
        f'chemistry = "{string.chemistry}"',
        f"nominal_capacity_Ah = {string.nominal_Ah}",
        f"cells_in_series = {string.cells}",
    ]
    for i, cells in enumerate(string.modules, start=1):
        lines += ["[[module]]", f'name = "M{i}"', f"cells = {list(cells)}"]
    for i, cells in enumerate(string.near, start=1):
        lines += ["[[temperature_sensor]]", f'name = "T{i}"', f"cells = {list(cells)}"]
    return "\n".join(lines) + "\n"


def answered(string: String, folder: Path) -> dict[str, Any] | str:
    """Return the JSON of ``diagnose`` on the string's file, or why there is none."""
    log, pack = folder / "log.csv", folder / "pack.toml"
    log.write_text(log_text(string), encoding="utf-8")
    pack.write_text(pack_text(string), encoding="utf-8")
    command = [
        sys.executable,
        "-m",
        "bmslogs",
        "diagnose",
        str(log),
        "--pack",
        str(pack),
        "--store",
        str(folder / "store"),
        "--json",
        "-",
    ]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    if done.returncode or not done.stdout.strip():
        return f"exit {done.returncode}: {done.stderr.strip()[:600]}"
    answer: dict[str, Any] = json.loads(done.stdout)
    return answer


# --- findings -----------------------------------------------------------------------------------------------------


def judged(finding: dict[str, Any], string: String) -> str:
    """Return right, open or false: whether the direct figures say, allow or exclude what the finding says.

    Of a cause without a direct figure all cells are sound.
    """
    cells = finding.get("cells") or []
    verdicts = [_difference(finding["cause"], cell, string) for cell in cells]
    if not cells or "false" in verdicts:
        return "false"
    return "open" if "open" in verdicts else "right"


def _difference(cause: str, cell: int, string: String) -> str:
    """Return whether the cell truly differs as the cause says, beyond the practical size."""
    quantity, sign = _measure(cause)
    mine = [f for f in string.figures if f.quantity == quantity and f.cell == cell]
    if not mine:
        return "false"
    centre = 0.0 if quantity == "soc_offset" else 1.0
    size = sign * float(np.median([f.value - centre for f in mine]))
    error = float(np.median([f.error for f in mine]))
    if size >= PRACTICAL[quantity]:
        return "right"
    return "open" if size + error >= PRACTICAL[quantity] else "false"


def sized(finding: dict[str, Any], string: String) -> str:
    """Return whether the interval of a right finding of one cell holds the direct size."""
    quantity, _ = _measure(finding["cause"])
    centre = 0.0 if quantity == "soc_offset" else 1.0
    mine = [f for f in string.figures if f.quantity == quantity and f.cell in finding["cells"]]
    size, error = (float(np.median([getattr(f, k) for f in mine])) for k in ("value", "error"))
    low = -np.inf if finding["low"] is None else finding["low"]
    high = np.inf if finding["high"] is None else finding["high"]
    if "fraction" not in finding["unit"] or len(finding["cells"]) > 1:
        return ""
    return (
        ", size holds" if low <= size - centre + error and high >= size - centre - error else ", size misses"
    )


def _measure(cause: str) -> tuple[str, float]:
    """Return the directly measured quantity that a cause speaks of and the sign of its excess; ("", 0) without one."""
    return {
        **dict.fromkeys(EXCESS, ("resistance_10s_relative", 1.0)),
        "capacity_low": ("capacity_relative", -1.0),
        "soc_offset_low": ("soc_offset", -1.0),
        "soc_offset_high": ("soc_offset", 1.0),
    }.get(cause, ("", 0.0))


def unsaid(answer: dict[str, Any], string: String) -> list[str]:
    """Return what is truly different by three practical sizes or more, its error taken off, and is not said at all."""
    out = []
    causes = {
        "resistance_10s_relative": EXCESS,
        "capacity_relative": ("capacity_low",),
        "soc_offset": OFFSETS,
    }
    for quantity, named in causes.items():
        for cell in range(1, string.cells + 1):
            mine = [f for f in string.figures if f.quantity == quantity and f.cell == cell]
            if not mine:
                continue
            away = float(np.median([f.value for f in mine])) - (0.0 if quantity == "soc_offset" else 1.0)
            size = {"resistance_10s_relative": away, "capacity_relative": -away}.get(quantity, abs(away))
            if size - mine[0].error < 3 * PRACTICAL[quantity]:
                continue
            if not any(f["cause"] in named and cell in f["cells"] for f in answer["findings"]):
                out.append(f"cell {cell}: {quantity} {away:+.3f} directly, and nothing is said")
    return out


# --- figures ------------------------------------------------------------------------------------------------------


def compared(answer: dict[str, Any], string: String) -> Iterator[Line]:
    """Yield each direct figure with ours beside it; of several steps the mean of those under our conditions."""
    ours = {(e["quantity"], e.get("cell")): e for e in answer["estimates"] if e.get("sensor") is None}
    for key in dict.fromkeys((f.quantity, f.cell) for f in string.figures):
        mine = [f for f in string.figures if (f.quantity, f.cell) == key]
        estimate = ours.get(key)
        if estimate is None or estimate["status"] == "not_determinable":
            yield Line(mine[0], "refused", estimate)
            continue
        under = [f for f in mine if _same_conditions(f, estimate)]
        if not under:
            yield Line(mine[0], "elsewhere", estimate)
            continue
        figure = Figure(
            key[0],
            key[1],
            float(np.mean([f.value for f in under])),
            float(np.mean([f.error for f in under])),
            under[0].soc,
        )
        yield Line(figure, _state(figure, estimate), estimate)


def _same_conditions(figure: Figure, estimate: dict[str, Any]) -> bool:
    if figure.soc is None:
        return True
    conditions = estimate.get("conditions") or {}
    low, high = conditions.get("soc_low"), conditions.get("soc_high")
    if low is None or high is None:
        return True
    return bool(low - SOC_NEAR <= figure.soc[0] <= high + SOC_NEAR)


def _state(figure: Figure, estimate: dict[str, Any]) -> str:
    low = -np.inf if estimate["low"] is None else estimate["low"]
    high = np.inf if estimate["high"] is None else estimate["high"]
    holds = low <= figure.value + figure.error and high >= figure.value - figure.error
    if not holds:
        return "misses"
    return "bounded" if estimate["status"] == "bounded" else "holds"


# --- printing -----------------------------------------------------------------------------------------------------

UNITS = {
    "resistance_10s": (1e3, "mohm"),
    "soc_offset": (100.0, "%"),
    "capacity_relative": (1.0, ""),
    "resistance_10s_relative": (1.0, ""),
    "capacity": (1.0, "Ah"),
}


def shown(line: Line) -> str:
    """Return a figure as one line: ours (value, low, high) against the direct one."""
    scale, unit = UNITS[line.figure.quantity]
    where = f"cell {line.figure.cell}" if line.figure.cell else "string"
    told = "-"
    if line.ours is not None and line.ours["status"] != "not_determinable":
        values = [line.ours.get(k) for k in ("value", "low", "high")]
        told = "{} ({} to {})".format(*["none" if v is None else f"{scale * v:.4g}" for v in values])
    direct = f"{scale * line.figure.value:.4g} +- {scale * line.figure.error:.2g}"
    return f"  {line.figure.quantity} {where}: ours {told}, directly {direct} {unit}: {line.state}"


def reported(
    string: String, answer: dict[str, Any] | str, tally: Counter[tuple[str, str]], quiet: bool
) -> int:
    """Print one string's findings and figures and return how many findings are false."""
    print(
        f"\n{string.name} ({string.cells} cells, {len(string.seconds)} rows, {string.seconds[-1] / 3600:.1f} h)"
    )
    if isinstance(answer, str):
        print(f"  no answer: {answer}")
        tally["string", "no answer"] += 1
        return 0
    wrong = 0
    for finding in answer["findings"]:
        if finding["level"] in ALARMS:
            verdict = judged(finding, string)
            wrong += verdict == "false"
            tally["finding", verdict] += 1
            size = sized(finding, string) if verdict == "right" else ""
            tally["size", size.strip(", ")] += bool(size)
            head = f"  {finding['level']} {finding['cause']}, cells {finding['cells']}: {verdict}{size}."
            print(head, finding["says"])
    for line in unsaid(answer, string):
        tally["string", "unsaid"] += 1
        print(f"  unsaid: {line}")
    refusals: Counter[str] = Counter()
    for figure in compared(answer, string):
        tally[figure.figure.quantity, figure.state] += 1
        if figure.state == "refused":
            refusals[f"{figure.figure.quantity}: {(figure.ours or {}).get('why', 'no such estimate')}"] += 1
        elif not quiet or figure.state == "misses":
            print(shown(figure))
    for why, count in refusals.items():
        print(f"  refused {count} x {why}")
    return wrong


def sources(folder: Path) -> None:
    """Print the table of sources."""
    for s in SOURCES:
        there = "" if (folder / s.folder).is_dir() else " (not in this folder)"
        print(f"{s.folder}{there}: {s.repository}; licence: {s.licence}; {s.made}")


def summary(tally: Counter[tuple[str, str]], strings: int, false: int) -> str:
    """Return the figures of all strings, the last line first of all."""
    lines = []
    for quantity in sorted({q for q, _ in tally} - {"finding", "string", "size"}):
        n = {s: tally[quantity, s] for s in ("holds", "bounded", "misses", "refused", "elsewhere")}
        said = n["holds"] + n["bounded"] + n["misses"]
        lines.append(
            f"{quantity}: {n['holds'] + n['bounded']} of {said} hold; refused {n['refused']}, "
            f"under other conditions {n['elsewhere']}"
        )
    lines.append(
        f"{strings} strings: {false} false findings, {tally['finding', 'right']} right (size held "
        f"in {tally['size', 'size holds']} of {tally['size', 'size holds'] + tally['size', 'size misses']}), "
        f"{tally['finding', 'open']} that the data leave open, {tally['string', 'unsaid']} large differences "
        f"unsaid, {tally['string', 'no answer']} without an answer"
    )
    return "\n".join(lines)


def run(folder: Path, only: str = "", quiet: bool = False) -> tuple[int, int, Counter[tuple[str, str]]]:
    """Diagnose every string whose name or source holds `only`; return strings, false findings and the tally."""
    tally: Counter[tuple[str, str]] = Counter()
    strings = false = 0
    for string in all_strings(folder):
        if only not in f"{string.source} {string.name}":
            continue
        with tempfile.TemporaryDirectory() as place:
            answer = answered(string, Path(place))
        strings += 1
        false += reported(string, answer, tally, quiet)
    return strings, false, tally


def main() -> int:
    """Run from the command line."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("folder", type=Path, help="one folder a source in it")
    parser.add_argument("--only", default="", help="strings whose source or name holds this")
    parser.add_argument("--quiet", action="store_true", help="of the figures only those that miss")
    options = parser.parse_args()
    sources(options.folder)
    strings, false, tally = run(options.folder, options.only, options.quiet)
    print("\n" + summary(tally, strings, false))
    return 1 if false or not strings else 0


if __name__ == "__main__":
    sys.exit(main())
