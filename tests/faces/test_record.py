"""The record: all its parts, names escaped, nothing from outside, baselines that are kept and compared with."""

from __future__ import annotations

import dataclasses
import datetime as dt
import json
import re
from html.parser import HTMLParser
from pathlib import Path

import jsonschema
import numpy as np
import pytest

from bmslogs.analysis.registry import QUANTITIES
from bmslogs.base.cautions import CAUTIONS
from bmslogs.base.errors import BadInput
from bmslogs.base.pack import Pack
from bmslogs.base.results import Diagnosis, Estimate
from bmslogs.base.schema import schema_of
from bmslogs.faces.record import Typed, baselines, contents, keep_baseline, record_page
from bmslogs.faces.record.baseline import Baseline, configuration_hash
from bmslogs.faces.record.contents import Record, insulation_text
from bmslogs.faces.signs import written
from bmslogs.findings.registry import CAUSES
from bmslogs.log import Log
from tests.faces.examples import LOG, OHMS, WREN, diagnosis

HOSTILE = "<script>alert('x')</script>"


class Text(HTMLParser):
    """The words that a reader sees, and every address that the page points at."""

    def __init__(self) -> None:
        super().__init__()
        self.words: list[str] = []
        self.addresses: list[str] = []
        self.scripts = 0
        self._hidden = 0

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self._hidden += tag in ("script", "style")
        self.scripts += tag == "script"
        self.addresses += [v or "" for k, v in attrs if k in ("src", "href", "action", "data", "srcset")]

    def handle_endtag(self, tag: str) -> None:
        self._hidden -= tag in ("script", "style")

    def handle_data(self, data: str) -> None:
        if not self._hidden:
            self.words.append(data)


def seen(page: str) -> Text:
    parser = Text()
    parser.feed(page)
    return parser


def driven() -> Log:
    """Return a short drive of the invented pack, cell 5 with a quarter more resistance."""
    rng = np.random.default_rng(5)
    rows = 900
    time = np.datetime64("2026-05-03T09:10:00", "us") + np.arange(rows) * np.timedelta64(1_000_000, "us")
    current = 60 * np.sin(np.arange(rows) / 30) + 40 + rng.normal(0, 0.5, rows)
    volts = np.stack([3.7 - current * OHMS[c] + rng.normal(0, 5e-4, rows) for c in OHMS], axis=1)
    return Log(str(LOG["id"]), time, current, tuple(OHMS), volts, np.full((rows, 1), 20.0), None, None, WREN)


@pytest.fixture(scope="module")
def page() -> str:
    typed = Typed(2.1e6, "bench meter, 500 V", ("driven 12 km",))
    return record_page(contents(WREN, diagnosis(), typed=typed), {str(LOG["id"]): driven()})


def test_everything_that_a_record_must_say_stands_in_it(page: str) -> None:
    text = " ".join(" ".join(seen(page).words).split())
    for part in (
        "Hand-over record: Wren",
        "wren-main",
        str(LOG["id"]),
        configuration_hash(WREN),
        "Front box, module F2, cell 5 drops 24 % more",
        "+24.0 % of the pack's middle (+22.0 to +26.0)",
        "1.240 mΩ (1.220 to 1.260)",
        "−0.120 A (−0.160 to −0.080)",
        "21.3 °C, 40 to 80 % charge",
        "SOC offset is not determinable",
        "To know it: Charge to the knee",
        "2 rows whose time repeated",
        "F1 to F2",
        "2 100 000 Ω, as typed in; instrument: bench meter, 500 V",
        "driven 12 km",
        "Not tested",
        "Limits and trips of the BMS",
        "Signature",
        *map(written, CAUTIONS),
    ):
        assert part in text, part
    assert not re.search(r"\bsafe\b", text)


def test_the_page_asks_for_nothing_from_outside_and_is_small(page: str) -> None:
    found = seen(page)
    assert found.addresses == []
    assert found.scripts == 0
    assert "default-src 'none'" in page
    assert page.count("<svg viewBox") >= 3
    assert len(page.encode()) < 1_000_000


def test_what_is_filled_in_before_printing_has_a_field_with_what_was_typed(page: str) -> None:
    for name in ("vehicle", "odometer", "pack", "bms", "insulation", "instrument"):
        assert re.search(rf'<input type="text" name="{name}"', page), name
    assert 'name="insulation" value="2100000"' in page
    assert 'name="instrument" value="bench meter, 500 V"' in page


def test_no_key_of_the_program_stands_in_it(page: str) -> None:
    words = " ".join(seen(page).words)
    for key in (*QUANTITIES, *CAUSES):
        assert "_" not in key or key not in words, key


def test_names_are_shown_and_never_run() -> None:
    pack = WREN.model_copy(update={"vehicle": HOSTILE, "design": HOSTILE})
    found = diagnosis(name=HOSTILE).findings[0]
    hostile = dataclasses.replace(found, says=HOSTILE, because=(HOSTILE,), next=(HOSTILE,), module=HOSTILE)
    made = contents(pack, diagnosis(name=HOSTILE, findings=(hostile,)), typed=Typed(1.0, HOSTILE, (HOSTILE,)))
    plain = seen(record_page(contents(WREN, diagnosis()), {}))
    page = record_page(made, {str(LOG["id"]): driven()})
    assert HOSTILE not in page
    assert HOSTILE in " ".join(seen(page).words)
    assert seen(page).scripts == plain.scripts == 0


