"""Measured files of makers that nobody here chose, each imported as it is and compared with a second reading.

    python -m tests.importers.measured DIR

DIR holds one folder a source with the files of `CASES` by their base names (`--list` says where each is to be had, and
under which licence). None of them is part of this project. Each file goes through the public command without a
profile; what lies in the store is then read with pyarrow and compared with `measured_truth`, which shares nothing with
the importer. Where the import asks, the section of the profile that the refusal names is given, nothing more.

right     stored, and equal to the truth in rows, time, sign, size and columns; or refused where the file lacks what a
          log needs (no time, no current)
asked     refused, and right after the answer that the refusal names
dead end  refused, and no profile that the refusal names mends it
WRONG     stored, and different from the truth
"""

from __future__ import annotations

import argparse
import json
import re
import subprocess
import sys
import tempfile
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq

from tests.importers import measured_truth as truth_of
from tests.importers.measured_truth import Floats, Truth

LONGEST_S = 300.0
"""An import that takes longer hangs."""

SAME_CURRENT = 1e-5
"""Allowed difference of a current, of the log's greatest [fraction]: float32 keeps 6e-8."""

SAME_DEGREES = 0.06
"""Allowed difference of a temperature [degC]: half of a tenth, the loggers' step, where degF were turned into degC."""

ALIKE = 0.02
"""Allowed difference of an rms or a range [fraction] where rows were lost and single rows cannot be paired."""

FINE_MV, WHOLE_MV = 0.05, 0.51
"""Allowed difference of a cell voltage [mV] where it is stored as float32, and in whole millivolts (half of one)."""


@dataclass(frozen=True)
class Source:
    """Where files come from: a repository of one public host, its licence, the kind of logger."""

    repository: str
    licence: str
    logger: str


SOURCES: dict[str, Source] = {
    "leaf-cell": Source("batterysim/nissan-leaf-data", "MIT", "laboratory cell tester, step names"),
    "leaf-module": Source("batterysim/equiv-circ-model", "MIT", "laboratory module tester, six cell taps"),
    "a123": Source("batterysim/esctoolbox-python", "MIT", "laboratory rack, full export and reduced tables"),
    "tum-4680": Source("pybop-team/PyBOP", "BSD-3-Clause", "potentiostat, three electrodes, decimal comma"),
    "tum-stack": Source("TUMFTM/EV_Battery_DVA_Clustering", "GPL-3.0", "potentiostat, string of four cells"),
    "hg2": Source(
        "raghuramshankar/data-driven-modelling-of-li-ion-batteries",
        "MIT",
        "climate chamber tester, drive cycles",
    ),
    "seven-ah": Source("jsimonclark/five-star-battery-data", "CC-BY-4.0", "laboratory cycler, pouch cell"),
    "trip": Source("NickLekas/Nissan-Leaf-Trip-Data", "MIT", "electric car on the road, 96 cells"),
    "lipo": Source("uw-mad-dash/Battery-SoC-Estimation", "Apache-2.0", "laboratory tester, pouch cell"),
    "q30": Source(
        "ARTS-Laboratory/dataset-cycling-with-strain-monitoring-for-samsung-30Q-cell",
        "CC-BY-SA-4.0",
        "own rig of a laboratory, preamble, unnamed columns",
    ),
    "q30-hppc": Source(
        "ARTS-Laboratory/dataset-electrothermal-deformation-characterization-for-samsung-30Q-cell",
        "CC-BY-SA-4.0",
        "own rig of a laboratory, no header",
    ),
    "q40": Source(
        "ARTS-Laboratory/dataset-electrothermal-deformation-characterization-for-samsung-40T-cell",
        "CC-BY-SA-4.0",
        "own rig of a laboratory, no header",
    ),
    "lgm50": Source("paramm-team/pybamm-param", "BSD-3-Clause", "laboratory cycler, three electrodes"),
    "pi-ups": Source("Nordln/upsplusv5-battery-logger", "Unlicense", "battery board of a small computer"),
}


Answers = dict[str, tuple[tuple[str, ...], ...]]


