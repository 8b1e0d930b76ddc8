"""A question of the clock is answered by a button, and the file comes in at the times that were meant."""

from __future__ import annotations

import datetime as dt
import shutil
from collections.abc import Callable
from pathlib import Path

import pytest

from bmslogs.base.toml import parse_toml
from dashboard.desk import Desk
from dashboard.jobs import Job, Jobs, answer_question, bring_in, inspect, offers_of
from dashboard.offered import Offer, offered, with_answer
from tests.dashboard import invent
from tests.dashboard.test_jobs import settled

PACK = invent.pack(name="Knot", pack_id="knot-main")
JUMP_ROW, ROWS = 500, 900


def written(folder: Path, stamp: Callable[[int, str], str]) -> Path:
    """Write a drive of 15 minutes whose stamps are as `stamp` makes them of row and true time."""
    header, *rows = (
        invent.write_csv(invent.drive(PACK, seconds=ROWS), folder / "true.csv").read_text().splitlines()
    )
    parts = [row.split(",", 1) for row in rows]
    lines = [f"{stamp(n, time)},{rest}" for n, (time, rest) in enumerate(parts)]
    path = folder / "drive.csv"
    path.write_text("\n".join([header, *lines]) + "\n", encoding="utf-8")
    return path


def day_or_month(_n: int, time: str) -> str:
    return f"03/04/2026 {time[11:19]}"


def seconds_or_thousandths(n: int, _time: str) -> str:
    return str(1000 * n)


def jumps_a_year(n: int, time: str) -> str:
    true = dt.datetime.fromisoformat(time.replace("Z", "+00:00"))
    return (true + (dt.timedelta(days=400) if n > JUMP_ROW else dt.timedelta())).isoformat()


def asked(folder: Path, stamp: Callable[[int, str], str]) -> tuple[Desk, Jobs, Job]:
    """Return a file that was looked at, and brought in where its beginning asks nothing."""
    desk, jobs = Desk(folder / "store"), Jobs()
    desk.store.save_pack(PACK)
    (folder / "t").mkdir()
    jobs.add("t", "drive.csv", Path(shutil.copy(written(folder, stamp), folder / "t")))
    inspect(jobs, "t", PACK, store=desk.store)
    (job,) = settled(jobs)
    if not job.inspection.problems:
        bring_in(jobs, "t", desk, PACK)
        (job,) = settled(jobs)
    return desk, jobs, job


@pytest.mark.parametrize(
    ("stamp", "number", "says", "start", "seconds"),
    [
        (day_or_month, 0, "It was 3 April 2026", "2026-04-03T09:10:00", ROWS - 1),
        (day_or_month, 1, "It was 4 March 2026", "2026-03-04T09:10:00", ROWS - 1),
        (seconds_or_thousandths, 0, "A row every 1000 s: elapsed_s", "1970-01-01", 1000 * (ROWS - 1)),
        (seconds_or_thousandths, 1, "A row every 1 s: elapsed_ms", "1970-01-01", ROWS - 1),
        (jumps_a_year, 0, "The earlier times are right", "2026-05-03T09:10:00", ROWS - 1),
        (jumps_a_year, 1, "The later times are right", "2027-06-07T09:10:00", ROWS - 1),
        (
            jumps_a_year,
            2,
            "Both are right: nothing was logged between",
            "2026-05-03T09:10:00",
            400 * 86400 + ROWS - 1,
        ),
    ],
)
def test_each_answer_brings_the_file_in_as_it_says(
    tmp_path: Path, stamp: Callable[[int, str], str], number: int, says: str, start: str, seconds: float
) -> None:
    desk, jobs, job = asked(tmp_path, stamp)
    assert job.state in ("confirm", "refused")
    assert offers_of(job)[number].says == says
    line = offers_of(job)[number].line
    answer_question(jobs, "t", PACK, line, desk.store)
    (job,) = settled(jobs)
    assert job.state == "confirm", job.says
    assert not offers_of(job)
    answer_question(
        jobs, "t", PACK, 'right = "later"', desk.store
    )  # a button of a card that has not followed yet
    assert jobs.get("t") == job
    bring_in(jobs, "t", desk, PACK)
    (job,) = settled(jobs)
    assert job.state == "done", job.says
    (entry,) = desk.store.logs()
    first = dt.datetime.fromisoformat(start).replace(tzinfo=dt.UTC)
    tolerance = dt.timedelta(seconds=2)  # a jump is closed by the step that the rows around it have
    assert abs(entry.start - first) < tolerance
    assert abs(entry.end - entry.start - dt.timedelta(seconds=seconds)) < tolerance


def test_a_question_of_something_else_offers_nothing() -> None:
    unit = 'a.csv: column I: may be in A or mA; expected a profile with [current] unit = "A" or unit = "mA"'
    more = 'a.csv: counts no time since 1970; expected a profile with [time] format = "elapsed_s" and start = "x"'
    assert offered(unit) == offered(more) == offered("a.csv: has no rows") == ()


def test_a_date_of_the_name_is_offered_with_what_it_means() -> None:
    line = (
        "a.csv: the count reads 900 s on the first row, and the file's name says 2026-05-03T09:10:00; expected "
        'a profile with [time] start = "2026-05-03T09:10:00Z" (where it read nought then) or "2026-05-03T08:55:00Z"'
    )
    assert [o.says for o in offered(line)] == [
        "It began 2026-05-03 09:10:00 UTC",
        "It began 2026-05-03 08:55:00 UTC",
    ]


def test_an_answer_leaves_the_rest_of_a_profile_as_it_was() -> None:
    before = '[time]\ncolumn = "t"\n\n[current]\nunit = "mA"\n'
    after = parse_toml(with_answer(before, Offer("right", "later", "")))
    assert after == {"time": {"column": "t", "right": "later"}, "current": {"unit": "mA"}}
