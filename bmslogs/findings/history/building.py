"""A pack's history from what was gathered: every topic weighed once, the asked ones written out."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from bmslogs.findings.compare.measured import cells_of
from bmslogs.findings.history.claims import weighed
from bmslogs.findings.history.gathered import Gathered
from bmslogs.findings.history.shape import Gap, History, Mark, Point, Series, stamp
from bmslogs.findings.history.strands import Strands, all_strands, restarts, since
from bmslogs.findings.history.topics import TOPICS
from bmslogs.findings.history.words import lacking, most_dates, topic_sentence

SPOILED = "a finding of this log blames the reading itself: its sense wire or channel"


@dataclass(frozen=True)
class Weighed:
    """All topics of a pack with their claims weighed together."""

    gathered: Gathered
    strands: Mapping[str, tuple[Strands, ...]]

    def told(self) -> list[str]:
        """Return the topics that any log tells, in order."""
        return [k for k in TOPICS if self.strands.get(k)]

    def why_untold(self, topic: str) -> str:
        """Return why no log tells a topic, in the words of the latest log that says so."""
        keys = {"soc_offset": ("bleed_needed", "soc_offset"), "capacity": ("capacity_relative",)}.get(
            topic, (topic,)
        )
        told = [t for k in keys if (t := self.gathered.told.get(k)) is not None]
        return next((w for t in told for w in reversed(t.why) if w), "")

    def says(self, topics: Sequence[str]) -> tuple[str, ...]:
        """Return the sentences of some topics: drifts first, then what is quiet, then what the slopes still lack.

        Of several topics that lack logs only the one that is furthest is told.
        """
        drifts, quiet, short = [], [], []
        for key in topics:
            group = self.strands.get(key, ())
            if any(s.drift.any() for s in group):
                drifts += topic_sentence(self.gathered, group)
            elif any(np.isfinite(s.slope).any() for s in group):
                quiet += topic_sentence(self.gathered, group)
            elif told := topic_sentence(self.gathered, group):
                short.append((-most_dates(self.gathered, group), told[0]))
        short.sort(key=lambda x: x[0])
        return (*drifts, *quiet, *(x[1] for x in short[:1]))


def weigh(gathered: Gathered) -> Weighed:
    """Fit every line of every topic and weigh the claims of all of them together."""
    made = all_strands(gathered) if gathered.ids else {}
    return Weighed(gathered, weighed(made, gathered.pack.nominal_capacity_Ah))


def history_of(w: Weighed, topics: Sequence[str] | None = None) -> History:
    """Return the history of some topics (all that are told where None is given), points and gaps written out."""
    keys = list(topics) if topics is not None else w.told()
    g = w.gathered
    series = [one for key in keys for s in w.strands.get(key, ()) for one in _series(g, s)]
    reference = {
        s.quantity: at for key in keys for s in w.strands.get(key, ()) if (at := s.reference.to_json())
    }
    return History(
        pack=g.pack.id,
        reference=reference,
        series=tuple(series),
        events=marks(w, keys),
        says=w.says(keys),
        topics=tuple(keys),
        logs=len(g.ids),
        first=stamp(g.start[0]) if len(g.ids) else None,
        last=stamp(g.start[-1]) if len(g.ids) else None,
        waiting=g.missing + g.uncounted,
    )


def marks(w: Weighed, topics: Sequence[str] | None = None) -> tuple[Mark, ...]:
    """Return the dated work on the pack in order of time, and whether slopes of these topics begin anew at it."""
    pack = w.gathered.pack
    keys = list(topics) if topics is not None else list(TOPICS)
    return tuple(
        Mark(
            e.date.isoformat(), e.kind, e.where, cells_of(e, pack), any(restarts(e, TOPICS[k]) for k in keys)
        )
        for e in sorted(pack.events, key=lambda e: e.date)
    )


def _series(g: Gathered, s: Strands) -> list[Series]:
    times = [stamp(t) for t in g.start]
    out = []
    for i, column in enumerate(s.columns):
        cell = column if isinstance(column, int) else None
        sensor = column if isinstance(column, str) else None
        has = np.isfinite(s.slope[i])
        points = tuple(
            Point(g.ids[k], times[k], float(s.value[k, i]), _known(s.low[k, i]), _known(s.high[k, i]))
            for k in np.flatnonzero(np.isfinite(s.value[:, i]))
        )
        gaps = tuple(
            Gap(g.ids[k], times[k], why)
            for k in np.flatnonzero(~np.isfinite(s.value[:, i]))
            if (why := reason(s, int(k), i))
        )
        out.append(
            Series(
                quantity=s.quantity,
                cell=cell,
                sensor=sensor,
                unit=s.unit,
                against=s.against,
                points=points,
                gaps=gaps,
                slope_per_month=float(s.slope[i]) if has else None,
                low=float(s.slope_low[i]) if has else None,
                high=float(s.slope_high[i]) if has else None,
                since=since(g, s, i) if has else None,
                level=float(s.level[i]) if has else None,
                drift=bool(s.drift[i]),
                why_no_slope=lacking(g, s, i),
            )
        )
    return out


def reason(s: Strands, log: int, column: int) -> str:
    """Return why a log does not tell a column; empty where it is only counted with the logs beside it."""
    if s.spoiled[log, column]:
        return SPOILED
    if s.why[log] or s.topic.key == "bleed_done":
        return s.why[log]
    return "this log does not tell this one" if np.isfinite(s.value[log]).any() else ""


def _known(x: float) -> float | None:
    return float(x) if np.isfinite(x) else None
