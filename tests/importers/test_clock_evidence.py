"""What a clock says is weighed: steps, length, year, other columns, and which side of a jump is right.

Truth is planted; the files differ in size, place, rate and dialect by seed.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from bmslogs.base.errors import Ambiguous
from bmslogs.importers.plan.profile import parse_profile
from bmslogs.importers.reading.jumps import Evidence, Jump, moves, stretches
from bmslogs.importers.reading.order import spread
from bmslogs.importers.recognise.numeric_time import Track, readings
from tests.importers.writing import (
    Dialect,
    Truth,
    assert_same,
    drive,
    imported,
    pack_for,
    refusal,
    stamp,
    write,
)

D = Dialect()
LOCAL = D.but(delimiter=";", decimal=",", cell_name=lambda c: f"Zelle {c} [V]", current_name="Strom [A]")


def us(time: np.datetime64) -> int:
    return int(time.astype("datetime64[us]").astype(np.int64))


def count_from(
    truth: Truth, start: float, scale: float = 1.0, decimals: int = 2
) -> Callable[[np.datetime64], str]:
    return lambda t: f"{start + (us(t) - us(truth.time[0])) / 1e6 * scale:.{decimals}f}"


def showing(truth: Truth, times: np.ndarray) -> Callable[[np.datetime64], str]:  # type: ignore[type-arg]
    shown = dict(zip(truth.time, times))
    return lambda t: str(shown[t].astype("datetime64[ms]"))


def elsewhere(truth: Truth, first: int, end: int, start: str) -> np.ndarray:  # type: ignore[type-arg]
    """Return the stamps with rows `first` to `end` of a clock that began at `start`."""
    out = truth.time.copy()
    out[first:end] = np.datetime64(start, "us") + (truth.time[first:end] - truth.time[first])
    return out


@pytest.mark.parametrize("seed", range(12))
def test_seconds_are_seconds_wherever_they_start(seed: int, tmp_path: Path) -> None:
    rng = np.random.default_rng(seed)
    period = float(rng.choice([0.02, 0.1, 0.5, 1, 5, 10, 60]))
    truth = drive(rows=int(rng.integers(60, 900)), period_s=period, seed=seed)
    start = float(rng.choice([0, 6901.02, 43780, round(rng.uniform(1e3, 9e4), 2)]))
    d = D.but(time_name="time", time_text=count_from(truth, start))
    log = imported(write(truth, d, tmp_path), pack_for(truth), tmp_path / "store")
    assert np.array_equal(np.diff(log.time), np.diff(truth.time))
    assert us(log.time[0]) == round(start * 1e6)
    assert [r["rule"] for r in log.repairs] == ["no_date"]


@pytest.mark.parametrize("seed", range(6))
def test_days_of_a_spreadsheet_are_days(seed: int, tmp_path: Path) -> None:
    rng = np.random.default_rng(seed)
    truth = drive(rows=300, period_s=float(rng.choice([0.5, 1, 10, 60, 600])), seed=seed)
    d = D.but(time_name="time", time_text=lambda t: f"{us(t) / 86_400e6 + 25569:.9f}")
    assert_same(imported(write(truth, d, tmp_path), pack_for(truth), tmp_path / "store"), truth, d)


@pytest.mark.parametrize(
    "scale, form", [(1e3, "elapsed_ms"), (1 / 60, "elapsed_min"), (1 / 3600, "elapsed_h")]
)
def test_a_unit_that_nothing_gives_is_asked_for(scale: float, form: str, tmp_path: Path) -> None:
    truth = drive()
    path = write(truth, D.but(time_name="time", time_text=count_from(truth, 0, scale, 7)), tmp_path)
    reason = refusal(path, pack_for(truth), tmp_path / "store")
    assert "column time" in reason and f'format = "{form}"' in reason
    profile = parse_profile({"time": {"format": form, "start": "2026-05-13T09:10:00Z"}})
    assert_same(imported(path, pack_for(truth), tmp_path / "store", profile), truth, D, 40_000)


def test_steps_decide_not_the_first_value() -> None:
    """Rate and year by arithmetic: a step of 1 s in days of a spreadsheet is 1/86400."""
    seconds = Track(step=1.0, level=43780.0, span=4000.0, rising=1.0, decimals=2)
    days = Track(step=1 / 86400, level=43780.0, span=0.05, rising=1.0, decimals=8)
    assert [c.format for c in readings(seconds, None, True)] == ["elapsed_s"]
    assert [c.format for c in readings(days, None, True)] == ["serial_days"]
    both = Track(step=0.0205, level=43780.0, span=20.0, rising=1.0, decimals=6)
    assert [c.format for c in readings(both, None, True)] == ["elapsed_s", "serial_days"]


def test_seconds_of_the_day_beside_a_date_in_the_name(tmp_path: Path) -> None:
    truth = drive()
    d = D.but(time_name="time", time_text=count_from(truth, 33_000))
    for name in ("log_2026-05-13.csv", "log_2026-05-13_09-10.csv"):
        assert_same(imported(write(truth, d, tmp_path, name), pack_for(truth), tmp_path / "store"), truth, d)


def test_a_count_far_on_beside_a_time_in_the_name_is_asked_about(tmp_path: Path) -> None:
    truth = drive()
    d = D.but(time_name="uptime", time_text=count_from(truth, 6901))
    path = write(truth, d, tmp_path, "log_2026-05-13_09-10.csv")
    reason = refusal(path, pack_for(truth), tmp_path / "store")
    assert "2026-05-13T09:10:00Z" in reason and "2026-05-13T07:14:59Z" in reason
    profile = parse_profile({"time": {"start": "2026-05-13T07:14:59Z"}})
    assert_same(imported(path, pack_for(truth), tmp_path / "store", profile), truth, d)


BESIDE: dict[str, Callable[[Truth], dict[str, Callable[[int], str]]]] = {
    "epoch": lambda truth: {"unix": lambda r: f"{us(truth.time[r]) // 1_000_000}"},
    "epoch ms": lambda truth: {"stamp_ms": lambda r: f"{us(truth.time[r]) // 1000}"},
    "iso": lambda truth: {"iso": lambda r: str(truth.time[r].astype("datetime64[s]"))},
}


@pytest.mark.parametrize("kind", BESIDE)
@pytest.mark.parametrize("form", ["%d/%m/%Y %H:%M:%S", "%m/%d/%Y %I:%M:%S %p"])
def test_a_plain_date_beside_settles_day_and_month(kind: str, form: str, tmp_path: Path) -> None:
    truth = drive(start="2026-05-03T09:00:00")
    d = D.but(time_text=stamp(form), extras=BESIDE[kind](truth))
    assert_same(imported(write(truth, d, tmp_path), pack_for(truth), tmp_path / "store"), truth, d)


def test_a_count_beside_settles_day_and_month_over_midnight(tmp_path: Path) -> None:
    truth = drive(start="2026-11-07T23:58:00")
    d = D.but(time_text=stamp("%m/%d/%Y %H:%M:%S"), extras={"Prog Time (s)": lambda r: f"{r}.0"})
    assert_same(imported(write(truth, d, tmp_path), pack_for(truth), tmp_path / "store"), truth, d)


@pytest.mark.parametrize("zone", ["Europe/Oslo", "America/Denver", "Asia/Kolkata"])
def test_local_stamps_beside_an_epoch_are_brought_to_utc(zone: str, tmp_path: Path) -> None:
    """Offsets of the zones: IANA time zone database, read by the standard library's zoneinfo."""
    truth = drive(start="2026-05-13T09:00:00")
    d = D.but(time_text=stamp("%Y-%m-%d %H:%M:%S", zone), extras=BESIDE["epoch"](truth))
    assert_same(imported(write(truth, d, tmp_path), pack_for(truth), tmp_path / "store"), truth, d)


