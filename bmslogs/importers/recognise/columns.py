"""What every column of a log is: by profile, header words, unit and values, in that order of trust."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

from bmslogs.base.columns import bleed_column, cell_column, temperature_column
from bmslogs.base.errors import BadInput
from bmslogs.base.pack import Pack
from bmslogs.importers.plan.beside import Beside
from bmslogs.importers.plan.clock import Clock
from bmslogs.importers.plan.long_layout import CELL, MODULE, LongLayout
from bmslogs.importers.plan.plan import Bits, Plan, Role, Taken
from bmslogs.importers.plan.profile import Profile
from bmslogs.importers.plan.sign import PAIR_SAYS, Sign, Stated, judge_sign
from bmslogs.importers.recognise.bleed_columns import find_bits
from bmslogs.importers.recognise.cells import Cells, find_cells, module_ranks, voltage_unit
from bmslogs.importers.recognise.clock import column_called, find_clock
from bmslogs.importers.recognise.counters import find_beside
from bmslogs.importers.recognise.currents import Currents, find_current
from bmslogs.importers.recognise.long_table import find_long, find_module_rows
from bmslogs.importers.recognise.sign_sample import sampled_evidence
from bmslogs.importers.recognise.temperatures import find_temperatures
from bmslogs.importers.text.dialect import Dialect
from bmslogs.importers.text.sample import Sample, SampledColumn
from bmslogs.importers.text.units import Unit, named
from bmslogs.importers.text.words import Header, letters_as_names, take_apart

UNNAMED_OFF = 0.01
"""Choice: what no word calls a voltage of the pack is one where it is nearer to the sum of the cells than this."""
LEAST_CELL_V, MOST_CELL_V = 0.3, 12.0
"""Choice [V]: a unit in which the middle cell reads outside is not that of the cells."""


class _Mapping:
    """Columns as they are taken, one after the other."""

    def __init__(self, sample: Sample) -> None:
        self.sample = sample
        self.taken: dict[int, Taken] = {}
        self.problems: list[BadInput] = []
        self.notes: list[str] = []

    @property
    def free(self) -> set[int]:
        return {c.index for c in self.sample.columns} - set(self.taken)

    def take(
        self, index: int, role: Role, target: str, why: str, unit: Unit | None = None, number: int = 0
    ) -> None:
        column = self.sample.columns[index]
        self.taken[index] = Taken(
            index, column.name, role, target, number, unit, column.style, why, column.examples()
        )


def recognise(
    sample: Sample,
    dialect: Dialect,
    profile: Profile,
    pack: Pack | None,
    file: Path,
    modules: tuple[str, ...] | None = None,
) -> Plan:
    """Work out what every column is.

    Parameters
    ----------
    sample
        Rows over the whole file.
    profile
        What is known of the logger; its sections overrule what the file seems to say.
    pack
        The pack that was logged: its number of cells and its sensors are strong evidence.
    modules
        Names of the modules that were logged, where not all.

    Returns
    -------
    Plan
        With `problems` where the file cannot be imported as it is.
    """
    headers = letters_as_names([take_apart(c.name, c.unit_text) for c in sample.columns])
    mapping = _Mapping(sample)
    problems, notes = mapping.problems, mapping.notes
    clock = None
    try:
        clock = find_clock(sample, headers, dialect, profile.time, file)
        for index in clock.columns:
            mapping.take(index, "time", "time", clock.why)
    except BadInput as error:
        problems.append(error)
    for c in sample.columns:
        if c.index in mapping.free and not c.filled and c.name.startswith("column ") and dialect.header_line:
            mapping.take(c.index, "nothing", "", "empty field behind a delimiter")
    _claim_named(mapping, profile, file, problems)
    cells, layout = _cells_or_long(mapping, headers, dialect, profile, pack, file, modules, clock)
    in_row = cells
    if layout is not None:
        in_row = Cells(dict(enumerate(layout.voltages, 1)), layout.unit, layout.why, 1)
    bits = _bleeds(mapping, headers, in_row, profile, file, problems, notes)
    current = find_current(
        sample, headers, mapping.free, cells, profile.current, pack, file, not dialect.header_line
    )
    problems += current.problems
    notes += current.notes
    for index, role, unit, why in current.columns:
        mapping.take(index, role, "current_A" if role == "current" else "", why, unit)
    _temperatures(mapping, headers, profile, pack, file)
    _pack_voltage(mapping, headers, cells, profile, file, problems)
    _states(mapping, headers)
    problems += _one_owner(sample, headers, mapping.free, file)
    _extras(mapping)
    notes += _privacy(headers, mapping.taken)
    fine, step = _step(sample, in_row)
    beside = find_beside(sample, headers, mapping.taken)
    sign = _sign(sample, mapping, clock, cells, current, profile, pack, beside)
    columns = tuple(mapping.taken[i] for i in sorted(mapping.taken))
    plan = Plan(
        dialect,
        columns,
        clock,
        tuple(in_row.columns) if in_row else (),
        fine,
        step,
        sign.factor,
        sign.why,
        sign_hint=1 if current.split else current.hint,
        sign_says=PAIR_SAYS if current.split else current.hint_says,
        sign_by_mode=sign.by_mode,
        beside=beside,
        sign_fixed=bool(profile.current and profile.current.discharge),
        bits=bits,
        first=cells.first if cells else 1,
        cells_why=cells.why if cells else "",
        problems=tuple(problems),
        notes=tuple(notes),
    )
    return plan if layout is None else _side_by_side(plan, layout)


def _cells_or_long(
    mapping: _Mapping,
    headers: list[Header],
    dialect: Dialect,
    profile: Profile,
    pack: Pack | None,
    file: Path,
    modules: tuple[str, ...] | None,
    clock: Clock | None,
) -> tuple[Cells | None, LongLayout | None]:
    """Take the columns of the cells, or those of a table of one row a module or a cell."""
    times = clock.columns if clock is not None else ()
    wanted = _cells_of(pack, modules) if modules else None
    expected = len(wanted) if wanted is not None else pack.cells_in_series if pack else None
    where = mapping.sample, headers, mapping.free, expected
    cells: Cells | None = None
    layout: LongLayout | None = None
    try:
        if profile.layout is not None and profile.layout.shape == "long":
            raise BadInput("a long table", file=file)
        if profile.cell_voltage is None:
            layout = find_module_rows(*where, pack, file, times)
        if layout is None:
            cells = _row_of_cells(mapping, headers, dialect, profile, pack, file, expected, wanted)
    except BadInput as refused:
        reason = refused
        try:
            layout = find_long(*where, profile, pack, file, times)
        except BadInput as other:
            reason = other
        if layout is None:
            mapping.problems.append(reason)
    if layout is not None:
        _take_long(mapping, layout)
    return cells, layout


def _row_of_cells(
    mapping: _Mapping,
    headers: list[Header],
    dialect: Dialect,
    profile: Profile,
    pack: Pack | None,
    file: Path,
    expected: int | None,
    wanted: tuple[int, ...] | None,
) -> Cells:
    """Take the columns of the cells of a table whose rows are the whole string's."""
    if profile.cell_voltage is not None and profile.cell_voltage.pattern is not None:
        cells = _cells_by_pattern(mapping.sample, profile, expected, pack, file, wanted)
    else:
        cells = find_cells(
            mapping.sample, headers, mapping.free, expected, pack, file, not dialect.header_line, wanted
        )
        if profile.cell_voltage is not None and profile.cell_voltage.unit is not None:
            cells = _in_unit(cells, profile.cell_voltage.unit, mapping.sample, file)
    for number, index in cells.columns.items():
        mapping.take(index, "cell", cell_column(number), cells.why, cells.unit, number)
    for index in cells.unused:
        mapping.take(index, "unused", "", "channel that never reads anything")
    mapping.notes += cells.notes
    if "cannot be" in cells.why:
        mapping.notes.append(f"cells: {cells.why}")
    return cells


