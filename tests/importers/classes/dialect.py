"""How a logger writes: delimiter, decimal mark, language, names, units, encoding, layout, stamps."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass, field

import numpy as np

from tests.importers.classes.string_model import Array, Rng

WORDS = {
    "en": ("Time", "Date", "Time", "Current", "Cell {k}", "Temperature {k}", "Pack voltage"),
    "de": ("Zeit", "Datum", "Uhrzeit", "Strom", "Zelle {k}", "Temperatur {k}", "Gesamtspannung"),
    "fr": ("Temps", "Date", "Heure", "Courant", "Cellule {k}", "Température {k}", "Tension totale"),
    "es": ("Tiempo", "Fecha", "Hora", "Corriente", "Celda {k}", "Temperatura {k}", "Tensión total"),
    "it": ("Tempo", "Data", "Ora", "Corrente", "Cella {k}", "Temperatura {k}", "Tensione totale"),
    "nl": ("Tijd", "Datum", "Tijd", "Stroom", "Cel {k}", "Temperatuur {k}", "Totale spanning"),
    "nb": ("Tid", "Dato", "Klokkeslett", "Strøm", "Celle {k}", "Temperatur {k}", "Total spenning"),
    "sv": ("Tid", "Datum", "Tid", "Ström", "Cell {k}", "Temperatur {k}", "Total spänning"),
}
"""Words of each language: stamp, date, time of day, current, cell, temperature, pack voltage."""
ENGLISH_CELLS = (
    "Cell {k}",
    "Cell {k} voltage",
    "U{k}",
    "V{k:02d}",
    "cell_{k:03d}",
    "Vcell{k}",
    "Cell{k:02d}",
)
ENGLISH_TEMPERATURES = ("Temperature {k}", "T{k}", "Temp {k}", "temp_{k}")


@dataclass
class Dialect:
    """One logger's way of writing.

    Attributes
    ----------
    units
        Where units stand: `[]`, `()`, `_`, a blank, `row` (a row of their own) or `none`.
    cell_unit
        V or mV.
    """

    delimiter: str = ","
    decimal: str = "."
    language: str = "en"
    units: str = "[]"
    cell_unit: str = "V"
    cell_name: str = "Cell {k}"
    temperature_name: str = "Temperature {k}"
    first: int = 1
    encoding: str = "utf-8"
    newline: str = "\n"
    quote: bool = False
    preamble: tuple[str, ...] = ()
    layout: str = "wide"
    trailing: bool = False

    @property
    def words(self) -> tuple[str, ...]:
        return WORDS[self.language]


def draw_dialect(rng: Rng, *, layout: bool = True, simple: bool = False) -> Dialect:
    """Return a dialect by chance; `simple` keeps to a plain table (no preamble, no quotes, no units row)."""
    language = str(rng.choice(list(WORDS))) if rng.random() < 0.5 else "en"
    decimal = "," if language != "en" and rng.random() < 0.6 else "."
    delimiters = [";", "\t"] if decimal == "," else [",", ";", "\t", ",", "|"]
    cell = str(rng.choice(ENGLISH_CELLS)) if language == "en" else WORDS[language][4]
    temperature = str(rng.choice(ENGLISH_TEMPERATURES)) if language == "en" else WORDS[language][5]
    d = Dialect(
        delimiter=str(rng.choice(delimiters)),
        decimal=decimal,
        language=language,
        units=str(rng.choice(["[]", "()", "_", " ", "none"] + ([] if simple else ["row"]))),
        cell_unit=str(rng.choice(["V", "mV"])),
        cell_name=cell,
        temperature_name=temperature,
        first=0 if rng.random() < 0.12 else 1,
        newline="\r\n" if rng.random() < 0.4 else "\n",
    )
    if simple:
        return d
    d.encoding = str(rng.choice(["utf-8", "utf-8", "utf-8-sig", "cp1252", "utf-16"]))
    d.quote = rng.random() < 0.12
    d.trailing = rng.random() < 0.06
    if rng.random() < 0.15:
        d.preamble = (
            "# vehicle Heron, test drive", "# logger 7",
        )[: int(rng.integers(1, 3))]  # fmt: skip
    if layout and rng.random() < 0.08:
        d.layout = "long"
    return d


def numbers(values: Array, decimals: int) -> list[str]:
    """Return numbers with a point; NaN is an empty field."""
    return ["" if v != v else f"{v:.{decimals}f}" for v in np.asarray(values, float).tolist()]


@dataclass
class Column:
    """A column of a sheet: its header without the unit, its unit, its fields with a decimal point."""

    header: str
    unit: str
    texts: list[str]
    role: str
    numeric: bool = True

    def title(self, units: str) -> str:
        """Return the header as the dialect writes the unit."""
        if not self.unit or units in ("none", "row"):
            return self.header
        return {
            "[]": f"{self.header} [{self.unit}]",
            "()": f"{self.header} ({self.unit})",
            "_": f"{self.header}_{self.unit}",
            " ": f"{self.header} {self.unit}",
        }[units]


BARE = ("cell", "temperature", "time")
"""Roles whose values tell the unit, so that a header may leave it out."""


@dataclass
class Sheet:
    """The table that a logger writes."""

    dialect: Dialect
    columns: list[Column] = field(default_factory=list)

    def add(self, header: str, unit: str, texts: list[str], role: str, numeric: bool = True) -> Column:
        """Append a column and return it."""
        self.columns.append(Column(header, unit, texts, role, numeric))
        return self.columns[-1]

    def by_role(self, role: str) -> list[Column]:
        """Return the columns of a role."""
        return [c for c in self.columns if c.role == role]

    def titles(self) -> list[str]:
        """Return the headers as written."""
        units = self.dialect.units
        # Where a bare header would leave a unit in doubt (A or 0.1 A), the logger writes it all the same.
        return [c.title("[]" if units == "none" and c.role not in BARE else units) for c in self.columns]

    def header_lines(self) -> list[str]:
        """Return the header line, and the line of units where the dialect has one."""
        lines = [self.join(self.titles())]
        if self.dialect.units == "row":
            lines.append(self.join([c.unit for c in self.columns]))
        return lines

    def join(self, fields: list[str]) -> str:
        """Return one line."""
        d = self.dialect
        if d.quote:
            fields = [f'"{f}"' for f in fields]
        return d.delimiter.join(fields) + (d.delimiter if d.trailing else "")

    def body_lines(self) -> list[str]:
        """Return the data lines."""
        d = self.dialect
        texts = [
            [t.replace(".", d.decimal) for t in c.texts] if c.numeric and d.decimal != "." else c.texts
            for c in self.columns
        ]
        return [self.join(list(row)) for row in zip(*texts)]

    def long_lines(self) -> tuple[list[str], list[str]]:
        """Return header and data lines of one row a cell; temperatures are left out."""
        cells = self.by_role("cell")
        others = [c for c in self.columns if c.role in ("time", "current", "counter", "mode")]
        d = self.dialect
        word = {"en": "Cell", "de": "Zelle", "fr": "Cellule", "es": "Celda", "it": "Cella"}.get(d.language)
        voltage = {"de": "Spannung", "fr": "Tension", "es": "Tensión", "it": "Tensione"}.get(d.language)
        sheet = Sheet(d, [Column(c.header, c.unit, [], c.role, c.numeric) for c in others])
        number = sheet.add(word or "Cell", "", [], "number")
        volt = sheet.add(voltage or "Voltage", cells[0].unit, [], "cell")
        rows = len(cells[0].texts)
        for k in range(rows):
            for c, cell in enumerate(cells):
                for column, source in zip(sheet.columns, others):
                    column.texts.append(source.texts[k])
                number.texts.append(str(c + d.first))
                volt.texts.append(cell.texts[k])
        return sheet.header_lines(), sheet.body_lines()

    def lines(self) -> tuple[list[str], list[str]]:
        """Return the lines before the data, and those of the data."""
        if self.dialect.layout == "long":
            head, body = self.long_lines()
        else:
            head, body = self.header_lines(), self.body_lines()
        return [*self.dialect.preamble, *head], body

    def encode(self, lines: list[str]) -> bytes:
        """Return a file of these lines."""
        text = self.dialect.newline.join(lines) + self.dialect.newline
        return text.encode(self.dialect.encoding, errors="replace")

    def data(self) -> bytes:
        """Return the file."""
        head, body = self.lines()
        return self.encode(head + body)


def utc(seconds: float) -> dt.datetime:
    """Return a UTC time without zone, to the millisecond."""
    return dt.datetime(1970, 1, 1) + dt.timedelta(milliseconds=round(seconds * 1000))


def formatted(time_s: Array, form: str, places: int = 0) -> list[str]:
    """Return stamps by `strftime`; `{f}` in `form` stands for the fraction with `places` digits."""
    out = []
    for s in time_s.tolist():
        at = utc(s)
        fraction = f"{at.microsecond:06d}"[:places]
        out.append(at.strftime(form).replace("{f}", fraction))
    return out


def has_fractions(time_s: Array) -> bool:
    """Return whether any stamp is not a whole second."""
    return bool(np.any(np.abs(time_s - np.round(time_s)) > 5e-4))


def add_time(sheet: Sheet, rng: Rng, time_s: Array, style: str | None = None) -> bool:
    """Append one of the plain ways to write time; return whether the file says the date."""
    d = sheet.dialect
    stamp, date, clock = d.words[0], d.words[1], d.words[2]
    if style is None:
        style = str(rng.choice(["iso", "isoz", "blank", "epoch", "epoch_ms", "elapsed", "two", "dotted"]))
    places = 3 if has_fractions(time_s) else 0
    tail = ".{f}" if places else ""
    if style == "iso":
        sheet.add(stamp, "", formatted(time_s, f"%Y-%m-%dT%H:%M:%S{tail}", places), "time", False)
    elif style == "isoz":
        sheet.add(stamp, "", formatted(time_s, f"%Y-%m-%dT%H:%M:%S{tail}Z", places), "time", False)
    elif style == "blank":
        sheet.add(stamp, "", formatted(time_s, f"%Y-%m-%d %H:%M:%S{tail}", places), "time", False)
    elif style == "epoch":
        sheet.add("epoch_s" if d.units == "_" else stamp, "", numbers(time_s, places), "time")
    elif style == "epoch_ms":
        sheet.add("timestamp_ms", "", numbers(np.round(time_s * 1000), 0), "time")
    elif style == "elapsed":
        column = sheet.add(stamp, "s", numbers(time_s - time_s[0], places), "time")
        if d.units in ("none", "row"):
            column.header, column.unit = "elapsed_s", ""
        return False
    elif style == "two":
        sheet.add(date, "", formatted(time_s, "%Y-%m-%d"), "time", False)
        if clock == date:
            clock = "Clock"
        sheet.add(clock, "", formatted(time_s, f"%H:%M:%S{tail}", places), "time", False)
    else:
        sheet.add(stamp, "", formatted(time_s, f"%d.%m.%Y %H:%M:%S{tail}", places), "time", False)
    return True
