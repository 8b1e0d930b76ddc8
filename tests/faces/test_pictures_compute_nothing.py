"""Pictures draw what the analysis judged by: no second physics in figures and pages, one number for each quantity."""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from numpy.testing import assert_allclose, assert_array_equal

from bmslogs.base.pack import load_pack
from bmslogs.base.results import Finding
from bmslogs.faces.figures import proof_picture
from bmslogs.faces.sight import sight_of
from bmslogs.findings import diagnose
from bmslogs.findings.evidence.charge_deviation import charge_deviation, counted_charge
from bmslogs.findings.evidence.overlaid import Ground, course
from bmslogs.findings.evidence.parked_drift import parked_drift
from bmslogs.findings.evidence.shown import shown_rows
from bmslogs.findings.evidence.source import known
from bmslogs.findings.evidence.spans import minutes
from bmslogs.log import Log, read_log
from bmslogs.store import Store
from dashboard.open_log import OpenLog
from sample_logs import SAMPLES
from tests.dashboard import invent

ROOT = Path(__file__).resolve().parents[2]
DRAWING = ("bmslogs/faces/figures", "dashboard")
PHYSICS = {
    "cumsum", "nancumsum", "cumulative_sum", "cumprod", "trapezoid", "trapz", "cumulative_trapezoid",
    "polyfit", "lstsq", "linalg", "polynomial", "gradient", "convolve", "correlate", "corrcoef", "cov", "fft",
    "lfilter", "low_pass", "charge_drawn", "still_levels", "current_at_rest", "fill_short", "held_rows",
}  # fmt: skip
"""Names by which charge is counted, slopes are fitted, or a current is filtered."""
LENT = {
    "flow.Flow": "the log page reads a log's current without its cells",
    "flow.flow_of": "rests and charges to be named over the log",
    "knowledge.Knowledge": "the type that a proof is asked of",
    "loom.LoomReadings": "what the check of a loom is given",
    "loom.LoomReport": "what it answers",
    "loom.check_loom": "the check itself",
    "numerics.calm": "how an analysis is run",
    "ocv.curve_of": "handed on to Flow",
    "reference.bleed_hours": "hours of bleeding at the voltage of the estimate of its time",
    "registry.QUANTITIES": "titles and units",
    "resistance.PULSE_S": "the time at which a resistance is told",
    "sampling.row_medians": "the median of the cells that are drawn",
    "stretches.Stretch": "the type of what the pack was doing",
    "study.Study": "the type that a proof is asked of",
}
"""All that drawing modules take from the analysis itself, and what for; proofs come from `findings.evidence`."""


def modules() -> list[Path]:
    return [p for folder in DRAWING for p in sorted((ROOT / folder).rglob("*.py"))]


def offences(tree: ast.AST) -> Iterator[str]:
    """What a module does that only the analysis may."""
    for node in ast.walk(tree):
        if isinstance(node, ast.Attribute) and node.attr in PHYSICS:
            yield f"line {node.lineno}: .{node.attr}"
        elif isinstance(node, ast.Import):
            yield from (
                f"line {node.lineno}: {n.name}" for n in node.names if n.name.split(".")[0] == "scipy"
            )
        elif isinstance(node, ast.ImportFrom) and node.module:
            names = [f"{node.module}.{n.name}" for n in node.names]
            if node.module.split(".")[0] == "scipy" or node.module.startswith("numpy."):
                yield f"line {node.lineno}: {node.module}"
            lent = [n.removeprefix("bmslogs.analysis.") for n in names if n.startswith("bmslogs.analysis")]
            yield from (f"line {node.lineno}: {n}" for n in lent if n not in LENT)


def test_no_drawing_module_computes_physics() -> None:
    found = {
        str(p.relative_to(ROOT)): list(offences(ast.parse(p.read_text(encoding="utf-8")))) for p in modules()
    }
    assert len(found) > 60
    assert {name: told for name, told in found.items() if told} == {}


@pytest.mark.parametrize(
    "code",
    [
        "import numpy as np\nq = np.cumsum(i * dt)",
        "q = (i * dt).cumsum()",
        "import numpy as np\nfit = np.linalg.lstsq(a, b)",
        "from numpy.linalg import lstsq",
        "from scipy.signal import lfilter",
        "import scipy.stats",
        "from bmslogs.analysis.polarisation import low_pass",
        "from bmslogs.analysis import polarisation",
    ],
)
def test_the_rule_sees_what_it_is_for(code: str) -> None:
    assert list(offences(ast.parse(code)))


def test_nothing_is_lent_that_nobody_takes() -> None:
    text = "\n".join(p.read_text(encoding="utf-8") for p in modules())
    for name in LENT:
        module, _, what = name.rpartition(".")
        assert re.search(rf"from bmslogs\.analysis\.{module} import .*\b{what}\b", text), name


@pytest.fixture(scope="module")
def samples(tmp_path_factory: pytest.TempPathFactory) -> dict[str, tuple[Path, Log]]:
    """Two sample logs as they are stored: ``charge`` and ``parked``."""
    store, pack = Store(tmp_path_factory.mktemp("store")), load_pack(SAMPLES / "heron-main.toml")
    out = {}
    for key, name in (("charge", "heron-1-first-charge.csv.gz"), ("parked", "heron-4-parked-week.csv")):
        report = store.import_files([SAMPLES / name], pack)
        assert not report.refused, report.refused
        path = store.log_path(report.logs[0].id)
        out[key] = (path, read_log(path))
    return out


