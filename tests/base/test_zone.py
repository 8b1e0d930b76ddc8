"""The workshop's clock: against the standard library's zones, and offsets known from the almanac."""

from __future__ import annotations

import datetime as dt

import pytest

from bmslogs.base.errors import BadPack
from bmslogs.base.pack import dump_pack, parse_pack
from bmslogs.base.toml import parse_toml
from bmslogs.base.zone import machine_zone, moment_of, shift_of, words_of, zone_named, zones


@pytest.mark.parametrize(
    ("zone", "moment", "hours", "words"),
    [
        ("Europe/Oslo", "2026-06-01T06:00:00Z", 2.0, "Europe/Oslo (UTC+2)"),
        ("Europe/Oslo", "2026-01-01T06:00:00Z", 1.0, "Europe/Oslo (UTC+1)"),
        ("Asia/Kolkata", "2026-01-01T06:00:00Z", 5.5, "Asia/Kolkata (UTC+5:30)"),
        ("America/Halifax", "2026-01-01T06:00:00Z", -4.0, "America/Halifax (UTC\u22124)"),
        ("UTC", "2026-01-01T06:00:00Z", 0.0, "UTC"),
    ],
)
def test_offset_and_words(zone: str, moment: str, hours: float, words: str) -> None:
    shift = shift_of(moment, zone_named(zone))
    assert shift == dt.timedelta(hours=hours)
    assert words_of(shift, zone_named(zone)) == words


def test_a_zone_of_the_pack_file_is_checked_and_written_back() -> None:
    head = '[pack]\nid = "wren-main"\nvehicle = "Wren"\nchemistry = "NMC"\n'
    head += "nominal_capacity_Ah = 60\ncells_in_series = 8\n"
    pack = parse_pack(parse_toml(head + 'zone = "Europe/Oslo"\n'))
    assert pack.zone == "Europe/Oslo"
    assert parse_pack(parse_toml(dump_pack(pack))) == pack
    with pytest.raises(BadPack, match="no time zone"):
        parse_pack(parse_toml(head + 'zone = "Europe/Nowhere"\n'))


@pytest.mark.parametrize("zone", ["Mars/Crater", "", "../etc/passwd", "UTC+2", "x" * 500])
def test_what_is_no_zone_is_refused_with_one_that_is(zone: str) -> None:
    with pytest.raises(ValueError, match="is no time zone; such as 'Europe/Oslo'"):
        zone_named(zone)


def test_zones_to_choose_from_are_places_each_once_and_utc_first() -> None:
    names = zones()
    assert names[0] == "UTC" and "Europe/Oslo" in names and "America/Halifax" in names
    assert len(set(names)) == len(names) > 300 and list(names[1:]) == sorted(names[1:])
    assert not any(n.startswith(("Etc/", "US/", "posix/")) or ("/" not in n and n != "UTC") for n in names)


@pytest.mark.parametrize(
    ("told", "zone"),
    [("Europe/Oslo", "Europe/Oslo"), (":Asia/Kolkata", "Asia/Kolkata"), ("Etc/UTC", "UTC"), ("Zulu", "UTC")],
)
def test_the_machine_s_zone_is_what_its_environment_says(
    told: str, zone: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("TZ", told)
    assert machine_zone() == zone


@pytest.mark.parametrize(
    ("moment", "utc"),
    [
        ("2026-05-03T09:10:00Z", "2026-05-03T09:10:00"),
        ("2026-05-03T09:10:00", "2026-05-03T09:10:00"),  # what names no zone is UTC
        ("2026-05-03T11:10:00+02:00", "2026-05-03T09:10:00"),
        (dt.datetime(2026, 5, 3, 4, 10, tzinfo=dt.timezone(dt.timedelta(hours=-5))), "2026-05-03T09:10:00"),
    ],
)
def test_moments_are_utc(moment: object, utc: str) -> None:
    assert moment_of(moment) == dt.datetime.fromisoformat(utc).replace(tzinfo=dt.UTC)


def test_the_hour_that_comes_twice_has_one_offset_each() -> None:
    """Oslo turned its clocks back on 25 October 2026 at 1 h UTC (rule of the tz database, last Sunday of October)."""
    oslo = zone_named("Europe/Oslo")
    assert shift_of("2026-10-25T00:59:59Z", oslo) == dt.timedelta(hours=2)
    assert shift_of("2026-10-25T01:00:00Z", oslo) == dt.timedelta(hours=1)


def test_a_clock_without_a_name_is_told_by_its_hours() -> None:
    plain = dt.timezone(dt.timedelta(hours=-3, minutes=-30))
    assert words_of(shift_of("2026-05-03T00:00:00Z", plain), plain) == "UTC\u22123:30"
