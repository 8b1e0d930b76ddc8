"""The pack file: how one battery pack is built, checked key by key."""

from __future__ import annotations

import csv
import datetime as dt
import math
import re
from pathlib import Path
from typing import Annotated, Any, Literal, Self

from pydantic import (
    AfterValidator,
    BaseModel,
    ConfigDict,
    Field,
    Strict,
    StringConstraints,
    ValidationError,
    model_validator,
)

from bmslogs.base.errors import BadPack
from bmslogs.base.toml import read_toml, refused
from bmslogs.base.zone import usual_zone

PackId = Annotated[str, StringConstraints(pattern=r"^[A-Za-z0-9_-]{1,64}$")]
Name = Annotated[str, StringConstraints(min_length=1, max_length=80, strip_whitespace=True)]
Number = Annotated[float, Strict()]
Whole = Annotated[int, Strict()]
"""As the file writes them: text or true/false in a number's place is a mistake, not a number."""
CellNumber = Annotated[Whole, Field(ge=1)]
CellList = Annotated[list[CellNumber], Field(min_length=1)]
EventKind = Literal["joint remade", "module swapped", "sense wire moved", "bench charged", "other"]


def usual_chemistry(text: str) -> str:
    """Return the usual short name of a chemistry however it is spelled; another name as it is."""
    plain = re.sub(r"[^a-z0-9]", "", text.lower().translate(_SUBSCRIPTS))
    return next((name for name, spelled in _CHEMISTRIES.items() if plain in spelled), text)


_SUBSCRIPTS = str.maketrans("₀₁₂₃₄₅₆₇₈₉", "0123456789")
_CHEMISTRIES = {
    "NMC": ("nmc", "ncm", "linmc", "lincm", "linimncoo2", "linicomno2", "nickelmanganesecobalt"),
    "LFP": ("lfp", "lifepo4", "lifepo", "lifp", "ironphosphate", "lithiumironphosphate"),
}


class _Part(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)


class Limits(_Part):
    """Limits of one cell, from its data sheet [V, degC, A]; all optional."""

    voltage_min_V: Number | None = None
    voltage_max_V: Number | None = None
    charge_temperature_min_C: Number | None = None
    charge_temperature_max_C: Number | None = None
    temperature_min_C: Number | None = None
    temperature_max_C: Number | None = None
    discharge_current_max_A: Annotated[Number, Field(gt=0)] | None = None
    charge_current_max_A: Annotated[Number, Field(gt=0)] | None = None

    @model_validator(mode="after")
    def _ordered(self) -> Self:
        for low, high in (
            ("voltage_min_V", "voltage_max_V"),
            ("charge_temperature_min_C", "charge_temperature_max_C"),
            ("temperature_min_C", "temperature_max_C"),
        ):
            a, b = getattr(self, low), getattr(self, high)
            if a is not None and b is not None and a >= b:
                raise ValueError(f"{low} = {a} is not below {high} = {b}")
        return self


class Box(_Part):
    """A box in the vehicle and the modules in it, in order from pack negative."""

    name: Name
    modules: list[Name]


class Module(_Part):
    """A module: the cells that come out of the vehicle together."""

    name: Name
    cells: CellList


class TemperatureSensor(_Part):
    """A temperature sensor and the cells it sits nearest to."""

    name: Name
    cells: list[CellNumber] = []


class SenseBoard(_Part):
    """A measuring board and the cells whose voltages it reads."""

    name: Name
    cells: CellList


class Event(_Part):
    """Dated work on the pack; later logs are of the pack as it then was."""

    date: dt.date
    kind: EventKind
    where: Name | None = None
    note: str | None = None


