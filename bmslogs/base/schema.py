"""JSON Schema (draft 2020-12) of published results, from the same annotations as their JSON."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Mapping
from typing import Any, Literal, NotRequired, cast, get_args, get_origin, get_type_hints, is_typeddict

from bmslogs.base.marks import FILLED, LATER, OMITTED, AtLeast, Closed, Mark, Matches, WrittenBy
from bmslogs.base.published import (
    Entry,
    Published,
    bare,
    entries,
    is_published,
    item_of,
    mark_in,
    optional,
    tag_of,
)

Schema = dict[str, Any]
SIMPLE = {
    str: "string",
    int: "integer",
    float: "number",
    bool: "boolean",
    dt.datetime: "string",
    None: "null",
}


def schema_of(cls: type[Published], **closed: Iterable[str]) -> Schema:
    """Return the schema of a published document.

    Parameters
    ----------
    cls
        Its class; ``schema`` is the first of its keys and names it.
    closed
        Keys of the registries that close a list, by its name: ``quantity=QUANTITIES, cause=CAUSES``.

    Raises
    ------
    TypeError
        An annotation has no form in JSON.
    """
    named = next(e.hint for e in entries(cast(Any, cls)) if e.key == "schema")
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": get_args(named)[0],
        **_Maker({name: list(keys) for name, keys in closed.items()}).object_of(cls),
    }


class _Maker:
    """Makes schemas of types, with the closed lists at hand."""

    def __init__(self, closed: Mapping[str, list[str]]) -> None:
        self._closed = closed

    def object_of(self, cls: Any) -> Schema:
        """Return the schema of a published class; one alternative a value of the tag where fields go by one."""
        tag, values = tag_of(cls)
        made = [self._object(entries(cls), tag, value) for value in values]
        return made[0] if tag is None else {"oneOf": made}

    def _object(self, keys: Iterable[Entry], tag: str | None, value: str | None) -> Schema:
        standing = [e for e in keys if e.stands(value)]
        return _closed_object(
            {e.key: {"const": value} if e.name == tag else self.of(*e.as_tagged(value)) for e in standing},
            [e.key for e in standing if OMITTED not in e.marks and LATER not in e.marks],
        )

    def of(self, hint: Any, marks: tuple[Mark, ...] = ()) -> Schema:
        """Return the schema of a type with its marks."""
        hint, nullable = optional(hint)
        nullable = nullable and OMITTED not in marks  # null is left out
        hint, own = bare(hint)
        made = self._type(hint, (*marks, *own))
        if not nullable:
            return made
        if set(made) == {"type"}:
            return {"type": [made["type"], "null"]}
        return {"anyOf": [made, {"type": "null"}]}

    def _type(self, hint: Any, marks: tuple[Mark, ...]) -> Schema:
        """Return the schema of a type that is not null."""
        closed = mark_in(marks, Closed)
        if closed is not None:
            return {"enum": self._closed[closed.value]}
        if mark_in(marks, WrittenBy) is not None:
            return {"type": "string"}
        if hint in SIMPLE:
            return {"type": SIMPLE[hint], **_limits(hint, marks)}
        return self._made_of_others(hint, marks)

    def _made_of_others(self, hint: Any, marks: tuple[Mark, ...]) -> Schema:
        origin, of = get_origin(hint), get_args(hint)
        if hint is Any:
            return {}
        if origin is Literal:
            return {"const": of[0]} if len(of) == 1 else {"enum": list(of)}
        if origin in (tuple, list):
            return {
                "type": "array",
                "items": self.of(*bare(item_of(hint))),
                **({"minItems": 1} if FILLED in marks else {}),
            }
        if isinstance(origin, type) and issubclass(origin, Mapping):
            each = self.of(*bare(of[1]))
            return {"type": "object", **({"additionalProperties": each} if each else {})}
        if is_typeddict(hint):
            return self._typed_dict(hint)
        if is_published(hint):
            return self.object_of(hint)
        raise TypeError(f"{hint!r} has no form in JSON")

    def _typed_dict(self, hint: Any) -> Schema:
        of, required = {}, []
        for name, given in get_type_hints(hint, include_extras=True).items():
            if get_origin(given) is NotRequired:
                given = get_args(given)[0]
            elif hint.__total__:
                required.append(name)
            of[name] = self.of(*bare(given))
        return _closed_object(of, required)


def _closed_object(properties: Mapping[str, Schema], required: list[str]) -> Schema:
    """Return the schema of an object that has no keys but these."""
    return {
        "type": "object",
        "required": required,
        "properties": dict(properties),
        "additionalProperties": False,
    }


def _limits(hint: Any, marks: tuple[Mark, ...]) -> Schema:
    """Return what a simple type is limited to."""
    least, pattern = mark_in(marks, AtLeast), mark_in(marks, Matches)
    return {
        **({"minimum": least.value} if least else {}),
        **({"pattern": pattern.value} if pattern else {}),
        **({"minLength": 1} if FILLED in marks else {}),
    }
