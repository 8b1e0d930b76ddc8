"""Time: clocks, epochs, serials, elapsed columns, resets, stamps coarser than the rows."""

from __future__ import annotations

import datetime as dt
from typing import Any

import numpy as np

from tests.importers.classes.dialect import formatted, numbers
from tests.importers.classes.draft import Draft, draw, random_start
from tests.importers.classes.string_model import Rng
from tests.importers.classes.truth import Case, Habit

FAST_S = (0.1, 0.2, 0.25, 0.5)
PLAIN_S = (0.5, 1.0, 1.0, 2.0, 5.0, 10.0, 30.0, 60.0)


def log(rng: Rng, **over: Any) -> Draft:
    """Return a draft of a drive or a day, large enough that the current's sign is plain."""
    base: dict[str, Any] = {
        "kind": "drive",
        "dt_s": PLAIN_S,
        "noise_mV": 0.5,
        "cells": (1, 24),
        "layout": False,
    }
    fields = {**base, **over}
    step = fields["dt_s"]
    if not isinstance(step, float | int):
        step = float(rng.choice(step))
    fields["dt_s"] = step
    if step >= 10:
        fields.setdefault("step_mV", 1.0)
    return draw(rng, **fields)


def rest_of(d: Draft, habit: str, kind: str = "plain", **truth: Any) -> Case:
    """Append the columns beside the time and return the case."""
    d.write_current()
    d.write_cells()
    if d.temperatures.shape[1]:
        d.write_temperatures()
    d.fields.update(truth)
    return d.case(habit, kind)


def stamp_name(d: Draft) -> str:
    """Return the dialect's word for a stamp."""
    return d.dialect.words[0]


def elapsed_high_start(rng: Rng) -> Case:
    d = log(rng, dt_s=(0.1, 0.2, 0.5, 1.0, 1.0, 2.0, 5.0, 10.0))
    first = float(rng.choice([6901, 43780, float(rng.integers(1000, 60_000))]))
    places = int(rng.choice([1, 2, 3])) if np.any(d.run.t % 1) or rng.random() < 0.5 else 0
    at = np.round(first + d.time_s - d.time_s[0], places)
    name, unit = [("time", "s"), ("time", ""), ("t", "s"), ("Time", "s"), ("time_s", ""), ("seconds", "")][
        int(rng.integers(6))
    ]
    d.sheet.add(name, unit, numbers(at, places), "time")
    d.time_s = d.time_s[0] + at - at[0]
    bare = (unit == "" or d.dialect.units == "none") and name.lower() in ("time", "t")
    plain = not bare or float(np.median(np.diff(at))) <= 5
    return rest_of(d, "elapsed seconds from 1000 to 60000", "plain" if plain else "ambiguous", undated=True)


def elapsed_ms_uptime(rng: Rng) -> Case:
    d = log(rng, dt_s=(0.1, 0.2, 0.5, 1.0, 2.0))
    at = np.round((d.time_s - d.time_s[0]) * 1000 + float(rng.integers(10_000, 90_000_000)))
    d.sheet.add(str(rng.choice(["time_ms", "uptime_ms", "elapsed_ms"])), "", numbers(at, 0), "time")
    return rest_of(d, "elapsed milliseconds since power-on", undated=True, time_tolerance_s=0.0015)


def elapsed_other_unit(rng: Rng) -> Case:
    d = log(rng, dt_s=(1.0, 2.0, 5.0, 10.0, 30.0), jitter=False)
    unit, divisor, places = [("min", 60, 4), ("h", 3600, 6)][int(rng.integers(2))]
    d.dialect.units = str(rng.choice(["[]", "()"]))
    at = np.round((d.time_s - d.time_s[0]) / divisor, places)
    d.sheet.add(str(rng.choice(["Elapsed", "Elapsed time", "Time"])), unit, numbers(at, places), "time")
    return rest_of(d, f"elapsed time in {unit}", undated=True, time_tolerance_s=0.02)


def serial_days(rng: Rng) -> Case:
    d = log(rng, dt_s=(1.0, 2.0, 5.0, 10.0, 60.0), jitter=False)
    places = int(rng.integers(6, 11))
    serial = np.round(d.time_s / 86400 + 25569, places)
    if rng.random() < 0.3:
        d.sheet.add(d.dialect.words[1], "", numbers(np.floor(serial), 0), "time")
        clock = d.dialect.words[2] if d.dialect.words[2] != d.dialect.words[1] else "Clock"
        d.sheet.add(clock, "", numbers(serial - np.floor(serial), places), "time")
        kind = "ambiguous"
    else:
        name = str(rng.choice([d.dialect.words[1], stamp_name(d), "Timestamp", "Date time"]))
        d.sheet.add(name, "", numbers(serial, places), "time")
        kind = "plain"
    return rest_of(d, "spreadsheet serial", kind, time_tolerance_s=0.0015 + 0.6 * 86400 * 10.0**-places)


