"""The sample logs through import and diagnosis, against the truth beside them."""

import json

import pytest

from bmslogs.base.pack import load_pack
from bmslogs.findings import diagnose
from bmslogs.log import read_log
from bmslogs.store import Store
from sample_logs import SAMPLES

TRUTH = json.loads((SAMPLES / "truth.json").read_text(encoding="utf-8"))["logs"]
LOUD = ("act", "look")
QUIET_LOGS = [name for name, log in TRUTH.items() if name.startswith("plover") or not log["faults"]]


@pytest.fixture(scope="module")
def answers(tmp_path_factory):
    """File name -> (log as imported, diagnosis)."""
    store = Store(tmp_path_factory.mktemp("store"))
    out = {}
    for name, log in TRUTH.items():
        pack = load_pack(SAMPLES / f"{log['pack_id']}.toml")
        report = store.import_files([SAMPLES / name], pack)
        assert not report.refused, report.refused
        read = read_log(store.log_path(report.logs[0].id))
        out[name] = (read, diagnose(read))
    return out


EITHER = "cell_or_joint_resistance_high"


@pytest.mark.parametrize("name", list(TRUTH))
def test_import_gives_back_what_the_logger_wrote(answers, name):
    """Cells in order, discharge positive, units right, whatever the logger's habits: by the truth's own figures."""
    log, _ = answers[name]
    truth = TRUTH[name]
    assert log.cells == tuple(range(1, len(truth["cell"]["capacity"]) + 1))
    assert float(log.cell_voltage.min()) > 2.5 and float(log.cell_voltage.max()) < 4.3
    assert log.temperature.shape[1] == len(truth["sensor"]["heating"])
    moved = float((log.current[:-1] * (log.seconds[1:] - log.seconds[:-1])).sum() / 3600)
    soc_fell = truth["conditions"]["soc_first"] - truth["conditions"]["soc_least"]
    if "drive" in name or "repair" in name:
        usual = sorted(truth["cell"]["capacity"])[len(log.cells) // 2]
        assert moved == pytest.approx(soc_fell * usual, rel=0.03, abs=0.5)
    elif "charge" in name:
        assert moved < -0.2 * log.pack.nominal_capacity_Ah


@pytest.mark.parametrize("name", [n for n, log in TRUTH.items() if log["faults"]])
def test_every_planted_fault_is_named_in_its_place(answers, name):
    _, diagnosis = answers[name]
    for fault in TRUTH[name]["faults"]:
        # whether cell or joint one drive tells only where the ohms stay while the string's change
        right = {fault["cause"]} | ({EITHER} if fault["cause"] == "joint_resistance_high" else set())
        heard = [f for f in diagnosis.findings if f.cause in right and f.level in LOUD]
        named = {c for f in heard for c in f.cells}
        assert heard and set(fault["cells"]) <= named, (fault, diagnosis.findings)
        if (
            fault["size"] is not None
            and len(heard) == 1
            and heard[0].low is not None
            and heard[0].cause != EITHER
        ):
            # A generous bound on the size itself; coverage is measured over many seeds by the benchmark.
            assert heard[0].size == pytest.approx(fault["size"], rel=0.35)


@pytest.mark.parametrize("name", QUIET_LOGS)
def test_healthy_logs_have_no_finding_that_asks_for_work(answers, name):
    _, diagnosis = answers[name]
    assert [f for f in diagnosis.findings if f.level in LOUD] == []


def test_nine_intervals_in_ten_hold_the_truth(answers):
    inside = total = 0
    for name, (_, diagnosis) in answers.items():
        cells = TRUTH[name]["cell"]
        for e in diagnosis.estimates:
            if e.cell is None or e.low is None or e.high is None or e.quantity not in cells:
                continue
            if e.quantity in ("bleed_done", "bleed_duty") or e.conditions.get("full") == "leading_cell":
                continue
            total += 1
            inside += e.low <= cells[e.quantity][e.cell - 1] <= e.high
    assert total > 300
    assert inside / total >= 0.90
