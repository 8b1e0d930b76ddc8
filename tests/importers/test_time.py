"""Every form of time, and every trouble that clocks have."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from bmslogs.importers.plan.profile import parse_profile
from tests.importers.writing import (
    Dialect,
    assert_same,
    drive,
    imported,
    local,
    pack_for,
    refusal,
    stamp,
    write,
)

D = Dialect()


def epoch(scale: float, decimals: int = 0):  # type: ignore[no-untyped-def]
    return lambda t: f"{int(t.astype('datetime64[us]').astype(np.int64)) / 1e6 * scale:.{decimals}f}"


def elapsed(truth, scale: float = 1.0, decimals: int = 1):  # type: ignore[no-untyped-def]
    return lambda t: f"{int((t - truth.time[0]) / np.timedelta64(1, 'us')) / 1e6 * scale:.{decimals}f}"


FORMS = {
    "asctime": stamp("%a %b %d %H:%M:%S %Y"),
    "padded": lambda t: f"  {t.astype('datetime64[ms]')!s}",
    "iso": stamp("%Y-%m-%dT%H:%M:%S.%L"),
    "iso with Z": stamp("%Y-%m-%dT%H:%M:%S.%LZ"),
    "iso with zone": stamp("%Y-%m-%dT%H:%M:%S.%L%z", "Europe/Oslo"),
    "iso blank": stamp("%Y-%m-%d %H:%M:%S"),
    "slashes, year first": stamp("%Y/%m/%d %H:%M:%S"),
    "German": stamp("%d.%m.%Y %H:%M:%S"),
    "German, two digits": stamp("%d.%m.%y %H:%M:%S"),
    "day above twelve": stamp("%d/%m/%Y %H:%M:%S"),
    "month first": stamp("%m/%d/%Y %H:%M:%S"),
    "month first, half days": stamp("%m/%d/%Y %I:%M:%S %p"),
    "names of months": stamp("%d-%b-%Y %H:%M:%S"),
    "compact": stamp("%Y%m%d%H%M%S"),
    "compact with T": stamp("%Y%m%dT%H%M%S"),
    "epoch s": epoch(1),
    "epoch s with a broken part": epoch(1, 3),
    "epoch ms": epoch(1e3),
    "epoch ms with a broken part": epoch(1e3, 1),
    "epoch ms with an exponent": lambda t: f"{float(epoch(1e3)(t)):.12E}",
    "epoch us": epoch(1e6),
    "epoch ns": epoch(1e9),
    "spreadsheet serial": lambda t: (
        f"{int(t.astype('datetime64[us]').astype(np.int64)) / 86_400e6 + 25569:.8f}"
    ),
}


@pytest.mark.parametrize("form", FORMS)
def test_form(form: str, tmp_path: Path) -> None:
    truth, d = drive(), D.but(time_text=FORMS[form])
    log = imported(write(truth, d, tmp_path), pack_for(truth), tmp_path / "store")
    assert_same(log, truth, d)
    assert log.repairs == ()


def test_variable_width(tmp_path: Path) -> None:
    truth = drive()

    def text(t: np.datetime64) -> str:
        when = local(t, "UTC")
        return f"{when.day}.{when.month}.{when.year} {when.hour}:{when.minute:02d}:{when.second:02d}"

    log = imported(
        write(truth, D.but(time_text=text, delimiter=";"), tmp_path), pack_for(truth), tmp_path / "store"
    )
    assert_same(log, truth, D)


def test_date_and_clock_in_two_columns(tmp_path: Path) -> None:
    truth = drive()
    d = D.but(time_name="Datum|Uhrzeit", time_text=lambda t: [stamp("%d.%m.%Y")(t), stamp("%H:%M:%S")(t)])
    assert_same(imported(write(truth, d, tmp_path), pack_for(truth), tmp_path / "store"), truth, d)


@pytest.mark.parametrize(
    "name, scale, decimals",
    [
        ("Elapsed (s)", 1.0, 1),
        ("Time [ms]", 1e3, 0),
        ("Laufzeit in min", 1 / 60, 6),
        ("t/h", 1 / 3600, 8),
        ("time_s", 1, 2),
    ],
)
def test_elapsed_with_a_start_in_the_profile(name: str, scale: float, decimals: int, tmp_path: Path) -> None:
    truth = drive()
    d = D.but(time_name=name, time_text=elapsed(truth, scale, decimals))
    profile = parse_profile({"time": {"start": "2026-05-13T09:10:00Z"}})
    assert_same(
        imported(write(truth, d, tmp_path), pack_for(truth), tmp_path / "store", profile), truth, d, 40_000
    )


def test_elapsed_with_the_start_in_the_preamble(tmp_path: Path) -> None:
    truth = drive()
    d = D.but(
        time_name="Time (s)", time_text=elapsed(truth), preamble=("Recorder,7", "Start,2026-05-13 09:10:00")
    )
    assert_same(imported(write(truth, d, tmp_path), pack_for(truth), tmp_path / "store"), truth, d)


def test_elapsed_without_a_start_says_so(tmp_path: Path) -> None:
    truth = drive()
    d = D.but(time_name="Time (s)", time_text=elapsed(truth))
    log = imported(write(truth, d, tmp_path), pack_for(truth), tmp_path / "store")
    assert [r["rule"] for r in log.repairs] == ["no_date"]
    assert log.time[0] == np.datetime64("1970-01-01T00:00:00")


def test_time_of_day_over_midnight(tmp_path: Path) -> None:
    truth = drive(start="2026-05-13T23:58:00")
    d = D.but(time_text=stamp("%H:%M:%S"))
    log = imported(write(truth, d, tmp_path, "drive_2026-05-13.csv"), pack_for(truth), tmp_path / "store")
    assert_same(log, truth, d)


def test_ambiguous_dates_are_refused_with_both_readings(tmp_path: Path) -> None:
    truth = drive(start="2026-05-03T09:00:00")
    d = D.but(time_text=stamp("%d/%m/%Y %H:%M:%S"))
    path = write(truth, d, tmp_path)
    reason = refusal(path, pack_for(truth), tmp_path / "store")
    assert "%d/%m/%Y" in reason and "%m/%d/%Y" in reason and "column Time" in reason
    profile = parse_profile({"time": {"column": "Time", "format": "%d/%m/%Y %H:%M:%S"}})
    assert_same(imported(path, pack_for(truth), tmp_path / "store", profile), truth, d)


@pytest.mark.parametrize("form", ["%d/%m/%Y %I:%M:%S %p", "%m/%d/%Y %I:%M:%S %p"])
def test_half_days_do_not_say_whether_the_month_is_first(form: str, tmp_path: Path) -> None:
    """Both forms are in use: en_AU and en_US of the Unicode locale data write 12-hour clocks."""
    truth = drive(start="2026-05-03T11:58:00")
    path = write(truth, D.but(time_text=stamp(form)), tmp_path)
    reason = refusal(path, pack_for(truth), tmp_path / "store")
    assert "%d/%m/%Y" in reason and "%m/%d/%Y" in reason
    profile = parse_profile({"time": {"column": "Time", "format": form}})
    assert_same(imported(path, pack_for(truth), tmp_path / "store", profile), truth)


@pytest.mark.parametrize("start", ["2026-05-13T23:58:00", "2026-05-13T11:58:00"])
def test_half_days_over_midnight_and_noon(start: str, tmp_path: Path) -> None:
    truth = drive(start=start)
    d = D.but(time_text=lambda t: stamp("%m/%d/%Y %I:%M:%S %p")(t).replace("M", ".m.").lower())
    assert_same(imported(write(truth, d, tmp_path), pack_for(truth), tmp_path / "store"), truth, d)


@pytest.mark.parametrize(
    "line", ["Date,2026-05-13", "Datum;13.05.2026", "Recorded: 2026-05-13 23:57:59", "Date: 05/13/2026"]
)
def test_the_date_above_the_table_and_rows_past_midnight(line: str, tmp_path: Path) -> None:
    truth = drive(rows=2000, period_s=60.0, start="2026-05-13T23:58:00")
    d = D.but(time_text=stamp("%H:%M:%S"), preamble=(line,))
    log = imported(write(truth, d, tmp_path), pack_for(truth), tmp_path / "store")
    assert_same(log, truth, d)
    assert log.repairs == ()


def test_a_start_in_the_profile_dates_times_of_day(tmp_path: Path) -> None:
    truth = drive(start="2026-05-13T23:58:00")
    path = write(truth, D.but(time_text=stamp("%H:%M:%S")), tmp_path)
    profile = parse_profile({"time": {"start": "2026-05-13T23:58:00"}})
    assert_same(imported(path, pack_for(truth), tmp_path / "store", profile), truth)


def test_an_ambiguous_date_above_the_table_is_refused_with_both_readings(tmp_path: Path) -> None:
    truth = drive(start="2026-05-03T09:00:00")
    d = D.but(time_text=stamp("%H:%M:%S"), preamble=("Date: 03/05/2026",))
    reason = refusal(write(truth, d, tmp_path), pack_for(truth), tmp_path / "store")
    assert '"2026-05-03"' in reason and '"2026-03-05"' in reason
    rows = D.but(time_text=stamp("%m/%d/%Y %H:%M:%S"), preamble=("Date: 05/03/2026",))
    assert "%m/%d/%Y" in refusal(write(truth, rows, tmp_path), pack_for(truth), tmp_path / "store")


def test_stamps_cut_to_the_minute_are_spread(tmp_path: Path) -> None:
    truth = drive(rows=1000)
    log = imported(
        write(truth, D.but(time_text=stamp("%Y-%m-%d %H:%M")), tmp_path), pack_for(truth), tmp_path / "store"
    )
    assert_same(log, truth)
    assert [r["rule"] for r in log.repairs] == ["stamps_spread"]


def test_stamps_that_lost_their_hours_in_a_spreadsheet_are_refused(tmp_path: Path) -> None:
    truth = drive()
    path = write(truth, D.but(time_text=stamp("%M:%S.0")), tmp_path)
    reason = refusal(path, pack_for(truth), tmp_path / "store")
    assert "column Time" in reason and "'10:00.0' lacks the hours" in reason


@pytest.mark.parametrize("rows", [400, 40_000])
def test_stamps_cut_to_hours_are_refused(rows: int, tmp_path: Path) -> None:
    """A spreadsheet that shows an epoch as 1.7787E+09 leaves steps of 100 000 s: by arithmetic."""
    truth = drive(rows=rows, cells=4, sensors=0, period_s=10.0)
    d = D.but(time_text=lambda t: f"{float(epoch(1)(t)):.4E}")
    assert "share one stamp" in refusal(write(truth, d, tmp_path), pack_for(truth), tmp_path / "store")


@pytest.mark.parametrize(
    "start, zone",
    [
        ("2026-10-25T00:55:00", "Europe/Oslo"),
        ("2026-03-29T00:55:00", "Europe/Oslo"),
        ("2026-11-01T08:55:00", "America/Los_Angeles"),
        ("2026-04-04T13:55:00", "Pacific/Auckland"),
    ],
)
def test_local_clock_over_a_summer_time_change(start: str, zone: str, tmp_path: Path) -> None:
    """Dates of the changes: IANA time zone database, read by the standard library's zoneinfo."""
    truth = drive(rows=900, start=start)
    d = D.but(time_text=stamp("%Y-%m-%d %H:%M:%S", zone))
    profile = parse_profile({"time": {"zone": zone}})
    assert_same(imported(write(truth, d, tmp_path), pack_for(truth), tmp_path / "store", profile), truth, d)


