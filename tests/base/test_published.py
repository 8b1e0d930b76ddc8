"""One definition of a published result: its JSON, the way back and its schema agree with it and with the outside.

Expected documents and schemas are typed out here by hand; schemas are judged by the library jsonschema.
"""

from __future__ import annotations

import datetime as dt
import json
import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Annotated, Any, ClassVar, Literal, NotRequired, TypedDict

import jsonschema
import numpy as np
import pytest

from bmslogs.base.marks import (
    EXACT,
    FILLED,
    HIDDEN,
    LATER,
    OMITTED,
    By,
    Cell,
    Closed,
    Decimals,
    Key,
    Text,
    Time,
    WrittenBy,
)
from bmslogs.base.published import Published
from bmslogs.base.results import DIAGNOSIS_SCHEMA, Diagnosis, Estimate, Finding
from bmslogs.base.schema import schema_of


class Place(TypedDict):
    name: Text
    level: NotRequired[int]


@dataclass(frozen=True)
class Part(Published):
    cell: Cell
    size: float

    computed: ClassVar[tuple[str, ...]] = ("large",)

    @property
    def large(self) -> bool:
        """Whether it is above 1."""
        return self.size > 1.0


@dataclass(frozen=True, kw_only=True)
class Sheet(Published):
    schema: Literal["sheet/1"] = field(default="sheet/1", init=False)
    name: Annotated[Text, Key("called")] = field(kw_only=False)
    secret: Annotated[str, HIDDEN] = "s"
    made: dt.datetime
    begun: Annotated[int, WrittenBy(lambda us: f"{us} us")] = 5
    weight: Annotated[float, Decimals(1)] = 0.06
    share: Annotated[float, EXACT] = 1 / 3
    sort: Annotated[str, Closed("sort")] = "a"
    parts: Annotated[tuple[Part, ...], FILLED]
    told: tuple[str, ...] = ()
    at: Mapping[str, Any] = field(default_factory=dict)
    place: Place | None = None
    remark: Annotated[str | None, OMITTED] = None
    spread: Annotated[float, OMITTED] = math.nan
    newer: Annotated[bool, LATER] = False


SHEET = Sheet(
    "north",
    made=dt.datetime(2026, 5, 3, 9, 10, tzinfo=dt.UTC),
    parts=(Part(1, 0.5), Part(np.int64(2), np.float64(1.2345678))),
    told=("x",),
    at={"t": 21.34567891, "n": 3, "kind": "start"},
    place={"name": "p"},
)
BY_HAND = """{"schema": "sheet/1", "called": "north", "made": "2026-05-03T09:10:00+00:00", "begun": "5 us",
"weight": 0.1, "share": 0.3333333333333333, "sort": "a", "parts": [{"cell": 1, "size": 0.5, "large": false},
{"cell": 2, "size": 1.23457, "large": true}], "told": ["x"], "at": {"t": 21.3457, "n": 3, "kind": "start"},
"place": {"name": "p"}, "newer": false}"""


def test_the_json_is_the_fields_in_their_order() -> None:
    made = SHEET.to_json()
    assert json.dumps(made) == json.dumps(json.loads(BY_HAND))  # byte for byte: the order of keys as well
    with_all = Sheet("n", made=SHEET.made, parts=(), remark="seen", spread=2.0).to_json()
    assert (with_all["remark"], with_all["spread"]) == ("seen", 2.0)


def test_it_is_read_back_the_same_and_passes_over_what_it_does_not_know() -> None:
    @dataclass(frozen=True)
    class Held(Published):
        when: dt.datetime
        parts: tuple[Part, ...]
        at: dict[str, Any]
        name: Annotated[str | None, Key("called")] = None

    one = Held(SHEET.made, (Part(1, 0.5),), {"t": 1.5, "kind": "start"}, "north")
    assert Held.from_json(json.loads(json.dumps(one.to_json()))) == one
    assert Held.from_json({**one.to_json(), "unheard": 1}) == one
    with pytest.raises(TypeError, match="parts"):
        Held.from_json({"when": "2026-05-03T09:10:00+00:00", "at": {}})