def clock_form(rng: Rng, order: str, fractions: bool) -> str:
    """Return a form of stamps with slashes; `order` is dmy or mdy."""
    tail = ".{f}" if fractions else ""
    return {"dmy": "%d/%m/%Y %H:%M:%S", "mdy": "%m/%d/%Y %H:%M:%S"}[order] + tail


def ambiguous_date(rng: Rng, **over: Any) -> tuple[Draft, str, bool]:
    """Return a draft within one day whose day and month may change places, the form, fractions."""
    d = log(rng, start=random_start(rng, day_over_12=False), dt_s=(0.5, 1.0, 1.0, 2.0, 5.0), **over)
    day = dt.datetime.fromtimestamp(float(d.time_s[0]), dt.UTC)
    if day.day == day.month:
        d.time_s = d.time_s + 86400 * (1 if day.day < 12 else -1)
    fractions = bool(np.any(np.abs(d.time_s - np.round(d.time_s)) > 5e-4))
    return d, clock_form(rng, str(rng.choice(["dmy", "mdy"])), fractions), fractions


def dmy_beside_epoch(rng: Rng) -> Case:
    d, form, fractions = ambiguous_date(rng)
    d.sheet.add(stamp_name(d), "", formatted(d.time_s, form, 3), "time", False)
    texts, name = (
        (numbers(d.time_s, 3 if fractions else 0), str(rng.choice(["epoch", "unix_time", "epoch_s"])))
        if rng.random() < 0.6
        else (numbers(np.round(d.time_s * 1000), 0), str(rng.choice(["epoch_ms", "unix_ms"])))
    )
    d.sheet.add(name, "", texts, "time")
    if rng.random() < 0.4:
        d.sheet.columns.reverse()
    return rest_of(d, "day or month first, an epoch column beside")


def dmy_beside_iso(rng: Rng) -> Case:
    d, form, fractions = ambiguous_date(rng)
    d.sheet.add(stamp_name(d), "", formatted(d.time_s, form, 3), "time", False)
    iso = "%Y-%m-%dT%H:%M:%S" + (".{f}" if fractions else "") + "Z"
    d.sheet.add(str(rng.choice(["iso", "UTC", "time_utc"])), "", formatted(d.time_s, iso, 3), "time", False)
    if rng.random() < 0.4:
        d.sheet.columns.reverse()
    return rest_of(d, "day or month first, an ISO column beside")


def dmy_alone(rng: Rng) -> Case:
    d, form, _ = ambiguous_date(rng)
    d.sheet.add(stamp_name(d), "", formatted(d.time_s, form, 3), "time", False)
    return rest_of(d, "day or month first, nothing beside", "ambiguous")


