"""The figures of the history on a part of their seeds; `python -m tests.accuracy.history` prints them on all."""

from __future__ import annotations

from tests.accuracy.history import from_answers, report
from tests.accuracy.history_logs import year_of_logs
from tests.accuracy.history_simulation import simulate


def test_planted_drifts_are_found_and_sound_packs_stay_silent() -> None:
    with_drift, without = from_answers(16, 500)  # seeds that the printed figures do not use
    could = sum(with_drift.could.values())
    assert could >= 8
    assert sum(with_drift.found.values()) >= 0.8 * could  # 96 % on 200 packs; two sd of ten are 12 %
    for score in (with_drift, without):
        assert score.false_packs == 0 and score.below_least == 0 and score.across_work == 0
        # of some hundred intervals a quantity, told to hold in 95 %; the page promises 90 %
        assert all(score.held[q] >= 0.9 * score.told[q] for q in score.told if score.told[q] >= 50)
    assert any("found" in line for line in report("part", with_drift))


def test_the_simulation_is_the_same_again_and_differs_by_seed() -> None:
    one, same, other = simulate(3, logs=5), simulate(3, logs=5), simulate(4, logs=5)
    assert one.documents == same.documents and one.documents != other.documents


def test_a_year_of_logs_comes_with_its_truth() -> None:
    from tests.accuracy import history_logs

    months = history_logs.MONTHS
    try:
        history_logs.MONTHS = 1  # one log is enough to see that it is diagnosed
        year = year_of_logs(1, ("resistance_10s", 0.02))
    finally:
        history_logs.MONTHS = months
    told = {e["quantity"] for e in year.documents[0]["estimates"] if e["status"] == "determined"}
    assert {"resistance_10s_relative", "capacity_relative", "bleed_needed"} <= told
    assert year.planted is not None and year.drifts["resistance_10s"].max() == 0.02
