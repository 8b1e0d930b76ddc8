"""JSON Schema (draft 2020-12) of the answers, for programs that read them."""

from __future__ import annotations

from typing import Any

from bmslogs.base.results import DIAGNOSIS_SCHEMA

Schema = dict[str, Any]

NUMBER: Schema = {"type": "number"}
NUMBER_OR_NULL: Schema = {"type": ["number", "null"]}
TEXT: Schema = {"type": "string", "minLength": 1}
TEXT_OR_NULL: Schema = {"type": ["string", "null"]}
CELL: Schema = {"type": "integer", "minimum": 1}
TIME: Schema = {"type": "string", "pattern": r"^\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d(\.\d+)?(Z|\+00:00)$"}
KINDS = ("drive", "charge", "rest", "parked")


def _object(required: dict[str, Schema], optional: dict[str, Schema] | None = None) -> Schema:
    """Return the schema of an object that has no keys but these."""
    return {
        "type": "object",
        "required": list(required),
        "properties": {**required, **(optional or {})},
        "additionalProperties": False,
    }


def _list(of: Schema) -> Schema:
    return {"type": "array", "items": of}


LOG = _object(
    {
        "id": TEXT,
        "start": TIME,
        "end": TIME,
        "rows": {"type": "integer", "minimum": 0},
        "kinds": _list({"enum": list(KINDS)}),
    },
    {
        "settings": _object(
            {},
            {
                "voltage_step_V": NUMBER,
                "refresh_s": NUMBER,
                "bled_under_load": NUMBER,
                "cell_columns": _list(TEXT),
            },
        )
    },
)


def diagnosis_schema(quantities: tuple[str, ...], causes: tuple[str, ...]) -> Schema:
    """Return the schema of bmslogs.diagnosis/2.

    Parameters
    ----------
    quantities, causes
        Keys of the two registries: the lists are closed.
    """
    named: dict[str, Schema] = {
        "quantity": {"enum": list(quantities)},
        "cell": {"anyOf": [CELL, {"type": "null"}]},
        "unit": {"type": "string"},
    }
    extra: dict[str, Schema] = {"sensor": TEXT, "conditions": {"type": "object"}}
    determined = _object(
        {**named, "value": NUMBER, "low": NUMBER, "high": NUMBER, "status": {"const": "determined"}}, extra
    )
    unknown = _object(
        {
            **named,
            "value": {"type": "null"},
            "status": {"const": "not_determinable"},
            "why": TEXT,
            "settle_by": TEXT,
        },
        extra,
    )
    bounded = _object(
        {
            **named,
            "value": {"type": "null"},
            "low": NUMBER_OR_NULL,
            "high": NUMBER_OR_NULL,
            "status": {"const": "bounded"},
            "why": TEXT,
            "settle_by": TEXT,
        },
        extra,
    )
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": DIAGNOSIS_SCHEMA,
        **_object(
            {
                "schema": {"const": DIAGNOSIS_SCHEMA},
                "log": LOG,
                "pack": _object({"id": TEXT, "vehicle": TEXT, "cells": CELL}),
                "estimates": _list({"oneOf": [determined, bounded, unknown]}),
                "findings": _list(_finding(causes)),
                "repairs": _list(TEXT),
                "cautions": {**_list(TEXT), "minItems": 1},
            },
            {"logs": _list(LOG), "method": TEXT},
        ),
    }


def _finding(causes: tuple[str, ...]) -> Schema:
    """Return the schema of a finding."""
    return _object(
        {
            "cause": {"enum": list(causes)},
            "level": {"enum": ["act", "look", "note"]},
            "cells": _list(CELL),
            "module": TEXT_OR_NULL,
            "sensor": TEXT_OR_NULL,
            "size": NUMBER_OR_NULL,
            "low": NUMBER_OR_NULL,
            "high": NUMBER_OR_NULL,
            "unit": {"type": "string"},
            "says": TEXT,
            "because": {**_list(TEXT), "minItems": 1},
            "next": {**_list(TEXT), "minItems": 1},
        }
    )


