"""Make the sample logs: ``python -m sample_logs.generate --seed 1 --out DIR``.

Three vehicles of one small workshop, all invented. Heron and Plover share one design (NMC, three boxes);
Wren is LFP. The same seed gives the same bytes. `stories` gives the logs as arrays, for tests that want
other seeds without files.
"""

from __future__ import annotations

import argparse
import datetime as dt
import json
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from sample_logs import SAMPLES, dialects, inject
from sample_logs.loads import Bench, Bms
from sample_logs.meter import Logged, Meter
from sample_logs.string_model import String, make_string
from sample_logs.truth import Fault, Truth, truth_of

SEED = 20260502


@dataclass(frozen=True)
class Story:
    """One sample log.

    Attributes
    ----------
    name
        Stem of the file; begins with the vehicle's name in small letters.
    pack
        Id of the pack.
    says
        What happened, one line.
    """

    name: str
    pack: str
    start: dt.datetime
    dialect: dialects.Dialect
    says: str
    bench: Bench
    meter: Meter
    logged: Logged
    truth: Truth

    @property
    def string(self) -> String:
        """The string as it was; it changes once the next story is asked for."""
        return self.bench.string


HERON_MODULES = ["F1", "F2", "M1", "R1"]
WREN_MODULES = ["A1", "A2", "A3", "B1", "B2", "B3"]
HERON_BOXES = [("front", HERON_MODULES[:2]), ("middle", HERON_MODULES[2:3]), ("rear", HERON_MODULES[3:])]
WREN_BOXES = [("under floor", WREN_MODULES[:3]), ("boot", WREN_MODULES[3:])]


def _utc(month: int, day: int, hour: int, minute: int = 0) -> dt.datetime:
    return dt.datetime(2026, month, day, hour, minute, tzinfo=dt.UTC)


def stories(seed: int = SEED) -> Iterator[Story]:
    """Yield the sample logs of `seed`: which cells are at fault and by how much differs by seed."""
    yield from _heron(np.random.default_rng([seed, 1]))
    yield from _wren(np.random.default_rng([seed, 2]))
    yield from _plover(np.random.default_rng([seed, 3]))


def _sixteen(rng: np.random.Generator) -> String:
    return make_string(16, "NMC", 100.0, rng, cells_per_module=4, cells_per_sensor=4)


def _heron_meter(rng: np.random.Generator) -> Meter:
    return Meter(
        current_lag_s=0.15,
        current_zero=0.1,
        current_gain=1.004,
        missing=0.002,
        wire_ohm=rng.uniform(0.02, 0.04),
    )


def _tell(
    name: str,
    pack: str,
    start: dt.datetime,
    dialect: dialects.Dialect,
    says: str,
    bench: Bench,
    meter: Meter,
    faults: list[Fault],
    rng: np.random.Generator,
) -> Story:
    logged = meter.read(bench.trace(), rng, bench.string.sensors, bench.string.outside_taps_ohm)
    truth = truth_of(bench, meter, faults)
    return Story(name, pack, start, dialect, says, bench, meter, logged, truth)


def _apart(rng: np.random.Generator, string: String, soc: float) -> None:
    """Put all cells at about `soc`, as balancing on the bench leaves them."""
    string.soc = soc + 0.002 * rng.normal(size=string.cells).clip(-2, 2)


def _heron(rng: np.random.Generator) -> Iterator[Story]:
    string = _sixteen(rng)
    own, pairs = string.r0_ohm.copy(), string.pairs_ohm.copy()
    meter = _heron_meter(rng)

    _apart(rng, string, 0.38)
    low = int(rng.integers(1, 17))
    faults = [inject.soc_offset(string, low, -rng.uniform(0.030, 0.045))]
    bench = Bench(string, rng, ambient_C=17, bms=Bms(), log_every_s=2.0)
    bench.rest(0.3)
    bench.charge(0.25)
    bench.rest(2.0)
    yield _tell(
        "heron-1-first-charge",
        "heron-main",
        _utc(5, 2, 9),
        dialects.HERON,
        "first charge after the build; one cell came emptier than the rest",
        bench,
        meter,
        faults,
        rng,
    )

    _apart(rng, string, 0.88)
    weak = string.modules[int(rng.integers(0, 4))]
    faults = [inject.cell_resistance(string, int(c) + 1, rng.uniform(0.22, 0.32)) for c in weak]
    bench = Bench(string, rng, ambient_C=15)
    _trip(bench, 40)
    yield _tell(
        "heron-2-test-drive",
        "heron-main",
        _utc(5, 9, 13, 30),
        dialects.HERON,
        "test drive with a used module in place; that module is weak",
        bench,
        meter,
        faults,
        rng,
    )

    string.r0_ohm, string.pairs_ohm = own, pairs
    _apart(rng, string, 0.86)
    bench = Bench(string, rng, ambient_C=16)
    _trip(bench, 40)
    yield _tell(
        "heron-3-after-repair",
        "heron-main",
        _utc(5, 16, 10),
        dialects.HERON,
        "the same road after the weak module was swapped for a sound one",
        bench,
        meter,
        [],
        rng,
    )

    yield _heron_parked(rng, string, meter)