@pytest.mark.parametrize(
    ("ohm", "said"),
    [
        # UN Regulation No. 100, 5.1.3: 100 ohm/V of a DC bus; 6 cells of 4.2 V are 25.2 V, so the limit is 2520 ohm
        (2519.0, "Below 100 ohm per volt"),
        (2521.0, None),
    ],
)
def test_an_insulation_value_below_the_regulation_is_named(ohm: float, said: str | None) -> None:
    lines = insulation_text(WREN, Typed(ohm, "meter"))
    assert any("100 ohm per volt at the pack's highest 25 V" in line for line in lines)
    assert any(line.startswith("Below") for line in lines) == (said is not None)


def test_nought_ohm_is_a_reading_and_no_reading_is_said() -> None:
    assert Typed(0.0).to_json() == {"insulation_ohm": 0.0}
    assert any(line.startswith("Below") for line in insulation_text(WREN, Typed(0.0)))
    assert insulation_text(WREN, Typed()) == ("Not measured, or not typed in. No log shows it.",)


def later(made: Diagnosis, ratio: float) -> Diagnosis:
    """Return the same pack half a year on, the resistance of cell 5 multiplied, all cells 3 % up."""

    def moved(e: Estimate) -> Estimate:
        if e.quantity != "resistance_10s" or e.value is None:
            return e
        k = 1.03 * (ratio if e.cell == 5 else 1.0)
        return dataclasses.replace(e, value=e.value * k, low=(e.low or 0) * k, high=(e.high or 0) * k)

    log = {
        **LOG,
        "id": "20261103-0910-0123456789ac",
        "start": "2026-11-03T09:10:00Z",
        "end": "2026-11-03T10:10:00Z",
    }
    return dataclasses.replace(made, log=log, estimates=tuple(moved(e) for e in made.estimates))


def test_a_baseline_is_kept_found_and_compared_with(tmp_path: Path) -> None:
    first = contents(
        WREN, diagnosis(), typed=Typed(2e6, "meter"), made=dt.datetime(2026, 5, 3, tzinfo=dt.UTC)
    )
    keep_baseline(tmp_path, first.as_baseline("hand-over"))
    (kept,) = baselines(tmp_path, "wren-main")
    assert kept.to_json() == first.as_baseline("hand-over").to_json()
    assert kept.typed["insulation_ohm"] == 2e6
    assert baselines(tmp_path, "another") == []
    now = contents(WREN, later(diagnosis(), 1.4), baseline=kept)
    assert now.kind == "Service record"
    assert [c.cell for c in now.changes] == [5]
    assert now.changes[0].ratio == pytest.approx(1.4, rel=0.01)  # planted; the common 3 % is taken out
    text = " ".join(seen(record_page(now, {})).words)
    assert "hand-over" in text and "front box, module F2, cell 5" in text
    for made, shape in ((now, Record), (kept, Baseline)):
        document = json.loads(json.dumps(made.to_json(), allow_nan=False))
        jsonschema.validate(document, schema_of(shape, quantity=QUANTITIES, cause=CAUSES))


def test_a_baseline_is_never_written_over_and_its_name_is_no_path(tmp_path: Path) -> None:
    made = contents(WREN, diagnosis())
    keep_baseline(tmp_path, made.as_baseline("a"))
    with pytest.raises(BadInput, match="exists"):
        keep_baseline(tmp_path, made.as_baseline("a"))
    with pytest.raises(BadInput, match="letters, digits"):
        keep_baseline(tmp_path, made.as_baseline("../a"))
    document = made.as_baseline("b").to_json()
    for broken in (
        {},
        [],
        {**document, "typed": []},
        {**document, "made": "once"},
        {**document, "diagnosis": None},
    ):
        (tmp_path / "_baselines" / "wren-main" / "b.json").write_text(json.dumps(broken), encoding="utf-8")
        with pytest.raises(BadInput, match=r"b\.json: cannot be read"):
            baselines(tmp_path, "wren-main")


def test_the_configuration_hash_follows_what_the_pack_file_says() -> None:
    same = Pack.model_validate_json(WREN.model_dump_json())
    assert configuration_hash(same) == configuration_hash(WREN)
    other = WREN.model_copy(update={"joint_in_tap_of": "previous"})
    assert configuration_hash(other) != configuration_hash(WREN)


def test_a_pack_without_modules_and_a_diagnosis_without_anything_still_make_a_record() -> None:
    bare = WREN.model_copy(update={"modules": (), "boxes": ()})
    nothing = dataclasses.replace(diagnosis(findings=()), estimates=(), repairs=())
    text = " ".join(seen(record_page(contents(bare, nothing), {})).words)
    assert "describes no modules" in text
    assert "None could be determined" in text
    assert "for nothing else" in text
