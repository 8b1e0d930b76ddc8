"""The pack file: what it refuses and how it says so; what is written is read back the same."""

from __future__ import annotations

import datetime as dt
import tomllib
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bmslogs.base.errors import BadPack
from bmslogs.base.pack import Pack, dump_ocv_table, dump_pack, load_pack, parse_ocv_table, parse_pack

WREN = """
[pack]
id = "wren-main"
vehicle = "Wren"
chemistry = "NMC"
nominal_capacity_Ah = 50.0
cells_in_series = 6
[pack.limits]
voltage_min_V = 3.0
voltage_max_V = 4.2
[[box]]
name = "front"
modules = ["F1", "F2"]
[[module]]
name = "F1"
cells = [1, 2, 3]
[[module]]
name = "F2"
cells = [4, 5, 6]
[[temperature_sensor]]
name = "T1"
cells = [1, 2]
[[sense_board]]
name = "A"
cells = [1, 2, 3, 4, 5, 6]
[[event]]
date = 2026-05-03
kind = "joint remade"
where = "F2"
"""


def parsed(text: str) -> Pack:
    return parse_pack(tomllib.loads(text), file="wren.toml")


def test_the_example_is_read() -> None:
    pack = parsed(WREN)
    assert pack.place(5) == "front box, module F2, cell 5"
    assert pack.joint_cells() == (4,)
    assert pack.board_of(6) == "A"
    assert pack.sensor_column_of(2) == 1 and pack.sensor_column_of(5) is None
    assert pack.events[0].date == dt.date(2026, 5, 3)


def test_the_link_can_lie_in_the_earlier_modules_last_tap() -> None:
    text = WREN.replace('vehicle = "Wren"', 'vehicle = "Wren"\njoint_in_tap_of = "previous"')
    assert parsed(text).joint_cells() == (3,)


REFUSED = [
    # what was done to the file, the key or name that the line must hold, what was found or expected
    ("cells = [4, 5, 6]", "cells = [4, 5]", ["cell 6", "no module"]),
    ("cells = [4, 5, 6]", "cells = [3, 4, 5, 6]", ["cell 3", "two modules", "'F1'", "'F2'"]),
    ("cells = [4, 5, 6]", "cells = [4, 5, 6, 7]", ["module 'F2'", "cell 7", "cells_in_series is 6"]),
    ('name = "F2"', 'name = "F1"', ["module name 'F1' occurs twice"]),
    ('["F1", "F2"]', '["F1", "F9"]', ["box 'front'", "'F9'"]),
    ('["F1", "F2"]', '["F1", "F1"]', ["module 'F1'", "two boxes"]),
    ('"T1"\ncells = [1, 2]', '"T1"\ncells = [1, 8]', ["temperature_sensor 'T1'", "cell 8"]),
    ('"A"\ncells = [1,', '"A"\ncells = [9, 1,', ["sense_board 'A'", "cell 9"]),
    ("cells_in_series = 6", "", ["cells_in_series", "missing"]),
    ("cells_in_series = 6", "cells_in_series = 0", ["cells_in_series", "0", "greater than or equal to 1"]),
    ("cells_in_series = 6", "cells_in_series = true", ["cells_in_series", "True", "integer"]),
    ("nominal_capacity_Ah = 50.0", 'nominal_capacity_Ah = "50"', ["nominal_capacity_Ah", "'50'", "number"]),
    ("nominal_capacity_Ah = 50.0", "nominal_capacity_Ah = nan", ["nominal_capacity_Ah", "nan", "finite"]),
    (
        "nominal_capacity_Ah = 50.0",
        "nominal_capacity_Ah = -1",
        ["nominal_capacity_Ah", "-1", "greater than 0"],
    ),
    ('id = "wren-main"', 'id = "wren main"', ["id", "'wren main'", "letters, digits"]),
    ('id = "wren-main"', 'id = "../wren"', ["id", "'../wren'", "letters, digits"]),
    ('chemistry = "NMC"', 'chemistry = "XYZ"', ["chemistry = 'XYZ'", "NMC, LFP or an ocv_table"]),
    ('kind = "joint remade"', 'kind = "polished"', ["event[1].kind", "'polished'", "'joint remade'"]),
    ("date = 2026-05-03", 'date = "May"', ["event[1].date", "'May'", "date"]),
    ("voltage_min_V = 3.0", "voltage_min_V = 4.3", ["limits", "voltage_min_V = 4.3", "voltage_max_V = 4.2"]),
    ("voltage_min_V = 3.0", "voltage_minimum_V = 3.0", ["unknown key 'limits.voltage_minimum_V'"]),
    ('vehicle = "Wren"', 'vehicel = "Wren"', ["vehicle", "missing"]),
    ('vehicle = "Wren"', 'vehicle = ""', ["vehicle", "''", "at least 1"]),
    ("[[sense_board]]", "[[board]]", ["unknown table 'board'", "sense_board"]),
    ("[pack]", "[pak]", ["unknown table 'pak'"]),
    (WREN, "", ["no [pack] table"]),
]


@pytest.mark.parametrize(("old", "new", "said"), REFUSED)
def test_a_mistake_is_refused_in_one_line_that_names_it(old: str, new: str, said: list[str]) -> None:
    assert WREN.count(old) >= 1
    with pytest.raises(BadPack) as caught:
        parsed(WREN.replace(old, new, 1))
    line = str(caught.value)
    assert "\n" not in line
    assert line.startswith("wren.toml: ")
    for part in said:
        assert part in line


