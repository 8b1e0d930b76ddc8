"""What a reader chose columns to be, as a logger profile: only what was changed; the rest speaks for itself."""

from __future__ import annotations

import datetime as dt
import json
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from bmslogs.base.toml import NotToml, parse_toml
from bmslogs.importers.plan.plan import Plan

BESIDE = "beside"
ROLES = {
    "time": "time",
    "current": "current",
    "charge current": "current, charging only",
    "discharge current": "current, driving only",
    "cell": "cell voltage",
    "pack voltage": "pack voltage",
    "temperature": "temperature",
    "bleed": "balancing flag of a cell",
    "bleed bits": "balancing flags of all cells",
    BESIDE: "kept beside, not used",
}
"""What a column may be chosen to be, and how that is called."""
UNITS = {
    "current": ("A", "mA", "0.1A", "0.01A"),
    "charge current": ("A", "mA", "0.1A", "0.01A"),
    "discharge current": ("A", "mA", "0.1A", "0.01A"),
    "cell": ("V", "mV", "0.1mV", "10mV"),
    "pack voltage": ("V", "mV", "0.1V", "10mV"),
    "temperature": ("degC", "0.1degC", "degF", "K", "0.1K"),
}
"""Units that a role may have, as the profile spells them."""
SHOWN = {
    "degC": "°C",
    "0.1degC": "0.1 °C",
    "degF": "°F",
    "0.1A": "0.1 A",
    "0.01A": "0.01 A",
    "0.1mV": "0.1 mV",
}
SHOWN |= {"10mV": "10 mV", "0.1V": "0.1 V", "0.1K": "0.1 K"}
_SECTIONS = {
    "time": "time",
    "current": "current",
    "charge current": "current",
    "discharge current": "current",
    "cell": "cell_voltage",
    "pack voltage": "pack_voltage",
    "temperature": "temperature",
    "bleed": "bleed",
    "bleed bits": "bleed",
}
NOTHING = r"(?!)(?P<{}>\d+)"
"""A pattern that no header fits: there is none of these."""


@dataclass(frozen=True)
class Column:
    """One column as it is to be read.

    Attributes
    ----------
    index, name
        Place and header in the file.
    role
        A key of `ROLES`.
    unit
        As the profile spells it; empty where it has none or nothing says.
    """

    index: int
    name: str
    role: str
    unit: str = ""


def columns_of(plan: Plan, chosen: Mapping[int, tuple[str, str]] | None = None) -> tuple[Column, ...]:
    """Return the columns of a plan as they were recognised, with what the reader chose in their place."""
    out = []
    for taken in plan.columns:
        role = taken.role if taken.role in ROLES else BESIDE
        unit = taken.unit.name if taken.unit is not None and role in UNITS else ""
        role, unit = (chosen or {}).get(taken.index, (role, unit))
        out.append(Column(taken.index, taken.name, role, unit))
    return tuple(out)


def alike(columns: Sequence[Column]) -> list[list[Column]]:
    """Return the columns in groups: those that follow each other, differ by their numbers and are taken alike."""
    groups: list[list[Column]] = []
    for column in columns:
        last = groups[-1][-1] if groups else None
        if last is not None and (_shape(last), last.role, last.unit) == (
            _shape(column),
            column.role,
            column.unit,
        ):
            groups[-1].append(column)
        else:
            groups.append([column])
    return groups


def _shape(column: Column) -> str:
    return re.sub(r"\d+", "#", column.name)


def profile_of(
    before: str, plan: Plan, chosen: Mapping[int, tuple[str, str]], sign: str = ""
) -> tuple[str, str]:
    """Return the profile of what was chosen, and one line where it cannot be said.

    Parameters
    ----------
    before
        Profile of what was changed before, or typed; empty where nothing was.
    chosen
        Role and unit by the column's index.
    sign
        ``positive`` or ``negative``: the sign that the logger gives to discharge; empty leaves it to the file.
    """
    try:
        document: dict[str, Any] = parse_toml(before)
    except NotToml:
        document = {}
    found, wanted = columns_of(plan), columns_of(plan, chosen)
    touched: set[str] = set()
    for old, new in zip(found, wanted, strict=True):
        if (old.role, old.unit) != (new.role, new.unit):
            touched |= {_SECTIONS[r] for r in (old.role, new.role) if r in _SECTIONS}
    for section in sorted(touched):
        made, wrong = _MAKERS[section](wanted, plan, document.get(section, {}))
        if wrong:
            return before, wrong
        document.pop(section, None)
        if made:
            document[section] = made
    if sign:
        currents = [c for c in wanted if c.role == "current"]
        current = dict(document.get("current", {}))
        if currents and "charge_column" not in current:
            current.setdefault("column", currents[0].name)
        document["current"] = {**current, "discharge": sign}
    return toml_text(document), ""


def _time(columns: Sequence[Column], plan: Plan, before: dict[str, Any]) -> tuple[dict[str, Any], str]:
    names = [c.name for c in columns if c.role == "time"]
    kept = {k: v for k, v in before.items() if k in ("zone", "start", "right")}
    if len(names) > 2:
        return {}, "Three columns are chosen as time; a date and a time of day are the most."
    if not names:
        return {}, "Choose the column of the time before its present one is put aside."
    return {**kept, **({"column": names[0]} if len(names) == 1 else {"columns": names})}, ""