@dataclass(frozen=True)
class Case:
    """One file and what its import needs.

    Attributes
    ----------
    path
        In the repository; DIR holds it under `name`, by default its base name.
    chemistry, cells, capacity_Ah
        What the pack file says.
    read
        The second reader, or None where the import must refuse.
    must_refuse
        What such a refusal must speak of.
    answers
        Lines of a profile, by the section that a refusal may name; where that does not suffice, the next.
    """

    source: str
    path: str
    chemistry: str
    cells: int
    capacity_Ah: float
    read: Callable[[Path], Truth] | None
    must_refuse: str | None = None
    answers: Answers = field(default_factory=dict)
    saved_as: str | None = None

    @property
    def name(self) -> str:
        return self.saved_as or Path(self.path).name

    def file(self, folder: Path) -> Path:
        return folder / self.source / self.name


def _stamped(column: str, style: str) -> Answers:
    line = f'format = "{style}"'
    return {"time": ((line,), (f'column = "{column}"', line))}


CHARGE_POSITIVE: Answers = {"current": (('discharge = "negative"',),)}
CHARGE_NEGATIVE: Answers = {"current": (('discharge = "positive"',),)}
RIG: Answers = {
    "time": (('column = "X_Value"', 'format = "elapsed_s"'),),
    "current": (('column = "Untitled"', 'unit = "A"', 'discharge = "negative"'),),
    "cell_voltage": ((r'pattern = "Untitled (?P<cell>1)"', 'unit = "V"'),),
}
BARE: Answers = {
    "time": (('column = "column 1"', 'format = "elapsed_s"'),),
    "cell_voltage": (('pattern = "column 3(?P<cell>)"', 'unit = "V"'),),
    "current": (('column = "column 2"',), ('column = "column 2"', 'unit = "A"', 'discharge = "negative"')),
}
CAR: Answers = _stamped("Date/Time", "%m/%d/%Y %H:%M:%S") | {
    "cell_voltage": ((r'pattern = "CP(?P<cell>\\d+)"',),),
    "current": (('discharge = "positive"',), ('column = "Pack Amps"', 'discharge = "positive"')),
    "temperature": (('unit = "degC"',), (r'pattern = "Pack T(?P<sensor>\\d) C"', 'unit = "degC"')),
}


def _leaf_cell(path: str) -> Case:
    return Case("leaf-cell", path, "NMC", 1, 33.1, truth_of.bench_cell, answers=CHARGE_POSITIVE)


def _leaf_module(rate: str) -> Case:
    path = f"examples/data/module123-irdischarge-65ah-{rate}.csv"
    current = (('discharge = "negative"',), ('column = "Current"', 'discharge = "negative"'))
    answers = _stamped("Real Time", "%m/%d/%Y %I:%M:%S %p") | {"current": current}
    return Case("leaf-module", path, "NMC", 6, 65.0, truth_of.bench_module, answers=answers)


def _a123(path: str) -> Case:
    rack = path.startswith("ocv_data")
    read = truth_of.rack_cell if rack else truth_of.drive_cell
    elapsed: Answers = {"time": (('format = "elapsed_s"',), ('column = "time"', 'format = "elapsed_s"'))}
    time = _stamped("Date_Time", "%m/%d/%Y %H:%M:%S") if rack else elapsed
    answers = time | (CHARGE_POSITIVE if rack else CHARGE_NEGATIVE)
    return Case("a123", path, "LFP", 1, 2.3, read, answers=answers)


def _hg2(path: str) -> Case:
    top = "datasets/lg-18650hg2/LG_HG2_Original_Dataset_McMasterUniversity_Jan_2020"
    answers = _stamped("Time Stamp", "%m/%d/%Y %I:%M:%S %p") | CHARGE_POSITIVE
    return Case("hg2", f"{top}/{path}.csv", "NMC", 1, 3.0, truth_of.chamber_cell, answers=answers)


def _trip(path: str, saved_as: str) -> Case:
    return Case("trip", path, "NMC", 96, 176.0, truth_of.car, answers=CAR, saved_as=saved_as)


def _lipo(path: str) -> Case:
    return Case("lipo", f"data/{path}.csv", "NMC", 1, 5.45, truth_of.small_pouch, answers=CHARGE_NEGATIVE)