def test_coarse_stamps_on_faster_rows_are_spread(tmp_path: Path) -> None:
    truth = drive(rows=1003, period_s=0.1)
    d = D.but(time_text=stamp("%Y-%m-%d %H:%M:%S"))
    log = imported(write(truth, d, tmp_path), pack_for(truth), tmp_path / "store")
    assert_same(log, truth, d)
    assert [r["rule"] for r in log.repairs] == ["stamps_spread"]


def test_clock_unset_until_the_first_sync(tmp_path: Path) -> None:
    truth = drive()
    late = truth.time.copy()
    late[:60] = np.datetime64("1970-01-01T00:00:05", "us") + (truth.time[:60] - truth.time[0])
    shown = dict(zip(truth.time, late))
    d = D.but(time_text=lambda t: str(shown[t].astype("datetime64[ms]")))
    log = imported(write(truth, d, tmp_path), pack_for(truth), tmp_path / "store")
    assert_same(log, truth, d)
    (repair,) = log.repairs
    assert repair["rule"] == "clock_unset" and repair["rows"] == 60


@pytest.mark.parametrize("back_s", [5, 90, 3600, 86400])
def test_a_step_back_moves_the_head(back_s: int, tmp_path: Path) -> None:
    truth = drive()
    wrong = truth.time.copy()
    wrong[:150] += np.timedelta64(back_s, "s")
    shown = dict(zip(truth.time, wrong))
    d = D.but(time_text=lambda t: str(shown[t].astype("datetime64[ms]")))
    log = imported(write(truth, d, tmp_path), pack_for(truth), tmp_path / "store")
    assert_same(log, truth, d)
    (repair,) = log.repairs
    assert repair["rule"] == "clock_back" and repair["rows"] == 150


