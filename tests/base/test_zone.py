"""The workshop's clock: against the standard library's zones, and offsets known from the almanac."""

from __future__ import annotations

import datetime as dt

import pytest

from bmslogs.base.errors import BadPack
from bmslogs.base.pack import dump_pack, parse_pack
from bmslogs.base.toml import parse_toml
from bmslogs.base.zone import shift_of, words_of, zone_named


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
