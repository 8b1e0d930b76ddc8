"""What every page is given: the store, the view in the address, the reader's colours."""

from __future__ import annotations

import datetime as dt
import re
from dataclasses import dataclass
from functools import cached_property
from typing import Any

from bmslogs.base.pack import Pack
from bmslogs.base.results import Diagnosis, Finding, by_urgency
from bmslogs.base.zone import moment_of, shift_of, words_of, zone_named
from bmslogs.faces.figures import LIGHT, LOOKS, Look
from bmslogs.faces.figures.local_time import by_clock
from bmslogs.store.order import Change
from dashboard.address import View, parse
from dashboard.desk import Desk
from dashboard.notes import Note


@dataclass(frozen=True)
class Frame:
    """One request for a page.

    Attributes
    ----------
    desk
        The store.
    view
        What the address asks for.
    look
        Colours.
    """

    desk: Desk
    view: View
    look: Look = LIGHT

    @classmethod
    def of(cls, desk: Desk, search: str | None, scheme: str | None = None) -> Frame:
        """Make one from what the browser sends."""
        desk.state()
        return cls(desk, parse(search), LOOKS.get(scheme or "", LIGHT))

    @cached_property
    def pack(self) -> Pack | None:
        """The chosen pack; the only one where there is only one."""
        packs = self.desk.packs()
        if self.view.pack:
            return next((p for p in packs if p.id == self.view.pack), None)
        return packs[0] if len(packs) == 1 else None

    @cached_property
    def logs(self) -> list[Any]:
        """The chosen pack's logs, newest first."""
        return self.desk.logs(self.pack.id) if self.pack else []

    @cached_property
    def entry(self) -> Any | None:
        """The chosen log's entry; the newest where none is chosen."""
        if self.view.log:
            return next((e for e in self.logs if e.id == self.view.log), None)
        return self.logs[0] if self.logs else None

    @cached_property
    def diagnosis(self) -> Diagnosis | None:
        """The chosen log's diagnosis; None where there is none."""
        found = self.desk.diagnosis_or_reason(self.entry.id) if self.entry else None
        return found if isinstance(found, Diagnosis) else None

    @cached_property
    def no_diagnosis(self) -> str:
        """Why the chosen log has no diagnosis."""
        found = self.desk.diagnosis_or_reason(self.entry.id) if self.entry else "no log is chosen"
        return found if isinstance(found, str) else ""

    @cached_property
    def findings(self) -> list[Finding]:
        """The chosen log's findings in order of urgency."""
        return by_urgency(self.diagnosis.findings) if self.diagnosis else []

    @cached_property
    def judgements(self) -> list[Note]:
        """What people said of the chosen log's findings, oldest first."""
        return self.desk.notes(self.pack.id, self.entry.id) if self.pack and self.entry else []

    @property
    def finding(self) -> Finding | None:
        """The finding that is pointed at."""
        number = self.view.finding
        return self.findings[number - 1] if 0 < number <= len(self.findings) else None

    @property
    def picked(self) -> tuple[int, ...]:
        """The picked cells: those of the address and those of the picked module."""
        cells = list(self.view.cells)
        if self.pack and self.view.module:
            cells += next((m.cells for m in self.pack.modules if m.name == self.view.module), [])
        n = self.pack.cells_in_series if self.pack else 0
        return tuple(sorted({c for c in cells if c <= n}))

    @property
    def here(self) -> View:
        """The view with the pack and log that stand in where the address names none."""
        return self.view.but(pack=self.pack.id if self.pack else "", log=self.entry.id if self.entry else "")

    @property
    def zone(self) -> dt.tzinfo | None:
        """The zone of the pack, else of the program; None for that of this machine."""
        named = self.pack.zone if self.pack else None
        return zone_named(named) if named else self.desk.zone

    def shift(self, moment: object) -> dt.timedelta:
        """Return how far the workshop's clocks are ahead of UTC at a moment."""
        return shift_of(moment, self.zone)

    def clock_words(self, moment: object) -> str:
        """Return the workshop's clock at a moment for people, such as ``Europe/Oslo (UTC+2)``."""
        return words_of(self.shift(moment), self.zone)

    def timed(self, figure: Any, first: object) -> Any:
        """Return a picture over time by the workshop's clock of its first moment."""
        return by_clock(figure, self.shift(first), self.clock_words(first))

    def when(self, moment: object, *, time: bool = True) -> str:
        """Return a moment by the workshop's clock, such as ``3 May 2026, 11:10``; the foot of the page names the clock.

        A date without a time of day stays that date.
        """
        if re.fullmatch(r"\d{4}-\d\d-\d\d", str(moment)):
            day = dt.date.fromisoformat(str(moment))
            return f"{day.day} {day:%b %Y}"
        try:
            when = moment_of(moment).astimezone(self.zone)
        except ValueError:
            return str(moment)
        said = f"{when.day} {when:%b %Y}"
        return f"{said}, {when:%H:%M}" if time else said

    def span(self, start: dt.datetime, end: dt.datetime) -> str:
        """Return a stretch of time by the workshop's clock; its day once where it is within one."""
        first, last = self.when(start), self.when(end)
        day = self.when(end, time=False)
        return f"{first} to {last.removeprefix(f'{day}, ') if first.startswith(f'{day},') else last}"

    def changed(self, change: Change) -> str:
        """Say what was changed, by whom and when by the workshop's clock."""
        return f"{change.what} by {change.by or 'somebody'} on {self.when(change.when)}"
