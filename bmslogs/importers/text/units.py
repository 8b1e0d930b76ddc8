"""Units: how headers spell them, and which of them the values allow."""

from __future__ import annotations

import re
from dataclasses import dataclass


@dataclass(frozen=True)
class Unit:
    """A unit of the logger: ``value * scale + offset`` is in the base unit.

    Attributes
    ----------
    kind
        ``voltage`` [V], ``current`` [A], ``temperature`` [degC], ``time`` [s], ``fraction`` or ``other``.
    name
        As the profile spells it.
    """

    kind: str
    name: str
    scale: float
    offset: float = 0.0


def _table() -> dict[str, Unit]:
    rows: list[tuple[str, str, str, float, float]] = [
        ("voltage", "V", "v volt volts", 1.0, 0.0),
        ("voltage", "mV", "mv millivolt millivolts", 1e-3, 0.0),
        ("voltage", "0.1mV", "0.1mv 100uv 100µv v*10000 vx10000 1e-4v", 1e-4, 0.0),
        ("voltage", "uV", "uv µv μv microvolt", 1e-6, 0.0),
        ("voltage", "10mV", "10mv 0.01v cv v/100 vx100", 1e-2, 0.0),
        ("voltage", "0.1V", "0.1v dv 100mv v/10 vx10", 1e-1, 0.0),
        ("voltage", "kV", "kv", 1e3, 0.0),
        ("current", "A", "a amp amps ampere amperes", 1.0, 0.0),
        ("current", "mA", "ma milliamp milliamps milliampere", 1e-3, 0.0),
        ("current", "0.1A", "0.1a da 100ma a/10 ax10 deciamp deciampere", 1e-1, 0.0),
        ("current", "0.01A", "0.01a 10ma ca a/100 ax100", 1e-2, 0.0),
        ("current", "kA", "ka", 1e3, 0.0),
        ("temperature", "degC", "c °c degc deg_c celsius ºc ˚c grad gradc deg ° 'c", 1.0, 0.0),
        ("temperature", "0.1degC", "0.1c 0.1°c 0.1degc dc d°c", 0.1, 0.0),
        ("temperature", "degF", "f °f degf deg_f fahrenheit ºf ˚f", 5 / 9, -160 / 9),
        ("temperature", "K", "k kelvin degk °k", 1.0, -273.15),
        ("temperature", "0.1K", "0.1k dk 100mk decikelvin", 0.1, -273.15),
        (
            "time",
            "s",
            "s sec secs second seconds sek sekunden secondes segundos secondi sekunder seconden sekundy",
            1.0,
            0.0,
        ),
        ("time", "ms", "ms msec millis milliseconds millisekunden", 1e-3, 0.0),
        ("time", "us", "us µs μs usec microseconds", 1e-6, 0.0),
        ("time", "min", "min mins minute minutes minuten minuti minutos minuty", 60.0, 0.0),
        ("time", "h", "h hr hrs hour hours std stunden heures horas ore timer uren godz", 3600.0, 0.0),
        ("time", "d", "days tage jours dagen dni", 86400.0, 0.0),
        ("fraction", "%", "% percent prozent pct %soc", 0.01, 0.0),
        ("fraction", "1", "fraction ratio", 1.0, 0.0),
        ("other", "Ah", "ah mah kah as", 1.0, 0.0),
        ("other", "W", "w kw wh kwh mw j", 1.0, 0.0),
        ("other", "ohm", "ohm mohm ω mω kohm mohms µohm uohm ohms", 1.0, 0.0),
        (
            "other",
            "-",
            "km/h kmh mph rpm 1/min hz kpa bar nm m km bool bit hex enum count dec 0/1 on/off bits flag text utc",
            1.0,
            0.0,
        ),
    ]
    out: dict[str, Unit] = {}
    for kind, name, words, scale, offset in rows:
        for word in words.split():
            out[word] = Unit(kind, name, scale, offset)
    return out


UNITS = _table()
"""Every spelling, in small letters without blanks, and its unit."""


def find_unit(text: str) -> Unit | None:
    """Return the unit that a text spells, None where it spells none."""
    key = re.sub(r"[\s\[\](){}]", "", text).lower().replace("×", "x").replace(",", ".")
    key = key.removeprefix("in") if key.startswith("in") and key[2:] in UNITS else key
    return UNITS.get(key)


def is_unit(text: str) -> bool:
    """Whether a text spells a unit."""
    return find_unit(text) is not None


def named(kind: str, name: str) -> Unit | None:
    """Return the unit of a kind by its profile name or any spelling of it."""
    for unit in UNITS.values():
        if unit.kind == kind and unit.name == name:
            return unit
    found = find_unit(name)
    return found if found is not None and found.kind == kind else None
