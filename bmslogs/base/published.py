"""Published results: a dataclass of annotated fields is the definition, its JSON object follows from it, and back.

A field is a key of the same name, in the order of definition; marks of `bmslogs.base.marks` say where it is otherwise.
What a class works out by a property and publishes as well is named in `computed` and stands last.

| annotation | in JSON |
|---|---|
| ``float`` | a number with the digits that matter; null for what is not a finite number |
| ``tuple[X, ...]``, ``list[X]`` | a list |
| ``Mapping[str, X]`` | an object, its values as X |
| a ``TypedDict`` | the object as it is |
| ``Any`` | as it is, a float with the digits that matter |
| ``datetime`` | ISO 8601 |
| another published class | its object |
"""

from __future__ import annotations

import datetime as dt
import math
import sys
from collections.abc import Callable, Mapping
from dataclasses import MISSING, fields
from functools import cache
from types import NoneType, UnionType
from typing import (
    Annotated,
    Any,
    ClassVar,
    Literal,
    NamedTuple,
    Self,
    TypeVar,
    Union,
    cast,
    get_args,
    get_origin,
    get_type_hints,
    is_typeddict,
)

from bmslogs.base.marks import HIDDEN, OMITTED, By, Decimals, Key, Mark, WrittenBy

Conversion = Callable[[Any], Any]
P = TypeVar("P", bound=Mark)


class Published:
    """A dataclass whose JSON object follows from its annotated fields.

    Attributes
    ----------
    computed
        Properties that are published after the fields.
    """

    __slots__ = ()
    computed: ClassVar[tuple[str, ...]] = ()

    def to_json(self) -> dict[str, Any]:
        """Return the JSON object."""
        written: dict[str, Any] = writer(cast(Any, type(self)))(self)
        return written

    @classmethod
    def from_json(cls, data: Mapping[str, Any]) -> Self:
        """Read one back from its JSON object; keys that it does not know are passed over.

        Raises
        ------
        TypeError
            A key without a default is missing.
        """
        made: Self = reader(cast(Any, cls))(data)
        return made


class Entry(NamedTuple):
    """One key of a published class.

    Attributes
    ----------
    name, key
        Of the field or property, and in JSON.
    hint, marks
        Its type without the marks, and these.
    default
        MISSING where there is none.
    given
        Whether the class is made with it.
    """

    name: str
    key: str
    hint: Any
    marks: tuple[Mark, ...]
    default: Any = MISSING
    given: bool = True

    def stands(self, value: str | None) -> bool:
        """Whether the key stands in an object whose tag has this value."""
        by = mark_in(self.marks, By)
        return by is None or value in by.value

    def as_tagged(self, value: str | None) -> tuple[Any, tuple[Mark, ...]]:
        """Return its type and marks in such an object."""
        by = mark_in(self.marks, By)
        return (self.hint, self.marks) if by is None or value is None else bare(by.value[value])


def mark_in(marks: tuple[Mark, ...], kind: type[P]) -> P | None:
    """Return the mark of a kind, None where there is none."""
    return next((m for m in marks if isinstance(m, kind)), None)


def bare(hint: Any) -> tuple[Any, tuple[Mark, ...]]:
    """Return a type without its marks, and the marks."""
    if get_origin(hint) is not Annotated:
        return hint, ()
    of, *marks = get_args(hint)
    return of, tuple(m for m in marks if isinstance(m, Mark))


def optional(hint: Any) -> tuple[Any, bool]:
    """Return ``X`` of ``X | None``, and whether None is allowed."""
    if get_origin(hint) not in (Union, UnionType):
        return hint, False
    parts = [p for p in get_args(hint) if p is not NoneType]
    return (parts[0] if len(parts) == 1 else Union[tuple(parts)]), len(parts) < len(get_args(hint))  # noqa: UP007


def item_of(hint: Any) -> Any:
    """Return ``X`` of ``tuple[X, ...]`` or ``list[X]``.

    Raises
    ------
    TypeError
        A tuple has places of their own: such a thing wants names.
    """
    of, *more = get_args(hint)
    if get_origin(hint) is tuple and more != [Ellipsis]:
        raise TypeError(f"{hint!r} has no form in JSON")
    return of


@cache
def entries(cls: Any) -> tuple[Entry, ...]:
    """Return the keys of a published class, in their order."""
    hints = get_type_hints(cls, include_extras=True)
    found = []
    for f in fields(cls):
        hint, marks = bare(hints[f.name])
        if HIDDEN not in marks:
            default = f.default if f.default_factory is MISSING else f.default_factory()
            found.append(_entry(f.name, hint, marks, default, f.init))
    for name in cls.computed:
        hint, marks = bare(get_type_hints(getattr(cls, name).fget, include_extras=True)["return"])
        found.append(_entry(name, hint, marks, MISSING, False))
    return tuple(found)


