"""What a pack file says beyond the usual: names, lines of its table, events, sensors, spellings of chemistries."""

from __future__ import annotations

import datetime as dt
import tomllib
from typing import Any

import pytest

from bmslogs.base.errors import BadPack
from bmslogs.base.pack import Pack, dump_ocv_table, dump_pack, parse_ocv_table, parse_pack, usual_chemistry

HEAD = {
    "id": "wren-main",
    "vehicle": "Wren",
    "chemistry": "NMC",
    "nominal_capacity_Ah": 50.0,
    "cells_in_series": 8,
}
MODULES = [{"name": "A", "cells": [1, 2, 3, 4]}, {"name": "B", "cells": [5, 6, 7, 8]}]


def pack(head: dict[str, Any] | None = None, **tables: Any) -> Pack:
    return parse_pack({"pack": HEAD | (head or {}), **tables}, file="wren.toml")


def refusal(head: dict[str, Any] | None = None, **tables: Any) -> str:
    with pytest.raises(BadPack) as caught:
        pack(head, **tables)
    text = str(caught.value)
    assert text.startswith("wren.toml: ") and "\n" not in text
    return text


# ---- cells and their places ---------------------------------------------------------------------------------------


@pytest.mark.parametrize(("table", "what"), [("module", "module"), ("sense_board", "sense_board")])
def test_a_cell_that_a_part_names_twice_is_told_as_that(table: str, what: str) -> None:
    parts = [{"name": "A", "cells": [1, 2, 2, 3, 4]}, {"name": "B", "cells": [5, 6, 7, 8]}]
    assert f"{what} 'A' names cell 2 twice" in refusal(**{table: parts})


def test_a_cell_that_two_parts_name_is_told_with_both() -> None:
    parts = [{"name": "A", "cells": [1, 2, 3, 4, 5]}, {"name": "B", "cells": [5, 6, 7, 8]}]
    assert "cell 5 lies in two modules, 'A' and 'B'" in refusal(module=parts)


def test_boards_may_leave_cells_out_and_modules_may_not() -> None:
    some = [{"name": "A", "cells": [1, 2, 3]}]
    assert pack(sense_board=some).board_of(8) is None
    assert "cell 4 lies in no module" in refusal(module=some)


def test_a_pack_of_which_nothing_is_described_has_cells_and_no_links() -> None:
    bare = pack()
    assert bare.place(3) == "cell 3" and bare.module_of(3) is None and bare.box_of(None) is None
    assert bare.joint_cells() == () and bare.sensor_column_of(3) is None
    assert bare.sensor_name(1) == "T01" and bare.sensor_name(12) == "T12"


def test_modules_that_are_not_in_order_have_a_link_wherever_the_module_changes() -> None:
    """1 to 3 in A, 4 and 5 in B, 6 to 8 in A again: the string goes over a link at 4 and at 6."""
    mixed = pack(module=[{"name": "A", "cells": [1, 2, 3, 6, 7, 8]}, {"name": "B", "cells": [4, 5]}])
    assert mixed.joint_cells() == (4, 6)
    other = pack({"joint_in_tap_of": "previous"}, module=[m.model_dump() for m in mixed.modules])
    assert other.joint_cells() == (3, 5)


def test_sensors_keep_the_order_of_their_columns() -> None:
    sensors = [{"name": "inlet"}, {"name": "rear", "cells": [7, 8]}]
    named = pack(temperature_sensor=sensors)
    assert [named.sensor_name(i) for i in (1, 2, 3)] == ["inlet", "rear", "T03"]
    assert named.sensor_column_of(8) == 2 and named.sensor_column_of(1) is None


@pytest.mark.parametrize(
    ("box", "place"),
    [
        ("front", "front box, module A, cell 2"),
        ("Box 2", "Box 2, module A, cell 2"),
        ("SANDBOX", "SANDBOX, module A, cell 2"),
    ],
)
def test_a_box_is_called_a_box_once(box: str, place: str) -> None:
    assert pack(module=MODULES, box=[{"name": box, "modules": ["A"]}]).place(2) == place


def test_names_are_kept_without_the_blanks_around_them_and_are_then_the_same() -> None:
    assert pack(module=[{"name": " A ", "cells": [1, 2, 3, 4]}, MODULES[1]]).module_of(1) == "A"
    twice = [{"name": "A ", "cells": [1, 2, 3, 4]}, {"name": "A", "cells": [5, 6, 7, 8]}]
    assert "module name 'A' occurs twice" in refusal(module=twice)


# ---- numbers and words --------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("head", "said"),
    [
        ({"cells_in_series": 8.0}, ["cells_in_series", "8.0", "integer"]),
        ({"cells_in_series": 1001}, ["cells_in_series", "1001", "1000"]),
        ({"cells_in_parallel": 0}, ["cells_in_parallel", "0"]),
        ({"current_accuracy": 1.0}, ["current_accuracy", "1.0", "less than 1"]),
        ({"bleed_resistor_ohm": 0}, ["bleed_resistor_ohm", "0", "greater than 0"]),
        ({"joint_in_tap_of": "both"}, ["joint_in_tap_of", "'both'", "'next' or 'previous'"]),
        ({"vehicle": "x" * 81}, ["vehicle", "80"]),
        ({"limits": {"charge_current_max_A": -5.0}}, ["limits.charge_current_max_A", "-5.0"]),
        ({"limits": {"temperature_min_C": 60.0, "temperature_max_C": 55.0}}, ["temperature_min_C = 60.0"]),
        ({"modules": MODULES}, ["unknown key 'modules' in [pack]"]),
    ],
)
def test_what_no_pack_has_is_refused_by_its_key(head: dict[str, Any], said: list[str]) -> None:
    text = refusal(head)
    assert all(part in text for part in said), text


