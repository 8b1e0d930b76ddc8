"""The workshop's own time: stored times are UTC, screens show the zone that the pack or the program names."""

from __future__ import annotations

import datetime as dt
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError


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
