"""Drop-downs instead of patterns: what is chosen becomes a profile that reads the file as chosen."""

from __future__ import annotations

import shutil
import threading
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bmslogs.base.toml import parse_toml
from bmslogs.importers.plan.profile import parse_profile
from bmslogs.log.log import Log
from bmslogs.store import Store
from dashboard.bring_card import brief
from dashboard.desk import Desk
from dashboard.jobs import OPEN_CARDS, Jobs, bring_all_in, bring_in, choose, inspect, ready
from dashboard.mapping import BESIDE, alike, columns_of, toml_text
from dashboard.pages import bring as page
from dashboard.remembered import forget, recall
from tests.dashboard import invent
from tests.dashboard.test_jobs import settled, two_parts

PACK = invent.pack(name="Knot", pack_id="knot-main")


def odd_file(path: Path, sign: int = -1, unit: float = 1000.0) -> tuple[Path, Log]:
    """A file that asks: cells under words that no list has, current without a sign word."""
    log = invent.drive(PACK, seconds=900)
    n = log.cell_voltage.shape[1]
    lines = ["when,flow," + ",".join(f"zelk {i}" for i in range(1, n + 1))]
    for when, current, row in zip(
        log.time.astype("datetime64[s]"), log.current, log.cell_voltage, strict=True
    ):
        lines.append(f"{when}Z,{sign * current:.1f}," + ",".join(f"{unit * v:.0f}" for v in row))
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return path, log


def looked_at(folder: Path, file: Path) -> tuple[Desk, Jobs]:
    desk, jobs = Desk(folder / "store"), Jobs()
    desk.store.save_pack(PACK)
    jobs.add("t", file.name, file)
    inspect(jobs, "t", PACK, store=desk.store)
    settled(jobs)
    return desk, jobs


def as_chosen(desk: Desk, jobs: Jobs, token: str = "t", sign: str = "negative") -> None:
    job = jobs.get(token)
    assert job is not None and job.inspection is not None, job
    cells = {c.index: ("cell", "mV") for c in columns_of(job.inspection.plan) if "zelk" in c.name}
    flow = {c.index: ("current", "A") for c in columns_of(job.inspection.plan) if c.name == "flow"}
    choose(jobs, token, PACK, cells | flow, store=desk.store)
    settled(jobs)
    choose(jobs, token, PACK, {}, sign, desk.store)
    settled(jobs)


@pytest.mark.parametrize("sign", [-1, 1])
def test_what_is_asked_is_answered_by_choosing(tmp_path: Path, sign: int) -> None:
    file, log = odd_file(tmp_path / "odd.csv", sign)
    desk, jobs = looked_at(tmp_path, file)
    assert not ready(jobs.all()[0])
    as_chosen(desk, jobs, sign="negative" if sign < 0 else "positive")
    job = jobs.all()[0]
    assert ready(job), (job.says, job.inspection.problems)
    bring_in(jobs, "t", desk, PACK)
    (done,) = settled(jobs)
    assert done.state == "done", done.says
    kept = desk.log(done.log_id)
    np.testing.assert_allclose(kept.current, log.current, atol=0.051)  # a tenth of an ampere is written
    assert kept.cells == tuple(range(1, 17))


def test_the_mapping_is_kept_for_logger_and_pack_and_can_be_forgotten(tmp_path: Path) -> None:
    file, _ = odd_file(tmp_path / "odd.csv")
    desk, jobs = looked_at(tmp_path, file)
    as_chosen(desk, jobs)
    bring_in(jobs, "t", desk, PACK)
    settled(jobs)
    again, _ = odd_file(tmp_path / "next.csv")
    jobs.add("u", again.name, again)
    inspect(jobs, "u", PACK, store=desk.store)
    job = next(j for j in settled(jobs) if j.token == "u")
    assert ready(job) and job.remembered.startswith("odd.csv, ") and job.sign == "negative"
    names = [t.name for t in job.inspection.plan.columns]
    assert recall(desk.store.root, "plover-main", names) is None
    forget(desk.store.root, PACK.id, names)
    assert recall(desk.store.root, PACK.id, names) is None


def test_a_choice_that_cannot_be_said_is_one_line_and_changes_nothing(tmp_path: Path) -> None:
    file = invent.write_csv(invent.drive(PACK), tmp_path / "drive.csv")
    desk, jobs = looked_at(tmp_path, file)
    plan = jobs.all()[0].inspection.plan
    (time,) = (t.index for t in plan.columns if t.role == "time")
    choose(jobs, "t", PACK, {time: (BESIDE, "")}, store=desk.store)
    (job,) = settled(jobs)
    assert "time" in job.says and job.profile == jobs.all()[0].profile and not job.changed