def test_a_reboot_that_forgets_the_clock(tmp_path: Path) -> None:
    truth = drive()
    shown_times = truth.time.copy()
    shown_times[100:160] = np.datetime64("2000-01-01T00:00:03", "us") + (
        truth.time[100:160] - truth.time[100]
    )
    shown = dict(zip(truth.time, shown_times))
    d = D.but(time_text=lambda t: str(shown[t].astype("datetime64[ms]")))
    log = imported(write(truth, d, tmp_path), pack_for(truth), tmp_path / "store")
    assert_same(log, truth, d)
    assert [(r["rule"], r["rows"]) for r in log.repairs] == [("clock_unset", 60)]


@pytest.mark.parametrize("glitch", ["2026-05-13T23:00:00", "2026-05-12T01:00:00", "2088-01-01T00:00:00"])
def test_one_wrong_stamp_is_left_out(glitch: str, tmp_path: Path) -> None:
    truth = drive()
    shown = {t: t for t in truth.time}
    shown[truth.time[77]] = np.datetime64(glitch, "us")
    d = D.but(time_text=lambda t: str(shown[t].astype("datetime64[ms]")))
    log = imported(write(truth, d, tmp_path), pack_for(truth), tmp_path / "store")
    keep = np.arange(len(truth.time)) != 77
    assert np.array_equal(log.time, truth.time[keep])
    np.testing.assert_allclose(log.cell_voltage, truth.cells[keep], atol=1e-6)
    assert [r["rule"] for r in log.repairs] == ["stamp_wrong"]