@pytest.mark.parametrize("key", ["charge", "parked"])
def test_charge_and_rests_that_are_shown_are_those_of_the_analysis(
    samples: dict[str, tuple[Path, Log]], key: str
) -> None:
    path, log = samples[key]
    k = known(log)
    drawn, soc = counted_charge(k)
    shown = course(Ground(log), None, "voltage", log.id)
    opened = OpenLog(path)
    assert shown.charge is not None
    assert_array_equal(shown.charge, drawn)
    assert_array_equal(opened.flow.charge, drawn)
    assert opened.stretches == k.study.flow.stretches and opened.flow.zero == k.study.flow.zero
    if key == "parked":  # a sensor's zero of a week is no charge
        assert not drawn.any() and soc is None
        return
    assert soc is not None and k.place.soc_span is not None
    deviation = charge_deviation(k)
    last = k.study.samples.kept.charge[k.study.counted.piece]
    assert last.min() <= deviation.drawn.min() and deviation.drawn.max() <= last.max()
    # by hand: amperes less what reads at rest, times seconds, row by row
    assert log.current is not None
    known_A = np.nan_to_num(log.current - k.study.flow.zero)
    by_hand = sum(
        0.5 * (a + b) * dt for a, b, dt in zip(known_A, known_A[1:], np.diff(log.seconds), strict=False)
    )
    assert_allclose(drawn[-1], by_hand / 3600.0, rtol=1e-3)
    # the ends of the charge stand where the estimates' conditions say
    assert_allclose([soc.min(), soc.max()], k.place.soc_span, atol=0.02)


def test_the_slope_that_is_drawn_is_the_leak_that_is_told(samples: dict[str, tuple[Path, Log]]) -> None:
    _, log = samples["parked"]
    k, (leaks,) = known(log), [f for f in diagnose(log).findings if f.cause == "self_discharge_high"]
    (cell,) = leaks.cells
    column = log.cells.index(cell)
    found = parked_drift(k.study)
    assert_allclose(found.slope[column], k.study.parked.drift[0].slope[column] * 24.0)
    y = found.away[found.settled, column]
    rough = (y[-20:].mean() - y[:20].mean()) / (
        found.days[found.settled][-10] - found.days[found.settled][10]
    )
    assert_allclose(found.slope[column], rough, rtol=0.1)
    figure = proof_picture(leaks, diagnose(log), log)
    assert any(f"{found.slope[column] * 1e3:+.2f} mV a day" == t.name for t in figure.data)


def cold_drive(broken: bool) -> Log:
    """A drive with regeneration at -5 degC and more; or at 18 degC with one sensor that reads -40 all along."""
    log = invent.drive(invent.pack(), seed=4)
    warm = log.temperature + 0.1 * (np.arange(log.rows) % 2)[:, None]
    if broken:
        warm[:, 1] = -40.0
    else:
        warm -= 23.0
    return replace(log, temperature=warm)


def test_charging_in_the_cold_is_one_thing_to_rule_picture_page_and_sight() -> None:
    log = cold_drive(broken=False)
    diagnosis = diagnose(log)
    (finding,) = [f for f in diagnosis.findings if f.cause == "cold_charge"]
    rows = shown_rows(finding, known(log))
    assert rows is not None and rows.any()
    told = f"{minutes(log.seconds, rows):.1f} min"
    assert told in finding.says
    assert any(told in a.text for a in proof_picture(finding, diagnosis, log).layout.annotations)
    sight = sight_of(finding, log)
    assert rows[np.searchsorted(log.time, sight.moment)]
    assert all(rows[np.searchsorted(log.time, end)] for span in sight.spans for end in span)


def test_a_sensor_that_is_not_believed_makes_no_cold() -> None:
    log = cold_drive(broken=True)
    assert not any(f.cause == "cold_charge" for f in diagnose(log).findings)
    rows = shown_rows(Finding("cold_charge", "look", "the pack"), known(log))
    assert rows is not None and not rows.any()


@pytest.mark.parametrize("unit", ["A", "degC", "V"])
def test_a_passed_limit_lasts_as_long_in_the_picture_as_in_the_finding(unit: str) -> None:
    log = invent.drive(invent.pack(), seed=4)
    warm = log.temperature + 0.1 * (np.arange(log.rows) % 2)[:, None]
    warm[900:960, 2] += 40.0
    volts = log.cell_voltage.copy()
    volts[1200:1230, 4] -= 1.1
    limits = log.pack.limits.model_copy(update={"discharge_current_max_A": 100.0})
    log = replace(
        log, temperature=warm, cell_voltage=volts, pack=log.pack.model_copy(update={"limits": limits})
    )
    diagnosis = diagnose(log)
    of = [f for f in diagnosis.findings if f.cause == "limit_exceeded" and f.unit == unit]
    assert of
    for finding in of:
        rows = shown_rows(finding, known(log))
        assert rows is not None
        seconds = minutes(log.seconds, rows) * 60.0
        assert f"for {seconds:.0f} s" in finding.says or f"for {seconds / 60:.0f} min" in finding.says
        text = [a.text for a in proof_picture(finding, diagnosis, log).layout.annotations]
        assert any(f"{seconds / 60:.1f} min in all" in t for t in text), text