def tag_of(cls: Any) -> tuple[str | None, tuple[str | None, ...]]:
    """Return the field that others go by, and the values that it may have; None where all keys always stand."""
    for e in entries(cls):
        by = mark_in(e.marks, By)
        if by is not None:
            return by.tag, get_args(next(other.hint for other in entries(cls) if other.name == by.tag))
    return None, (None,)


def is_published(hint: Any) -> bool:
    """Whether a type is a published class."""
    return isinstance(hint, type) and issubclass(hint, Published)


def _entry(name: str, hint: Any, marks: tuple[Mark, ...], default: Any, given: bool) -> Entry:
    key = mark_in(marks, Key)
    return Entry(name, key.value if key else name, hint, marks, default, given)


@cache
def writer(cls: Any) -> Conversion:
    """Return what makes the JSON object of an instance."""
    keys = entries(cls)
    tag, values = tag_of(cls)
    steps = {
        value: [
            (e.name, e.key, _written(e.hint, e.marks), OMITTED in e.marks, e.default)
            for e in keys
            if e.stands(value)
        ]
        for value in values
    }

    def write(made: Any) -> dict[str, Any]:
        out: dict[str, Any] = {}
        for name, key, convert, omitted, default in steps[getattr(made, tag) if tag else None]:
            value = getattr(made, name)
            if omitted and value == default:
                continue
            if convert is not None:
                value = convert(value)
            if value is not None or not omitted:
                out[key] = value
        return out

    return write


@cache
def reader(cls: Any) -> Conversion:
    """Return what makes an instance from its JSON object."""
    steps = [(e.key, e.name, _read(e.hint)) for e in entries(cls) if e.given]

    def read(data: Mapping[str, Any]) -> Any:
        return cls(
            **{
                name: convert(data[key]) if convert else data[key]
                for key, name, convert in steps
                if key in data
            }
        )

    return read


def _written(hint: Any, marks: tuple[Mark, ...] = ()) -> Conversion | None:
    """Return what makes a value of a type one of JSON; None where it is one."""
    hint, nullable = optional(hint)
    hint, own = bare(hint)
    by, decimals = mark_in((*marks, *own), WrittenBy), mark_in((*marks, *own), Decimals)
    if by is not None:
        convert: Conversion | None = by.value
    elif hint is float:
        return json_number if decimals is None else _rounded(decimals.value)
    else:
        convert = _written_container(hint) or PLAIN_WRITERS.get(hint)
    return _unless_none(convert) if nullable and convert is not None else convert


def _written_container(hint: Any) -> Conversion | None:
    """Return what writes a list, an object or a published class; None for all else."""
    origin, of = get_origin(hint), get_args(hint)
    if origin in (tuple, list):
        return _listed(list, _written(*bare(item_of(hint))))
    if isinstance(origin, type) and issubclass(origin, Mapping):
        return _mapped(_written(*bare(of[1])))
    return writer(hint) if is_published(hint) else None


def _read(hint: Any) -> Conversion | None:
    """Return what makes a value of a type from one of JSON; None where it is one."""
    hint, nullable = optional(bare(hint)[0])
    hint = bare(hint)[0]
    convert = _read_container(hint)
    if convert is None and (hint in (str, Any) or get_origin(hint) is Literal):
        return once
    if hint is dt.datetime:
        convert = dt.datetime.fromisoformat
    return _unless_none(convert) if nullable and convert is not None else convert


def _read_container(hint: Any) -> Conversion | None:
    """Return what reads a list, an object or a published class; None for all else."""
    origin, of = get_origin(hint), get_args(hint)
    if is_typeddict(hint):
        return dict
    if origin in (tuple, list):
        return _listed(origin, _read(item_of(hint)))
    if isinstance(origin, type) and issubclass(origin, Mapping):
        return _mapped(_read(of[1]))
    return reader(hint) if is_published(hint) else None


def _listed(kind: Conversion, each: Conversion | None) -> Conversion:
    return kind if each is None else lambda values: kind([each(v) for v in values])


def _mapped(each: Conversion | None) -> Conversion:
    return dict if each is None else lambda values: {sys.intern(k): each(v) for k, v in values.items()}


def _unless_none(convert: Conversion) -> Conversion:
    return lambda value: None if value is None else convert(value)


def json_number(value: float | None) -> float | None:
    """Return a JSON number with the digits that matter, None for what is not a finite number."""
    return None if value is None or not math.isfinite(value) else float(f"{value:.6g}")


def _rounded(decimals: int | None) -> Conversion:
    def convert(value: float | None) -> float | None:
        if value is None or not math.isfinite(value):
            return None
        return value if decimals is None else round(float(value), decimals)

    return convert


def _plain(value: Any) -> Any:
    return json_number(value) if isinstance(value, float) else value


def once(value: Any) -> Any:
    """Return a text as one object however often it is read: hundreds of estimates share their few sentences."""
    return sys.intern(value) if type(value) is str else value


PLAIN_WRITERS: dict[Any, Conversion] = {int: int, bool: bool, Any: _plain, dt.datetime: dt.datetime.isoformat}
"""How values of a simple type are written; others stand as they are."""
