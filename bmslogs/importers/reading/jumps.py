"""Which rows of a log have the wrong clock, where it jumps, and by how much they are moved.

A jump alone does not say on which side the clock is right. What says so: a year before any logger's clock was set, or
one to come; a clock that begins with a year, as a clock without a battery does; the date in the file's name or
preamble; a way back to where the clock was. A small step back is a clock that was set: the later one is right. Where
nothing says it, the user is asked.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from bmslogs.base.errors import Ambiguous

SECOND = 1_000_000
DAY = 86_400 * SECOND
SET_CLOCK = 1_104_537_600 * SECOND
"""2005-01-01 in microseconds (choice): a logger's clock that shows less was never set."""
YEAR = 366 * DAY
LEAP = 60 * DAY
"""Choice [us]: a pause of this length is possible, but a clock that begins with a year was not set before it."""
SET_BACK = 2 * DAY
"""Choice [us]: a clock is set back by no more than this, by hand or by a network; more is a clock that was lost."""
OFTEN_BACK, MUCH_BACK = 3, 0.5
"""Choice: a clock that is set goes back less often than this, or by less in all than this share of the log."""
NEAR_HINT = 3 * DAY
"""Choice [us]: the file's own date and its rows differ by no more than this."""


@dataclass(frozen=True)
class Jump:
    """A place where the clock does what time does not: first row behind it, stamps on both sides."""

    row: int
    before: int
    after: int


@dataclass(frozen=True)
class Stretch:
    """Rows between two jumps: first and end row, first and last stamp, whether its clock is right."""

    first: int
    end: int
    start: int
    last: int
    right: bool = True


@dataclass(frozen=True)
class Move:
    """Rows that move: first and end row, by how much [us], why, stamps on both sides of the jump."""

    first: int
    end: int
    shift: int
    rule: str
    before: int
    after: int


@dataclass(frozen=True)
class Evidence:
    """What is known beside the stamps.

    Attributes
    ----------
    step
        Usual time between rows [us].
    hint
        Date that name or preamble give [us]; None where they give none.
    right
        What the profile says: ``earlier``, ``later``, ``both`` or nothing.
    dated
        Whether the stamps say a date.
    column
        Of the time, for the question.
    """

    step: int
    hint: int | None = None
    right: str = ""
    dated: bool = True
    column: str | None = None


def latest() -> int:
    """Return the end of next year [us since 1970]: no log is of later."""
    return int(dt.datetime(dt.datetime.now(dt.UTC).year + 2, 1, 1, tzinfo=dt.UTC).timestamp()) * SECOND


def begins_a_year(us: int) -> bool:
    """Whether a stamp lies within the first day of a year, as those of a clock that was lost do at first."""
    when = np.datetime64(us, "us")
    return bool((when - when.astype("datetime64[Y]")) < np.timedelta64(1, "D"))


def suspicious(before: int, after: int, began: int) -> bool:
    """Whether a step forward is no pause of a log but a clock that was set or lost.

    Parameters
    ----------
    before, after
        Stamps on both sides.
    began
        Stamp with which the rows before it began.
    """
    if before < SET_CLOCK <= after or before < latest() <= after or after - before > YEAR:
        return True
    other_year = np.datetime64(before, "us").astype("datetime64[Y]") != np.datetime64(after, "us").astype(
        "datetime64[Y]"
    )
    return bool(after - before > LEAP and other_year and begins_a_year(began))


def stretches(jumps: Sequence[Jump], start: int, last: int, rows: int) -> list[Stretch]:
    """Part a log at its jumps.

    Parameters
    ----------
    start, last
        First and last stamp of the log.
    """
    firsts = [0, *(j.row for j in jumps)]
    ends = [*(j.row for j in jumps), rows]
    starts = [start, *(j.after for j in jumps)]
    lasts = [*(j.before for j in jumps), last]
    return [Stretch(*x) for x in zip(firsts, ends, starts, lasts)]


def moves(parts: list[Stretch], known: Evidence) -> list[Move]:
    """Return which rows move, so that stamps rise.

    Raises
    ------
    Ambiguous
        Nothing tells which side of a jump is right.
    """
    parts = _judged(parts, known)
    if not any(p.right for p in parts):
        parts = [*parts[:-1], replace(parts[-1], right=True)]
    out: list[Move] = []
    last_right = max(k for k, p in enumerate(parts) if p.right)
    follows = parts[last_right].start
    for k in range(last_right - 1, -1, -1):
        part, after = parts[k], parts[k + 1].start
        if part.right and part.last < follows:
            _ask_of_pause(part, follows, known)
            follows = part.start
            continue
        shift = follows - known.step - part.last
        rule = "clock_back" if part.right else "clock_unset"
        out.append(Move(part.first, part.end, shift, rule, part.last, after))
        follows = part.start + shift
        _refuse_overlap(parts[:k], part, follows, known)
    ahead = parts[last_right].last
    for part in parts[last_right + 1 :]:
        shift = ahead + known.step - part.start
        out.append(Move(part.first, part.end, shift, "clock_lost", ahead, part.start))
        ahead = part.last + shift
    _refuse_interleaved(parts, out, known)
    return out


