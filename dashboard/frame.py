"""What every page is given: the store, the view in the address, the reader's colours."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from functools import cached_property
from typing import Any

from bmslogs.base.pack import Pack
from bmslogs.base.results import Diagnosis, Finding, by_urgency
from bmslogs.faces.figures import LIGHT, LOOKS, Look
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

    def when(self, moment: object, *, time: bool = True) -> str:
        """Return a moment in UTC, such as ``3 May 2026, 09:10``; pages say beside it that it is UTC."""
        try:
            when = (
                moment
                if isinstance(moment, dt.datetime)
                else dt.datetime.fromisoformat(str(moment).replace("Z", "+00:00"))
            )
        except ValueError:
            return str(moment)
        when = when.replace(tzinfo=dt.UTC) if when.tzinfo is None else when.astimezone(dt.UTC)
        day = f"{when.day} {when:%b %Y}"
        return f"{day}, {when:%H:%M}" if time else day
