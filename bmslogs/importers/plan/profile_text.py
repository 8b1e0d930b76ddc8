"""A plan written as a profile that a person can edit and give back."""

from __future__ import annotations

import re

from bmslogs.importers.plan.plan import Plan, Taken
from bmslogs.importers.plan.repairs import iso


def profile_toml(plan: Plan) -> str:
    """Return a plan as a profile (TOML)."""
    lines = [f"# {_comment(str(problem))}" for problem in plan.problems]
    if plan.sheet:
        lines += ["", "[file]", f"sheet = {_quoted(plan.sheet)}"]
    lines += _time_lines(plan)
    current = plan.of("current")
    split = plan.of("charge current", "discharge current")
    if current:
        lines += ["", "[current]", f"column = {_quoted(current[0].name)}", *_unit(current[0])]
        if plan.sign is not None:
            lines.append(
                f'discharge = "{"positive" if plan.sign > 0 else "negative"}"   # {_comment(plan.sign_why)}'
            )
        else:
            lines.append(f'# discharge = "positive"   # or "negative": {_comment(plan.sign_why)}')
    elif len(split) == 2:
        lines += ["", "[current]"]
        lines += [f"{t.role.split()[0]}_column = {_quoted(t.name)}" for t in split]
        lines += _unit(split[0])
    cells = plan.of("cell")
    if cells:
        pattern, exact = _pattern([t.name for t in cells], "cell")
        lines += [
            "",
            "[cell_voltage]",
            f"pattern = {pattern}" if exact else f"# no one pattern: {_comment(plan.cells_why)}",
        ]
        lines += [*_unit(cells[0]), f"first = {plan.first}"]
    sensors = plan.of("temperature")
    if sensors:
        pattern, exact = _pattern([t.name for t in sensors], "sensor")
        lines += ["", "[temperature]", *([f"pattern = {pattern}"] if exact else [])]
        # one unit can be said for all; where columns have several, those that are not taken too, each says its own
        several = len({t.unit for t in sensors}) > 1 or any("in another unit" in n for n in plan.notes)
        lines += [] if several and not exact else _unit(sensors[0])
    flags, bits = plan.of("bleed"), plan.of("bleed bits")
    if flags:
        pattern, exact = _pattern([t.name for t in flags], "cell")
        lines += ["", "[bleed]", f"pattern = {pattern}"] if exact else []
    elif bits and plan.bits is not None:
        lines += [
            "",
            "[bleed]",
            f"column = {_quoted(bits[0].name)}",
            f'kind = "{plan.bits.kind}"',
            f'lowest_bit = "{plan.bits.lowest}"',
        ]
    pack = plan.of("pack voltage")
    if pack:
        lines += ["", "[pack_voltage]", f"column = {_quoted(pack[0].name)}", *_unit(pack[0])]
    return "\n".join(lines).strip("\n") + "\n"


def _time_lines(plan: Plan) -> list[str]:
    clock = plan.clock
    if clock is None:
        return ["", "# [time]", '# column = "..."   # no column was taken for the time']
    names = [next(t.name for t in plan.columns if t.index == i) for i in clock.columns]
    where = (
        f"column = {_quoted(names[0])}"
        if len(names) == 1
        else f"columns = [{', '.join(map(_quoted, names))}]"
    )
    lines = ["", "[time]", where]
    if clock.format and clock.format != "elapsed_hms":
        lines.append(f"format = {_quoted(clock.format)}")
    lines.append(f"zone = {_quoted(clock.zone)}")
    if clock.relative:
        lines.append(f"{'' if clock.dated else '# '}start = {iso(clock.base)}")
    return lines


def _unit(taken: Taken) -> list[str]:
    return [f'unit = "{taken.unit.name}"'] if taken.unit is not None else []


def _pattern(names: list[str], group: str) -> tuple[str, bool]:
    """Return a regular expression over headers and whether it fits all of these in this order."""
    parts = [re.split(r"(\d+)", n.strip()) for n in names]
    if len({len(p) for p in parts}) != 1 or len(parts[0]) < 3:
        return '""', False
    varying = [k for k in range(1, len(parts[0]), 2) if len({p[k] for p in parts}) > 1] or [len(parts[0]) - 2]
    words = [k for k in range(0, len(parts[0]), 2) if len({p[k] for p in parts}) > 1]
    if len(varying) + len(words) > 2 or len(words) > 1:
        return '""', False
    cell_at = varying[-1]
    if len(varying) == 2:
        through = [k for k in varying if len({int(p[k]) for p in parts}) == len(parts)]
        cell_at = through[0] if through else cell_at
    out = ""
    for k, piece in enumerate(parts[0]):
        if k == cell_at:
            out += rf"(?P<{group}>\d+)"
        elif k in varying:
            out += r"(?P<module>\d+)" if group == "cell" else r"\d+"
        elif k in words:
            out += r"(?P<module>.+?)" if group == "cell" else r".+?"
        else:
            out += re.escape(piece).replace("\\ ", " ")
    fits = all(re.fullmatch(out, n.strip()) for n in names)
    if "'" not in out and out.isprintable():
        return f"'{out}'", fits
    return _quoted(out), fits


def _quoted(text: str) -> str:
    """Return a TOML string."""
    escaped = "".join(
        {"\\": "\\\\", '"': '\\"'}.get(ch, ch if ch.isprintable() else f"\\U{ord(ch):08X}") for ch in text
    )
    return f'"{escaped}"'


def _comment(text: str) -> str:
    return "".join(ch if ch.isprintable() else " " for ch in text)