def _heron_parked(rng: np.random.Generator, string: String, meter: Meter) -> Story:
    """Park the pack, mended by then, for a week; one cell leaks."""
    _apart(rng, string, 0.72)
    faults = [inject.leak(string, int(rng.integers(1, 17)), rng.uniform(0.006, 0.009))]
    bench = Bench(string, rng, ambient_C=19)
    bench.park(8, swing_C=2.0)
    return _tell(
        "heron-4-parked-week",
        "heron-main",
        _utc(6, 1, 6),
        dialects.HERON,
        "parked for eight days, one reading an hour; one cell leaks",
        bench,
        meter,
        faults,
        rng,
    )


def _trip(bench: Bench, minutes: float) -> None:
    bench.rest(0.4)
    bench.drive(minutes, rms_c=0.65)
    bench.rest(1.2)


def _wren(rng: np.random.Generator) -> Iterator[Story]:
    string = make_string(24, "LFP", 160.0, rng, cells_per_module=4, cells_per_sensor=4, bleed_ohm=33.0)
    sound = string.joint_ohm.copy()
    meter = Meter(scan_s=0.2, current_zero=-0.2, current_gain=0.994, current_noise=0.4, missing=0.001)

    _apart(rng, string, 0.55)
    off = int(rng.integers(1, 7))
    faults = [
        inject.soc_offset(string, int(rng.integers(1, 25)), rng.uniform(0.028, 0.04)),
        inject.temperature_fault(meter, string, off, "offset", rng.uniform(6.0, 9.0)),
    ]
    bench = Bench(string, rng, ambient_C=21, bms=Bms(), log_every_s=2.0)
    bench.rest(0.3)
    bench.charge(0.25)
    bench.rest(2.5)
    yield _tell(
        "wren-1-first-charge",
        "wren-main",
        _utc(5, 14, 8),
        dialects.WREN,
        "first charge to the knee; one cell came fuller, one temperature sensor is off",
        bench,
        meter,
        faults,
        rng,
    )

    meter.sensor_faults = ()
    _apart(rng, string, 0.9)
    first_of_module = int(rng.choice([5, 9, 13, 17, 21]))
    faults = [inject.joint_resistance(string, first_of_module, rng.uniform(0.40, 0.60))]
    bench = Bench(string, rng, ambient_C=18)
    _trip(bench, 45)
    yield _tell(
        "wren-2-before-repair",
        "wren-main",
        _utc(5, 18, 14),
        dialects.WREN,
        "test drive; a link between two modules was not clean when it was bolted",
        bench,
        meter,
        faults,
        rng,
    )

    string.joint_ohm = sound
    _apart(rng, string, 0.9)
    bench = Bench(string, rng, ambient_C=20)
    _trip(bench, 45)
    yield _tell(
        "wren-3-after-repair",
        "wren-main",
        _utc(5, 25, 9),
        dialects.WREN,
        "the same road after the link was remade",
        bench,
        meter,
        [],
        rng,
    )


def _plover(rng: np.random.Generator) -> Iterator[Story]:
    string = _sixteen(rng)
    meter = Meter(
        current_lag_s=0.1, current_gain=1.002, current_zero=-0.1, bleed_flags=False, pack_voltage=False
    )
    _apart(rng, string, 0.9)
    bench = Bench(string, rng, ambient_C=17)
    _trip(bench, 40)
    yield _tell(
        "plover-1-test-drive",
        "plover-main",
        _utc(5, 13, 10),
        dialects.PLOVER,
        "test drive of the healthy twin",
        bench,
        meter,
        [],
        rng,
    )
    _apart(rng, string, 0.35)
    bench = Bench(string, rng, ambient_C=18, log_every_s=5.0)
    bench.rest(0.3)
    bench.charge(0.25)
    bench.rest(2.0)
    yield _tell(
        "plover-2-charge",
        "plover-main",
        _utc(5, 15, 17),
        dialects.PLOVER,
        "an ordinary charge of the healthy twin",
        bench,
        meter,
        [],
        rng,
    )
    _apart(rng, string, 0.7)
    bench = Bench(string, rng, ambient_C=18)
    bench.park(7, swing_C=2.0)
    yield _tell(
        "plover-3-parked-week",
        "plover-main",
        _utc(6, 15, 6),
        dialects.PLOVER,
        "parked for a week, one reading an hour; nothing is wrong",
        bench,
        meter,
        [],
        rng,
    )


def worked_on(story: Story) -> str | None:
    """Return the module whose cells or link a drive shows to be at fault: the place that is mended next."""
    modules = {"heron-main": HERON_MODULES, "wren-main": WREN_MODULES}.get(story.pack, [])
    cells = [
        f.cells[0] for f in story.truth.faults if f.cause in ("cell_resistance_high", "joint_resistance_high")
    ]
    inside = (name for name, group in zip(modules, story.string.modules) if cells and cells[0] - 1 in group)
    return next(inside, None)


