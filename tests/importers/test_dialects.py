"""Every dialect gives back the truth to the file's own rounding."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pyarrow.parquet as pq
import pytest

from bmslogs.importers.plan.profile import parse_profile
from tests.importers.writing import (
    Dialect,
    assert_same,
    drive,
    imported,
    pack_for,
    put,
    stamp,
    text_of,
    write,
)

D = Dialect()
GERMAN = D.but(
    delimiter=";",
    decimal=",",
    encoding="cp1252",
    eol="\r\n",
    time_name="Zeitstempel",
    time_text=stamp("%d.%m.%Y %H:%M:%S,%L"),
    current_name="Strom [A]",
    cell_name=lambda c: f"Zelle {c} [mV]",
    cell_unit=1e-3,
    cell_decimals=0,
    temperature_name=lambda s: f"Temperatur {s} [°C]",
)


def named(language: str) -> Dialect:
    """Return a dialect of header words in a language; written by hand from dictionaries, not from a logger."""
    time, current, cell, temperature = {
        "fr": ("Horodatage", "Courant (A)", "Cellule {} (V)", "Température {} (°C)"),
        "es": ("Fecha y hora", "Corriente (A)", "Celda {} (V)", "Temperatura {} (°C)"),
        "it": ("Data e ora", "Corrente (A)", "Cella {} (V)", "Temperatura {} (°C)"),
        "no": ("Tidspunkt", "Strøm (A)", "Celle {} (V)", "Temperatur {} (°C)"),
        "sv": ("Tidpunkt", "Ström (A)", "Cellspänning {} (V)", "Temperatur {} (°C)"),
        "da": ("Tidsstempel", "Strøm (A)", "Cellespænding {} (V)", "Temperatur {} (°C)"),
        "nl": ("Tijdstip", "Stroom (A)", "Celspanning {} (V)", "Temperatuur {} (°C)"),
        "pl": ("Czas", "Prąd (A)", "Napięcie ogniwa {} (V)", "Temperatura {} (°C)"),
        "de": ("Zeit", "Batteriestrom (A)", "Zellspannung {} (V)", "Temperaturfühler {} (°C)"),
    }[language]
    return D.but(
        time_name=time,
        current_name=current,
        cell_name=cell.format,
        temperature_name=temperature.format,
        delimiter=";",
        decimal=",",
    )


CASES: dict[str, Dialect] = {
    "plain": D,
    "semicolon": D.but(delimiter=";"),
    "tab": D.but(delimiter="\t"),
    "pipe": D.but(delimiter="|"),
    "german": GERMAN,
    "decimal comma, tab": D.but(delimiter="\t", decimal=","),
    "decimal comma quoted in commas": D.but(decimal=",", quote=True),
    "thousands point": D.but(
        delimiter=";",
        decimal=",",
        thousands=".",
        pack_name="Gesamtspannung (mV)",
        pack_unit=1e-3,
        pack_decimals=1,
    ),
    "thousands comma": D.but(
        delimiter=";", thousands=",", cell_unit=1e-3, cell_decimals=1, cell_name=lambda c: f"Cell{c} (mV)"
    ),
    "thousands blank": D.but(
        delimiter=";",
        decimal=",",
        thousands=" ",
        cell_unit=1e-3,
        cell_decimals=0,
        cell_name=lambda c: f"Zelle {c} [mV]",
    ),
    "thousands apostrophe": GERMAN.but(thousands="'", cell_decimals=1),
    "thousands narrow blank": GERMAN.but(thousands="\u202f", encoding="utf-8", cell_decimals=1),
    "names of two lines": D.but(
        current_name="Current\n(A)",
        cell_name=lambda c: f"Cell {c}\n(V)",
        temperature_name=lambda s: f"Temp {s}\n(°C)",
    ),
    "names of two lines, preamble, carriage returns": GERMAN.but(
        preamble=('"Logger; 7"', 'Screen 7"', ""), cell_name=lambda c: f"Zelle {c}\n[mV]", quote=True
    ),
    "names of two lines, repeated": D.but(cell_name=lambda c: f"Cell {c}\n(V)", repeat_header=100),
    "pack voltage in 0.1 V": D.but(pack_name="Pack voltage [0.1V]", pack_unit=0.1, pack_decimals=0),
    "pack voltage in 0.1 V, told by the cells": D.but(
        pack_name="Pack voltage", pack_unit=0.1, pack_decimals=0
    ),
    "by module, out of order": D.but(
        cell_name=lambda c: f"M{(c - 1) // 4 + 1}C{(c - 1) % 4 + 1:02d}",
        cell_order=(7, 3, 1, 12, 2, 5, 4, 6, 8, 11, 10, 9),
    ),
    "byte order mark": D.but(encoding="utf-8-sig"),
    "utf-16": D.but(encoding="utf-16", delimiter="\t"),
    "utf-16 without mark": D.but(encoding="utf-16-le"),
    "latin-1": D.but(encoding="latin-1", temperature_name=lambda s: f"Température {s} (°C)"),
    "carriage returns": D.but(eol="\r\n"),
    "old line ends": D.but(eol="\r"),
    "preamble": D.but(preamble=("Logger 7, firmware 1.2", "", "Vehicle: Heron", "a;b;c")),
    "long preamble": D.but(preamble=tuple(f"# setting {k} = {k * 3}" for k in range(300))),
    "preamble of commas": D.but(preamble=("Name,Heron,,", "Serial,1234,,", "")),
    "units row": D.but(
        cell_name=lambda c: f"U{c}",
        current_name="I",
        temperature_name=lambda s: f"T{s}",
        units_row=("V", "A", "°C"),
    ),
    "units row mV": D.but(
        cell_name=lambda c: f"U{c}",
        cell_unit=1e-3,
        cell_decimals=0,
        current_name="I",
        temperature_name=lambda s: f"T{s}",
        units_row=("mV", "A", "°C"),
    ),
    "header repeated": D.but(repeat_header=100),
    "trailing delimiters": D.but(trailing=True),
    "trailing semicolons": GERMAN.but(trailing=True),
    "quoted numbers": D.but(quote=True),
    "units in the fields": D.but(
        suffix=True,
        cell_name=lambda c: f"Cell {c}",
        current_name="Current",
        temperature_name=lambda s: f"Temp {s}",
    ),
    "plus signs": D.but(plus=True),
    "mV": D.but(cell_unit=1e-3, cell_decimals=0, cell_name=lambda c: f"cell_{c:02d}_mV"),
    "mV without a unit": D.but(cell_unit=1e-3, cell_decimals=0, cell_name=lambda c: f"cell{c}"),
    "0.1 mV": D.but(cell_unit=1e-4, cell_decimals=0, cell_name=lambda c: f"vc{c}"),
    "fine mV": D.but(cell_decimals=4),
    "counted from nought": D.but(cell_name=lambda c: f"V[{c - 1}]"),
    "out of order": D.but(cell_order=(7, 3, 1, 12, 2, 5, 4, 6, 8, 11, 10, 9)),
    "by module": D.but(cell_name=lambda c: f"M{(c - 1) // 4 + 1}C{(c - 1) % 4 + 1:02d}"),
    "by module from nought": D.but(cell_name=lambda c: f"module{(c - 1) // 4}.cell{(c - 1) % 4}.v"),
    "by module, counted through": D.but(cell_name=lambda c: f"Box {(c - 1) // 6 + 1} cell {c} V"),
    "by letter": D.but(cell_name=lambda c: f"{'ABC'[(c - 1) // 4]}{(c - 1) % 4 + 1}"),
    "bare numbers": D.but(cell_name=lambda c: str(c), temperature_name=lambda s: f"temp {s}"),
    "underscored units": D.but(
        cell_name=lambda c: f"Cell_{c}_V",
        current_name="Pack_Current_A",
        temperature_name=lambda s: f"Temp_{s}_C",
    ),
    "charging positive": D.but(sign=-1),
    "mA": D.but(current_unit=1e-3, current_decimals=0, current_name="Current (mA)"),
    "0.1 A": D.but(current_unit=0.1, current_decimals=0, current_name="I [0.1A]"),
    "two currents": D.but(split_current=("Charge current (A)", "Discharge current (A)")),
    "two currents, German": GERMAN.but(split_current=("Ladestrom [A]", "Entladestrom [A]")),
    "degF": D.but(temperature_of=lambda c: c * 9 / 5 + 32, temperature_name=lambda s: f"Temp{s} (F)"),
    "K": D.but(
        temperature_of=lambda c: c + 273.15, temperature_decimals=2, temperature_name=lambda s: f"NTC{s}"
    ),
    "0.1 K": D.but(
        temperature_of=lambda c: (c + 273.15) * 10,
        temperature_decimals=0,
        temperature_name=lambda s: f"Temp {s} [0.1K]",
    ),
    "soc and extras": D.but(
        soc_name="SOC (%)",
        pack_name="Pack Voltage (V)",
        extras={"Speed": lambda r: str(r % 50), "Gear": lambda r: "D"},
    ),
    "pack voltage and summaries": D.but(
        pack_name="Battery voltage",
        extras={
            "Max cell (V)": lambda r: "3.801",
            "Min cell (V)": lambda r: "3.700",
            "Avg cell V": lambda r: "3.75",
        },
    ),
} | {f"words of {lang}": named(lang) for lang in ("fr", "es", "it", "no", "sv", "da", "nl", "pl", "de")}


@pytest.mark.parametrize("name", CASES)
def test_dialect_gives_back_the_truth(name: str, tmp_path: Path) -> None:
    truth, d = drive(), CASES[name]
    log = imported(write(truth, d, tmp_path), pack_for(truth), tmp_path / "store")
    assert_same(log, truth, d)
    if not d.repeat_header:
        assert log.repairs == ()
    if d.pack_name:
        assert log.pack_voltage is not None
        step = 0.5 * 10.0**-d.pack_decimals * d.pack_unit
        np.testing.assert_allclose(log.pack_voltage, truth.pack_voltage, rtol=2e-7, atol=step * 1.001)


WORDS = {
    # language: charge current, discharge current, state of charge, bleed, pack voltage, ambient; from dictionaries
    "fr": "Courant de charge|Courant de décharge|État de charge|Équilibrage {}|Tension pack|Temp. ambiante",
    "es": "Corriente de carga|Corriente de descarga|Estado de carga|Equilibrado {}|Tensión total|Temp. ambiente",
    "it": "Corrente di carica|Corrente di scarica|Stato di carica|Bilanciamento {}|Tensione pacco|Temp. ambiente",
    "no": "Ladestrøm|Utladestrøm|Ladetilstand|Balansering {}|Pakkespenning|Omgivelsestemperatur",
    "sv": "Laddström|Urladdningsström|Laddningsnivå|Balansering {}|Paketspänning|Omgivningstemperatur",
    "da": "Ladestrøm|Afladestrøm|Ladetilstand|Balancering {}|Pakkespænding|Omgivelsestemperatur",
    "nl": "Laadstroom|Ontlaadstroom|Laadtoestand|Balancering {}|Totale spanning|Omgevingstemperatuur",
    "pl": "Prąd ładowania|Prąd rozładowania|Stan naładowania|Balansowanie {}|Napięcie pakietu|Temp. otoczenia",
    "de": "Ladestrom|Entladestrom|Ladezustand|Ausgleich {}|Gesamtspannung|Umgebungstemperatur",
}


@pytest.mark.parametrize("language", WORDS)
def test_every_kind_of_column_in_every_language(language: str, tmp_path: Path) -> None:
    charge, discharge, soc, bleed, pack, ambient = WORDS[language].split("|")
    truth = drive()
    truth.bleed = np.zeros((400, 12), dtype=bool)
    truth.bleed[100:200, [2, 7]] = True
    d = named(language).but(
        split_current=(f"{charge} (A)", f"{discharge} (A)"),
        soc_name=f"{soc} (%)",
        bleed_name=bleed.format,
        pack_name=f"{pack} (V)",
        extras={f"{ambient} (°C)": lambda r: f"{15 + r // 100},5"},
    )
    log = imported(write(truth, d, tmp_path), pack_for(truth), tmp_path / "store")
    assert_same(log, truth, d)
    assert log.bleed is not None and log.pack_voltage is not None
    np.testing.assert_array_equal(log.bleed, truth.bleed)
    np.testing.assert_allclose(log.pack_voltage, truth.pack_voltage, atol=0.0051)
    (file,) = (tmp_path / "store").glob("vehicle=*/**/*.parquet")
    kept = pq.read_table(file, columns=["logger_soc", "ambient_C"], partitioning=None)
    np.testing.assert_allclose(kept["logger_soc"], truth.soc / 100, atol=1e-6)
    np.testing.assert_allclose(kept["ambient_C"], 15.5 + np.arange(400) // 100, atol=1e-6)


@pytest.mark.parametrize("ending", ["gz", "bz2", "xz", "zst", "zip"])
def test_packed_files(ending: str, tmp_path: Path) -> None:
    truth = drive()
    log = imported(write(truth, GERMAN, tmp_path, f"log.csv.{ending}"), pack_for(truth), tmp_path / "store")
    assert_same(log, truth, GERMAN)


@pytest.mark.parametrize(
    "name",
    ["plain", "german", "by module", "charging positive", "two currents", "mA", "K", "counted from nought"],
)
def test_inspected_profile_reads_the_same(name: str, tmp_path: Path) -> None:
    """The profile that inspection prints, given back, reads the same log."""
    import tomllib

    from bmslogs.importers import inspect_file

    truth, d = drive(), CASES[name]
    path = write(truth, d, tmp_path)
    text = inspect_file(path, pack=pack_for(truth)).profile_toml()
    log = imported(path, pack_for(truth), tmp_path / "store", parse_profile(tomllib.loads(text)))
    assert_same(log, truth, d)


@pytest.mark.parametrize("cells", [1, 3, 15])
def test_a_decimal_comma_between_tabs_is_no_delimiter(cells: int, tmp_path: Path) -> None:
    truth = drive(cells=cells)

    def epoch(time: np.datetime64) -> str:
        return f"{int(time.astype('datetime64[ms]').astype(np.int64)) / 1e3:.3f}".replace(".", ",")

    d = D.but(delimiter="\t", decimal=",", time_text=epoch)
    assert_same(imported(write(truth, d, tmp_path), pack_for(truth), tmp_path / "store"), truth, d)


@pytest.mark.parametrize("marks", [(";", ","), (",", ".")])
def test_a_blank_within_a_stamp_parts_no_fields(marks: tuple[str, str], tmp_path: Path) -> None:
    truth = drive(cells=1, sensors=1)
    mode = {"Mode": lambda r: "DCHG" if truth.current[r] >= 0 else "CHG"}
    d = D.but(
        delimiter=marks[0],
        decimal=marks[1],
        extras=mode,
        time_text=stamp("%Y-%m-%d %H:%M:%S"),
        units_row=("V", "A", "C"),
    )
    assert_same(imported(write(truth, d, tmp_path), pack_for(truth), tmp_path / "store"), truth, d)


def test_a_row_of_units_repeated_with_the_header_is_no_reading(tmp_path: Path) -> None:
    truth = drive(sensors=2)
    truth.temperatures[:] = 21.0
    d = D.but(units_row=("V", "A", "C"), cell_name=lambda c: f"Cell{c}", current_name="Current",
                      temperature_name=lambda s: f"T{s}")  # fmt: skip
    lines = text_of(truth, d).splitlines()
    path = put(("\n".join([*lines[:150], *lines[:2], *lines[150:]]) + "\n").encode(), tmp_path / "log.csv")
    log = imported(path, pack_for(truth), tmp_path / "store")
    assert_same(log, truth, d)
    assert [(r["rule"], r["rows"]) for r in log.repairs] == [("header_repeated", 2)]


def test_a_last_name_for_remarks_may_stand_over_no_field(tmp_path: Path) -> None:
    truth = drive()
    lines = text_of(truth, D).splitlines()
    path = put(("\n".join([lines[0] + ",Comment", *lines[1:]]) + "\n").encode(), tmp_path / "log.csv")
    assert_same(imported(path, pack_for(truth), tmp_path / "store"), truth, D)