class Pack(_Part):
    """One battery pack as its pack file describes it.

    Attributes
    ----------
    ocv
        Rows (soc 0..1, voltage V) of the pack's own open-circuit table, soc rising; None where a built-in
        curve serves. Resolved from `ocv_table` by `load_pack`.
    """

    id: PackId
    vehicle: Name
    design: Name | None = None
    chemistry: Annotated[Name, AfterValidator(usual_chemistry)]
    nominal_capacity_Ah: Annotated[Number, Field(gt=0, le=100_000)]
    cells_in_series: Annotated[Whole, Field(ge=1, le=1000)]
    cells_in_parallel: Annotated[Whole, Field(ge=1)] = 1
    ocv_table: str | None = None
    zone: Annotated[Name, AfterValidator(usual_zone)] | None = None
    bleed_resistor_ohm: Annotated[Number, Field(gt=0)] | None = None
    current_accuracy: Annotated[Number, Field(ge=0, lt=1)] | None = None
    joint_in_tap_of: Literal["next", "previous"] = "next"
    limits: Limits = Limits()
    boxes: tuple[Box, ...] = ()
    modules: tuple[Module, ...] = ()
    temperature_sensors: tuple[TemperatureSensor, ...] = ()
    sense_boards: tuple[SenseBoard, ...] = ()
    events: tuple[Event, ...] = ()
    ocv: tuple[tuple[float, float], ...] | None = None

    @model_validator(mode="after")
    def _consistent(self) -> Self:
        n = self.cells_in_series
        for what, parts in (
            ("box", self.boxes),
            ("module", self.modules),
            ("temperature_sensor", self.temperature_sensors),
            ("sense_board", self.sense_boards),
        ):
            _names_once(what, [p.name for p in parts])
        for what, listed in (
            ("module", self.modules),
            ("temperature_sensor", self.temperature_sensors),
            ("sense_board", self.sense_boards),
        ):
            for part in listed:
                for cell in part.cells:
                    if cell > n:
                        raise ValueError(
                            f"{what} {part.name!r} names cell {cell}, but cells_in_series is {n}"
                        )
        for what, listed in (("module", self.modules), ("sense_board", self.sense_boards)):
            _each_cell_once(what, listed, n if what == "module" else None)
        _modules_once_in_boxes(self.boxes, {m.name for m in self.modules})
        if self.chemistry not in ("NMC", "LFP") and self.ocv is None and self.ocv_table is None:
            raise ValueError(
                f"chemistry = {self.chemistry!r} has no built-in open-circuit curve; give NMC, LFP or an ocv_table"
            )
        return self

    def __repr__(self) -> str:
        modules = f", {len(self.modules)} modules" if self.modules else ""
        return (
            f"<Pack {self.id} of {self.vehicle}: {self.cells_in_series} cells in series{modules}, {self.chemistry}, "
            f"{self.nominal_capacity_Ah:g} Ah>"
        )

    __str__ = __repr__

    def module_of(self, cell: int) -> str | None:
        """Return the name of the module that holds `cell`, None where modules are not described."""
        return next((m.name for m in self.modules if cell in m.cells), None)

    def box_of(self, module: str | None) -> str | None:
        """Return the name of the box that holds `module`, None where boxes are not described."""
        return next((b.name for b in self.boxes if module in b.modules), None)

    def place(self, cell: int) -> str:
        """Return the place of `cell` as the builder names it, such as ``front box, module F2, cell 5``."""
        module = self.module_of(cell)
        box = self.box_of(module)
        parts = [f"{box} box" if box and "box" not in box.lower() else box] if box else []
        parts += [f"module {module}"] if module else []
        return ", ".join([*parts, f"cell {cell}"])

    def joint_cells(self) -> tuple[int, ...]:
        """Return the cells whose tap includes a link between two modules, rising.

        The link to the next module lies inside the tap of the first cell of the later module, unless the
        pack file says ``joint_in_tap_of = "previous"``: then inside that of the last cell of the earlier.
        """
        ends: list[int] = []
        for cell in range(2, self.cells_in_series + 1):
            if self.modules and self.module_of(cell) != self.module_of(cell - 1):
                ends.append(cell if self.joint_in_tap_of == "next" else cell - 1)
        return tuple(ends)

    def sensor_name(self, column: int) -> str:
        """Return the name of the temperature sensor in column number `column` (1..S)."""
        sensors = self.temperature_sensors
        return sensors[column - 1].name if column <= len(sensors) else f"T{column:02d}"

    def sensor_column_of(self, cell: int) -> int | None:
        """Return the column number (1..S) of the sensor nearest to `cell`, None where not described."""
        return next((i for i, s in enumerate(self.temperature_sensors, 1) if cell in s.cells), None)

    def board_of(self, cell: int) -> str | None:
        """Return the name of the measuring board that reads `cell`, None where not described."""
        return next((b.name for b in self.sense_boards if cell in b.cells), None)