def pack_files(places: Mapping[str, str] | None = None) -> dict[str, str]:
    """Return file name -> text of the three pack files.

    Parameters
    ----------
    places
        Pack id to the module that was swapped or whose link was remade, see `worked_on`; without one the work
        names no place.
    """
    module = places or {}
    heron_events = [
        ("2026-05-06", "module swapped", module.get("heron-main"), "a used module was put in"),
        ("2026-05-07", "bench charged", None, "all cells brought to one charge"),
        ("2026-05-13", "module swapped", module.get("heron-main"), "the used module was taken out again"),
    ]
    wren_events = [
        ("2026-05-16", "bench charged", None, "all cells brought to one charge"),
        ("2026-05-21", "joint remade", module.get("wren-main"), "links cleaned, flattened and bolted anew"),
    ]
    nmc = {"chemistry": "NMC", "nominal_capacity_Ah": 100.0, "cells_in_series": 16, "design": "three-box-16"}
    lfp = {"chemistry": "LFP", "nominal_capacity_Ah": 160.0, "cells_in_series": 24, "design": "two-box-24"}
    limits = {"NMC": (3.0, 4.25), "LFP": (2.5, 3.65)}
    return {
        "heron-main.toml": _toml("heron-main", "Heron", nmc, limits["NMC"], HERON_BOXES, heron_events, "T"),
        "wren-main.toml": _toml("wren-main", "Wren", lfp, limits["LFP"], WREN_BOXES, wren_events, "T"),
        "plover-main.toml": _toml("plover-main", "Plover", nmc, limits["NMC"], HERON_BOXES, [], "T"),
    }


def _toml(
    pack: str,
    vehicle: str,
    build: dict[str, object],
    limits: tuple[float, float],
    boxes: list[tuple[str, list[str]]],
    events: list[tuple[str, str, str | None, str]],
    sensor: str,
) -> str:
    lines = ["# invented sample pack", "[pack]", f'id = "{pack}"', f'vehicle = "{vehicle}"']
    lines += [f'{k} = "{v}"' if isinstance(v, str) else f"{k} = {v}" for k, v in build.items()]
    lines += ["bleed_resistor_ohm = 33.0", "current_accuracy = 0.01", "", "[pack.limits]"]
    lines += [f"voltage_min_V = {limits[0]}", f"voltage_max_V = {limits[1]}"]
    lines += ["charge_temperature_min_C = 0", "temperature_max_C = 55"]
    for name, modules in boxes:
        lines += ["", "[[box]]", f'name = "{name}"', f"modules = {json.dumps(modules)}"]
    first = 1
    for number, module in enumerate([m for _, modules in boxes for m in modules], 1):
        cells = list(range(first, first + 4))
        lines += ["", "[[module]]", f'name = "{module}"', f"cells = {cells}"]
        lines += ["", "[[temperature_sensor]]", f'name = "{sensor}{number}"', f"cells = {cells}"]
        first += 4
    for date, kind, where, note in events:
        lines += ["", "[[event]]", f"date = {date}", f'kind = "{kind}"']
        lines += ([f'where = "{where}"'] if where else []) + [f'note = "{note}"']
    return "\n".join(lines) + "\n"


NOTE = """These logs are invented. No vehicle, pack or cell was measured; the workshop does not exist.

`generate.py` made them from a circuit model, seed {seed}: `python -m sample_logs.generate --seed {seed} --out DIR`
makes the same bytes again. `truth.json` says what was planted and what each figure really is.

| log | what happened |
|---|---|
{rows}
"""


def generate(folder: Path, seed: int = SEED) -> None:
    """Write logs, pack files, truth and the note into `folder`."""
    folder.mkdir(parents=True, exist_ok=True)
    truths: dict[str, object] = {}
    places: dict[str, str] = {}
    rows: list[str] = []
    for story in stories(seed):
        parked = "parked" in story.name
        file = f"{story.name}.csv" if parked else f"{story.name}.csv.gz"
        dialects.write(folder / file, story.dialect, story.start, story.logged, story.string.modules)
        truths[file] = {"pack_id": story.pack, "says": story.says, **story.truth.to_json()}
        rows.append(f"| {file} | {story.says} |")
        place = worked_on(story)
        places |= {story.pack: place} if place else {}
    for name, pack_text in pack_files(places).items():
        (folder / name).write_text(pack_text, encoding="utf-8", newline="\n")
    text = json.dumps({"invented": True, "seed": seed, "logs": truths}, indent=1, ensure_ascii=False)
    (folder / "truth.json").write_text(text + "\n", encoding="utf-8", newline="\n")
    note = NOTE.format(seed=seed, rows="\n".join(rows))
    (folder / "NOTE.md").write_text(note, encoding="utf-8", newline="\n")


def main() -> None:
    """Parse the command line and write the sample logs."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--seed", type=int, default=SEED)
    parser.add_argument("--out", type=Path, default=SAMPLES)
    options = parser.parse_args()
    generate(options.out, options.seed)


if __name__ == "__main__":
    main()