def test_a_cell_put_beside_is_no_cell_any_more(tmp_path: Path) -> None:
    file = invent.write_csv(invent.drive(PACK), tmp_path / "drive.csv")
    desk, jobs = looked_at(tmp_path, file)
    plan = jobs.all()[0].inspection.plan
    ninth = next(t.index for t in plan.columns if t.role == "cell" and t.number == 9)
    choose(jobs, "t", PACK, {ninth: (BESIDE, "")}, store=desk.store)
    (job,) = settled(jobs)
    assert job.inspection.problems and not ready(job)  # a pack of sixteen has sixteen
    shown = {c.name: c.role for c in columns_of(job.inspection.plan, job.chosen)}
    assert [*shown.values()].count("cell") == 15 and shown[plan.columns[ninth].name] == BESIDE
    choose(jobs, "t", PACK, {ninth: ("cell", "V")}, store=desk.store)
    (job,) = settled(jobs)
    assert ready(job), (job.says, job.profile)
    assert len([t for t in job.inspection.plan.columns if t.role == "cell"]) == 16


def test_alike_columns_share_their_drop_downs(tmp_path: Path) -> None:
    file = invent.write_csv(invent.drive(PACK), tmp_path / "drive.csv")
    _, jobs = looked_at(tmp_path, file)
    groups = alike(columns_of(jobs.all()[0].inspection.plan))
    assert 16 in [len(g) for g in groups if g[0].role == "cell"]
    assert jobs.all()[0].answer == "falls" and jobs.all()[0].picture.startswith("data:image/svg+xml,")


@settings(max_examples=60, deadline=None)
@given(
    st.dictionaries(
        st.sampled_from(["column", "unit"]),
        st.text(max_size=20).filter(lambda s: "\x7f" not in s),
        max_size=2,
    )
)
def test_the_text_says_what_the_document_says(values: dict[str, str]) -> None:
    document = {"current": values, "layout": {"value_columns": {"a b": "mV"}, "shape": "long"}}
    assert parse_toml(toml_text(document)) == document


def test_profile_of_a_choice_is_a_profile(tmp_path: Path) -> None:
    file, _ = odd_file(tmp_path / "odd.csv")
    desk, jobs = looked_at(tmp_path, file)
    as_chosen(desk, jobs)
    kept = parse_profile(parse_toml(jobs.all()[0].profile))
    assert kept.current is not None and kept.current.discharge == "negative"
    assert kept.current.column == "flow"


def test_all_in_cancel_and_put_away(tmp_path: Path) -> None:
    desk, jobs = Desk(tmp_path / "store"), Jobs()
    desk.store.save_pack(PACK)
    for k in range(4):
        file = invent.write_csv(invent.drive(PACK, seed=k), tmp_path / f"drive{k}.csv")
        jobs.add(f"t{k}", file.name, file)
        inspect(jobs, f"t{k}", PACK, store=desk.store)
    settled(jobs)
    gate = threading.Event()
    jobs._worker.submit(gate.wait)  # something else is being brought in before
    assert bring_all_in(jobs, desk) == 4
    assert [j.state for j in jobs.all()] == ["queued"] * 4
    jobs.cancel("t2")
    gate.set()
    states = {j.token: j.state for j in settled(jobs)}
    assert states == {"t0": "done", "t1": "done", "t2": "confirm", "t3": "done"}
    assert "nothing of it was stored" in jobs.all()[2].says and len(desk.store.logs()) == 3
    assert "4 files" not in str(page.queue(jobs)) and "Put finished cards away" in str(page.queue(jobs))
    jobs.put_away()
    assert [j.token for j in jobs.all()] == ["t2"]


def test_cancelled_while_it_is_read_the_store_is_as_it_was(tmp_path: Path) -> None:
    file = invent.write_csv(invent.drive(PACK), tmp_path / "drive.csv")
    desk, jobs = looked_at(tmp_path, file)
    inner = jobs.reading

    def reading(tokens: list[str]) -> object:
        for token in tokens:
            jobs.change(token, cancelled=True)  # the reader's hand, at the first piece
        return inner(tokens)

    jobs.reading = reading  # type: ignore[method-assign, assignment]
    bring_in(jobs, "t", desk, PACK)
    (job,) = settled(jobs)
    assert job.state == "confirm" and "Cancelled" in job.says
    assert Store(tmp_path / "store").logs() == []
    assert not list((tmp_path / "store" / "_incoming").glob("*"))
    assert file.exists()


def test_of_many_files_those_that_ask_nothing_lie_folded_and_one_that_asks_lies_open(tmp_path: Path) -> None:
    desk, jobs = Desk(tmp_path / "store"), Jobs()
    desk.store.save_pack(PACK)
    whole, *parts = two_parts(tmp_path)
    asks, _ = odd_file(tmp_path / "odd.csv", sign=-1)
    for n, file in enumerate([whole, *parts, whole, *parts, asks]):
        (tmp_path / f"t{n}").mkdir()
        jobs.add(f"t{n}", file.name, Path(shutil.copy(file, tmp_path / f"t{n}")))
    for token in jobs.claim():
        inspect(jobs, token, PACK)
    *folded, last = settled(jobs)
    assert [j.folded for j in folded] == [True] * (OPEN_CARDS + 2)
    assert not last.folded
    says = brief(folded[0])
    assert says.startswith("22 columns: time, current, 16 × cell voltage, 4 × temperature."), says
    assert says.endswith("Above nought the pack is drawn from (driving)."), says