@pytest.mark.parametrize(
    ("written", "usual"),
    [
        ("LiFePO4", "LFP"), ("lifepo\u2084", "LFP"), ("Li-Fe-P", "Li-Fe-P"), ("Iron phosphate", "LFP"), ("lfp", "LFP"),
        ("NCM", "NMC"), ("Li(NiMnCo)O2", "NMC"), ("nickel manganese cobalt", "NMC"), ("NMC", "NMC"), ("LTO", "LTO"),
    ],
)  # fmt: skip
def test_chemistries_as_people_write_them(written: str, usual: str) -> None:
    assert usual_chemistry(written) == usual


def test_an_event_is_dated_and_of_a_known_kind() -> None:
    done = {"date": dt.date(2026, 5, 3), "kind": "module swapped", "where": "A", "note": "by hand"}
    (event,) = pack(event=[done]).events
    assert (event.date, event.kind, event.where) == (dt.date(2026, 5, 3), "module swapped", "A")
    assert "event[1].where" in refusal(event=[done | {"where": ""}])
    assert "unknown key 'event[2].place'" in refusal(event=[done, done | {"place": "A"}])


def test_a_pack_file_that_is_written_anew_reads_the_same_whatever_stands_in_its_names() -> None:
    odd = pack(
        {"vehicle": 'Wr"en\\\u2028', "zone": "Europe/Oslo", "limits": {"voltage_max_V": 4.2}},
        module=[{"name": "[A]", "cells": [1, 2, 3, 4]}, MODULES[1]],
        box=[{"name": "# front", "modules": ["[A]"]}],
        temperature_sensor=[{"name": "= T"}],
        event=[{"date": dt.date(2026, 5, 3), "kind": "other", "note": "line\none\ttwo"}],
    )
    assert parse_pack(tomllib.loads(dump_pack(odd))) == odd


# ---- the open-circuit table ---------------------------------------------------------------------------------------

ROWS = ["0,3.0", "0.25,3.5", "0.5,3.7", "0.75,3.9", "1,4.2"]


def table(rows: list[str], head: str = "soc,voltage_V") -> str:
    return "\n".join([head, *rows]) + "\n"


@pytest.mark.parametrize(
    ("rows", "line", "found"),
    [
        ([*ROWS[:2], "0.5,n/a", *ROWS[3:]], 4, "'0.5', 'n/a'"),
        (
            ["", "", *ROWS[:2], "0.5,n/a", *ROWS[3:]],
            6,
            "'0.5', 'n/a'",
        ),  # as an editor counts, empty lines and all
        ([*ROWS[:3], "", "0.75,3.6", ROWS[4]], 6, "soc 0.75, voltage 3.6"),
        ([*ROWS[:4], "1"], 6, "'1', None"),
        ([*ROWS[:4], "1.2,4.2"], 6, "soc 1.2"),
    ],
)
def test_a_wrong_row_is_named_by_its_line(rows: list[str], line: int, found: str) -> None:
    with pytest.raises(BadPack) as caught:
        parse_ocv_table(table(rows), file="ocv.csv")
    assert str(caught.value).startswith(f"ocv.csv: line {line}: {found}")
    assert "expected" in str(caught.value)


def test_columns_beside_are_left_alone_and_their_order_is_free() -> None:
    rows = [f"x,{r.split(',')[1]},{r.split(',')[0]}" for r in ROWS]
    got = parse_ocv_table(table(rows, "note,voltage_V,soc"))
    assert (
        got == parse_ocv_table(table(ROWS)) == ((0.0, 3.0), (0.25, 3.5), (0.5, 3.7), (0.75, 3.9), (1.0, 4.2))
    )


@pytest.mark.parametrize("source", ["", 'slow charge, "night" of 3 May', "by hand, 0.1 C"])
def test_a_table_is_written_as_it_is_read_with_where_it_is_from(source: str) -> None:
    rows = parse_ocv_table(table(ROWS))
    text = dump_ocv_table(rows, source)
    assert parse_ocv_table(text) == rows
    assert not source or source.replace('"', "'") in text


@pytest.mark.parametrize(
    ("rows", "said"),
    [
        (ROWS[:4], "4 rows from 0.0 to 0.75"),
        (["0.1,3.1", *ROWS[1:]], "5 rows from 0.1 to 1.0"),
        ([], "no columns soc and voltage_V"),
    ],
)
def test_a_table_that_does_not_reach_from_empty_to_full_is_refused(rows: list[str], said: str) -> None:
    with pytest.raises(BadPack, match=said):
        parse_ocv_table(table(rows))