def _names_once(what: str, names: list[str]) -> None:
    seen: set[str] = set()
    for name in names:
        if name in seen:
            raise ValueError(f"{what} name {name!r} occurs twice")
        seen.add(name)


def _modules_once_in_boxes(boxes: tuple[Box, ...], known: set[str]) -> None:
    homes: dict[str, str] = {}
    for box in boxes:
        for module in box.modules:
            if module not in known:
                raise ValueError(f"box {box.name!r} names module {module!r}, which no [[module]] describes")
            if module in homes:
                raise ValueError(f"module {module!r} lies in two boxes, {homes[module]!r} and {box.name!r}")
            homes[module] = box.name


def _each_cell_once(what: str, parts: tuple[Module, ...] | tuple[SenseBoard, ...], cells: int | None) -> None:
    home: dict[int, str] = {}
    for part in parts:
        for cell in part.cells:
            if home.get(cell) == part.name:
                raise ValueError(f"{what} {part.name!r} names cell {cell} twice")
            if cell in home:
                raise ValueError(f"cell {cell} lies in two {what}s, {home[cell]!r} and {part.name!r}")
            home[cell] = part.name
    if cells is not None and parts:
        missing = [c for c in range(1, cells + 1) if c not in home]
        if missing:
            raise ValueError(f"cell {missing[0]} lies in no {what}")


_TABLES = {
    "box": "boxes",
    "module": "modules",
    "temperature_sensor": "temperature_sensors",
    "event": "events",
    "sense_board": "sense_boards",
}


def parse_pack(
    document: dict[str, Any], *, file: str | Path | None = None, folder: Path | None = None
) -> Pack:
    """Build a pack from the parsed pack file.

    Parameters
    ----------
    document
        The TOML document as a dict.
    file
        Name for messages.
    folder
        Where a relative `ocv_table` is looked for; None leaves the table unread.

    Raises
    ------
    BadPack
        One line: the key, what was found, what was expected.
    """
    data = dict(document)
    if not isinstance(data.get("pack"), dict):
        raise BadPack("no [pack] table", "a table [pack] with id, vehicle, chemistry, ...", file=file)
    fields: dict[str, Any] = dict(data.pop("pack"))
    for key in ("boxes", "modules", "temperature_sensors", "sense_boards", "events", "ocv"):
        if key in fields:
            raise BadPack(f"unknown key {key!r} in [pack]", "a key of the pack file", file=file, column=key)
    for table, field in _TABLES.items():
        if table in data:
            fields[field] = data.pop(table)
    if data:
        raise BadPack(
            f"unknown table {next(iter(data))!r}",
            "pack, box, module, temperature_sensor, event or sense_board",
            file=file,
        )
    if folder is not None and isinstance(fields.get("ocv_table"), str):
        fields["ocv"] = read_ocv_table(folder / fields["ocv_table"])
    try:
        return Pack.model_validate(fields)
    except ValidationError as error:
        raise refused(error, _key(error.errors()[0]["loc"]), "pack file", BadPack, file) from None


def load_pack(path: str | Path) -> Pack:
    """Read a pack file (TOML), with its open-circuit table where it names one.

    Raises
    ------
    BadPack
        The file is missing, not TOML, or describes no possible pack.
    """
    path = Path(path)
    return parse_pack(read_toml(path, "a pack file", BadPack), file=path, folder=path.parent)


def read_ocv_table(path: Path) -> tuple[tuple[float, float], ...]:
    """Read an open-circuit table: columns soc (0..1) and voltage_V, both rising.

    Raises
    ------
    BadPack
        Not such a table.
    """
    try:
        text = path.read_text(encoding="utf-8-sig")
    except (OSError, UnicodeDecodeError) as error:
        raise BadPack(f"ocv_table cannot be read ({error})", "a CSV file", file=path) from None
    return parse_ocv_table(text, file=path)