def test_a_missing_file_and_one_that_is_not_toml(tmp_path: Path) -> None:
    with pytest.raises(BadPack, match=r"none\.toml: no such file"):
        load_pack(tmp_path / "none.toml")
    with pytest.raises(BadPack, match="cannot be read"):
        load_pack(tmp_path)
    broken = tmp_path / "broken.toml"
    broken.write_bytes(b"[pack\nid = 1")
    with pytest.raises(BadPack, match=r"broken\.toml: not TOML .*line 1"):
        load_pack(broken)
    broken.write_bytes(b"\xff\xfe[pack]")
    with pytest.raises(BadPack, match="UTF-8"):
        load_pack(broken)


OWN_CHEMISTRY = WREN.replace('chemistry = "NMC"', 'chemistry = "LMO"\nocv_table = "ocv.csv"')
TABLE = [(0.0, 3.0), (0.25, 3.6), (0.5, 3.8), (0.75, 3.95), (1.0, 4.2)]


def table_text(rows: list[tuple[float, float]]) -> str:
    return "soc,voltage_V\n" + "".join(f"{soc},{volt}\n" for soc, volt in rows)


def test_its_own_open_circuit_table_is_read_from_beside_the_pack_file(tmp_path: Path) -> None:
    (tmp_path / "wren.toml").write_text(OWN_CHEMISTRY, encoding="utf-8")
    (tmp_path / "ocv.csv").write_text(table_text(TABLE), encoding="utf-8")
    assert load_pack(tmp_path / "wren.toml").ocv == tuple(TABLE)


def test_an_open_circuit_table_is_written_as_it_is_read() -> None:
    assert parse_ocv_table(dump_ocv_table(tuple(TABLE))) == tuple(TABLE)


def test_a_box_that_is_called_box_is_not_called_so_twice() -> None:
    pack = parsed(WREN.replace('name = "front"', 'name = "Box 1"'))
    assert pack.place(5) == "Box 1, module F2, cell 5"


@pytest.mark.parametrize(
    ("text", "said"),
    [
        (None, "ocv_table cannot be read"),
        ("a,b\n0,1\n", "soc and voltage_V"),
        (table_text(TABLE[:3]), "5 rows or more"),
        (table_text([(z, v) for z, v in TABLE if z > 0] + [(1.0, 4.3)]), "line 6"),
        (table_text(TABLE).replace("3.8", "n/a"), "line 4"),
        (table_text(TABLE).replace("4.2", "inf"), "a voltage"),
        (table_text(TABLE).replace("0.5,", "50,"), "a fraction 0..1"),
        (table_text(TABLE).replace("3.8", "3.6"), "both to rise"),
    ],
)
def test_a_bad_open_circuit_table_is_refused(tmp_path: Path, text: str | None, said: str) -> None:
    (tmp_path / "wren.toml").write_text(OWN_CHEMISTRY, encoding="utf-8")
    if text is not None:
        (tmp_path / "ocv.csv").write_text(text, encoding="utf-8")
    with pytest.raises(BadPack, match=said) as caught:
        load_pack(tmp_path / "wren.toml")
    assert str(caught.value).startswith("ocv.csv: ")


NAMES = st.text(st.characters(exclude_categories=["Cs"]), min_size=1, max_size=12).filter(
    lambda s: s == s.strip()
)


@st.composite
def packs(draw: st.DrawFn) -> Pack:
    cells = draw(st.integers(1, 12))
    order = draw(st.permutations(range(1, cells + 1)))
    cuts = sorted(draw(st.sets(st.integers(1, max(1, cells - 1)), max_size=3))) if cells > 1 else []
    parts = [order[a:b] for a, b in zip([0, *cuts], [*cuts, cells], strict=True)]
    names = draw(st.lists(NAMES, min_size=len(parts), max_size=len(parts), unique=True))
    some = st.lists(st.integers(1, cells), max_size=3)
    fields = {
        "id": draw(st.from_regex(r"[A-Za-z0-9_-]{1,20}", fullmatch=True)),
        "vehicle": draw(NAMES),
        "design": draw(st.none() | NAMES),
        "chemistry": draw(st.sampled_from(["NMC", "LFP"])),
        "nominal_capacity_Ah": draw(st.floats(0.1, 1e4)),
        "cells_in_series": cells,
        "cells_in_parallel": draw(st.integers(1, 9)),
        "bleed_resistor_ohm": draw(st.none() | st.floats(1e-3, 1e6)),
        "current_accuracy": draw(st.none() | st.floats(0, 0.9)),
        "joint_in_tap_of": draw(st.sampled_from(["next", "previous"])),
        "limits": {"temperature_max_C": draw(st.none() | st.floats(-50, 200))},
        "modules": [{"name": n, "cells": list(p)} for n, p in zip(names, parts, strict=True)],
        "boxes": [{"name": draw(NAMES), "modules": names}] if draw(st.booleans()) else [],
        "temperature_sensors": [
            {"name": n, "cells": draw(some)} for n in draw(st.lists(NAMES, max_size=3, unique=True))
        ],
        "events": [
            {
                "date": draw(st.dates()),
                "kind": "other",
                "where": draw(st.none() | NAMES),
                "note": draw(st.text('ab\n"\\')),
            }
        ],
    }
    return Pack.model_validate(fields)


@settings(max_examples=150, deadline=None)
@given(packs())
def test_what_is_written_is_read_back_the_same(pack: Pack) -> None:
    assert parse_pack(tomllib.loads(dump_pack(pack))) == pack
    assert Pack.model_validate_json(pack.model_dump_json()) == pack