def _current(columns: Sequence[Column], plan: Plan, before: dict[str, Any]) -> tuple[dict[str, Any], str]:
    whole = [c for c in columns if c.role == "current"]
    charge = [c for c in columns if c.role == "charge current"]
    discharge = [c for c in columns if c.role == "discharge current"]
    kept = {"discharge": before["discharge"]} if "discharge" in before and whole else {}
    if charge or discharge:
        if len(charge) != 1 or len(discharge) != 1 or whole:
            return (
                {},
                "Charging and driving current in two columns: choose one of each, and no other current.",
            )
        unit = {"unit": charge[0].unit} if charge[0].unit else {}
        return {"charge_column": charge[0].name, "discharge_column": discharge[0].name, **unit}, ""
    if len(whole) > 1:
        return {}, "Two columns are chosen as the current; choose one, and put the other beside."
    if not whole:
        return {}, ""
    return {"column": whole[0].name, **({"unit": whole[0].unit} if whole[0].unit else {}), **kept}, ""


def _numbered(names: Sequence[str], group: str) -> tuple[str, str]:
    """Return a pattern that just these headers fit, their last number that of the cell or sensor."""
    bare = [n for n in names if not re.search(r"\d", n)]
    if bare and len(names) > 1:
        return "", f"{bare[0]!r} has no number in its header that would say which one it is."
    if bare:
        return re.escape(bare[0].strip()).replace("\\ ", " ") + f"(?P<{group}>)", ""
    numbers = [re.findall(r"\d+", n)[-1] for n in names]
    if len({int(n) for n in numbers}) < len(numbers):
        return "", "Two of the chosen columns end in the same number."
    shapes = {re.sub(r"\d+(?=\D*$)", "#", n.strip()) for n in names}
    if len(shapes) == 1 and [int(n) for n in numbers] == list(range(int(numbers[0]), int(numbers[-1]) + 1)):
        head, _, tail = shapes.pop().rpartition("#")
        spoken = [re.escape(x).replace("\\ ", " ") for x in (head, tail)]
        return rf"{spoken[0]}(?P<{group}>\d+){spoken[1]}", ""
    able = "|".join(re.escape(n.strip()).replace("\\ ", " ") for n in names)
    return rf"(?=(?:{able})$).*?(?P<{group}>\d+)\D*", ""


def _cells(columns: Sequence[Column], plan: Plan, before: dict[str, Any]) -> tuple[dict[str, Any], str]:
    cells = [c for c in columns if c.role == "cell"]
    if not cells:
        return {}, "Choose the cells before their present columns are put aside."
    if len({c.unit for c in cells if c.unit}) > 1:
        return {}, "All cells are read in one unit; choose the same for each."
    pattern, wrong = _numbered([c.name for c in cells], "cell")
    if wrong:
        return {}, wrong
    numbers = [int(re.findall(r"\d+", c.name)[-1]) for c in cells if re.search(r"\d", c.name)]
    first = {"first": min(numbers)} if numbers else {}
    unit = next(({"unit": c.unit} for c in cells if c.unit), {})
    return {"pattern": pattern, **unit, **first}, ""


def _temperatures(
    columns: Sequence[Column], plan: Plan, before: dict[str, Any]
) -> tuple[dict[str, Any], str]:
    sensors = [c for c in columns if c.role == "temperature"]
    if not sensors:
        return {"pattern": NOTHING.format("sensor")}, ""
    pattern, wrong = _numbered([c.name for c in sensors], "sensor")
    unit = next(({"unit": c.unit} for c in sensors if c.unit), {})
    return ({}, wrong) if wrong else ({"pattern": pattern, **unit}, "")


def _bleed(columns: Sequence[Column], plan: Plan, before: dict[str, Any]) -> tuple[dict[str, Any], str]:
    flags = [c for c in columns if c.role == "bleed"]
    bits = [c for c in columns if c.role == "bleed bits"]
    if (flags and bits) or len(bits) > 1:
        return {}, "Balancing stands in flags of each cell or in one column for all, not in both."
    if bits:
        examples = next((t.examples for t in plan.columns if t.index == bits[0].index), ())
        return {"column": bits[0].name, "kind": _bits_kind(examples)}, ""
    if not flags:
        return {"pattern": NOTHING.format("cell")}, ""
    pattern, wrong = _numbered([c.name for c in flags], "cell")
    return ({}, wrong) if wrong else ({"pattern": pattern}, "")


def _bits_kind(examples: Sequence[str]) -> str:
    texts = [e.strip() for e in examples]
    if any(re.search(r"[a-fA-FxX]", t) for t in texts):
        return "hex"
    return "binary text" if texts and all(re.fullmatch(r"[01]{4,}", t) for t in texts) else "integer"


def _pack_voltage(
    columns: Sequence[Column], plan: Plan, before: dict[str, Any]
) -> tuple[dict[str, Any], str]:
    packs = [c for c in columns if c.role == "pack voltage"]
    if len(packs) > 1:
        return {}, "Two columns are chosen as the pack voltage; choose one."
    if not packs:
        return {}, ""
    return {"column": packs[0].name, **({"unit": packs[0].unit} if packs[0].unit else {})}, ""


_MAKERS = {
    "time": _time,
    "current": _current,
    "cell_voltage": _cells,
    "temperature": _temperatures,
    "bleed": _bleed,
    "pack_voltage": _pack_voltage,
}


def toml_text(document: Mapping[str, Any]) -> str:
    """Return a profile's document as TOML."""
    lines: list[str] = []
    for section, values in document.items():
        lines += ["", f"[{section}]", *(f"{k} = {_value(v)}" for k, v in values.items())]
    return "\n".join(lines).strip("\n") + ("\n" if lines else "")


def _value(value: Any) -> str:
    if isinstance(value, Mapping):
        return "{ " + ", ".join(f"{json.dumps(str(k))} = {_value(v)}" for k, v in value.items()) + " }"
    if isinstance(value, (list, tuple)):
        return "[" + ", ".join(map(_value, value)) + "]"
    if isinstance(value, dt.datetime):
        return value.isoformat()
    return json.dumps(value, ensure_ascii=False)