CASES: tuple[Case, ...] = (
    _leaf_cell("data/NissanLeaf-cell-Cycling-10C-24C-40C.csv"),
    _leaf_cell("data/NissanLeaf-cell-Low-Current-HPPC-25C-2.csv"),
    Case(
        "leaf-module",
        "examples/data/cell-discharge-bitrode-1c.csv",
        "NMC",
        1,
        33.1,
        truth_of.bench_cell,
        answers=CHARGE_POSITIVE,
    ),
    _leaf_module("0_3c"),
    _leaf_module("1_0c"),
    _leaf_module("2_75c"),
    _a123("ocv_data/A123_OCV_P25_S1.csv"),
    _a123("ocv_data/A123_OCV_P25_S2.csv"),
    _a123("ocv_data/A123_OCV_P25_S3.csv"),
    _a123("dyn_data/A123_DYN_50_P25_s1.csv"),
    _a123("dyn_data/A123_DYN_50_P25_s2.csv"),
    _a123("dyn_data/A123_DYN_50_P25_s3.csv"),
    _a123("dyn_data/A123_DYN_10_N15_s1.csv"),
    Case(
        "tum-4680",
        "examples/data/Tesla_4680/T-cell_pOCV_data.txt",
        "NMC",
        1,
        0.0042,
        truth_of.three_electrodes,
        answers={"time": (('column = "time/s"', 'format = "elapsed_s"'),)} | CHARGE_POSITIVE,
    ),
    Case("tum-stack", "input/Test1_03_MB.txt", "NMC", 4, 0.0045, truth_of.stack, answers=CHARGE_POSITIVE),
    _hg2("25degC/549_C20DisCh"),
    _hg2("25degC/549_Charge"),
    _hg2("25degC/551_HWFET"),
    _hg2("40degC/562_Mixed7"),
    _hg2("n20degC/610_US06"),
    _hg2("0degC/589_Charge1"),
    _hg2("0degC/590_PausCycl"),
    Case(
        "seven-ah",
        "mooc/star-2/raw_data_output_from_cycler.csv",
        "NMC",
        1,
        7.2,
        truth_of.seven_ah,
        answers=CHARGE_POSITIVE,
    ),
    _trip("2022 Denver to Portland/data/day1_clean.csv", "denver_day1_clean.csv"),
    _trip("2022 Denver to Portland/data/day2_clean.csv", "denver_day2_clean.csv"),
    _trip("2022 Portland to Denver/data/day3_clean.csv", "portland_day3_clean.csv"),
    _lipo("CRate1_Cycle1"),
    _lipo("CRate3_Cycle10"),
    _lipo("CRate4_Cycle20"),
    Case(
        "q30",
        "data/Dataset-1/Cell A   (30Q003)/Discharge Data/DischargeCycle1.txt",
        "NMC",
        1,
        3.0,
        truth_of.strain_rig,
        answers=RIG,
    ),
    Case(
        "q30",
        "data/Dataset-1/Cell A   (30Q003)/Charging Data/ChargeCycle10.lvm",
        "NMC",
        1,
        3.0,
        truth_of.strain_rig,
        answers=RIG,
    ),
    Case("q30-hppc", "data/S001/Q30_S001_1C.csv", "NMC", 1, 3.0, truth_of.bare_commas, answers=BARE),
    Case(
        "q30-hppc",
        "data/HPPC-for-electrothermal-neural-net/DNN01_HPPC_1C_20amb_processed_scrubbed.csv",
        "NMC",
        1,
        3.0,
        None,
        must_refuse="time",
    ),
    Case(
        "q40",
        "data/single_cycle/dataset-1/.5C_Discharge/40T_ChargeCycle1.lvm",
        "NMC",
        1,
        4.0,
        truth_of.bare_tabs,
        answers=BARE,
    ),
    Case(
        "q40",
        "data/single_cycle/dataset-1/1C_Discharge/40T_DischargeCycle4.lvm",
        "NMC",
        1,
        4.0,
        truth_of.bare_tabs,
        answers=BARE,
    ),
    Case(
        "lgm50",
        "pbparam/input/data/GITT/pulse_10.csv",
        "NMC",
        1,
        0.005,
        truth_of.titration,
        answers=CHARGE_POSITIVE,
    ),
    Case("lgm50", "pbparam/input/data/LGM50_789_1C_25degC.csv", "NMC", 1, 5.0, None, must_refuse="current"),
    Case("pi-ups", "batt_log_2021-04-28_203426.csv", "NMC", 1, 5.0, None, must_refuse="current"),
)


