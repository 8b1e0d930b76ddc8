"""Every cause on every face: what the finding says, to the digit, and nothing that it does not say."""

from __future__ import annotations

import csv
import io
import re
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from bmslogs.base.cautions import CAUTIONS
from bmslogs.base.pack import Pack
from bmslogs.base.results import Finding
from bmslogs.faces.figures.proofs import PROOFS, proof_picture, question
from bmslogs.faces.headlines import findings_says, found_says
from bmslogs.faces.record.contents import contents
from bmslogs.faces.record.page import record_page
from bmslogs.faces.sight import sight_of
from bmslogs.faces.spreadsheet import diagnosis_csv
from bmslogs.faces.text import LEVEL_WORDS, diagnosis_text, size_text
from bmslogs.findings.registry import CAUSES
from tests.findings.planted import CASES, told_of

EACH = pytest.mark.parametrize("cause", CASES)


def on_one_line(text: str) -> str:
    return " ".join(text.split())


def numbers_of(text: str) -> list[float]:
    """Return the numbers of a text, a true minus being a minus."""
    return [float(x) for x in re.findall(r"[-+]?\d+(?:\.\d+)?", text.replace("\u2212", "-"))]


# ---- text ---------------------------------------------------------------------------------------------------------


@EACH
@pytest.mark.parametrize("width", [60, 110])
def test_the_terminal_says_all_of_it_and_the_cautions(cause: str, width: int) -> None:
    log, found, one = told_of(cause)
    text = diagnosis_text(found, log.pack, width=width)
    line = on_one_line(text)
    assert f"{one.level.upper()} ({LEVEL_WORDS[one.level]}): {CAUSES[cause].title}" in line
    for said in (one.says, *one.because, *one.next, *CAUTIONS):
        assert on_one_line(said) in line
    assert size_text(one) in line
    told = text.split("\n\n", 1)[1].splitlines()  # the log's own line is the terminal's to break
    told = [row for row in told if not row.startswith(("  ACT (", "  LOOK (", "  NOTE ("))]
    assert max(map(len, told)) <= max(width, 14 + max(len(w) for w in text.split()))
    assert not re.search(r"\b(?:safe|healthy|no danger)\b", line, re.IGNORECASE)


@EACH
def test_the_size_on_a_face_is_that_of_the_finding_in_the_shown_unit(cause: str) -> None:
    """Value and bounds, to half of their last digit; the interval keeps two digits of its half width (GUM 7.2.6)."""
    one = told_of(cause)[2]
    if one.size is None:
        assert size_text(one) == ""
        return
    factor = CAUSES[cause].shown_factor
    shown = numbers_of(size_text(one))[:3]
    assert one.low is not None and one.high is not None
    for said, true in zip(shown, (one.size, one.low, one.high), strict=True):
        assert abs(said - true * factor) <= 0.051 * (one.high - one.low) / 2 * factor + 1e-9
    assert CAUSES[cause].shown_unit.split(" of ")[0] in size_text(one)


@EACH
def test_a_headline_has_the_interval_in_the_unit_of_its_sentence(cause: str) -> None:
    _, found, one = told_of(cause)
    says = found_says(one)
    assert (
        not says[0].islower() and says.endswith(".") and says.count("95 % interval") == (one.low is not None)
    )
    if one.low is not None and one.high is not None:
        ends = numbers_of(says.split("95 % interval ")[1])[:2]
        factor = CAUSES[cause].shown_factor
        assert ends == pytest.approx(
            [one.low * factor, one.high * factor], abs=0.051 * (one.high - one.low) / 2 * factor
        )
    assert says in findings_says(replace(found, findings=(one,)))


# ---- tables -------------------------------------------------------------------------------------------------------


@EACH
def test_the_spreadsheet_has_the_numbers_of_the_json(cause: str) -> None:
    _, found, _ = told_of(cause)
    document = found.to_json()
    rows = list(csv.DictReader(io.StringIO(diagnosis_csv(found))))
    findings = [r for r in rows if r["kind"] == "finding"]
    assert [r["name"] for r in findings] == [f["cause"] for f in document["findings"]]
    estimates = [r for r in rows if r["kind"] == "estimate"]
    for row, told in zip(findings + estimates, document["findings"] + document["estimates"], strict=True):
        for column, key in (
            ("value", "size" if "size" in told else "value"),
            ("low", "low"),
            ("high", "high"),
        ):
            assert (None if row[column] == "" else float(row[column])) == told.get(key)
        assert row["unit"] == told["unit"]
    assert [r["says"] for r in rows if r["kind"] == "caution"] == list(CAUTIONS)


# ---- pictures -----------------------------------------------------------------------------------------------------


def points(trace: Any) -> int:
    return 0 if trace.y is None else len(trace.y)


@EACH
def test_its_picture_answers_its_question_and_draws_something(cause: str) -> None:
    log, found, one = told_of(cause)
    assert question(one).endswith("?") and CAUSES[cause].picture in PROOFS
    figure = proof_picture(one, found, log)
    drawn = [t for t in figure.data if points(t)]
    assert drawn
    for trace in drawn:
        assert trace.x is None or len(trace.x) == len(trace.y)
    assert any(np.isfinite(np.array([v for v in t.y if v is not None], float)).any() for t in drawn)
    for word in ("nan", "None", "undefined"):
        assert word not in " ".join(str(t.name) for t in figure.data)


