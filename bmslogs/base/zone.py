"""The workshop's own time: stored times are UTC, screens show the zone that the pack or the program names."""

from __future__ import annotations

import datetime as dt
import os
from functools import lru_cache
from pathlib import Path
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError, available_timezones

PLACE = "/"
"""Parts region and town in the names of zones; of those without it only UTC is offered."""
NOT_PLACES = ("Brazil/", "Canada/", "Chile/", "Etc/", "Mexico/", "SystemV/", "US/", "posix/", "right/")
LOCAL = Path("/etc/localtime")
"""Where some systems keep their zone, as a link to it; elsewhere it is told by its clocks."""


def zone_named(name: str) -> ZoneInfo:
    """Return a time zone by its name in the tz database, such as ``Europe/Oslo``.

    Raises
    ------
    ValueError
        This machine knows no such zone.
    """
    try:
        return ZoneInfo(name)
    except (ZoneInfoNotFoundError, ValueError, OSError):
        raise ValueError(f"{name!r} is no time zone; such as 'Europe/Oslo'") from None


def usual_zone(name: str) -> str:
    """Return the name of a zone as it is, once it is known to be one."""
    zone_named(name)
    return name


@lru_cache(maxsize=1)
def zones() -> tuple[str, ...]:
    """Return the zones that people choose from: UTC, then region and town in the order of the alphabet."""
    names = (n for n in available_timezones() if PLACE in n and not n.startswith(NOT_PLACES))
    return ("UTC", *sorted(names))


def machine_zone() -> str:
    """Return the name of this machine's zone; where it has no name the first whose clocks agree, else empty."""
    told = os.environ.get("TZ", "").lstrip(":")
    if not told and LOCAL.is_symlink():
        told = LOCAL.resolve().as_posix().partition("/zoneinfo/")[2]
    told = "UTC" if told in ("Etc/UTC", "Universal", "Etc/Universal", "Zulu", "Etc/Zulu") else told
    try:
        return usual_zone(told) if told else _by_its_clocks()
    except ValueError:
        return _by_its_clocks()


@lru_cache(maxsize=1)
def _by_its_clocks() -> str:
    """Return the first zone whose clocks agree with this machine's over the months of last year and this."""
    year = dt.datetime.now(dt.UTC).year
    days = [dt.datetime(y, m, 15, 12, tzinfo=dt.UTC) for y in (year - 1, year) for m in range(1, 13)]
    ours = [d.astimezone().utcoffset() for d in days]
    agree = (n for n in zones() if [d.astimezone(ZoneInfo(n)).utcoffset() for d in days] == ours)
    return next(agree, "")


def moment_of(moment: object) -> dt.datetime:
    """Return a moment as a datetime in UTC; text is ISO 8601, and what names no zone is UTC.

    Raises
    ------
    ValueError
        No moment.
    """
    when = (
        moment
        if isinstance(moment, dt.datetime)
        else dt.datetime.fromisoformat(str(moment).replace("Z", "+00:00"))
    )
    return when.replace(tzinfo=dt.UTC) if when.tzinfo is None else when.astimezone(dt.UTC)


def shift_of(moment: object, zone: dt.tzinfo | None) -> dt.timedelta:
    """Return how far the clocks of a zone are ahead of UTC at a moment; without a zone, those of this machine."""
    return moment_of(moment).astimezone(zone).utcoffset() or dt.timedelta(0)


def words_of(shift: dt.timedelta, zone: dt.tzinfo | None) -> str:
    """Return a clock for people: ``Europe/Oslo (UTC+2)``, or ``UTC+5:30`` where the zone has no name."""
    minutes = round(shift.total_seconds() / 60)
    hours, rest = divmod(abs(minutes), 60)
    sign = "\u2212" if minutes < 0 else "+"
    ahead = f"UTC{sign}{hours}{f':{rest:02d}' if rest else ''}" if minutes else "UTC"
    name = getattr(zone, "key", "")
    return f"{name} ({ahead})" if name and name != "UTC" else ahead