def _temperatures(
    mapping: _Mapping,
    headers: list[Header],
    profile: Profile,
    pack: Pack | None,
    file: Path,
) -> None:
    """Take the columns of the temperature sensors, those that never read too."""
    try:
        sensors = find_temperatures(mapping.sample, headers, mapping.free, profile.temperature, pack, file)
        for t in sensors.found:
            mapping.take(t.index, "temperature", temperature_column(t.number), t.why, t.unit, t.number)
        for k, (index, unit) in enumerate(sensors.silent, len(sensors.found) + 1):
            mapping.take(index, "silent", temperature_column(k), "a sensor that never reads", unit, k)
        mapping.notes += sensors.notes
    except BadInput as error:
        mapping.problems.append(error)


def _take_long(mapping: _Mapping, layout: LongLayout) -> None:
    if layout.cell >= 0:
        mapping.take(layout.cell, "cell number", CELL, "names the cell of each row")
    if layout.module >= 0:
        mapping.take(layout.module, "module", MODULE, "names the module of each row")
    for number, index in enumerate(layout.voltages, 1):
        mapping.take(index, "cell", cell_column(number), layout.why, layout.unit, number)


def _one_owner(sample: Sample, headers: list[Header], free: set[int], file: Path) -> list[BadInput]:
    """Refuse a file whose rows belong to several vehicles or packs."""
    for c in sample.columns:
        head = headers[c.index]
        if c.index not in free or "owner" not in head.means:
            continue
        if head.means & {"other", "voltage", "current", "temperature", "soc"} or head.unit is not None:
            continue
        names = c.array.drop_null().unique().to_pylist()
        if not c.decimals and 1 < len(names) <= 50 and len(names) < 0.1 * sample.rows:
            shown = ", ".join(repr(n) for n in names[:3])
            found = f"rows of {len(names)} of them ({shown})"
            return [BadInput(found, "one pack in a file; split it", file=file, column=c.name)]
    return []


