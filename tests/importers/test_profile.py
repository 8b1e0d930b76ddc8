"""The logger profile: the documented example, and every mistake named by its key."""

from __future__ import annotations

import tomllib
from pathlib import Path

import numpy as np
import pytest

from bmslogs.base.errors import BadProfile
from bmslogs.importers import inspect_file, load_profile
from bmslogs.importers.plan.profile import parse_profile
from tests.importers.writing import Dialect, assert_same, drive, imported, pack_for, refusal, stamp, write

EXAMPLE = r"""
[time]
column = "Zeit"
format = "%d.%m.%Y %H:%M:%S"
zone = "Europe/Oslo"
[current]
column = "Strom"
unit = "A"
discharge = "negative"
[cell_voltage]
pattern = "U(?P<cell>\\d+)"
unit = "mV"
first = 1
[temperature]
pattern = "T(?P<sensor>\\d+)"
unit = "degC"
[bleed]
column = "Bal"
kind = "hex"
lowest_bit = "first_cell"
[pack_voltage]
column = "Usum"
unit = "V"
"""


def test_the_documented_profile(tmp_path: Path) -> None:
    truth = drive()
    truth.bleed = np.zeros((400, 12), dtype=bool)
    truth.bleed[10:90, [0, 4]] = True
    d = Dialect(
        delimiter=";",
        decimal=",",
        time_name="Zeit",
        time_text=stamp("%d.%m.%Y %H:%M:%S", "Europe/Oslo"),
        current_name="Strom",
        sign=-1,
        cell_name=lambda c: f"U{c}",
        cell_unit=1e-3,
        cell_decimals=0,
        temperature_name=lambda s: f"T{s}",
        bits_name="Bal",
        pack_name="Usum",
    )
    (tmp_path / "p.toml").write_text(EXAMPLE)
    log = imported(
        write(truth, d, tmp_path), pack_for(truth), tmp_path / "store", load_profile(tmp_path / "p.toml")
    )
    assert_same(log, truth, d)
    assert log.bleed is not None and log.pack_voltage is not None
    np.testing.assert_array_equal(log.bleed, truth.bleed)
    np.testing.assert_allclose(log.pack_voltage, truth.pack_voltage, atol=0.0061)


@pytest.mark.parametrize(
    "text, says",
    [
        ("[tme]\n", "unknown key 'tme'"),
        ('[time]\ncolumn = "a"\ncolumns = ["b", "c"]\n', "exclude"),
        ('[time]\nzone = "Mars/Base"\n', "time zone"),
        ('[time]\nformat = "%Q%%%"\n', "no part of a time is written %Q"),
        ('[time]\nformat = "%Y-%m-%"\n', "no part of a time"),
        ('[time]\nformat = "%%"\n', "names no part of a time"),
        ('[current]\nunit = "V"\n', "no unit of current"),
        ('[current]\ndischarge = "minus"\n', "current.discharge"),
        ('[cell_voltage]\npattern = "U("\n', "regular expression"),
        ('[cell_voltage]\npattern = "U1"\n', "?P<cell>"),
        ('[bleed]\npattern = "B(?P<cell>1)"\ncolumn = "x"\nkind = "hex"\n', "one of pattern"),
        ('[layout]\nshape = "long"\n', "cell_column"),
        ("not toml", "TOML"),
    ],
)
def test_mistakes_are_named(text: str, says: str, tmp_path: Path) -> None:
    path = tmp_path / "p.toml"
    path.write_text(text)
    with pytest.raises(BadProfile) as caught:
        load_profile(path)
    assert says in str(caught.value) and str(caught.value).startswith("p.toml")


@pytest.mark.parametrize(
    "section, says",
    [
        ({"time": {"column": "Gone"}}, "'Gone'"),
        ({"current": {"column": "Gone"}}, "[current]"),
        ({"cell_voltage": {"pattern": r"X(?P<cell>\d+)"}}, "no header fits"),
        ({"cell_voltage": {"pattern": r"Cell(?P<cell>\d+) \(V\)", "first": 0}}, "first = 0"),
        ({"cell_voltage": {"unit": "mV", "pattern": r"Cell(?P<cell>\d+) \(V\)"}}, "unit mV"),
        ({"cell_voltage": {"unit": "mV"}}, 'unit = "V"'),
        ({"current": {"column": "Current (A)", "unit": "mA"}}, "voltages answer as to a current in"),
        ({"time": {"column": "Time", "format": "nonsense"}}, "time format"),
    ],
)
def test_a_profile_that_does_not_fit_the_file(section: dict, says: str, tmp_path: Path) -> None:  # type: ignore[type-arg]
    truth = drive()
    path = write(truth, Dialect(), tmp_path)
    assert says in refusal(path, pack_for(truth), tmp_path / "store", parse_profile(section))


def test_inspection_says_what_why_and_five_values(tmp_path: Path) -> None:
    truth = drive()
    found = inspect_file(write(truth, Dialect(), tmp_path), pack=pack_for(truth))
    assert [c.taken_for for c in found.columns[:3]] == ["time", "current", "cell 1"]
    assert all(c.why and len(c.values) == 5 for c in found.columns[:3])
    assert found.columns[2].values[0] == f"{truth.cells[0, 0]:.3f}"
    assert found.problems == ()
    parse_profile(tomllib.loads(found.profile_toml()))


def test_inspection_of_an_ambiguous_file_shows_both_readings(tmp_path: Path) -> None:
    truth = drive(start="2026-05-03T09:00:00")
    found = inspect_file(
        write(truth, Dialect(time_text=stamp("%d/%m/%Y %H:%M:%S")), tmp_path), pack=pack_for(truth)
    )
    assert len(found.problems) == 1 and "day or month first" in found.problems[0]
    assert "%m/%d/%Y" in found.profile_toml()
    tomllib.loads(found.profile_toml())