def _judged(parts: list[Stretch], known: Evidence) -> list[Stretch]:
    """Say which stretches are wrong."""
    if known.dated:
        parts = [replace(p, right=p.last >= SET_CLOCK and p.start < latest()) for p in parts]
        parts = _by_beginning(parts)
        parts = _by_hint(parts, known.hint)
    parts = _returned(parts, known.step)
    parts = _by_profile(parts, known)
    for k in range(len(parts) - 1):
        earlier = next((i for i in range(k, -1, -1) if parts[i].right), None)
        if earlier is None or not parts[k + 1].right or parts[k + 1].start > parts[earlier].last:
            continue
        back = parts[earlier].last - parts[k + 1].start
        if back > SET_BACK and known.right != "later" and known.dated:
            raise _question(parts[earlier].last, parts[k + 1].start, known)
    return parts


def _by_profile(parts: list[Stretch], known: Evidence) -> list[Stretch]:
    """Let the profile decide where stretches that may be right contradict each other."""
    out = list(parts)
    if known.right == "later":
        for k in range(len(out) - 2, -1, -1):
            follows = next((p for p in out[k + 1 :] if p.right), None)
            if follows is not None and not 0 < follows.start - out[k].last <= YEAR:
                out[k] = replace(out[k], right=False)
    if known.right == "earlier":
        for k in range(1, len(out)):
            leads = next((p for p in reversed(out[:k]) if p.right), None)
            if leads is not None and not 0 < out[k].start - leads.last <= YEAR:
                out[k] = replace(out[k], right=False)
    return out


def _by_beginning(parts: list[Stretch]) -> list[Stretch]:
    """Distrust a stretch that begins with a year where others are of another time."""
    able = [p for p in parts if p.right and not begins_a_year(p.start)]
    out = []
    for p in parts:
        apart = min((abs(p.start - q.start) for q in able), default=0)
        later_year = any(q.start - p.start > LEAP for q in able)
        out.append(replace(p, right=p.right and not (begins_a_year(p.start) and apart > LEAP and later_year)))
    return out


def _by_hint(parts: list[Stretch], hint: int | None) -> list[Stretch]:
    """Distrust stretches far before the date that the file gives, where others are near it."""
    if hint is None:
        return parts
    near = [p.right and abs(p.start - hint) < NEAR_HINT for p in parts]
    if not any(near):
        return parts
    last_near = max(k for k, n in enumerate(near) if n)
    return [
        replace(p, right=p.right and (n or (k > last_near and p.start > parts[last_near].last)))
        for k, (p, n) in enumerate(zip(parts, near))
    ]


def _returned(parts: list[Stretch], step: int) -> list[Stretch]:
    """Distrust a stretch from which the clock comes back to where it was, by as much as the rows between say."""
    out = list(parts)
    for k in range(1, len(parts) - 1):
        here, before, behind = parts[k], out[k - 1], parts[k + 1]
        if not (here.right and before.right and behind.right) or before.last < here.start < behind.start:
            continue
        took = behind.start - before.last
        lasted = here.last - here.start + 2 * step
        if took > 0 and abs(took - lasted) <= max(3 * step, lasted // 50):
            out[k] = replace(here, right=False)
    return out


def _ask_of_pause(part: Stretch, follows: int, known: Evidence) -> None:
    if known.dated and follows - part.last > YEAR and known.right != "both":
        raise _question(part.last, follows, known)


def _refuse_interleaved(parts: Sequence[Stretch], out: Sequence[Move], known: Evidence) -> None:
    """Ask where the clock goes back again and again: two parts of a file in turn, not a clock that was set."""
    back = [m for m in out if m.rule == "clock_back"]
    if known.right or len(back) < OFTEN_BACK:
        return
    right = [p for p in parts if p.right]
    span = max(p.last for p in right) - min(p.start for p in right)
    furthest = max(abs(m.shift) for m in back)
    if furthest > MUCH_BACK * span:
        raise Ambiguous(
            f"the clock goes back {len(back)} times, by {furthest / SECOND:.0f} s in all in a log of "
            f"{span / SECOND:.0f} s: parts of the file stand in turn",
            "rows in the order of their stamps; a profile with "
            '[time] right = "later" only if the clock was set each time',
            column=known.column,
        )


def _refuse_overlap(before: list[Stretch], part: Stretch, start: int, known: Evidence) -> None:
    right = [p for p in before if p.right]
    if not part.right and right and start + 2 * known.step < right[-1].last:
        raise _question(right[-1].last, part.start, known)


def _question(before: int, after: int, known: Evidence) -> Ambiguous:
    one, other = (str(np.datetime64(us, "us").astype("datetime64[s]")) for us in (before, after))
    what = "back" if after < before else "forward"
    sides = ["earlier", "later"] if after < before else ["earlier", "later", "both"]
    return Ambiguous(
        f"the clock jumps {what} from {one} to {other}, and nothing says which side is right",
        "a profile with [time] " + " or ".join(f'right = "{s}"' for s in sides),
        column=known.column,
    )
