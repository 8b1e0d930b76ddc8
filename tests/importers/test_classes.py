"""A small count of the proof by classes (`python -m tests.importers.classes` has the large one), and of its judge."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from tests.importers.classes.draft import draw
from tests.importers.classes.judge import judge
from tests.importers.classes.running import CLASSES, run_case
from tests.importers.classes.truth import Case

SEED = 20
HOSTILE = (1, 4, 8, 17, 21)
"""Of the hostile files, which have a process each: huge numbers, deep and odd pack files, odd names, 96 modules."""


def numbers(name: str) -> range | tuple[int, ...]:
    """Return the cases of a class that are tried here: every second habit."""
    return HOSTILE if name == "hostile" else range(0, len(CLASSES[name]), 2)


@pytest.mark.parametrize("name", list(CLASSES))
def test_nothing_false_is_stored_and_plain_files_are_not_asked_about(name: str) -> None:
    verdicts = [run_case(name, number, SEED) for number in numbers(name)]
    bad = [v for v in verdicts if v.outcome in ("wrong", "unclear", "crash")]
    asked = [v for v in verdicts if v.outcome == "asked" and v.kind == "plain"]
    assert not bad, "\n".join(f"{v.number} {v.habit}: {v.outcome} {v.details[:3]}" for v in bad)
    # One in twenty may be asked about (the project's aim); of so few files that is one at most.
    assert len(asked) <= 1, "\n".join(f"{v.number} {v.habit}: {v.details[:1]}" for v in asked)


def plain_case() -> Case:
    """Return a drive that any importer of such logs reads."""
    rng = np.random.default_rng(5)
    d = draw(rng, "drive", dt_s=1.0, cells=(4, 4), sensors=(1, 1), simple=True, layout=False, step_mV=1.0, noise_mV=1.0,
             current_step=0.1, jitter=False, rows=(400, 400))  # fmt: skip
    d.dialect.units, d.dialect.language = "[]", "en"
    d.write_time("isoz")
    d.write_current("Current (discharge positive)" if d.sign > 0 else "Current (charge positive)")
    d.write_cells()
    d.write_temperatures()
    return d.case("plain drive", "plain")


def test_judge_finds_the_stored_log_right() -> None:
    verdict = judge(plain_case())
    assert (verdict.outcome, verdict.details) == ("right", [])


def changed(case: Case, **over: object) -> Case:
    """Return the case with another truth."""
    return replace(case, truths=(replace(case.truths[0], **over),))  # type: ignore[arg-type]


def test_judge_finds_each_kind_of_fault() -> None:
    case = plain_case()
    truth = case.truths[0]
    assert truth.current_A is not None
    nulled = truth.cells_mV.copy()
    nulled[7, 2] = np.nan
    other = truth.cells_mV.copy()
    other[7, 2] += 1.0
    longer = np.append(truth.time_s, truth.time_s[-1] + 1.0)
    faults = {
        "time is off": changed(case, time_s=truth.time_s + 3600.0),
        "wrong sign": changed(case, current_A=-truth.current_A),
        "must be null": changed(case, cells_mV=nulled),
        "altered": changed(case, cells_mV=other),
        "rows lost": changed(
            case, time_s=longer, current_A=np.append(truth.current_A, 0.0),
            cells_mV=np.vstack([truth.cells_mV, truth.cells_mV[-1:]]), temperatures_C=None,
        ),
        "repairs name": replace(case, rows_in_file=401),
        "not marked": changed(case, joints=(200,)),
        "only a refusal": replace(case, kind="refuse"),
        "nothing is said": replace(case, must_say="pack file"),
    }  # fmt: skip
    for words, faulty in faults.items():
        verdict = judge(faulty)
        assert verdict.outcome == "wrong" and any(words in line for line in verdict.details), (words, verdict)


def test_judge_takes_a_refusal_that_names_its_place_only() -> None:
    case = plain_case()
    lines = case.data.decode().splitlines()
    headless = replace(case, data="\n".join(["x,y", *lines[1:3]]).encode())
    assert judge(headless).outcome == "asked"
