"""The sentence that a page opens with: the answer to the page's own question, with its number where that is known.

Pure functions from answers to text. None calls a pack safe or sound: "nothing found" is said of the readings, and what
is not known is said beside it, never as "alike".
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from statistics import median

from bmslogs.base.pack import Pack
from bmslogs.base.results import Diagnosis, Estimate, Finding, by_urgency
from bmslogs.faces.figures.words import (
    is_difference,
    say_estimate,
    say_size,
    sentence,
    shown,
    shown_unit,
    title_of,
)
from bmslogs.faces.numbers import cells_named, decimals, interval, number
from bmslogs.faces.unknown import nothing_found, unknowns
from bmslogs.findings.compare import Comparison, Difference
from bmslogs.fleet.overview import PackOverview

FEW = 5  # cells that a sentence still names
LEVEL_PHRASES = {
    "act": "to act on before it is used again",
    "look": "to look at next time",
    "note": "to note",
}


@dataclass(frozen=True)
class Standing:
    """What is known of one vehicle's pack.

    Attributes
    ----------
    name
        The pack's name for people.
    logs
        How many it has.
    findings
        That stand; None where nothing is weighed.
    """

    name: str
    logs: int
    findings: tuple[Finding, ...] | None


def vehicles_says(packs: Sequence[Standing]) -> str:
    """Say which vehicle asks for work first, or that none does as far as their logs tell."""
    if not packs:
        return "No pack is described yet."
    if not any(p.logs for p in packs):
        return f"{_count(len(packs), 'pack')} described, and no log of any yet."
    urgent = [(f, p) for p in packs for f in by_urgency(p.findings or ()) if f.level != "note"]
    silent = [p.name for p in packs if p.logs and p.findings is None]
    bare = [p.name for p in packs if not p.logs]
    rest = _listed("Not weighed yet", silent) + _listed("Without a log", bare)
    if not urgent:
        weighed = [p for p in packs if p.findings is not None]
        if not weighed:
            return f"No log is weighed yet.{_listed('Without a log', bare)}"
        return (
            f"Nothing that asks for work was found in the logs of {_names([p.name for p in weighed])}.{rest}"
        )
    first, of = min(urgent, key=lambda pair: ("act", "look").index(pair[0].level))
    count = len({p.name for _, p in urgent})
    lead = f"{of.name} first" if len(urgent) > 1 else of.name
    more = (
        f" {_count(len(urgent), 'finding')} in {_count(count, 'vehicle')} in all." if len(urgent) > 1 else ""
    )
    return f"{lead}: {found_says(first)}{more}{rest}"


def overview_says(weighed: Sequence[PackOverview], silent: int) -> str:
    """Say how many of many packs ask for work, and which first.

    Parameters
    ----------
    weighed
        The most urgent first.
    silent
        Number of packs that nothing is known of.
    """
    asking = [p for p in weighed if p.act or p.look]
    rest = f" Of {_count(silent, 'pack')} nothing is known yet." if silent else ""
    if not weighed:
        return f"No pack is weighed yet.{rest}"
    if not asking:
        return f"Nothing that asks for work was found in the logs of {_count(len(weighed), 'pack')}.{rest}"
    acting = sum(bool(p.act) for p in asking)
    first = asking[0]
    worst = f" First {first.vehicle}: {sentence(first.worst).rstrip('. ')}." if first.worst else ""
    return (
        f"{len(asking)} of {_count(len(weighed), 'pack')} ask{'s' if len(asking) == 1 else ''} for work, "
        f"{acting} before it is used again.{worst}{rest}"
    )


def found_says(finding: Finding) -> str:
    """Return a finding's sentence, which has its size, with the interval where it has one."""
    says = sentence(finding.says).rstrip(". ")
    if finding.low is None or finding.high is None:
        return f"{says}."
    size, _, ends = say_size(finding).rstrip(")").partition(" (")
    unit = size.partition(" ")[2]
    if not ends:
        return f"{says}."
    told = f"95 % interval {ends} {unit})."
    return f"{says[:-1]}; {told}" if says.endswith(")") else f"{says} ({told}"