@EACH
def test_without_its_log_a_picture_says_so_and_draws_nothing(cause: str) -> None:
    _, found, one = told_of(cause)
    figure = proof_picture(one, found, None)
    assert not figure.data and "not at hand" in str(figure.layout.annotations)


def drawn_values(cause: str, name: str) -> np.ndarray:
    log, found, one = told_of(cause)
    (trace,) = [t for t in proof_picture(one, found, log).data if name in str(t.name)]
    return np.array([np.nan if v is None else v for v in trace.y], float)


def test_pictures_draw_the_readings_as_they_were_read() -> None:
    """No cell's reading, no current and no temperature is moved on its way to the paper."""
    log = told_of("limit_exceeded")[0]
    assert set(np.round(drawn_values("limit_exceeded", "cell 6"), 3)) <= set(
        np.round(log.cell_voltage[:, 5], 3)
    )
    log = told_of("channel_stuck")[0]
    assert np.nanmax(np.abs(drawn_values("channel_stuck", "cell 7") - 3.912)) < 1e-9
    log = told_of("temperature_sensor_fault")[0]
    drawn = drawn_values("temperature_sensor_fault", "TR3")
    assert np.nanmin(drawn) == log.temperature[:, 2].min() and np.nanmax(drawn) == log.temperature[:, 2].max()
    log = told_of("current_sensor_zero")[0]
    drawn = drawn_values("current_sensor_zero", "current reading")
    assert log.current is not None and np.nanmedian(drawn) == pytest.approx(np.median(log.current))
    (low, high) = (drawn_values("pack_file_mismatch", f"{end} cell") for end in ("lowest", "highest"))
    log = told_of("pack_file_mismatch")[0]
    assert np.nanmin(low) == pytest.approx(log.cell_voltage.min()) and np.nanmax(high) == pytest.approx(
        log.cell_voltage.max()
    )


# ---- where to look ------------------------------------------------------------------------------------------------


@EACH
@pytest.mark.parametrize("larger", [False, True])
def test_the_window_in_which_it_shows_lies_in_the_log_and_about_its_moment(cause: str, larger: bool) -> None:
    log, _, one = told_of(cause, larger)
    sight = sight_of(one, log)
    assert log.time[0] <= sight.start < sight.end <= log.time[-1]
    assert sight.moment is None or sight.start <= sight.moment <= sight.end
    for start, end in sight.spans:
        assert start <= end and start <= sight.end and end >= sight.start
    drawn = {*([sight.worst] if sight.worst else []), *sight.named}
    assert drawn <= set(one.cells) | (set() if one.cells else drawn)
    assert not drawn & {*sight.mates, *sight.rest}
    assert sight.says.endswith(".") and "nan" not in sight.says
    if sight.worst and not one.sensor:
        assert (
            log.pack.place(sight.worst).lower() in sight.says.lower() or f"cell {sight.worst}" in sight.says
        )


# ---- on paper -----------------------------------------------------------------------------------------------------

NAMES = ("2026-05-03", "F-2", "<i>M</i>", "=1+2;")
SENSORS = ("1e-05", "a: b, c; d", "T-1", "-")


def oddly_named(pack: Pack) -> Pack:
    """Return a pack whose names look like dates, numbers, formulas, markup and signs."""
    modules = tuple(m.model_copy(update={"name": NAMES[k]}) for k, m in enumerate(pack.modules))
    new = {a.name: b.name for a, b in zip(pack.modules, modules, strict=True)}
    boxes = tuple(
        b.model_copy(update={"name": f"-{b.name}", "modules": [new[m] for m in b.modules]})
        for b in pack.boxes
    )
    sensors = tuple(s.model_copy(update={"name": SENSORS[k]}) for k, s in enumerate(pack.temperature_sensors))
    return pack.model_copy(update={"modules": modules, "boxes": boxes, "temperature_sensors": sensors})


def renamed(one: Finding, old: Pack, new: Pack) -> Finding:
    sensor = next((b.name for a, b in zip(old.temperature_sensors, new.temperature_sensors, strict=True)
                   if a.name == one.sensor), one.sensor)  # fmt: skip
    return replace(
        one,
        sensor=sensor,
        says=one.says.replace("module F2", "module F-2").replace("module R3", "module <i>M</i>"),
    )


@EACH
def test_a_record_holds_it_with_its_picture_whatever_its_parts_are_called(cause: str) -> None:
    log, found, _ = told_of(cause)
    pack = oddly_named(log.pack)
    odd = replace(log, pack=pack)
    told = replace(found, findings=tuple(renamed(f, log.pack, pack) for f in found.findings))
    page = record_page(contents(pack, told), {str(found.log["id"]): odd})
    assert "<svg" in page and "<i>M</i>" not in page and "NaN" not in page
    assert CAUSES[cause].title in page
    for caution in CAUTIONS:
        assert caution.split(":")[0] in page
    assert "http://" not in page.replace("http://www.w3.org", "") and "<script" not in page