def test_repeated_rows_are_dropped(tmp_path: Path) -> None:
    truth = drive()
    path = write(truth, D, tmp_path)
    lines = path.read_text().splitlines()
    path.write_text("\n".join([*lines[:50], lines[49], *lines[50:]]) + "\n")
    log = imported(path, pack_for(truth), tmp_path / "store")
    assert_same(log, truth)
    assert [r["rule"] for r in log.repairs] == ["row_repeated"]


def test_long_pauses_stay_one_log(tmp_path: Path) -> None:
    truth = drive()
    truth.time[200:] += np.timedelta64(9, "h")
    log = imported(write(truth, D, tmp_path), pack_for(truth), tmp_path / "store")
    assert_same(log, truth)
    assert log.repairs == ()


def test_rows_without_a_time_are_left_out(tmp_path: Path) -> None:
    truth = drive()
    gone = {truth.time[9], truth.time[300]}
    d = D.but(time_text=lambda t: "" if t in gone else str(t.astype("datetime64[ms]")))
    log = imported(write(truth, d, tmp_path), pack_for(truth), tmp_path / "store")
    assert log.rows == len(truth.time) - 2
    assert [(r["rule"], r["rows"]) for r in log.repairs] == [("no_time", 2)]


@pytest.mark.parametrize("wrap_ms", [2**32, None])
def test_a_counter_that_begins_again_goes_on(wrap_ms: int | None, tmp_path: Path) -> None:
    """2**32 ms are 49.7 days: by algebra. A restart without a known span goes on after one usual step."""
    truth = drive()
    ms = (np.arange(400) * 1000) + (2**32 - 150_500 if wrap_ms else 5000)
    shown = ms % 2**32 if wrap_ms else np.where(np.arange(400) >= 150, ms - ms[150] + 7, ms)
    texts = dict(zip(truth.time, shown))
    d = D.but(time_name="Uptime (ms)", time_text=lambda t: str(texts[t]))
    log = imported(write(truth, d, tmp_path), pack_for(truth), tmp_path / "store")
    assert np.array_equal(np.diff(log.time).astype(np.int64), np.full(399, 1_000_000))
    assert log.rows == 400
    assert {r["rule"] for r in log.repairs} == {
        "no_date",
        "counter_wrapped" if wrap_ms else "counter_restarted",
    }


@pytest.mark.parametrize("rows", [400, 5])
def test_the_newest_row_first(rows: int, tmp_path: Path) -> None:
    truth = drive(rows=rows)
    path = write(truth, D, tmp_path)
    lines = path.read_text().splitlines()
    path.write_text("\n".join([lines[0], *lines[:0:-1]]) + "\n")
    log = imported(path, pack_for(truth), tmp_path / "store")
    assert_same(log, truth)
    assert [r["rule"] for r in log.repairs] == ["rows_turned"]


def test_rows_in_no_order_are_refused(tmp_path: Path) -> None:
    truth = drive()
    path = write(truth, D, tmp_path)
    lines = path.read_text().splitlines()
    order = np.random.default_rng(1).permutation(400)
    path.write_text("\n".join([lines[0], *(lines[1 + k] for k in order)]) + "\n")
    assert "order of time" in refusal(path, pack_for(truth), tmp_path / "store")