def findings_says(diagnosis: Diagnosis | None, *, of: str = "this log", why: str = "") -> str:
    """Say what was found, the most urgent first.

    Parameters
    ----------
    diagnosis
        Of one log or of all; None where there is none.
    of
        What it was found in, such as ``this log`` or ``the 4 logs together``.
    why
        Why there is no diagnosis.
    """
    if diagnosis is None:
        return f"Nothing can be said of {of} yet{f': {why}' if why else ''}".rstrip(".") + "."
    findings = by_urgency(diagnosis.findings)
    if not findings:
        return _nothing(diagnosis.estimates, of)
    if len(findings) == 1:
        return found_says(findings[0])
    parts = [
        f"{n} {words}" for key, words in LEVEL_PHRASES.items() if (n := sum(f.level == key for f in findings))
    ]
    return f"{sentence(', '.join(parts))}. First: {found_says(findings[0])}"


def _nothing(estimates: Sequence[Estimate], of: str) -> str:
    known = sum(e.status != "not_determinable" for e in estimates)
    open_count = len({u.quantity for u in unknowns(estimates)})
    if not known:
        return f"{sentence(of)} tells nothing of the cells; what would is below."
    apart = nothing_found(estimates)[1:]
    asks = (
        f" {_count(open_count, 'question')} stay{'s' if open_count == 1 else ''} open." if open_count else ""
    )
    if apart:
        return f"Nothing that can be named was found in {of}, but look at this: {apart[0]}{asks}"
    return f"Nothing was found in {of}.{asks}"


def apart_says(quantity: str, estimates: Sequence[Estimate], pack: Pack) -> str:
    """Say which cell lies furthest from the pack's middle in one quantity, as far as the intervals tell."""
    title = title_of(quantity)
    told = [(e, t) for e in estimates if e.cell and (t := shown(e))]
    silent = [e for e in estimates if e.cell and shown(e) is None]
    if not told:
        why = next((e.why for e in silent if e.why), "")
        return f"{title}: not known from this log{f', {why}' if why else ''}".rstrip(".") + "."
    middle = 0.0 if is_difference(quantity) else median(t[0] for _, t in told)
    far, (_, low, high) = max(told, key=lambda pair: abs(pair[1][0] - middle))
    where = pack.place(far.cell or 0)
    unknown = f" Of {cells_named(e.cell or 0 for e in silent)} it is not known." if silent else ""
    if len(told) == 1:
        return f"{title}: {say_estimate(far)} for {where}.{unknown}"
    if low <= middle <= high:
        reach = max(max(abs(t[1] - middle), abs(t[2] - middle)) for _, t in told)
        bound = f"{number(reach, decimals(reach))} {shown_unit(quantity)}"
        return f"{title}: no cell lies further from the pack's middle than its interval, {bound} at most.{unknown}"
    beyond = sum(not t[1] <= middle <= t[2] for _, t in told)
    more = f"; {beyond - 1} more lie apart beyond their intervals" if beyond > 1 else ""
    return f"{title}: {where} lies furthest from the pack's middle, {say_estimate(far)}{more}.{unknown}"


def charge_says(diagnosis: Diagnosis, pack: Pack) -> str:
    """Say which cell lags or leads at the end of the charge, by how much, and how long bleeding takes."""
    lacks = [(e, t) for e in diagnosis.of("charge_to_full") if e.cell and (t := shown(e))]
    if not lacks:
        why = next((e.why for e in diagnosis.of("charge_to_full") if e.why), "")
        return f"This log does not tell who is full first{f': {why}' if why else ''}".rstrip(".") + "."
    return " ".join(
        s for s in (_laggard(diagnosis, pack, lacks), _bleeding(diagnosis), _silent(diagnosis)) if s
    )