def _privacy(headers: list[Header], taken: dict[int, Taken]) -> list[str]:
    """Name kept columns that may say who drove and where."""
    names = [t.name for i, t in sorted(taken.items()) if t.role == "extra" and "private" in headers[i].means]
    if not names:
        return []
    return [f"columns that may hold places or names are kept in the store: {', '.join(names[:5])}"]


def _side_by_side(plan: Plan, layout: LongLayout) -> Plan:
    """Return the plan of the wide table that a long one becomes; it keeps the plan of the long one."""
    own = ("cell", "temperature", "bleed", "cell number", "module")
    columns = [t for t in plan.columns if t.role not in own]
    numbers = range(1, layout.cells + 1)
    columns += [replace(plan.of("cell")[0], target=cell_column(n), number=n) for n in numbers]
    flags = plan.of("bleed")
    columns += [replace(flags[0], target=bleed_column(n), number=n) for n in (numbers if flags else ())]
    sensors = plan.of("temperature")
    places = range(1, len(layout.keys) * len(sensors) + 1)
    columns += [replace(sensors[0], target=temperature_column(n), number=n) for n in places]
    return replace(
        plan,
        columns=tuple(columns),
        cells=tuple(numbers),
        cells_why=layout.why,
        rows_plan=plan,
        long=layout,
    )


def _cells_of(pack: Pack | None, modules: tuple[str, ...]) -> tuple[int, ...]:
    if pack is None:
        raise BadInput("modules named without a pack", "a pack file")
    known = {m.name: m.cells for m in pack.modules}
    for name in modules:
        if name not in known:
            raise BadInput(f"no module {name!r} in the pack", f"of {', '.join(known) or 'none described'}")
    return tuple(sorted(c for name in modules for c in known[name]))


def _claim_named(mapping: _Mapping, profile: Profile, file: Path, problems: list[BadInput]) -> None:
    """Set aside the columns that the profile names, so that nothing else takes them."""
    try:
        if profile.pack_voltage is not None:
            index = column_called(mapping.sample, profile.pack_voltage.column, file, "pack_voltage")
            unit = named("voltage", profile.pack_voltage.unit or "V")
            mapping.take(index, "pack voltage", "pack_V", "as the profile says", unit)
    except BadInput as error:
        problems.append(error)