@dataclass
class Outcome:
    """What became of one file."""

    case: Case
    result: str
    truth: Truth | None = None
    refusals: list[str] = field(default_factory=list)
    profile: str = ""
    problems: list[str] = field(default_factory=list)


def pack_file(case: Case, folder: Path) -> Path:
    """Write the pack file that a case needs."""
    path = folder / "pack.toml"
    path.write_text(
        f'[pack]\nid = "dunlin-main"\nvehicle = "Dunlin"\nchemistry = "{case.chemistry}"\n'
        f"nominal_capacity_Ah = {case.capacity_Ah}\ncells_in_series = {case.cells}\n",
        encoding="utf-8",
    )
    return path


def command(file: Path, pack: Path, store: Path, profile: Path | None) -> dict[str, Any]:
    """Run `bmslogs import` and return its answer; a traceback, a hang or no answer at all is an error here."""
    words = [sys.executable, "-m", "bmslogs", "import", str(file), "--pack", str(pack), "--store", str(store)]
    words += [] if profile is None else ["--profile", str(profile)]
    done = subprocess.run(
        [*words, "--json", "-"], capture_output=True, text=True, timeout=LONGEST_S, check=False
    )
    if "Traceback" in done.stderr:
        raise AssertionError(f"{file.name}: {done.stderr.splitlines()[-1]}")
    answer: dict[str, Any] = json.loads(done.stdout)
    return answer


def section_named(reason: str) -> str | None:
    """Return the section of the profile that a refusal asks for."""
    for pattern, section in (
        (r"\[time\]|day or month|\bclock\b", "time"),
        (r"\[cell_voltage\]|cell columns|cell voltages", "cell_voltage"),
        (r"\[temperature\]", "temperature"),
        (r"\[current\]|sign of the current", "current"),
    ):
        if re.search(pattern, reason):
            return section
    return None


def profile_text(given: dict[str, tuple[str, ...]]) -> str:
    return "".join(f"[{name}]\n" + "".join(f"{line}\n" for line in lines) for name, lines in given.items())


def judge(case: Case, folder: Path) -> Outcome:
    """Import one file, answering what is asked, and compare what is stored with the truth."""
    truth = None if case.read is None else case.read(case.file(folder))
    outcome = Outcome(case, "", truth)
    given: dict[str, tuple[str, ...]] = {}
    tried: Counter[str] = Counter()
    with tempfile.TemporaryDirectory() as place:
        here = Path(place)
        pack, store = pack_file(case, here), here / "store"
        while True:
            profile = here / "profile.toml" if given else None
            if profile is not None:
                profile.write_text(profile_text(given), encoding="utf-8")
            answer = command(case.file(folder), pack, store, profile)
            if not answer["refused"]:
                break
            reason = answer["refused"][0]["reason"]
            outcome.refusals.append(reason)
            section = section_named(reason)
            answers = () if section is None else case.answers.get(section, ())
            if case.must_refuse is not None or section is None or tried[section] == len(answers):
                return _refused(outcome, reason)
            given[section] = answers[tried[section]]
            tried[section] += 1
        outcome.profile = profile_text(given)
        if truth is None:
            outcome.result, outcome.problems = "WRONG", [f"stored, though it has no {case.must_refuse}"]
            return outcome
        (parquet,) = store.rglob("*.parquet")
        outcome.problems = differences(truth, pq.read_table(parquet), answer["logs"][0]["repairs"])
    outcome.result = "WRONG" if outcome.problems else "asked" if given else "right"
    return outcome


