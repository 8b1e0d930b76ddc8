"""That a log cannot answer a question."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TypeVar

T = TypeVar("T")


@dataclass(frozen=True)
class Refusal:
    """Why a question has no answer: `why` is one line that stands alone."""

    why: str


def in_words(found: T | Refusal) -> T | str:
    """Return an answer as it is, and of a refusal its line: what rules and faces ask for."""
    return found.why if isinstance(found, Refusal) else found