def dmy_over_midnight(rng: Rng) -> Case:
    d, form, _ = ambiguous_date(rng)
    start = float(d.time_s[0])
    midnight = (start // 86400 + 1) * 86400
    half = float(np.median(d.time_s)) - start
    d.time_s = np.round(d.time_s + (midnight - start - half), 3)
    first, last = (dt.datetime.fromtimestamp(float(s), dt.UTC) for s in (d.time_s[0], d.time_s[-1]))
    kind = "plain" if first.month == last.month and last.day <= 12 and first.day != last.day else "ambiguous"
    if np.any(np.abs(d.time_s - np.round(d.time_s)) > 5e-4) and "{f}" not in form:
        form += ".{f}"
    d.sheet.add(stamp_name(d), "", formatted(d.time_s, form, 3), "time", False)
    return rest_of(d, "day or month first, over midnight", kind)


def dated_forms(rng: Rng) -> Case:
    d = log(rng, dt_s=(1.0, 2.0, 5.0, 10.0, 60.0), jitter=False)
    form = str(
        rng.choice(
            [
                "%d/%m/%Y %H:%M:%S", "%m/%d/%Y %H:%M:%S", "%m/%d/%Y %I:%M:%S %p", "%d-%m-%Y %H:%M:%S",
                "%d %b %Y %H:%M:%S", "%d-%b-%Y %H:%M:%S", "%Y/%m/%d %H:%M:%S", "%Y%m%d%H%M%S", "%Y%m%d %H%M%S",
                "%Y%m%dT%H%M%SZ", "%b %d %Y %H:%M:%S", "%a %b %d %H:%M:%S %Y", "%d.%m.%Y, %H:%M:%S",
            ]
        )
    )  # fmt: skip
    texts = formatted(d.time_s, form)
    if "," in form and d.dialect.delimiter == ",":
        texts = [f'"{t}"' for t in texts] if not d.dialect.quote else texts
    d.sheet.add(stamp_name(d), "", texts, "time", False)
    return rest_of(d, f"stamps {form}")


def year_of_two_digits(rng: Rng) -> Case:
    d = log(rng, dt_s=(1.0, 2.0, 5.0), jitter=False)
    form = str(
        rng.choice(["%d.%m.%y %H:%M:%S", "%d/%m/%y %H:%M:%S", "%m/%d/%y %H:%M:%S", "%y-%m-%d %H:%M:%S"])
    )
    d.sheet.add(stamp_name(d), "", formatted(d.time_s, form), "time", False)
    return rest_of(d, "year of two digits", "ambiguous")


def two_columns(rng: Rng) -> Case:
    d = log(rng, dt_s=(0.2, 0.5, 1.0, 2.0, 5.0, 30.0))
    fractions = bool(np.any(np.abs(d.time_s - np.round(d.time_s)) > 5e-4))
    date = str(rng.choice(["%Y-%m-%d", "%d.%m.%Y", "%m/%d/%Y", "%d/%m/%Y", "%Y%m%d"]))
    clock = "%H:%M:%S" + ((",{f}" if d.dialect.decimal == "," else ".{f}") if fractions else "")
    if rng.random() < 0.25 and not fractions:
        clock = "%I:%M:%S %p"
    names = [d.dialect.words[1], d.dialect.words[2] if d.dialect.words[2] != d.dialect.words[1] else "Clock"]
    columns = [
        d.sheet.add(names[0], "", formatted(d.time_s, date), "time", False),
        d.sheet.add(names[1], "", formatted(d.time_s, clock, 3), "time", False),
    ]
    if rng.random() < 0.3:
        d.sheet.columns[:] = columns[::-1]
    return rest_of(d, "date and time in two columns")


def epochs(rng: Rng) -> Case:
    d = log(rng, dt_s=(0.1, 0.2, 0.5, 1.0, 5.0, 60.0))
    factor, places = [(1, 3), (1, 6), (1e3, 0), (1e3, 3), (1e6, 0)][int(rng.integers(5))]
    name = str(rng.choice(["time", "timestamp", "epoch", stamp_name(d)]))
    d.sheet.add(name, "", numbers(d.time_s * factor, places), "time")
    return rest_of(d, f"epoch times {factor:g}")


def seconds_since_1904(rng: Rng) -> Case:
    d = log(rng, dt_s=(0.5, 1.0, 2.0))
    base = dt.datetime(int(rng.choice([1900, 1904])), 1, 1, tzinfo=dt.UTC).timestamp()
    d.sheet.add("Time", "s", numbers(d.time_s - base, 3), "time")
    return rest_of(d, "seconds since 1900 or 1904", "ambiguous")


def whole_second_with_elapsed(rng: Rng) -> Case:
    d = log(rng, dt_s=FAST_S, jitter=None)
    d.time_s = np.round(d.time_s + float(rng.uniform(0, 1)), 3)
    whole = np.floor(d.time_s)
    form = str(rng.choice(["%Y-%m-%d %H:%M:%S", "%d.%m.%Y %H:%M:%S", "%Y-%m-%dT%H:%M:%SZ"]))
    d.sheet.add(stamp_name(d), "", formatted(whole, form), "time", False)
    since = d.time_s - d.time_s[0] + float(rng.choice([0.0, float(rng.integers(1, 5000))]))
    if rng.random() < 0.5:
        texts, name = numbers(since, 3), str(rng.choice(["elapsed_s", "Elapsed [s]", "t_rel_s", "seconds"]))
    else:
        texts, name = (
            numbers(np.round(since * 1000), 0),
            str(rng.choice(["elapsed_ms", "millis", "uptime_ms"])),
        )
    d.sheet.add(name, "", texts, "time")
    if rng.random() < 0.3:
        d.sheet.columns.reverse()
    # The two clocks fix the fraction only within what all rows together allow: less than one row's step.
    return rest_of(
        d, "whole-second stamps, an elapsed column tells the fraction", time_tolerance_s=0.003,
        block_slack_s=(1.0,),
    )  # fmt: skip


def whole_second_alone(rng: Rng) -> Case:
    d = log(rng, dt_s=FAST_S, jitter=False)
    d.time_s = np.round(d.time_s + float(rng.uniform(0, 1)), 3)
    form = str(rng.choice(["%Y-%m-%d %H:%M:%S", "%d.%m.%Y %H:%M:%S", "%Y-%m-%dT%H:%M:%SZ"]))
    d.sheet.add(stamp_name(d), "", formatted(np.floor(d.time_s), form), "time", False)
    return rest_of(d, "whole-second stamps, rows faster", time_tolerance_s=1.0, block_slack_s=(1.0,))


def jittered_one_hertz(rng: Rng) -> Case:
    d = log(rng, dt_s=1.0, jitter=False)
    t = np.arange(d.rows) * float(rng.uniform(0.93, 0.99)) + np.cumsum(np.abs(rng.normal(0, 0.004, d.rows)))
    d.time_s = np.round(d.time_s[0] + 0.3 + t, 3)
    d.sheet.add(stamp_name(d), "", formatted(np.floor(d.time_s), "%Y-%m-%d %H:%M:%S"), "time", False)
    whole = np.floor(d.time_s)
    alike = np.zeros(d.rows, bool)
    # Two rows of one stamp that are alike in every field may be one row written twice: nobody can tell.
    alike[1:] = (
        (np.diff(whole) == 0) & (np.diff(d.current) == 0) & np.all(np.diff(d.volts, axis=0) == 0, axis=1)
    )
    return rest_of(
        d, "rows a little faster than their whole-second stamps", time_tolerance_s=1.0, block_slack_s=(1.0,),
        optional=alike,
    )  # fmt: skip


def whole_minutes(rng: Rng) -> Case:
    d = log(rng, dt_s=(5.0, 10.0, 15.0), jitter=False, step_mV=1.0)
    d.sheet.add(stamp_name(d), "", formatted(np.floor(d.time_s / 60) * 60, "%Y-%m-%d %H:%M"), "time", False)
    return rest_of(d, "stamps in whole minutes", "ambiguous", time_tolerance_s=60.0, block_slack_s=(60.0,))


def clock_forms(rng: Rng, d: Draft) -> str:
    """Return a full form of stamps that holds the draft's fractions."""
    return "%Y-%m-%d %H:%M:%S" + (".{f}" if np.any(np.abs(d.time_s - np.round(d.time_s)) > 5e-4) else "")


def late_sync(rng: Rng) -> Case:
    d = log(rng, dt_s=(0.5, 1.0, 2.0, 5.0, 10.0))
    turn = int(rng.integers(3, d.rows // 3))
    year = int(rng.choice([1970, 1980, 1999, 2000]))
    shown = d.time_s.copy()
    shown[:turn] += dt.datetime(year, 1, 1, tzinfo=dt.UTC).timestamp() + float(rng.integers(0, 60)) - shown[0]
    d.sheet.add(stamp_name(d), "", formatted(shown, clock_forms(rng, d), 3), "time", False)
    step = float(np.max(np.diff(d.time_s)))
    return rest_of(
        d, "clock at its factory date until it is set",
        blocks=(np.arange(d.rows) >= turn).astype(np.int64), block_slack_s=(2 * step, 0.0015),
    )  # fmt: skip


def reset_mid(rng: Rng, elapsed: bool) -> Case:
    d = log(rng, dt_s=(0.5, 1.0, 2.0, 5.0, 10.0))
    turn = int(rng.integers(d.rows // 3, 2 * d.rows // 3))
    year = int(rng.choice([1970, 1980, 1999, 2000]))
    back = turn + int(rng.integers(5, d.rows // 4)) if rng.random() < 0.5 else d.rows
    shown = d.time_s.copy()
    shown[turn:back] += dt.datetime(year, 1, 1, tzinfo=dt.UTC).timestamp() + 3.0 - shown[turn]
    d.sheet.add(stamp_name(d), "", formatted(shown, clock_forms(rng, d), 3), "time", False)
    if elapsed:
        d.sheet.add("elapsed_s", "", numbers(d.time_s - d.time_s[0], 3), "time")
        return rest_of(d, "clock reset in mid-log, an elapsed column goes on", time_tolerance_s=0.003)
    blocks = np.zeros(d.rows, np.int64)
    blocks[turn:back] = 1
    step = float(np.max(np.diff(d.time_s)))
    return rest_of(
        d, "clock reset in mid-log" + (", set again later" if back < d.rows else ""),
        "plain", blocks=blocks, block_slack_s=(0.0015, 3 * step),
    )  # fmt: skip


def clock_stepped_back(rng: Rng) -> Case:
    d = log(rng, dt_s=(0.5, 1.0, 2.0, 5.0))
    turn = int(rng.integers(d.rows // 3, 2 * d.rows // 3))
    back = float(rng.choice([3600.0, 7200.0, float(rng.integers(60, 1200))]))
    shown = d.time_s.copy()
    shown[turn:] -= back
    d.sheet.add(stamp_name(d), "", formatted(shown, clock_forms(rng, d), 3), "time", False)
    step = float(np.max(np.diff(d.time_s)))
    # No file can tell which part ran by the true clock; the way from row to row is what is known.
    case = rest_of(d, "clock set back in mid-log")
    blocks = (np.arange(d.rows) >= turn).astype(np.int64)
    case.truths = (
        d.truth(blocks=blocks, block_slack_s=(0.0015, 3 * step)),
        d.truth(time_s=d.time_s - back, blocks=blocks, block_slack_s=(3 * step, 0.0015)),
    )
    return case


def iso_offset(rng: Rng) -> Case:
    d = log(rng, dt_s=(0.5, 1.0, 5.0, 60.0))
    hours = rng.choice([-8, -5, 1, 2, 5.5, 10])
    turn = int(rng.integers(1, d.rows)) if rng.random() < 0.4 else d.rows
    form = "%Y-%m-%dT%H:%M:%S" + (".{f}" if np.any(np.abs(d.time_s - np.round(d.time_s)) > 5e-4) else "")
    texts = []
    for k, s in enumerate(d.time_s):
        off = float(hours) + (1 if k >= turn else 0)
        minutes = round(abs(off) * 60)
        sign = "-" if off < 0 else "+"
        at = formatted(np.array([s + off * 3600]), form, 3)[0]
        texts.append(f"{at}{sign}{minutes // 60:02d}:{minutes % 60:02d}")
    d.sheet.add(stamp_name(d), "", texts, "time", False)
    return rest_of(d, "ISO stamps with an offset, which may change")


def local_beside_epoch(rng: Rng) -> Case:
    d = log(rng, dt_s=(1.0, 2.0, 5.0), jitter=False)
    local = d.time_s + 3600 * float(rng.choice([-8, -5, 1, 2, 10]))
    d.sheet.add(stamp_name(d), "", formatted(local, "%Y-%m-%d %H:%M:%S"), "time", False)
    d.sheet.add(str(rng.choice(["epoch", "unix_time", "epoch_s"])), "", numbers(d.time_s, 0), "time")
    return rest_of(d, "local stamps beside an epoch column", "ambiguous")


def durations(rng: Rng) -> Case:
    d = log(rng, dt_s=(0.5, 1.0, 2.0, 5.0, 60.0), jitter=False)
    offset = float(rng.choice([0.0, 86_000.0]))
    texts = []
    for s in d.time_s - d.time_s[0] + offset:
        ms = round(s * 1000)
        whole, rest = divmod(ms, 1000)
        body = f"{whole // 3600}:{whole // 60 % 60:02d}:{whole % 60:02d}"
        texts.append(body + (f".{rest:03d}" if d.run.t[1] < 1 else ""))
    d.sheet.add(str(rng.choice(["Elapsed", "Elapsed time", "Duration"])), "", texts, "time", False)
    return rest_of(d, "durations h:mm:ss beyond 24 h", undated=True)


def time_of_day(rng: Rng) -> Case:
    d = log(rng, dt_s=(1.0, 2.0, 5.0, 30.0), jitter=False)
    late = (d.time_s[0] // 86400) * 86400 + float(rng.choice([86_100.0, 43_000.0]))
    d.time_s = np.round(late + d.time_s - d.time_s[0], 3)
    form = "%I:%M:%S %p" if rng.random() < 0.25 else "%H:%M:%S"
    d.sheet.add(d.dialect.words[2], "", formatted(d.time_s, form), "time", False)
    return rest_of(d, "time of day without a date", undated=True)


def date_in_preamble(rng: Rng) -> Case:
    d = log(rng, dt_s=(0.5, 1.0, 2.0, 5.0))
    at = dt.datetime.fromtimestamp(float(d.time_s[0]), dt.UTC)
    d.dialect.preamble = (f"# start {at:%Y-%m-%dT%H:%M:%SZ}", "# vehicle Heron")
    d.write_time("elapsed")
    d.fields.clear()
    d.write_current()
    d.write_cells()
    return d.case(
        "elapsed seconds, the start stands above the table", "ambiguous",
        truths=(d.truth(), d.truth(undated=True)),
    )  # fmt: skip


def wrapping_counter(rng: Rng) -> Case:
    d = log(rng, dt_s=(0.1, 0.2, 0.5, 1.0), jitter=False)
    span = (d.time_s[-1] - d.time_s[0]) * 1000
    name, size, factor = [("millis", 2**32, 1000.0), ("uptime_ms", 2**32, 1000.0), ("uptime_s", 65536, 1.0)][
        int(rng.integers(3))
    ]
    if factor == 1.0 and d.run.t[1] < 1:
        factor, size, name = 1000.0, 2**32, "uptime_ms"
    ticks = np.round((d.time_s - d.time_s[0]) * factor + size - rng.uniform(0.2, 0.8) * span * factor / 1000)
    d.sheet.add(name, "", numbers(np.mod(ticks, size), 0), "time")
    # The way over the wrap is known where the counter's size is; one step of slack where it is guessed.
    turn = int(np.argmax(ticks >= size))
    step = float(np.max(np.diff(d.time_s)))
    return rest_of(
        d, "counter of 16 or 32 bits that wraps", undated=True,
        blocks=(np.arange(d.rows) >= turn).astype(np.int64), block_slack_s=(0.0015, 3 * step),
    )  # fmt: skip


def fraction_mark(rng: Rng) -> Case:
    d = log(rng, dt_s=FAST_S)
    mark = str(rng.choice([",", ":", "."]))
    if mark == "," and d.dialect.delimiter == ",":
        mark = "."
    d.sheet.add(stamp_name(d), "", formatted(d.time_s, f"%Y-%m-%d %H:%M:%S{mark}{{f}}", 3), "time", False)
    return rest_of(d, f"fractions after {mark!r}", "plain" if mark != ":" else "ambiguous")


def pauses(rng: Rng) -> Case:
    d = log(rng, dt_s=(0.5, 1.0, 2.0, 5.0, 10.0), gaps=True)
    d.write_time()
    undated = bool(d.fields.get("undated"))
    return rest_of(d, "long pauses in the stamps", undated=undated)


def stray_stamps(rng: Rng) -> Case:
    d = log(rng, dt_s=(1.0, 2.0, 5.0), jitter=False)
    texts = formatted(d.time_s, "%Y-%m-%d %H:%M:%S")
    optional = np.zeros(d.rows, bool)
    for k in rng.integers(5, d.rows - 5, int(rng.integers(1, 4))):
        texts[k] = str(rng.choice(["2165-02-07 06:28:15", "0000-00-00 00:00:00", "1970-01-01 00:00:00"]))
        optional[k] = True
    d.sheet.add(stamp_name(d), "", texts, "time", False)
    # What a row of a false stamp is given may be off by a step; it may be left out too, and named.
    return rest_of(
        d, "single stamps that no clock shows", optional=optional,
        blocks=optional.astype(np.int64) * (1 + np.cumsum(optional)),
        block_slack_s=(0.0015, *[float(d.run.t[1]) * 1.01] * 5),
    )  # fmt: skip


def _reset_with_elapsed(rng: Rng) -> Case:
    return reset_mid(rng, True)


def _reset_alone(rng: Rng) -> Case:
    return reset_mid(rng, False)


HABITS: tuple[Habit, ...] = (
    elapsed_high_start, elapsed_ms_uptime, elapsed_other_unit, serial_days, dmy_beside_epoch, dmy_beside_iso,
    dmy_alone, dmy_over_midnight, dated_forms, year_of_two_digits, two_columns, epochs, seconds_since_1904,
    whole_second_with_elapsed, whole_second_alone, jittered_one_hertz, whole_minutes, late_sync,
    _reset_with_elapsed, _reset_alone, clock_stepped_back, iso_offset, local_beside_epoch, durations, time_of_day,
    date_in_preamble, wrapping_counter, fraction_mark, pauses, stray_stamps,
)  # fmt: skip
