"""What an annotation says of a published field beside its type: ``Annotated[int, AtLeast(1)]``.

`bmslogs.base.published` writes and reads by these marks, `bmslogs.base.schema` tells programs of them.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Annotated, Any


class Mark:
    """What stands in an annotation for this purpose, with one value; equal to another of its kind and value.

    Plain classes, since every start of the program makes them.
    """

    __slots__ = ("value",)
    value: Any

    def __init__(self, value: Any) -> None:
        self.value = value

    def __eq__(self, other: object) -> bool:
        return type(self) is type(other) and self.value == getattr(other, "value", None)

    def __hash__(self) -> int:
        return hash(type(self))

    def __repr__(self) -> str:
        return f"{type(self).__name__}({self.value!r})"


class Key(Mark):
    """The key in JSON, where it is not the field's name."""

    value: str


class Decimals(Mark):
    """A number is written with so many decimals; None: with all digits. Else it has six significant ones."""

    value: int | None


class WrittenBy(Mark):
    """What stands in JSON is what this function makes of the value, a text; None stays null."""

    value: Callable[[Any], str]


class By(Mark):
    """What the field holds by the value of another one of its object; where that is not named, the key is left out."""

    value: dict[str, Any]
    __slots__ = ("tag",)

    def __init__(self, tag: str, **holds: Any) -> None:
        super().__init__(holds)
        self.tag = tag


class AtLeast(Mark):
    """The least number."""

    value: int


class Matches(Mark):
    """The text fits a regular expression."""

    value: str


class Closed(Mark):
    """The text is one of a list that a registry closes: ``quantity`` or ``cause``."""

    value: str


class Flag(Mark):
    """A mark that needs no more than its name."""

    value: str


HIDDEN = Flag("hidden")
"""Not published."""
OMITTED = Flag("omitted")
"""Left out where it has its default, or would be null."""
LATER = Flag("later")
"""Came after its schema was named: always written, but documents of before are valid without it."""
FILLED = Flag("filled")
"""Text or list is not empty."""
EXACT = Decimals(None)
"""All digits."""

Text = Annotated[str, FILLED]
Cell = Annotated[int, AtLeast(1)]
Count = Annotated[int, AtLeast(0)]
Time = Annotated[str, Matches(r"^\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d(\.\d+)?(Z|\+00:00)$")]
QuantityKey = Annotated[str, Closed("quantity")]
CauseKey = Annotated[str, Closed("cause")]