def test_a_text_that_is_read_often_is_one_object() -> None:
    texts = [
        Finding.from_json(json.loads('{"cause": "c", "level": "look", "says": "a b"}')).says for _ in range(2)
    ]
    assert texts[0] is texts[1]


def test_what_is_no_finite_number_is_null() -> None:
    for odd in (math.nan, math.inf, -math.inf):
        assert Part(1, odd).to_json()["size"] is None


def valid(document: Any, schema: dict[str, Any]) -> bool:
    return jsonschema.Draft202012Validator(schema).is_valid(document)


def changed(document: dict[str, Any], path: tuple[str | int, ...], value: Any) -> dict[str, Any]:
    """Return a copy with one value set, or its key dropped where it is `...`."""
    copy = json.loads(json.dumps(document))
    at: Any = copy
    for key in path[:-1]:
        at = at[key]
    if value is ...:
        del at[path[-1]]
    else:
        at[path[-1]] = value
    return copy


REFUSED: list[tuple[tuple[str | int, ...], Any]] = [
    (("schema",), "sheet/2"), (("called",), ""), (("called",), ...), (("weight",), "0.1"), (("weight",), ...),
    (("sort",), "c"), (("parts",), []), (("parts", 0, "cell"), 0), (("parts", 0, "cell"), 1.5),
    (("parts", 0, "large"), 1), (("parts", 0, "large"), ...), (("parts", 0, "size"), None),
    (("parts", 0, "more"), 1), (("told",), [1]),
    (("place", "name"), ...), (("place", "side"), 1), (("place", "level"), "x"), (("remark",), None),
    (("secret",), "s"), (("begun",), 5), (("newer",), "no"),
]  # fmt: skip
ALLOWED: list[tuple[tuple[str | int, ...], Any]] = [
    (("sort",), "b"), (("place",), None), (("place", "level"), 2), (("remark",), "seen"), (("newer",), ...),
    (("told",), []), (("at",), {"any": [1]}), (("spread",), 0.1),
]  # fmt: skip


def test_the_schema_says_what_the_annotations_say() -> None:
    schema = schema_of(Sheet, sort=("a", "b"))
    jsonschema.Draft202012Validator.check_schema(schema)
    document = SHEET.to_json()
    assert schema["title"] == "sheet/1" and valid(document, schema)
    assert [p for p, v in REFUSED if valid(changed(document, p, v), schema)] == []
    assert [p for p, v in ALLOWED if not valid(changed(document, p, v), schema)] == []


def test_fields_that_go_by_another_field() -> None:
    @dataclass(frozen=True, kw_only=True)
    class Told(Published):
        schema: Literal["told/1"] = field(default="told/1", init=False)
        value: Annotated[float | None, By("state", known=float, open=None)] = None
        since: Annotated[Time | None, By("state", known=Time)] = None
        why: Annotated[str | None, By("state", open=Text)] = None
        state: Literal["known", "open"]

    known = Told(state="known", value=1.5, since="2026-05-03T09:10:00Z", why="unsaid").to_json()
    unknown = Told(state="open", since="unsaid", why="no rest").to_json()
    assert known == {"schema": "told/1", "value": 1.5, "since": "2026-05-03T09:10:00Z", "state": "known"}
    assert unknown == {"schema": "told/1", "value": None, "why": "no rest", "state": "open"}
    schema = schema_of(Told)
    assert valid(known, schema) and valid(unknown, schema)
    wrong: list[tuple[dict[str, Any], tuple[str | int, ...], Any]] = [
        (known, ("value",), None), (known, ("since",), "3.5.2026"), (known, ("since",), ...), (known, ("why",), "w"),
        (known, ("state",), "open"), (known, ("state",), "guessed"), (unknown, ("value",), 1.5),
        (unknown, ("why",), ""), (unknown, ("why",), ...), (unknown, ("since",), "2026-05-03T09:10:00Z"),
    ]  # fmt: skip
    assert [path for document, path, value in wrong if valid(changed(document, path, value), schema)] == []