def _refused(outcome: Outcome, reason: str) -> Outcome:
    wanted = outcome.case.must_refuse
    outcome.result = "right" if wanted is not None and re.search(wanted, reason) else "dead end"
    return outcome


def differences(truth: Truth, table: pa.Table, repairs: list[dict[str, Any]]) -> list[str]:
    """Return in words each way in which a stored log differs from the truth."""
    stored = table["time"].cast(pa.int64()).to_numpy() / 1e6
    rows = paired(truth, len(stored))
    if rows is None:
        lost = int((~truth.repeats).sum()) - len(stored)
        word = f"{lost} of {truth.rows} rows lost" if lost > 0 else f"{-lost} rows more than the file has"
        return [word, *_ends(truth, stored), *_current(truth, table, None), *_columns(truth, table)]
    problems = _time(truth, stored, rows, repairs) + _current(truth, table, rows)
    return problems + _cells(truth, table, rows) + _columns(truth, table) + _values_beside(truth, table, rows)


def paired(truth: Truth, count: int) -> np.ndarray | None:
    """Return the row of the truth that belongs to each stored row, or None where rows are lost or added."""
    if count == truth.rows:
        return np.arange(truth.rows)
    distinct = np.flatnonzero(~truth.repeats)
    return distinct if count == len(distinct) else None


def _ends(truth: Truth, stored: Floats) -> list[str]:
    own = truth.seconds if truth.stamps is None else truth.stamps
    span, true_span = stored[-1] - stored[0], own[-1] - own[0]
    off = 0.0 if truth.stamps is None else stored[0] - truth.stamps[0]
    wide = abs(span - true_span) > 2 * truth.stamp_step or abs(off) > 2 * truth.stamp_step
    return (
        [f"time: begins {off:.3g} s off, spans {span / 3600:.4g} h, truly {true_span / 3600:.4g} h"]
        if wide
        else []
    )


def _time(truth: Truth, stored: Floats, rows: np.ndarray, repairs: list[dict[str, Any]]) -> list[str]:
    span, true_span = stored[-1] - stored[0], truth.seconds[-1] - truth.seconds[0]
    seen = f"from {np.datetime64(round(stored[0]), 's')} over {span / 3600:.4g} h"
    if truth.stamps is None:
        dated = any(r["rule"] == "no_date" for r in repairs)
        off = (stored - stored[0]) - (truth.seconds[rows] - truth.seconds[rows][0])
        if np.max(np.abs(off)) > 2 * truth.stamp_step:
            worst = f"the true span is {true_span / 3600:.4g} h, worst row {np.max(np.abs(off)):.3g} s off"
            return [f"time: stored {seen}; {worst}"]
        return [] if dated else [f"time: stored {seen}, though the file has no date, and nothing says so"]
    off = stored - truth.stamps[rows]
    # A stamp to the second may be that second's beginning or its end, for every row alike.
    allowed = max(1.001 * truth.stamp_step, 2e-3)
    if np.max(np.abs(off)) > allowed:
        true = f"from {np.datetime64(round(truth.stamps[0]), 's')} over {true_span / 3600:.4g} h"
        return [f"time: stored {seen}; truly {true}, median {np.median(off):.6g} s off"]
    steps = np.abs(np.diff(stored) - np.diff(truth.seconds[rows]))
    if len(rows) == truth.rows and np.quantile(steps, 0.95) > max(truth.stamp_step / 2, 2e-3):
        return [f"time: steps between rows {np.quantile(steps, 0.95):.3g} s off (95 %)"]
    return []


def _source(table: pa.Table, name: str) -> str:
    return str((table.schema.field(name).metadata or {}).get(b"source_column", b"").decode())


def _values(table: pa.Table, name: str) -> Floats:
    return np.asarray(table[name].to_pandas(), dtype=float)


def _same(name: str, header: str) -> bool:
    """Return whether a stored source column is a header; units in brackets may have been taken off."""
    return (
        name == header
        or name.split(" [")[0].split("(")[0].strip() == header.split(" [")[0].split("(")[0].strip()
    )