def comparison_schema(quantities: tuple[str, ...]) -> Schema:
    """Return the schema of bmslogs.comparison/1."""
    quantity: Schema = {"enum": list(quantities)}
    bounds = {"low": NUMBER_OR_NULL, "high": NUMBER_OR_NULL}
    cell = _object({"cell": CELL, "value": NUMBER_OR_NULL, **bounds})
    pack = _object(
        {
            "pack": TEXT,
            "median": NUMBER_OR_NULL,
            **bounds,
            "logs": {"type": "integer", "minimum": 0},
            "cells": _list(cell),
        }
    )
    compared = _object(
        {
            "quantity": quantity,
            "reference": {"type": "object"},
            "comparable": {"type": "boolean"},
            "why_not": TEXT_OR_NULL,
            "packs": _list(pack),
        }
    )
    position = _object(
        {
            "position": TEXT,
            "quantity": quantity,
            "effect": NUMBER,
            "low": NUMBER,
            "high": NUMBER,
            "strength": {"enum": ["suggests", "supports"]},
        },
        {"vehicles": {"type": "integer", "minimum": 3}, "design": TEXT},
    )
    ratio = {"ratio": NUMBER, "low": NUMBER, "high": NUMBER}
    difference = _object(
        {"quantity": quantity, "pack": TEXT, "against": TEXT, **ratio, "differ": {"type": "boolean"}}
    )
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": "bmslogs.comparison/1",
        **_object(
            {"schema": {"const": "bmslogs.comparison/1"}, "quantities": _list(compared)},
            {
                "positions": _list(position),
                "changes": _list(_change(quantity)),
                "differences": _list(difference),
                "trends": _list(_trend(quantity)),
                "bleeding": _bleeding(cell, bounds),
                "events": _list(TEXT),
                "notes": _list(TEXT),
                "cautions": {**_list(TEXT), "minItems": 1},
            },
        ),
    }


def _change(quantity: Schema) -> Schema:
    """Return the schema of a cell after against before."""
    return _object(
        {
            "cell": CELL,
            "quantity": quantity,
            "ratio": NUMBER,
            "low": NUMBER,
            "high": NUMBER,
            "finding": {"type": "boolean"},
        },
        {"ratio_raw": NUMBER, "new": {"type": "boolean"}},
    )


def _bleeding(cell: Schema, bounds: dict[str, Any]) -> Schema:
    """Return the schema of what packs were bled, and of how they differ in it."""
    optional_bounds = {"median": NUMBER_OR_NULL, **bounds}
    rate = _object(
        {
            "pack": TEXT,
            **optional_bounds,
            "logs": {"type": "integer", "minimum": 0},
            "weeks": NUMBER_OR_NULL,
            "powered_h_per_week": NUMBER_OR_NULL,
            "why_not": TEXT_OR_NULL,
            "cells": _list(cell),
        }
    )
    return _object(
        {
            "unit": {"const": "Ah per week"},
            "comparable": {"type": "boolean"},
            "why_not": TEXT_OR_NULL,
            "packs": _list(rate),
            "differences": _list(
                _object(
                    {
                        "pack": TEXT,
                        "against": TEXT,
                        "difference": NUMBER,
                        "low": NUMBER,
                        "high": NUMBER,
                        "differ": {"type": "boolean"},
                    }
                )
            ),
        }
    )


def _trend(quantity: Schema) -> Schema:
    """Return the schema of a change per year."""
    return _object(
        {
            "pack": TEXT,
            "quantity": quantity,
            "cell": {"anyOf": [CELL, {"type": "null"}]},
            "per_year": NUMBER,
            "low": NUMBER,
            "high": NUMBER,
            "logs": {"type": "integer", "minimum": 2},
            "first": TEXT,
            "last": TEXT,
        }
    )


def history_schema(quantities: tuple[str, ...]) -> Schema:
    """Return the schema of bmslogs.history/1.

    Parameters
    ----------
    quantities
        Names that a series may have: the list is closed.
    """
    bounds = {"low": NUMBER_OR_NULL, "high": NUMBER_OR_NULL}
    point = _object({"log": TEXT, "time": TIME, "value": NUMBER, **bounds})
    gap = _object({"log": TEXT, "time": TIME, "why": TEXT})
    series = _object(
        {
            "quantity": {"enum": list(quantities)},
            "cell": {"anyOf": [CELL, {"type": "null"}]},
            "unit": TEXT,
            "against": TEXT_OR_NULL,
            "points": _list(point),
            "gaps": _list(gap),
            "slope_per_month": NUMBER_OR_NULL,
            **bounds,
            "since": TEXT_OR_NULL,
            "drift": {"type": "boolean"},
            "why_no_slope": TEXT_OR_NULL,
        },
        {"sensor": TEXT},
    )
    event = _object({"date": TEXT, "kind": TEXT, "where": TEXT_OR_NULL, "cells": _list(CELL)})
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": "bmslogs.history/1",
        **_object(
            {
                "schema": {"const": "bmslogs.history/1"},
                "pack": TEXT,
                "reference": {"type": "object"},
                "series": _list(series),
                "events": _list(event),
                "says": _list(TEXT),
                "cautions": {**_list(TEXT), "minItems": 1},
            }
        ),
    }