def test_what_has_no_form_in_json_is_refused() -> None:
    @dataclass(frozen=True)
    class Odd(Published):
        schema: Literal["odd/1"]
        what: complex

    with pytest.raises(TypeError, match="complex"):
        schema_of(Odd)

    @dataclass(frozen=True)
    class Pair(Published):
        ends: tuple[float, str]

    with pytest.raises(TypeError, match="tuple"):
        Pair((1.0, "a")).to_json()


EXAMPLE = {
    "estimates": [
        Estimate(
            "resistance_10s", "ohm", cell=5, value=0.00123, low=0.00121, high=0.00125,
            conditions={"temperature_C": 21.3, "soc_low": 0.4, "soc_high": 0.8, "current_rms_A": 62},
        ),
        Estimate("capacity", "Ah", cell=6, low=48.0, status="bounded", why="w", settle_by="s"),
        Estimate("soc_offset", "fraction", cell=7, status="not_determinable", why="w", settle_by="s"),
        Estimate("heating", "K per A^2", sensor="T1", value=1e-5, low=0.9e-5, high=1.1e-5),
    ],
    "findings": [
        Finding(
            "cell_resistance_high", "act", "One plain sentence.", cells=(5,), module="F2", size=0.24, low=0.22,
            high=0.26, unit="fraction of pack median", because=("evidence",), next=("what to do",),
        ),
    ],
}  # fmt: skip
PUBLISHED = {
    "estimates": [
        """{"quantity": "resistance_10s", "cell": 5, "value": 0.00123, "low": 0.00121, "high": 0.00125, "unit": "ohm",
        "status": "determined", "conditions": {"temperature_C": 21.3, "soc_low": 0.4, "soc_high": 0.8,
        "current_rms_A": 62}}""",
        """{"quantity": "capacity", "cell": 6, "value": null, "low": 48.0, "high": null, "unit": "Ah",
        "status": "bounded", "why": "w", "settle_by": "s"}""",
        """{"quantity": "soc_offset", "cell": 7, "value": null, "unit": "fraction", "status": "not_determinable",
        "why": "w", "settle_by": "s"}""",
        """{"quantity": "heating", "cell": null, "sensor": "T1", "value": 1e-05, "low": 9e-06, "high": 1.1e-05,
        "unit": "K per A^2", "status": "determined"}""",
    ],
    "findings": [
        """{"cause": "cell_resistance_high", "level": "act", "cells": [5], "module": "F2", "sensor": null, "size": 0.24,
        "low": 0.22, "high": 0.26, "unit": "fraction of pack median", "says": "One plain sentence.",
        "because": ["evidence"], "next": ["what to do"]}""",
    ],
}


def test_an_answer_is_published_as_it_was_announced() -> None:
    """Keys in the order of the documents that people have of earlier versions, typed out from one of them."""
    for kind, made in EXAMPLE.items():
        for one, by_hand in zip(made, PUBLISHED[kind], strict=True):
            assert json.dumps(one.to_json()) == json.dumps(json.loads(by_hand))
            assert type(one).from_json(json.loads(by_hand)) == one
    log: Any = {
        "id": "a",
        "start": "2026-05-03T09:10:00Z",
        "end": "2026-05-03T10:10:00Z",
        "rows": 1,
        "kinds": [],
    }
    pack: Any = {"id": "p", "vehicle": "Wren", "cells": 6}
    whole = Diagnosis(log, pack, (), (), logs=(log,), method="1", cautions=("c",))
    assert list(whole.to_json()) == [
        "schema", "log", "logs", "pack", "estimates", "findings", "repairs", "cautions", "method",
    ]  # fmt: skip
    bare = Diagnosis(log, pack, (), ())
    assert list(bare.to_json()) == ["schema", "log", "pack", "estimates", "findings", "repairs", "cautions"]
    assert bare.to_json()["schema"] == DIAGNOSIS_SCHEMA == "bmslogs.diagnosis/2"