def test_a_format_alone_is_heard(tmp_path: Path) -> None:
    truth = drive(start="2026-05-03T09:00:00")
    path = write(truth, D.but(time_text=stamp("%d/%m/%Y %I:%M:%S %p")), tmp_path)
    assert "%d/%m/%Y %I:%M:%S %p" in refusal(path, pack_for(truth), tmp_path / "store")
    profile = parse_profile({"time": {"format": "%d/%m/%Y %I:%M:%S %p"}})
    assert_same(imported(path, pack_for(truth), tmp_path / "store", profile), truth)


def test_a_year_of_two_digits_may_stand_first(tmp_path: Path) -> None:
    truth = drive(start="2024-04-26T09:00:00")
    path = write(truth, D.but(time_text=stamp("%y-%m-%d %H:%M:%S")), tmp_path)
    reason = refusal(path, pack_for(truth), tmp_path / "store")
    assert "%y-%m-%d" in reason and "%d-%m-%y" in reason


@pytest.mark.parametrize("kind", ["part", "count", "millis"])
@pytest.mark.parametrize("period", [0.1, 0.25, 0.4])
def test_another_column_tells_the_fraction(kind: str, period: float, tmp_path: Path) -> None:
    truth = drive(rows=900, period_s=period)
    truth.current[100:300], truth.cells[100:300] = 0.0, truth.cells[100]  # at rest rows say the same
    truth.temperatures[:] = 21.0
    extra: dict[str, Callable[[int], str]] = {
        "part": {"ms": lambda r: str(us(truth.time[r]) // 1000 % 1000)},
        "count": {"Total Time (s)": lambda r: f"{77 + r * period:.2f}"},
        "millis": {"millis": lambda r: f"{4000 + r * period * 1000:.0f}"},
    }[kind]
    d = D.but(time_text=stamp("%Y-%m-%d %H:%M:%S"), extras=extra)
    log = imported(write(truth, d, tmp_path), pack_for(truth), tmp_path / "store")
    assert not [r for r in log.repairs if r["rule"] in ("row_repeated", "stamps_spread")]
    assert np.array_equal(log.time, truth.time)


def test_pairs_with_one_stamp_are_no_repeats_where_the_logger_is_a_little_fast(tmp_path: Path) -> None:
    truth = drive(rows=900, period_s=0.95)
    truth.current[100:500], truth.cells[100:500] = 0.0, truth.cells[100]
    truth.temperatures[:] = 21.0
    log = imported(
        write(truth, D.but(time_text=stamp("%Y-%m-%d %H:%M:%S")), tmp_path),
        pack_for(truth),
        tmp_path / "store",
    )
    assert log.rows == 900 and not [r for r in log.repairs if r["rule"] == "row_repeated"]


WRONG = {
    "1970": ("1970-01-01T00:00:05", True),
    "end of 1999": ("1999-12-31T23:10:00", True),
    "2000": ("2000-01-01T00:00:03", True),
    "2010": ("2010-01-01T00:00:00", True),
    "to come": ("2088-01-01T00:00:00", True),
    "any day": ("2019-03-04T10:00:00", False),
}


@pytest.mark.parametrize("kind", WRONG)
@pytest.mark.parametrize("place", ["head", "middle", "tail"])
@pytest.mark.parametrize("seed", range(2))
def test_the_wrong_rows_move(kind: str, place: str, seed: int, tmp_path: Path) -> None:
    rng = np.random.default_rng(seed)
    truth = drive(rows=int(rng.integers(200, 700)), seed=seed, period_s=float(rng.choice([0.5, 1, 5])))
    n = len(truth.time)
    first, end = {"head": (0, n // 5), "middle": (n // 3, n // 2), "tail": (n - n // 4, n)}[place]
    start, plain = WRONG[kind]
    path = write(truth, D.but(time_text=showing(truth, elsewhere(truth, first, end, start))), tmp_path)
    if not plain and place != "middle":
        reason = refusal(path, pack_for(truth), tmp_path / "store")
        assert "column Time" in reason and 'right = "' in reason
        right = "later" if place == "head" else "earlier"
        profile = parse_profile({"time": {"right": right}})
        assert_same(imported(path, pack_for(truth), tmp_path / "store", profile), truth)
        path = path.rename(tmp_path / "drive_2026-05-13.csv")
    log = imported(path, pack_for(truth), tmp_path / "again")
    assert_same(log, truth)
    (repair,) = log.repairs
    assert repair["rule"] in ("clock_unset", "clock_lost") and repair["rows"] == end - first


@pytest.mark.parametrize("hours", [-3, -1, 1, 3])
def test_a_stray_from_which_the_clock_comes_back(hours: int, tmp_path: Path) -> None:
    truth = drive()
    shown = truth.time.copy()
    shown[100:140] += np.timedelta64(hours, "h")
    log = imported(
        write(truth, D.but(time_text=showing(truth, shown)), tmp_path), pack_for(truth), tmp_path / "s"
    )
    assert_same(log, truth)
    assert [(r["rule"], r["rows"]) for r in log.repairs] == [("clock_unset", 40)]


@pytest.mark.parametrize("rows", [1, 2, 3])
@pytest.mark.parametrize("glitch", ["1990-05-05T05:05:05", "2088-01-01T00:00:00", "2026-05-13T04:00:00"])
def test_a_few_wrong_stamps_are_left_out(rows: int, glitch: str, tmp_path: Path) -> None:
    truth = drive()
    shown = elsewhere(truth, 77, 77 + rows, glitch)
    log = imported(
        write(truth, D.but(time_text=showing(truth, shown)), tmp_path), pack_for(truth), tmp_path / "s"
    )
    keep = (np.arange(400) < 77) | (np.arange(400) >= 77 + rows)
    assert np.array_equal(log.time, truth.time[keep])
    assert [(r["rule"], r["rows"]) for r in log.repairs] == [("stamp_wrong", rows)]


def test_a_pause_over_new_year_stays_a_pause(tmp_path: Path) -> None:
    truth = drive(start="2025-11-20T10:00:00")
    truth.time[200:] += np.timedelta64(70, "D")
    log = imported(write(truth, D, tmp_path), pack_for(truth), tmp_path / "store")
    assert_same(log, truth)
    assert log.repairs == ()


def test_moves_by_hand() -> None:
    """A good hour, ten rows of 1970, a good hour: by hand they move to end one step before the second hour."""
    second = 1_000_000
    good = us(np.datetime64("2026-05-13T09:00:00"))
    jumps = [Jump(3600, good + 3599 * second, 0), Jump(3610, 9 * second, good + 3700 * second)]
    parts = stretches(jumps, good, good + 7000 * second, 7000)
    (move,) = moves(parts, Evidence(step=second))
    assert (move.first, move.end, move.rule) == (3600, 3610, "clock_unset")
    assert move.shift == good + 3690 * second


@pytest.mark.parametrize(
    ("back_s", "times", "asked"), [(60, 4, True), (600, 4, True), (60, 2, False), (5, 4, False)]
)
def test_parts_of_a_file_in_turn_are_no_clock_that_was_set(back_s: int, times: int, asked: bool) -> None:
    """Stretches of 100 s, each beginning so long before the end of the last: four times 60 s in 260 s are asked about
    and more all the more; twice, or four times 5 s in 480 s, a clock may be set (by hand)."""
    second, good = 1_000_000, us(np.datetime64("2026-05-13T09:00:00"))
    starts = [good + k * (100 - back_s) * second for k in range(times + 1)]
    jumps = [Jump(100 * (k + 1), starts[k] + 99 * second, starts[k + 1]) for k in range(times)]
    parts = stretches(jumps, good, starts[-1] + 99 * second, 100 * (times + 1))
    if asked:
        with pytest.raises(Ambiguous, match="stand in turn"):
            moves(parts, Evidence(step=second))
    else:
        assert len(moves(parts, Evidence(step=second))) == times


@pytest.mark.parametrize("seed", range(6))
@pytest.mark.parametrize("again", [True, False])
def test_a_count_beside_tells_the_time_of_a_clock_that_was_reset(
    seed: int, again: bool, tmp_path: Path
) -> None:
    rng = np.random.default_rng(seed)
    truth = drive(rows=400, period_s=float(rng.choice([0.5, 2.0])), seed=seed)
    # rows are not even: a step that is only usual would be off by up to as much
    truth.time[:] += (rng.uniform(0, 200, 400)).astype(int) * np.timedelta64(1000, "us")
    first = int(rng.integers(80, 200))
    end = first + int(rng.integers(5, 120)) if again else 400
    year = rng.choice(["1970", "1999", "2000"])
    elapsed = {"elapsed_s": lambda r: f"{(us(truth.time[r]) - us(truth.time[0])) / 1e6:.3f}"}
    d = D.but(
        time_text=showing(truth, elsewhere(truth, first, end, f"{year}-01-01T00:00:03")), extras=elapsed
    )
    log = imported(write(truth, d, tmp_path), pack_for(truth), tmp_path / "store")
    assert_same(log, truth, d)
    assert [(r["rule"], r["rows"]) for r in log.repairs] == [("clock_reckoned", end - first)]


def test_a_count_that_was_reset_too_tells_no_time(tmp_path: Path) -> None:
    truth = drive(rows=400)
    elapsed = {"elapsed_s": lambda r: f"{r if r < 200 else r - 200}.000"}
    d = D.but(time_text=showing(truth, elsewhere(truth, 200, 400, "1970-01-01T00:00:03")), extras=elapsed)
    log = imported(write(truth, d, tmp_path), pack_for(truth), tmp_path / "store")
    assert_same(log, truth, d, time_us=2_000_000)
    assert "clock_reckoned" not in {r["rule"] for r in log.repairs}


def test_a_bare_t_that_rises_in_every_row_is_the_time(tmp_path: Path) -> None:
    truth = drive(sensors=1)
    d = D.but(time_name="t", time_text=count_from(truth, 12859.0))
    log = imported(write(truth, d, tmp_path), pack_for(truth), tmp_path / "store")
    assert np.array_equal(np.diff(log.time), np.diff(truth.time))


def test_an_epoch_in_a_unit_that_makes_another_century_of_it_is_asked_about(tmp_path: Path) -> None:
    truth = drive()
    d = D.but(time_name="stamp", time_text=lambda t: f"{us(t) / 1e6:.3f}")
    path = write(truth, d, tmp_path)
    profile = parse_profile({"time": {"column": "stamp", "format": "epoch_ms"}})
    assert 'format = "epoch_s"' in refusal(path, pack_for(truth), tmp_path / "store", profile)
    right = parse_profile({"time": {"column": "stamp", "format": "epoch_s"}})
    assert_same(imported(path, pack_for(truth), tmp_path / "store", right), truth, d)


@pytest.mark.parametrize("start", ["2026-05-13T09:10:00", "2026-05-13T23:58:00"])
@pytest.mark.parametrize("period", [1.0, 60.0])
def test_a_spreadsheets_day_and_part_of_the_day_in_two_columns(
    start: str, period: float, tmp_path: Path
) -> None:
    """Day 25569 is 1970-01-01 (the spreadsheets' own count); a part of a day to 1e-9 is 0.1 ms."""
    truth = drive(rows=300, start=start, period_s=period)

    def text(t: np.datetime64) -> list[str]:
        day, part = divmod(us(t), 86_400_000_000)
        return [str(day + 25569), f"{part / 86_400e6:.9f}"]

    d = D.but(time_name="Date|Time", time_text=text)
    log = imported(write(truth, d, tmp_path), pack_for(truth), tmp_path / "store")
    assert_same(log, truth, d)
    assert log.repairs == ()


def test_an_epoch_finer_than_the_stamps_beside_it_is_the_clock(tmp_path: Path) -> None:
    truth = drive(period_s=2.0)
    truth.time[:] += np.timedelta64(480, "ms")
    epoch = {"epoch": lambda r: f"{us(truth.time[r]) / 1e6:.3f}"}
    d = D.but(time_text=stamp("%m/%d/%Y %H:%M:%S", "America/Denver"), extras=epoch)
    assert_same(imported(write(truth, d, tmp_path), pack_for(truth), tmp_path / "store"), truth, d)


@pytest.mark.parametrize("form", ["%m/%d/%Y %I:%M:%S %p", "%d/%m/%Y %H:%M:%S"])
def test_a_start_above_the_table_and_a_count_settle_day_and_month(form: str, tmp_path: Path) -> None:
    truth = drive(start="2026-11-08T12:33:02")
    began = np.datetime64("2026-11-07T21:07:49", "us")

    def text(t: np.datetime64) -> list[str]:
        seconds = (us(t) - us(began)) // 1_000_000
        return [stamp(form)(t), f"{seconds // 3600}:{seconds // 60 % 60:02d}:{seconds % 60:02d}.000"]  # type: ignore[list-item]

    d = D.but(
        time_name="Time Stamp|Prog Time", time_text=text, preamble=(f"Start Time,{stamp(form)(began)}", "")
    )
    assert_same(imported(write(truth, d, tmp_path), pack_for(truth), tmp_path / "store"), truth, d)


def test_a_row_that_shares_a_stamp_by_chance_lies_within_its_second() -> None:
    """By hand: rows every minute, one of them twice in a second."""
    second = 1_000_000
    shared = np.array([8, 68, 128, 128, 188, 249], dtype=np.int64) * second
    assert spread(shared, None, 1, False, 60 * second).tolist() == [
        8 * second, 68 * second, 128 * second, 128 * second + second // 2, 188 * second, 249 * second
    ]  # fmt: skip
    minutes = np.array([0, 60, 60, 120], dtype=np.int64) * second
    assert spread(minutes, None, 1, False, 60 * second).tolist() == [
        0,
        60 * second,
        90 * second,
        120 * second,
    ]


def test_a_first_column_without_a_name_is_a_clock_where_its_steps_differ(tmp_path: Path) -> None:
    truth = drive(rows=300, cells=3, sensors=0)
    truth.time[:] += np.random.default_rng(1).integers(0, 90, 300) * np.timedelta64(1000, "us")
    d = D.but(header=False, time_text=count_from(truth, 0.0, decimals=3))
    log = imported(write(truth, d, tmp_path), pack_for(truth), tmp_path / "store")
    assert np.array_equal(np.diff(log.time), np.diff(truth.time))
    even = drive(rows=300, cells=3, sensors=0)
    path = write(even, d.but(time_text=count_from(even, 0.0, decimals=0)), tmp_path, "even.csv")
    reason = refusal(path, pack_for(even), tmp_path / "other")
    assert 'column = "column 1"' in reason
    answer = parse_profile({"time": {"column": "column 1", "format": "elapsed_s"}})
    log = imported(path, pack_for(even), tmp_path / "other", answer)
    assert np.array_equal(np.diff(log.time), np.diff(even.time))


@pytest.mark.parametrize("made", ["2026-05-12", "2026-05-13"])
def test_a_date_and_a_time_of_day_in_two_lines_above_the_table(made: str, tmp_path: Path) -> None:
    """The lines with a value for each column are the table's; the single ones say when the file was made."""
    truth = drive(sensors=1)
    own = ("Date,2026/05/13,2026/05/13,2026/05/13", "Time,09:10:00.0001234567890,09:10:00.004,09:10:00.005")
    head = (f"Date,{made}", "Time,08:00:01.5", "", *own, "")
    d = D.but(preamble=head, time_name="Elapsed [s]", time_text=count_from(truth, 0.0, decimals=3))
    log = imported(write(truth, d, tmp_path), pack_for(truth), tmp_path / "store")
    assert_same(log, truth, d)
    assert "no_date" not in {r["rule"] for r in log.repairs}