def _in_unit(cells: Cells, name: str, sample: Sample, file: Path) -> Cells:
    """Return the cells in the unit that the profile says.

    Raises
    ------
    BadInput
        No cell reads so in that unit.
    """
    unit = named("voltage", name)
    assert unit is not None
    columns = [sample.columns[i] for i in cells.columns.values()]
    medians = [float(np.nanmedian(c.values)) for c in columns if np.isfinite(c.values).any()]
    median = float(np.median(np.abs(medians))) * unit.scale if medians else 3.0
    if not LEAST_CELL_V < median < MOST_CELL_V:
        raise BadInput(
            f"cells read {median:g} V with the profile's unit {name}",
            f'a profile with [cell_voltage] unit = "{cells.unit.name}"',
            file=file,
            column=columns[0].name,
        )
    return replace(cells, unit=unit)


def _cells_by_pattern(
    sample: Sample,
    profile: Profile,
    expected: int | None,
    pack: Pack | None,
    file: Path,
    wanted: tuple[int, ...] | None,
) -> Cells:
    section = profile.cell_voltage
    assert section is not None and section.pattern is not None
    pattern = re.compile(section.pattern)
    hits = [(c, m) for c in sample.columns if (m := pattern.fullmatch(c.name.strip()))]
    if not hits:
        raise BadInput(f"no header fits {section.pattern!r}", "cell columns", file=file)
    first = 1 if section.first is None else section.first
    numbers = _numbered(_keys_of(hits, first, expected, file), first, pack, file)
    if expected is not None and len(numbers) != expected:
        raise BadInput(f"{len(numbers)} cell columns", f"{expected}, as the pack file says", file=file)
    if sorted(numbers) != list(range(1, len(numbers) + 1)):
        if wanted is not None and sorted(numbers) == list(wanted):
            pass
        else:
            raise BadInput(
                f"cell numbers {min(numbers)}..{max(numbers)} with first = {first}",
                f"cells 1..{expected or len(numbers)} without a gap",
                file=file,
            )
    elif wanted is not None:
        numbers = dict(zip(wanted, numbers.values()))
    medians = [np.nanmedian(sample.columns[i].values) for i in numbers.values() if sample.columns[i].filled]
    unit, why = _unit_of_cells(medians, section.unit, hits[0][0], file)
    return Cells(dict(sorted(numbers.items())), unit, f"by the profile's pattern; {why}", first)


def _keys_of(
    hits: list[tuple[SampledColumn, re.Match[str]]], first: int, expected: int | None, file: Path
) -> dict[tuple[str, int], int]:
    """Return column by module and cell, as a pattern reads the headers."""
    keys: dict[tuple[str, int], int] = {}
    for c, m in hits:
        alone = not m.group("cell") and len(hits) == 1 and expected in (1, None)
        if not alone and not m.group("cell").isdigit():
            raise BadInput(
                f"{m.group('cell')!r} is no cell number", "digits in (?P<cell>..)", file=file, column=c.name
            )
        key = (m.groupdict().get("module") or "", first if alone else int(m.group("cell")))
        if key in keys:
            raise BadInput(f"cell {key[1]} occurs twice", "one column a cell", file=file, column=c.name)
        keys[key] = c.index
    return keys


def _numbered(keys: dict[tuple[str, int], int], first: int, pack: Pack | None, file: Path) -> dict[int, int]:
    """Return column by number of the cell; modules in the order of the pack file."""
    modules = list(dict.fromkeys(k[0] for k in keys))
    if len(modules) > 1:
        as_key = {m: ((int(m),) if m.isdigit() else (m.casefold(),)) for m in modules}
        ranks = module_ranks(list(as_key.values()), pack)
        if ranks is None:
            raise BadInput(
                f"modules {', '.join(modules)} in unknown order", "names of the pack file", file=file
            )
        order = [keys[k] for k in sorted(keys, key=lambda k: (ranks[as_key[k[0]]], k[1]))]
        return dict(enumerate(order, 1))
    return {k[1] - first + 1: i for k, i in sorted(keys.items(), key=lambda item: item[0][1])}


