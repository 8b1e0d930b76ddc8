"""The logger profile: what the header does not say for itself, checked key by key."""

from __future__ import annotations

import datetime as dt
import re
import zoneinfo
from pathlib import Path
from typing import Any, Literal, Self

from pydantic import BaseModel, ConfigDict, Field, ValidationError, field_validator, model_validator

from bmslogs.base.errors import BadProfile
from bmslogs.base.toml import read_toml, refused
from bmslogs.importers.text.units import named


class _Section(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


def _unit_of(kind: str, value: str) -> str:
    if named(kind, value) is None:
        raise ValueError(f"{value!r} is no unit of {kind}")
    return value


MOST_REPEATS = 8
"""Choice: a pattern over headers needs one or two; each more multiplies the work of a header that does not fit."""


def _endless(pattern: str) -> bool:
    """Whether matching a pattern may take without end: groups repeated around repeats or choices, or many repeats."""
    inside: list[bool] = [False]
    repeats = at = 0
    while at < len(pattern):
        char = pattern[at]
        if char == "\\":
            at += 2
            continue
        if char == "[":
            end = pattern.find("]", at + 2)
            at = len(pattern) if end < 0 else end + 1
            continue
        if char == "(":
            inside.append(False)
        elif char == ")" and len(inside) > 1:
            held = inside.pop()
            if held and re.match(r"[*+]|\{\d*,", pattern[at + 1 : at + 6]):
                return True
            inside[-1] |= held
        elif char in "*+|" or re.match(r"\{\d*,", pattern[at : at + 6]):
            inside[-1] = True
            repeats += char != "|"
        at += 1
    return repeats > MOST_REPEATS


def _regex(value: str, *groups: str) -> str:
    try:
        pattern = re.compile(value)
    except re.error as error:
        raise ValueError(f"{value!r} is no regular expression ({error})") from None
    except (RecursionError, OverflowError):
        raise ValueError(f"{value[:40]!r}.. is no regular expression that can be used") from None
    if _endless(value):
        raise ValueError(f"{value[:40]!r} repeats a group that repeats or chooses; matching it may never end")
    if groups and not set(groups) & set(pattern.groupindex):
        raise ValueError(f"{value!r} has no group (?P<{groups[0]}>..)")
    return value


DIRECTIVES = frozenset("aAbBcdfHIjmMpSuUVwWxXyYzZG%")
"""What may stand behind a % in a format of `datetime.strptime`."""


class Time(_Section):
    """Where the time stands, how it is written, in which zone, and which side of a jump of the clock is right."""

    column: str | None = None
    columns: tuple[str, ...] | None = None
    format: str | None = None
    zone: str | None = None
    start: dt.datetime | None = None
    right: Literal["earlier", "later", "both"] | None = None

    @field_validator("format")
    @classmethod
    def _known_parts(cls, value: str | None) -> str | None:
        if value is not None and "%" in value:
            unknown = [m for m in re.findall(r"%(.?)", value) if m not in DIRECTIVES or not m]
            if unknown:
                raise ValueError(f"{value!r}: no part of a time is written %{unknown[0]}")
            if not re.search(r"%[^%]", value.replace("%%", "")):
                raise ValueError(f"{value!r} names no part of a time")
        return value

    @field_validator("zone")
    @classmethod
    def _known_zone(cls, value: str | None) -> str | None:
        if value is not None:
            try:
                zoneinfo.ZoneInfo(value)
            except (zoneinfo.ZoneInfoNotFoundError, ValueError, OSError):
                raise ValueError(f"{value!r} is no time zone such as Europe/Oslo") from None
        return value

    @model_validator(mode="after")
    def _one_of(self) -> Self:
        if self.column is not None and self.columns is not None:
            raise ValueError("column and columns exclude each other")
        if self.columns is not None and not 1 <= len(self.columns) <= 2:
            raise ValueError("columns names the date and the time of day")
        return self


class Current(_Section):
    """The current: column, unit, and the sign that the logger gives to discharge."""

    column: str | None = None
    charge_column: str | None = None
    discharge_column: str | None = None
    unit: str | None = None
    discharge: Literal["positive", "negative"] | None = None

    @field_validator("unit")
    @classmethod
    def _unit(cls, value: str | None) -> str | None:
        return value if value is None else _unit_of("current", value)


class CellVoltage(_Section):
    """The cells: which headers, which unit, from which number they count."""

    pattern: str | None = None
    unit: str | None = None
    first: int | None = Field(default=None, ge=0)

    @field_validator("pattern")
    @classmethod
    def _pattern(cls, value: str | None) -> str | None:
        return value if value is None else _regex(value, "cell")

    @field_validator("unit")
    @classmethod
    def _unit(cls, value: str | None) -> str | None:
        return value if value is None else _unit_of("voltage", value)


class Temperature(_Section):
    """The temperature sensors."""

    pattern: str | None = None
    unit: str | None = None

    @field_validator("pattern")
    @classmethod
    def _pattern(cls, value: str | None) -> str | None:
        return value if value is None else _regex(value, "sensor")

    @field_validator("unit")
    @classmethod
    def _unit(cls, value: str | None) -> str | None:
        return value if value is None else _unit_of("temperature", value)


class Bleed(_Section):
    """The balancing flags: boolean columns, or one bitfield."""

    pattern: str | None = None
    column: str | None = None
    kind: Literal["hex", "integer", "binary text"] | None = None
    lowest_bit: Literal["first_cell", "last_cell"] = "first_cell"

    @field_validator("pattern")
    @classmethod
    def _pattern(cls, value: str | None) -> str | None:
        return value if value is None else _regex(value, "cell")

    @model_validator(mode="after")
    def _one_of(self) -> Self:
        if (self.pattern is None) == (self.column is None):
            raise ValueError("give one of pattern (boolean columns) and column (a bitfield)")
        if self.column is not None and self.kind is None:
            raise ValueError("a bitfield column needs kind: hex, integer or binary text")
        return self


class PackVoltage(_Section):
    """The pack voltage that the logger measured."""

    column: str
    unit: str | None = None

    @field_validator("unit")
    @classmethod
    def _unit(cls, value: str | None) -> str | None:
        return value if value is None else _unit_of("voltage", value)


class Layout(_Section):
    """A table in which one row holds one cell, not all of them."""

    shape: Literal["long", "wide"] = "wide"
    cell_column: str | None = None
    module_column: str | None = None
    value_columns: dict[str, str] = {}

    @model_validator(mode="after")
    def _complete(self) -> Self:
        if self.shape == "long" and self.cell_column is None:
            raise ValueError('shape = "long" needs cell_column')
        return self


class File(_Section):
    """What of the file is the log, where it holds more."""

    sheet: str | None = None


class Can(_Section):
    """A recording of a CAN bus: other identifiers (``0x110``) that send a message of the database, by its name."""

    same_layout: dict[str, tuple[str, ...]] = {}

    @field_validator("same_layout")
    @classmethod
    def _identifiers(cls, value: dict[str, tuple[str, ...]]) -> dict[str, tuple[str, ...]]:
        for ident in (i for idents in value.values() for i in idents):
            if not re.fullmatch(r"0[xX][0-9A-Fa-f]{1,8}|\d{1,9}", ident) or int(ident, 0) > 0x1FFFFFFF:
                raise ValueError(f"{ident!r} is no identifier such as 0x110")
        return value


class Profile(_Section):
    """What a logger writes. Every section may be left out: then header and values speak."""

    file: File | None = None
    time: Time | None = None
    current: Current | None = None
    cell_voltage: CellVoltage | None = None
    temperature: Temperature | None = None
    bleed: Bleed | None = None
    pack_voltage: PackVoltage | None = None
    layout: Layout | None = None
    can: Can | None = None

    def canonical(self) -> str:
        """Return the profile as JSON with what was given alone, the same for the same profile."""
        return self.model_dump_json(exclude_none=True, exclude_unset=True)


def parse_profile(document: dict[str, Any], *, file: str | Path | None = None) -> Profile:
    """Build a profile from the parsed profile file.

    Raises
    ------
    BadProfile
        One line: the key, what was found, what was expected.
    """
    try:
        return Profile.model_validate(document)
    except ValidationError as error:
        key = ".".join(str(part) for part in error.errors(include_url=False)[0]["loc"])
        raise refused(error, key, "profile", BadProfile, file) from None


def load_profile(path: str | Path) -> Profile:
    """Read a profile (TOML).

    Raises
    ------
    BadProfile
        Missing, not TOML, or not a profile.
    """
    path = Path(path)
    return parse_profile(read_toml(path, "a profile", BadProfile), file=path)
