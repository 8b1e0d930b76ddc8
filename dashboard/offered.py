"""Answers to a question of the clock, as buttons: what of a date is first, what is counted, which side is right."""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from bmslogs.base.toml import NotToml, parse_toml
from dashboard.mapping import toml_text

SIDES = {
    "earlier": "The earlier times are right",
    "later": "The later times are right",
    "both": "Both are right: nothing was logged between",
}
PAIR = re.compile(r'(?:(\w+) = )?"([^"]*)"')


@dataclass(frozen=True)
class Offer:
    """One answer: a line of the profile's section ``[time]``, and how its button calls it.

    Attributes
    ----------
    key, value
        Line of the profile.
    says
        In a reader's words.
    """

    key: str
    value: str
    says: str

    @property
    def line(self) -> str:
        """The line of the profile: a button names it, so that one of an older question answers no other."""
        return f'{self.key} = "{self.value}"'


def offered(line: str) -> tuple[Offer, ...]:
    """Return the answers that a question names; none where it is not of the clock or wants more than one line.

    Parameters
    ----------
    line
        Question as the importer asks it: what was found, and behind ``expected`` the profile that would settle it.
    """
    found, _, expected = line.partition("; expected ")
    _, told, rest = expected.partition("[time] ")
    if not told or " and " in rest:
        return ()
    key, out = "", []
    for pair in PAIR.finditer(rest):
        key = pair[1] or key
        says = _says(key, pair[2], found)
        if says:
            out.append(Offer(key, pair[2], says))
    return tuple(out)


def _says(key: str, value: str, found: str) -> str:
    """Return what an answer means for this file; empty where no button can say it."""
    if key == "right":
        return SIDES.get(value, "")
    if key == "start":
        return f"It began {value.replace('T', ' ').replace('Z', ' UTC')}"
    if key != "format":
        return ""
    if "%" not in value:
        told = re.search(rf"{re.escape(value)} \(([^)]*)\)", found)
        return f"{told[1].capitalize()}: {value}" if told else f"It is {value}"
    text = re.search(r"'([^']+)'", found)
    try:
        when = dt.datetime.strptime(text[1] if text else "", value)
    except ValueError:
        return f"It is written {value}"
    return f"It was {when.day} {when:%B %Y}"


def with_answer(profile: str, offer: Offer) -> str:
    """Return a profile with an answer in it; a profile that is no TOML is left behind."""
    try:
        document: dict[str, Any] = parse_toml(profile)
    except NotToml:
        document = {}
    time = document.get("time", {})
    kept: Mapping[str, Any] = time if isinstance(time, Mapping) else {}
    return toml_text({**document, "time": {**kept, offer.key: offer.value}})