def _unit_of_cells(
    medians: list[Any], stated: str | None, column: SampledColumn, file: Path
) -> tuple[Unit, str]:
    """Return the unit of the cells, by the profile or else by header and values, and why."""
    if stated is not None:
        unit = named("voltage", stated)
        assert unit is not None
        why = f"unit {stated} by the profile"
        median = float(np.nanmedian(np.abs(medians))) * unit.scale if medians else 3.0
        if not LEAST_CELL_V < median < MOST_CELL_V:
            raise BadInput(
                f"cells read {median:g} V with unit {stated}", "another [cell_voltage] unit", file=file
            )
    else:
        found, why = voltage_unit(medians, take_apart(column.name, column.unit_text).unit)
        if found is None:
            raise BadInput(f"cell voltages: {why}", "[cell_voltage] unit in the profile", file=file)
        unit = found
    return unit, why


def _bleeds(
    mapping: _Mapping,
    headers: list[Header],
    cells: Cells | None,
    profile: Profile,
    file: Path,
    problems: list[BadInput],
    notes: list[str],
) -> Bits | None:
    try:
        found = find_bits(mapping.sample, headers, mapping.free, cells, profile.bleed, file)
    except BadInput as error:
        problems.append(error)
        return None
    for number, index in found.flags.items():
        mapping.take(index, "bleed", bleed_column(number), found.why, None, number)
    if found.column is not None:
        mapping.take(found.column, "bleed bits", "", found.why)
    notes += found.notes
    return found.bits


def _pack_voltage(
    mapping: _Mapping,
    headers: list[Header],
    cells: Cells | None,
    profile: Profile,
    file: Path,
    problems: list[BadInput],
) -> None:
    if profile.pack_voltage is not None:
        return
    total = _sum_of_cells(mapping.sample, cells)
    best: tuple[float, int, Unit, str] | None = None
    for i in sorted(mapping.free):
        head, column = headers[i], mapping.sample.columns[i]
        stated = head.unit if head.unit is not None and head.unit.kind == "voltage" else None
        if column.style is None or not (stated or head.means & {"voltage", "pack"}):
            continue
        if head.means & {"summary", "other", "soc", "temperature", "charge"} or (
            head.unit is not None and stated is None
        ):
            continue
        if "cell" in head.means and not ({"sum", "summe", "total", "usum"} & set(head.tokens)):
            continue
        median = (
            float(np.nanmedian(column.values))
            if column.filled and np.isfinite(column.values).any()
            else np.nan
        )
        if not np.isfinite(median) or median <= 0:
            continue
        unit, off = _fits(median, total, stated)
        summed = bool({"sum", "summe", "total", "usum"} & set(head.tokens))
        if unit is None or (off > UNNAMED_OFF and not summed and not head.means & {"pack", "voltage"}):
            continue
        score = off - 0.02 * ("pack" in head.means) + 0.01 * bool({"sum", "summe"} & set(head.tokens))
        if best is None or score < best[0]:
            best = (score, i, unit, f"near the sum of the cells (off by {off:.1%})")
    if best is not None:
        mapping.take(best[1], "pack voltage", "pack_V", best[3], best[2])


def _fits(median: float, total: float, stated: Unit | None) -> tuple[Unit | None, float]:
    """Return the unit in which a voltage is that of the pack, and how far it is from the sum of the cells."""
    if not np.isfinite(total) or total <= 0:
        return stated, 0.0
    tried = [stated] if stated is not None else []
    tried += [u for name in ("V", "mV", "0.1V", "10mV") if (u := named("voltage", name)) is not None]
    for unit in tried:
        off = abs(median * unit.scale / total - 1)
        if off < 0.06:
            return unit, off
    return None, 1.0


def _sum_of_cells(sample: Sample, cells: Cells | None) -> float:
    if cells is None:
        return float("nan")
    medians = [
        float(np.nanmedian(sample.columns[i].values))
        for i in cells.columns.values()
        if np.isfinite(sample.columns[i].values).any()
    ]
    if not medians:
        return float("nan")
    # a column that is missing counts as the others do; a minus sign may be a mark, and then the middle cell says more
    usual = float(np.median(np.abs(medians))) if min(medians) < 0 else float(np.mean(medians))
    return usual * len(cells.columns) * cells.unit.scale


