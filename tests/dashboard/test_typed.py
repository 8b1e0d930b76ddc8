"""What is typed into the form: numbers of any country, slips of unit, spellings; every mistake beside its field."""

from __future__ import annotations

from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from bmslogs.base.errors import BadPack
from bmslogs.base.pack import dump_pack, usual_chemistry
from dashboard.form import pack_of, typed_of
from dashboard.typed import checked, number_of
from tests.dashboard import invent

GOOD: dict[str, Any] = {
    "id": "wren-main", "vehicle": "Wren", "chemistry": "NMC", "nominal_capacity_Ah": "60", "cells_in_series": "8",
}  # fmt: skip


@pytest.mark.parametrize(
    ("text", "value"),
    [
        ("3,65", 3.65),
        ("3.65", 3.65),
        (" 1 000,5 ", 1000.5),
        ("1\u202f000,5", 1000.5),
        ("1'000.5", 1000.5),
        ("-20", -20.0),
        ("\u221220", -20.0),
        ("", None),
        (None, None),
        (3.5, 3.5),
    ],
)
def test_numbers_as_written_anywhere(text: object, value: float | None) -> None:
    assert number_of(text) == value


@pytest.mark.parametrize("text", ["1.000,5", "1,000.5", "1.000.000", "1,2,3"])
def test_a_number_of_two_readings_is_refused(text: str) -> None:
    with pytest.raises(BadPack, match="two ways"):
        number_of(text)


@pytest.mark.parametrize("text", ["abc", "3.65 V", "3..5x", "1e", "--3", ".", ","])
def test_what_is_no_number_is_refused(text: str) -> None:
    with pytest.raises(BadPack):
        number_of(text)


@settings(suppress_health_check=[HealthCheck.too_slow], deadline=None)
@given(value=st.floats(-1e6, 1e6).map(lambda x: round(x, 4)), mark=st.sampled_from(".,"))
def test_what_is_written_is_read_back(value: float, mark: str) -> None:
    assert number_of(f"{value:.4f}".replace(".", mark)) == pytest.approx(value, abs=1e-9)


def test_a_limit_in_millivolts_is_caught_and_the_volts_named() -> None:
    _, wrong = checked({**GOOD, "voltage_max_V": "4200", "voltage_min_V": "3000"})
    assert set(wrong) == {"voltage_max_V", "voltage_min_V"}
    assert "mV" in wrong["voltage_max_V"] and "4.2" in wrong["voltage_max_V"]


def test_a_pack_voltage_is_no_limit_of_a_cell() -> None:
    _, wrong = checked({**GOOD, "voltage_max_V": "58,8"})
    assert "58.8 V is no limit of one cell" in wrong["voltage_max_V"]


def test_several_mistakes_stand_beside_their_fields_at_once() -> None:
    _, wrong = checked(
        {
            "vehicle": "", "nominal_capacity_Ah": "1.000,5", "cells_in_series": "7,5", "boxes": "front F1",
            "sensors": "T1", "events": "yesterday; other", "voltage_min_V": "4.2", "voltage_max_V": "3.0",
            "chemistry": "NMC",
        }
    )  # fmt: skip
    fields = {
        "vehicle",
        "nominal_capacity_Ah",
        "cells_in_series",
        "boxes",
        "sensors",
        "events",
        "voltage_max_V",
    }
    assert set(wrong) == fields


@pytest.mark.parametrize(
    ("more", "field"),
    [
        ({"boxes": "front: F1 1-4; F2 5-9"}, "boxes"),
        ({"boxes": "front: F1 1-4"}, "boxes"),
        ({"sensors": "T1 1-20"}, "sensors"),
        ({"boards": "A 1-4\nB 4-8"}, "boards"),
        ({"chemistry": "LMO"}, "chemistry"),
        ({"id": "wren main!"}, "id"),
        ({"events": "2026-05-06; painted"}, "events"),
        ({"ocv": "soc,voltage_V\n0,3\n1,2"}, "ocv"),
    ],
)
def test_a_refusal_of_the_whole_finds_its_field_and_speaks_without_keys(
    more: dict[str, str], field: str
) -> None:
    _, wrong = checked({**GOOD, **more})
    assert list(wrong) == [field]
    for key in (
        "cells_in_series",
        "ocv_table",
        "nominal_capacity",
        "temperature_sensor",
        "sense_board",
        "event[",
    ):
        assert key not in wrong[field]


@pytest.mark.parametrize("text", ["lfp", "LiFePO4", "LiFePO₄", "Li-FePO4", "Lithium iron phosphate", "LFP"])
def test_spellings_of_lfp(text: str) -> None:
    assert usual_chemistry(text) == "LFP"


@pytest.mark.parametrize("text", ["nmc", "NCM", "Li-NMC", "LiNiMnCoO2", "Nickel manganese cobalt"])
def test_spellings_of_nmc(text: str) -> None:
    assert usual_chemistry(text) == "NMC"


@pytest.mark.parametrize("text", ["LMO", "LTO", "NCA", "lmfp", "own table"])
def test_other_chemistries_stay_what_they_are(text: str) -> None:
    assert usual_chemistry(text) == text


def test_a_pack_as_stored_is_right_as_typed_and_comes_back_the_same() -> None:
    pack = invent.pack()
    read, wrong = checked({k: "" if v is None else str(v) for k, v in typed_of(pack).items()})
    assert wrong == {}
    assert dump_pack(pack_of(read)) == dump_pack(pack)