def _current(truth: Truth, table: pa.Table, rows: np.ndarray | None) -> list[str]:
    if "current_A" not in table.schema.names:
        return ["no current stored"]
    problems = []
    if truth.current_column and not _same(_source(table, "current_A"), truth.current_column):
        problems.append(
            f"current taken from {_source(table, 'current_A')!r}, not from {truth.current_column!r}"
        )
    found = _values(table, "current_A")
    if rows is None:
        return problems + _alike(truth, found)
    true = truth.current[rows]
    if nulled := int(np.isnan(found).sum()):
        problems.append(f"current: {nulled} true readings nulled")
    found, true = found[~np.isnan(found)], true[~np.isnan(found)]
    scale = float(np.max(np.abs(truth.current))) or 1.0
    wrong = np.abs(found - true) > SAME_CURRENT * scale
    if not wrong.any():
        return problems
    rms, true_rms = float(np.sqrt(np.mean(found**2))), float(np.sqrt(np.mean(true**2)))
    if np.mean(np.abs(found + true) <= SAME_CURRENT * scale) > 0.9:
        return [*problems, f"current: sign INVERTED, rms {true_rms:.4g} A ({truth.why})"]
    share = float(np.mean(wrong))
    says = f"{share:.0%} of the rows differ, rms {rms:.4g} A, truly {true_rms:.4g} A"
    return [*problems, f"current: {says}; stored {found.min():.4g}..{found.max():.4g} A ({truth.why})"]


def _alike(truth: Truth, found: Floats) -> list[str]:
    """Compare the currents as a whole, where single rows cannot be paired."""
    rms, true_rms = (float(np.sqrt(np.nanmean(x**2))) for x in (found, truth.current))
    says = f"rms {rms:.4g} A, truly {true_rms:.4g} A; {np.nanmin(found):.4g}..{np.nanmax(found):.4g} A stored"
    ends = (np.nanmin(found) - truth.current.min(), np.nanmax(found) - truth.current.max())
    scale = float(np.max(np.abs(truth.current))) or 1.0
    if max(abs(rms - true_rms), *map(abs, ends)) <= ALIKE * scale:
        return []
    return [f"current: {says}, truly {truth.current.min():.4g}..{truth.current.max():.4g} A ({truth.why})"]


def _cells(truth: Truth, table: pa.Table, rows: np.ndarray) -> list[str]:
    names = sorted(n for n in table.schema.names if re.fullmatch(r"cell_\d+_mV", n))
    if len(names) != truth.cells.shape[1]:
        return [f"{len(names)} cells stored, truly {truth.cells.shape[1]}"]
    wrong = nulled = negative = 0
    problems, hit = [], 0
    for k, name in enumerate(names):
        if truth.cell_columns[k] and not _same(_source(table, name), truth.cell_columns[k]):
            problems.append(
                f"cell {k + 1} taken from {_source(table, name)!r}, not {truth.cell_columns[k]!r}"
            )
        allowed = WHOLE_MV if pa.types.is_integer(table.schema.field(name).type) else FINE_MV
        found, true = _values(table, name), truth.cells[rows, k] * 1e3
        nulled += int(np.isnan(found).sum())
        off = np.abs(found - true) > allowed
        wrong += int(off.sum())
        negative += int((found < 0).sum())
        hit += bool(off.any() or np.isnan(found).any())
    total = truth.cells[rows].size
    if nulled:
        problems.append(f"cells: {nulled} of {total} true readings nulled ({hit} cells)")
    if wrong:
        problems.append(
            f"cells: {wrong} of {total} readings differ ({hit} cells), {negative} stored negative"
        )
    return problems


def _columns(truth: Truth, table: pa.Table) -> list[str]:
    """Return the columns that were taken for what they are not."""
    problems = []
    if "pack_V" in table.schema.names:
        header = _source(table, "pack_V")
        if not any(_same(header, allowed) for allowed in truth.pack):
            problems.append(f"{header!r} taken for the pack's voltage")
    for name in [n for n in table.schema.names if re.fullmatch(r"temperature_\d+_C", n)]:
        header = _source(table, name)
        if not any(_same(header, allowed) for allowed in truth.temperatures):
            problems.append(f"{header!r} taken for a temperature")
    return problems