def _states(mapping: _Mapping, headers: list[Header]) -> None:
    """Take along state of charge, ambient temperature, contactor and fault."""
    seen: set[str] = set()
    for i in sorted(mapping.free):
        head, column = headers[i], mapping.sample.columns[i]
        means = head.means
        role: Role | None = None
        unit: Unit | None = None
        if "soc" in means and column.style is not None and not means & {"cell", "summary"} and column.filled:
            role, target = "soc", "logger_soc"
            top = float(np.nanmax(np.abs(column.values))) if np.isfinite(column.values).any() else 0.0
            percent = top > 1.5 or (head.unit is not None and head.unit.name == "%")
            unit = Unit("fraction", "%", 0.01) if percent else Unit("fraction", "1", 1.0)
            if top > 110:
                unit = Unit("fraction", "0.1%", 0.001) if top <= 1100 else None
                role = role if unit else None
        elif (
            "ambient" in means
            and column.style is not None
            and column.filled
            and ("temperature" in means or (head.unit is not None and head.unit.kind == "temperature"))
        ):
            role, target = "ambient", "ambient_C"
            from bmslogs.importers.recognise.temperatures import temperature_unit

            unit = temperature_unit([column], head.unit)[0]
            role = role if unit is not None else None
        elif "contactor" in means:
            role, target = "contactor", "contactor"
        elif "fault" in means:
            role, target = "fault", "fault"
        if role is not None and target not in seen:
            seen.add(target)
            mapping.take(i, role, target, "by its header", unit)


def _extras(mapping: _Mapping) -> None:
    used: set[str] = set()
    for i in sorted(mapping.free):
        column = mapping.sample.columns[i]
        slug = re.sub(r"\W+", "_", column.name).strip("_") or f"column_{i + 1}"
        slug = slug[:80]
        name, k = f"extra_{slug}", 2
        while name.casefold() in used:
            name, k = f"extra_{slug}_{k}", k + 1
        used.add(name.casefold())
        mapping.take(i, "extra", name, "not understood, kept as it is")


def _step(sample: Sample, cells: Cells | None) -> tuple[bool, float]:
    """Return whether the readings are finer than 1 mV, and their step [V]."""
    if cells is None:
        return False, 0.001
    values = (
        np.concatenate([sample.columns[i].values for i in cells.columns.values()]) * cells.unit.scale * 1e3
    )
    values = values[np.abs(values) < 1e9]  # what says more is no reading, and fits no whole number
    decimals = max((sample.columns[i].decimals for i in cells.columns.values()), default=0)
    if not len(values):
        return False, 0.001
    scale_mv = cells.unit.scale * 1e3
    resolution = scale_mv * 10.0**-decimals
    if resolution >= 0.999 or bool(np.all(np.abs(values - np.rint(values)) < 1e-6)):
        whole = np.unique(np.rint(values).astype(np.int64))
        gaps = np.diff(whole)
        step = int(np.gcd.reduce(gaps)) if len(gaps) else 1
        return False, max(step, 1) * 1e-3 if step <= 50 else 1e-3
    levels = np.unique(np.rint(values / resolution).astype(np.int64))
    gaps = np.diff(levels)
    step_levels = float(np.gcd.reduce(gaps)) if len(gaps) else 1.0
    return True, max(
        resolution * step_levels, 1e-3
    ) * 1e-3 if step_levels * resolution <= 50 else resolution * 1e-3


def _sign(
    sample: Sample,
    mapping: _Mapping,
    clock: Clock | None,
    cells: Cells | None,
    current: Currents,
    profile: Profile,
    pack: Pack | None,
    beside: Beside,
) -> Sign:
    given = profile.current.discharge if profile.current is not None else None
    if given is not None:
        return Sign(1 if given == "positive" else -1, "by the profile")
    if current.split:
        return Sign(1, PAIR_SAYS)
    if cells is None or not current.columns:
        return Sign(None, "no current or no cells")
    index, _, unit, _ = current.columns[0]
    amps = sample.columns[index].values * unit.scale
    evidence = sampled_evidence(sample, clock, amps, cells, beside, mapping.taken)
    stated = Stated(0, current.hint, current.hint_says)
    return judge_sign(evidence, pack.nominal_capacity_Ah if pack else None, stated, beside)