def parse_ocv_table(text: str, *, file: str | Path | None = None) -> tuple[tuple[float, float], ...]:
    """Read an open-circuit table from its text; see `read_ocv_table`.

    Raises
    ------
    BadPack
        Not such a table; the line is named.
    """
    try:
        reader = csv.DictReader(text.splitlines())
        rows = [(reader.line_num, row) for row in reader]
    except csv.Error as error:
        raise BadPack(f"ocv_table cannot be read ({error})", "a CSV file", file=file) from None
    if not rows or not {"soc", "voltage_V"} <= set(rows[0][1]):
        raise BadPack("no columns soc and voltage_V", "a CSV table soc,voltage_V", file=file, line=1)
    table: list[tuple[float, float]] = []
    for number, row in rows:
        try:
            soc, volt = float(row["soc"]), float(row["voltage_V"])
        except (TypeError, ValueError):
            raise BadPack(
                f"{row['soc']!r}, {row['voltage_V']!r}", "two numbers", file=file, line=number
            ) from None
        if not 0.0 <= soc <= 1.0:
            raise BadPack(f"soc {soc}", "a fraction 0..1", file=file, line=number)
        if not math.isfinite(volt):
            raise BadPack(f"voltage {volt}", "a voltage", file=file, line=number)
        if table and (soc <= table[-1][0] or volt <= table[-1][1]):
            raise BadPack(
                f"soc {soc}, voltage {volt}", "both to rise from row to row", file=file, line=number
            )
        table.append((soc, volt))
    if len(table) < 5 or table[0][0] > 0.05 or table[-1][0] < 0.95:
        raise BadPack(
            f"{len(table)} rows from {table[0][0]} to {table[-1][0]}", "5 rows or more over 0..1", file=file
        )
    return tuple(table)


def dump_ocv_table(table: tuple[tuple[float, float], ...], source: str = "") -> str:
    """Return an open-circuit table as CSV text; `parse_ocv_table` reads the same table back.

    Where the table is from stands in a column of its own, on the first row.
    """
    if not source:
        return "\n".join(["soc,voltage_V", *(f"{soc!r},{volt!r}" for soc, volt in table)]) + "\n"
    told = '"' + source.replace('"', "'") + '"'
    rows = [f"{soc!r},{volt!r},{told if k == 0 else ''}" for k, (soc, volt) in enumerate(table)]
    return "\n".join(["soc,voltage_V,source", *rows]) + "\n"


def _key(loc: tuple[int | str, ...]) -> str:
    table = {field: name for name, field in _TABLES.items()}
    parts: list[str] = []
    for item in loc:
        if isinstance(item, int):
            parts[-1] += f"[{item + 1}]"
        else:
            parts.append(table.get(item, item) if not parts else item)
    return ".".join(parts)


def dump_pack(pack: Pack) -> str:
    """Return the pack file (TOML text) of `pack`; `parse_pack` reads the same pack back."""
    data = pack.model_dump(mode="python", exclude_none=True, exclude_defaults=True, exclude={"ocv"})
    tables = {field: data.pop(field, ()) for field in _TABLES.values()}
    limits = data.pop("limits", {})
    lines = ["[pack]", *(f"{k} = {_toml(v)}" for k, v in data.items())]
    if limits:
        lines += ["", "[pack.limits]", *(f"{k} = {_toml(v)}" for k, v in limits.items())]
    for table, field in _TABLES.items():
        for part in tables[field]:
            lines += ["", f"[[{table}]]", *(f"{k} = {_toml(v)}" for k, v in part.items())]
    return "\n".join(lines) + "\n"


def _toml(value: object) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, int | float):
        return repr(value)
    if isinstance(value, dt.date):
        return value.isoformat()
    if isinstance(value, list | tuple):
        return "[" + ", ".join(_toml(v) for v in value) + "]"
    text = str(value)
    escaped = "".join(
        {"\\": "\\\\", '"': '\\"'}.get(ch, ch if ch.isprintable() else f"\\U{ord(ch):08X}") for ch in text
    )
    return f'"{escaped}"'