def _laggard(
    diagnosis: Diagnosis, pack: Pack, lacks: Sequence[tuple[Estimate, tuple[float, float, float]]]
) -> str:
    # against each other the cells are known better than against full: bleed_needed has no error of the table in it
    bleed = [(e, t) for e in diagnosis.of("bleed_needed") if e.cell and (t := shown(e))]
    lag = {e.cell: (-t[0], -t[2], -t[1]) for e, t in bleed} or {e.cell: t for e, t in lacks}
    values = [t[0] for t in lag.values()]
    least, most = min(lag.values()), max(lag.values())
    first = [c for c, t in lag.items() if c and t[1] <= least[2]]
    last = [c for c, t in lag.items() if c and t[2] >= most[1]]
    of = {e.cell: e for e, _ in lacks}
    if len(last) == len(lag) or len(first) == len(lag):
        width = number(max(values) - min(values), 1)
        return f"No cell lags or leads by more than this log can tell; they part by {width} Ah."
    middle = median(values)
    if len(first) == 1 and middle - least[0] > most[0] - middle and bleed:
        need = next(e for e, _ in bleed if e.cell == first[0])
        others = _spread([t[0] for c, t in lag.items() if c != first[0]])
        place = sentence(pack.place(first[0]))
        size = say_estimate(need)
        return f"{place} is full first: {size} is to be bled from it before all are full together; {others}."
    if len(last) == 1 and last[0] in of:
        others = _spread([t[0] for c, t in lag.items() if c != last[0]])
        return f"{sentence(pack.place(last[0]))} lacks {say_estimate(of[last[0]])} to full; {others}."
    named = cells_named(last) if len(last) <= FEW else _count(len(last), "cell")
    most_lacking = max((of[c] for c in last if c in of), key=lambda e: e.value or 0.0, default=None)
    size = f", up to {say_estimate(most_lacking)}" if most_lacking else ""
    return f"{sentence(named)} lack most{size}; which of them most, the intervals leave open."


def _spread(values: Sequence[float]) -> str:
    if len(values) < 2:
        return "no other cell is told"
    return f"the others lie within {number(max(values) - min(values), 1)} Ah of each other"


def _bleeding(diagnosis: Diagnosis) -> str:
    time = next((e for e in diagnosis.of("balancing_time") if shown(e)), None)
    return f"Bleeding takes {say_estimate(time)}." if time else ""


def _silent(diagnosis: Diagnosis) -> str:
    silent = [e.cell for e in diagnosis.of("charge_to_full") if e.cell and shown(e) is None]
    return f"Of {cells_named(silent)} it is not known." if silent else ""


def compared_says(comparison: Comparison, names: Mapping[str, str]) -> str:
    """Say what differs between packs beyond the intervals, or how far the logs could have told.

    Parameters
    ----------
    names
        Pack id to name for people.
    """
    if len(names) < 2:
        return "One pack alone has nothing to stand beside: choose a second one."
    differ = sorted(
        (d for d in comparison.differences if d.differ), key=lambda d: -abs(d.ratio - 1) / (d.high - d.low)
    )
    if differ:
        told = "; ".join(_difference(d, names) for d in differ[:2])
        more = f" {len(differ) - 2} more below." if len(differ) > 2 else ""
        return f"At equal conditions {told}.{more}"
    if comparison.differences:
        one = comparison.differences[0]
        return f"{sentence(_difference(one, names))} at equal conditions: not a difference that these logs can tell."
    why = next((q.why_not for q in comparison.quantities if q.why_not), None)
    return f"These logs do not say whether the packs differ{f': {why}' if why else ''}".rstrip(".") + "."


def _difference(d: Difference, names: Mapping[str, str]) -> str:
    low, high, away = (100 * (x - 1) for x in (d.low, d.high, d.ratio))
    title = title_of(d.quantity)
    title = title[:1].lower() + title[1:]
    size = interval(away, low, high, "%", sign=True)
    return f"{title}: {names.get(d.pack, d.pack)} {size} against {names.get(d.against, d.against)}"


def record_says(diagnosis: Diagnosis | None, logs: int) -> str:
    """Say what the record holds: how many logs, and what stands in them."""
    if not logs:
        return "No log yet: the record holds the description alone."
    of = "the one log" if logs == 1 else f"the {logs} logs together"
    return findings_says(diagnosis, of=of)


def _count(n: int, noun: str) -> str:
    return f"{n} {noun}{'' if n == 1 else 's'}"


def _names(names: Sequence[str]) -> str:
    if len(names) > FEW:
        return f"{len(names)} packs"
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} and {names[-1]}"


def _listed(what: str, names: Sequence[str]) -> str:
    return f" {what}: {_names(names)}." if names else ""