def _values_beside(truth: Truth, table: pa.Table, rows: np.ndarray) -> list[str]:
    """Compare the pack's voltage and the temperatures."""
    problems = []
    if "pack_V" in table.schema.names:
        for own in [v for header, v in truth.pack.items() if _same(_source(table, "pack_V"), header)][:1]:
            found = _values(table, "pack_V")
            off = ~(np.abs(found - own[rows]) <= SAME_CURRENT * np.max(np.abs(own)))
            if off.any():
                says = f"median {np.nanmedian(found):.4g} V, truly {np.median(own):.4g} V"
                problems.append(f"pack voltage: {int(off.sum())} rows differ or are null, {says}")
    for name in [n for n in table.schema.names if re.fullmatch(r"temperature_\d+_C", n)]:
        header = _source(table, name)
        for own in [v for allowed, v in truth.temperatures.items() if _same(header, allowed)][:1]:
            off = _values(table, name) - own[rows]
            if not np.all(np.abs(off) <= SAME_DEGREES):
                worst = f"median {np.nanmedian(off):+.1f} degC off, {np.isnan(off).sum()} null"
                problems.append(f"temperature {header!r}: {worst}")
    return problems


def row_of(outcome: Outcome) -> str:
    """Return one line of the table."""
    case, t = outcome.case, outcome.truth
    head = f"{case.source:11} {case.name[:44]:44}"
    if t is None:
        return f"{head} {'':59} {outcome.result}"
    span = (t.seconds[-1] - t.seconds[0]) / 3600
    rms = float(np.sqrt(np.mean(t.current**2)))
    start = "no date" if t.stamps is None else str(np.datetime64(round(t.stamps[0]), "s"))[:16]
    volts = f"{t.cells.min():.3f}..{t.cells.max():.3f}"
    return f"{head} {t.rows:6} {span:8.3f} h {start:16} {rms:9.4g} A {volts:12} {outcome.result}"


def details_of(outcome: Outcome) -> list[str]:
    """Return the lines under it: how the truth is known, what was asked and answered, what differs."""
    lines = [] if outcome.truth is None else [f"truth: {outcome.truth.current_column!r}; {outcome.truth.why}"]
    lines += [f"refused: {reason}" for reason in outcome.refusals]
    lines += [f"answered: {outcome.profile.strip()!r}"] if outcome.profile else []
    return lines + [f"! {problem}" for problem in outcome.problems]


def present(folder: Path) -> list[Case]:
    """Return the cases whose files are there."""
    return [case for case in CASES if case.file(folder).is_file()]


def main() -> int:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("folder", type=Path, nargs="?", metavar="DIR")
    parser.add_argument("--list", action="store_true", help="where each file is to be had, and its licence")
    parser.add_argument("--only", help="only this source")
    parser.add_argument("--quiet", action="store_true", help="one line a file, nothing under it")
    wanted = parser.parse_args()
    if wanted.list or wanted.folder is None:
        for case in CASES:
            source = SOURCES[case.source]
            print(
                f"{case.source}/{case.name}: {source.repository}: {case.path} ({source.licence}; {source.logger})"
            )
        return 0 if wanted.list else 2
    outcomes = []
    for case in present(wanted.folder):
        if wanted.only in (None, case.source):
            outcomes.append(judge(case, wanted.folder))
            print(row_of(outcomes[-1]), flush=True)
            for line in [] if wanted.quiet else details_of(outcomes[-1]):
                print(f"            {line}", flush=True)
    counts = Counter(o.result for o in outcomes)
    sources = {o.case.source for o in outcomes}
    clean = sources - {o.case.source for o in outcomes if o.result != "right"}
    print(
        f"{len(outcomes)} files of {len(sources)} sources: {counts['right']} right, {counts['asked']} asked, "
        f"{counts['dead end']} dead end, {counts['WRONG']} WRONG; every file right unasked in {len(clean)} sources; "
        f"{len(CASES) - len(present(wanted.folder))} files absent"
    )
    return 2 if not outcomes else int(counts["WRONG"] > 0)


if __name__ == "__main__":
    raise SystemExit(main())
