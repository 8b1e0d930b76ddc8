"""The sign of the current: never inverted, asked where nothing is plain, unasked where it is."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from bmslogs.importers.plan.profile import parse_profile
from bmslogs.importers.plan.sign import Stated, _at_once, judge_sign
from bmslogs.importers.plan.sign_evidence import MOST_BLOCKS, Field, SignEvidence
from bmslogs.importers.plan.sign_voices import Voice
from bmslogs.importers.recognise.sign_words import direction_of, directions_of, sign_of_header
from tests.importers import sign_logs
from tests.importers.sign_logs import SignLog
from tests.importers.writing import Dialect, Truth, assert_same, drive, imported, pack_for, refusal, write

SEEDS = range(12)
D_PLAIN = Dialect()
MAKERS = (sign_logs.charge, sign_logs.discharge, sign_logs.drive, sign_logs.tester, sign_logs.parked)


@pytest.mark.parametrize("maker", MAKERS, ids=lambda m: m.__name__)
@pytest.mark.parametrize("seed", SEEDS)
def test_no_sign_is_ever_inverted(maker, seed) -> None:  # type: ignore[no-untyped-def]
    """Coarse steps, noise, flat curves: the verdict is the planted sign or a question."""
    rng = np.random.default_rng([1, seed])
    log: SignLog = maker(rng, str(rng.choice(["NMC", "LFP"])))
    read = log.read(float(rng.choice([0.01, 0.1, 1.0])), float(rng.choice([0.001, 0.005, 0.01])), 1e-3, seed)
    for sign in (1, -1):
        verdict = judge_sign(read.evidence(sign), log.capacity)
        # where the logger's step hides the current, there is no sign to tell
        assert verdict.factor in (sign, None) or not read.current.any(), verdict.why
        assert not verdict.by_mode


@pytest.mark.parametrize("maker", MAKERS, ids=lambda m: m.__name__)
@pytest.mark.parametrize("seed", SEEDS)
def test_a_plain_log_is_not_asked_about(maker, seed) -> None:  # type: ignore[no-untyped-def]
    rng = np.random.default_rng([2, seed])
    log: SignLog = maker(rng, "NMC")
    read = log.read(0.1, 0.001, 5e-4, seed)
    for sign in (1, -1):
        verdict = judge_sign(read.evidence(sign), log.capacity)
        assert verdict.factor == sign, (verdict.why, sign)


@pytest.mark.parametrize("seed", SEEDS)
def test_a_charge_on_a_flat_curve_in_coarse_steps(seed) -> None:  # type: ignore[no-untyped-def]
    """From nearly empty to nearly full the ends of the curve tell, 10 mV steps or not."""
    log = sign_logs.charge(np.random.default_rng([3, seed]), "LFP")
    read = log.read(1.0, 0.01, 2e-3, seed)
    for sign in (1, -1):
        assert judge_sign(read.evidence(sign), log.capacity).factor in (sign, None)


@pytest.mark.parametrize("kind", ["charge", "tester", "drive"])
@pytest.mark.parametrize("seed", SEEDS)
def test_magnitudes_alone_are_never_taken_for_a_signed_current(kind, seed) -> None:  # type: ignore[no-untyped-def]
    """Where both directions flow; one direction alone is signed by the voltages."""
    rng = np.random.default_rng([4, seed])
    log: SignLog = getattr(sign_logs, kind)(rng, "NMC")
    read = log.read(0.1, 0.001, 5e-4, seed)
    both = (log.current < 0).any() and (log.current > 0).any()
    unsigned = SignLog(read.time, np.abs(read.current), read.voltage, read.capacity)
    verdict = judge_sign(unsigned.evidence(), log.capacity)
    assert verdict.factor is None if both else verdict.factor in (-1, None), verdict.why


@pytest.mark.parametrize("seed", range(6))
@pytest.mark.parametrize("offset", [-0.2, 0.2])
def test_an_offset_at_rest_while_cells_relax_says_nothing(offset, seed) -> None:  # type: ignore[no-untyped-def]
    """The sensor's zero error reads as a load; the voltage creeps from the load before."""
    rng = np.random.default_rng([5, seed])
    time = np.arange(3000) * float(rng.choice([10.0, 60.0, 120.0]))
    creep = float(rng.choice([-1, 1])) * rng.uniform(0.01, 0.06)
    voltage = 3.8 + creep * np.log1p(time / 300) / np.log1p(time[-1] / 300)
    read = SignLog(time, np.full(3000, offset), np.round(voltage, 3), 100.0)
    assert judge_sign(read.evidence(), 100.0).factor is None


@pytest.mark.parametrize("offset", [-1.6, 1.6])
def test_a_zero_counted_for_days_is_no_flow(offset: float) -> None:
    """1.6 A over five days would be two whole packs; the voltages fall by 2 mV of noise and say no sign (planted)."""
    rng = np.random.default_rng(11)
    time = np.arange(0.0, 5.2 * 86_400.0, 600.0)
    voltage = 3.846 - 0.002 * time / time[-1] + rng.normal(0, 0.0006, len(time))
    read = SignLog(time, np.full(len(time), offset), np.round(voltage, 3), 80.0)
    assert judge_sign(read.evidence(), 80.0).factor is None


def test_noise_of_a_resting_sensor_needs_no_sign() -> None:
    rng = np.random.default_rng(6)
    read = SignLog(np.arange(3000) * 10.0, rng.normal(0, 0.05, 3000).round(1), np.full(3000, 3.7), 100.0)
    verdict = judge_sign(read.evidence(), 100.0)
    assert verdict.factor == 1 and "immaterial" in verdict.why


def test_a_tapering_current_at_one_voltage_says_nothing() -> None:
    """Charged or discharged, the readings would be the same: the charger holds the voltage."""
    time = np.arange(4000) * 1.0
    current = 40 * np.exp(-time / 1500)
    voltage = 4.2 + np.random.default_rng(7).normal(0, 5e-4, 4000).round(3)
    assert judge_sign(SignLog(time, current, voltage, 100.0).evidence(), 100.0).factor is None


def test_voltages_driven_to_and_fro_say_nothing() -> None:
    """A tester swings the voltage; the current that fills the cell runs a quarter of a period ahead of it."""
    rng = np.random.default_rng(8)
    time = np.arange(8000) * 1.0
    for period in (24.0, 60.0, 300.0):
        phase = 2 * np.pi * time / period
        current = 0.003 * np.cos(phase) + rng.normal(0, 0.002, 8000)
        read = SignLog(time, current, 2.0 + 0.01 * np.sin(phase), 2.3)
        verdict = judge_sign(read.evidence(), 2.3)
        assert verdict.factor in (-1, None) or "immaterial" in verdict.why


def test_what_is_kept_is_bounded_and_adds_up() -> None:
    rng = np.random.default_rng(9)
    evidence = SignEvidence()
    total, rows = 0.0, 0
    for _ in range(40):
        n = int(rng.integers(1, 9000))
        current = rng.normal(10, 40, n)
        evidence.add((np.arange(n) + rows) * 1_000_000, current, np.full(n, 3.7))
        total += float(current.sum())
        rows += n
    blocks = evidence.digest.end()
    assert blocks.shape[1] <= MOST_BLOCKS + 1
    assert rows - blocks[Field.ROWS].sum() < evidence.digest.width
    assert all(len(s.steps.place) <= 2 * 768 for s in evidence.scales)
    np.testing.assert_allclose(
        blocks[Field.CURRENT].sum() / blocks[Field.ROWS].sum(), total / rows, rtol=0.02
    )


def test_blocks_of_any_size_give_the_same_verdict() -> None:
    log = sign_logs.drive(np.random.default_rng(10), "NMC").read(0.1, 0.001, 5e-4)
    verdicts = {judge_sign(log.evidence(-1, blocks), log.capacity).factor for blocks in (1, 3, 17, 200)}
    assert verdicts == {-1}


@pytest.mark.parametrize(
    ("text", "sense"),
    [
        ("Current (discharge positive)", 1),
        ("Current (charge positive)", -1),
        ("Current (+ = charge)", -1),
        ("I [A] (-=charge)", 1),
        ("Strom (Entladen positiv)", 1),
        ("Strom (Laden +, Entladen -)", -1),
        ("Courant (charge négatif)", 1),
        ("Corriente de descarga", 1),
        ("Prąd ładowania", -1),
        ("Charge-current", -1),
        ("Battery - charge current", -1),
        ("Current [mA] (positive = charging, negative = discharging)", -1),
        ("Strom (negativ = Entladen, positiv = Laden)", -1),
        ("Current (+ = discharge; - = charge)", 1),
        ("courant (positif = décharge, négatif = charge)", 1),
        ("Current [A] (discharge positive, charge negative)", 1),
        ("Stroom (ontladen negatief) [A]", -1),
        ("mean current (out of the pack +) [A]", 1),
        ("Current (into the battery: -)", 1),
        ("Current (discharge xyzzy)", 0),  # a word that is not known may turn the sign round
        ("Current [A] (discharge)", 1),
        ("Charge/discharge current", 0),
        ("Load current", 0),
        ("Current in A", 0),
        ("Pack current", 0),
    ],
)
def test_the_sign_that_a_header_says(text: str, sense: int) -> None:
    assert sign_of_header(text)[0] == sense


@pytest.mark.parametrize(
    ("text", "direction"),
    [
        ("Charging", -1),
        ("CC DChg", 1),
        ("CCCV Chg", -1),
        ("CCCV_DChg", 1),
        ("Entladen", 1),
        ("Laden", -1),
        ("Décharge", 1),
        ("descarga", 1),
        ("scarica", 1),
        ("utlading", 1),
        ("ontladen", 1),
        ("rozładowanie", 1),
        ("regen", -1),
        ("Rest", 0),
        ("drive", 0),
        ("not charging", 0),
        ("Charge complete", 0),
        ("Pre-charge", 0),
        ("Charger connected", 0),
    ],
)
def test_the_direction_that_a_mode_says(text: str, direction: int) -> None:
    assert direction_of(text) == direction


def test_single_letters_count_where_all_are() -> None:
    assert directions_of(["C", "D", "R"]) == {"C": -1, "D": 1}
    assert directions_of(["D", "N", "R", "P"]) == {}  # a gear lever's


def long_truth(seed: int = 1, sign_of_rest: float = 0.0) -> tuple[Truth, SignLog]:
    """Return a bench tester's log of 12 equal cells."""
    log = sign_logs.tester(np.random.default_rng(seed), "NMC").read(0.1, 0.001)
    stamps = np.datetime64("2026-05-13T09:10:00", "us") + (log.time * 1e6).astype("timedelta64[us]")
    cells = np.repeat(log.voltage[:, None], 12, axis=1)
    truth = drive(rows=len(log.time))
    return Truth(stamps, log.current + sign_of_rest, np.round(cells, 3), truth.temperatures), log


def says(truth: Truth, words: tuple[str, str, str]) -> list[str]:
    return [words[1] if i > 0 else words[0] if i < 0 else words[2] for i in np.round(truth.current, 1)]


@pytest.mark.parametrize("words", [("CHG", "DSG", "REST"), ("Laden", "Entladen", "Pause"), ("C", "D", "R")])
def test_magnitudes_get_their_sign_from_a_mode_column(words: tuple[str, str, str], tmp_path: Path) -> None:
    truth, log = long_truth()
    pack = pack_for(truth, nominal_capacity_Ah=log.capacity)
    mode = says(truth, words)
    bare = Truth(truth.time, np.abs(truth.current), truth.cells, truth.temperatures)
    path = write(bare, Dialect(extras={"Mode": lambda r: mode[r]}), tmp_path)
    stored = imported(path, pack, tmp_path / "store")
    truth.current = np.round(truth.current, 1)
    assert_same(stored, truth)
    without = write(bare, Dialect(), tmp_path, "bare.csv")
    assert "lost its sign" in refusal(without, pack, tmp_path / "other")


def charged(truth: Truth) -> tuple[np.ndarray, np.ndarray]:
    hours = np.diff((truth.time - truth.time[0]).astype(np.int64) / 3.6e9, prepend=0.0)
    return np.cumsum(np.maximum(-truth.current, 0) * hours), np.cumsum(np.maximum(truth.current, 0) * hours)


@pytest.mark.parametrize("sign", [1, -1])
@pytest.mark.parametrize(
    "names", [("Amp Hours Charge", "Amp Hours Discharge"), ("Charge_Capacity(Ah)", "Discharge_Capacity(Ah)")]
)
@pytest.mark.parametrize("minus", [1, -1])
def test_counters_beside_a_current(sign: int, names: tuple[str, str], minus: int, tmp_path: Path) -> None:
    """They are no currents, and agree with the voltages; some give what was taken out a minus."""
    truth, log = long_truth(2)
    pack = pack_for(truth, nominal_capacity_Ah=log.capacity)
    into, out = charged(truth)
    extras = {names[0]: lambda r: f"{into[r]:.4f}", names[1]: lambda r: f"{minus * out[r]:.4f}"}
    stored = imported(write(truth, Dialect(sign=sign, extras=extras), tmp_path), pack, tmp_path / "store")
    assert_same(stored, truth)
    swapped = {names[1]: extras[names[0]], names[0]: extras[names[1]]}
    path = write(truth, Dialect(sign=sign, extras=swapped), tmp_path, "swapped.csv")
    assert "discharge =" in refusal(path, pack, tmp_path / "other")


def test_a_mode_column_against_the_voltages_is_asked_about(tmp_path: Path) -> None:
    truth, log = long_truth(3)
    mode = says(truth, ("discharge", "charge", "rest"))
    path = write(truth, Dialect(extras={"State": lambda r: mode[r]}), tmp_path)
    reason = refusal(path, pack_for(truth, nominal_capacity_Ah=log.capacity), tmp_path / "store")
    assert "'State'" in reason and 'discharge = "positive"' in reason


@pytest.mark.parametrize("given", ["positive", "negative"])
def test_a_profile_that_the_voltages_contradict_is_asked_about(given: str, tmp_path: Path) -> None:
    truth = drive(rows=1500)
    sign = 1 if given == "negative" else -1
    path = write(truth, Dialect(sign=sign), tmp_path)
    reason = refusal(
        path, pack_for(truth), tmp_path / "store", parse_profile({"current": {"discharge": given}})
    )
    other = "positive" if given == "negative" else "negative"
    assert f'discharge = "{other}"' in reason and "the profile says" in reason


def test_swapped_columns_of_charge_and_discharge_are_asked_about(tmp_path: Path) -> None:
    truth = drive(rows=1500)
    path = write(truth, Dialect(split_current=("Discharge current (A)", "Charge current (A)")), tmp_path)
    assert "two columns" in refusal(path, pack_for(truth), tmp_path / "store")


def test_a_profile_settles_what_header_and_voltages_dispute() -> None:
    log = sign_logs.drive(np.random.default_rng(11), "NMC").read(0.1, 0.001, 5e-4)
    evidence = log.evidence(1)
    assert judge_sign(evidence, log.capacity, Stated(0, -1, "header")).factor is None
    assert judge_sign(evidence, log.capacity, Stated(-1, -1, "header")).factor == -1
    assert judge_sign(evidence, log.capacity, Stated(-1)).factor is None


def test_a_short_charge_behind_a_long_discharge_shows_a_magnitude(tmp_path: Path) -> None:
    """74 A for 90 min, a rest, 24 A for 10 min: 70 mV up is a tenth of the way down, yet no load raises cells."""
    truth = drive(rows=700, cells=4, sensors=0, period_s=10.0)
    row = np.arange(700)
    truth.current[:] = np.where(row < 560, 74.0, np.where(row < 640, 0.0, 24.0))
    level = np.interp(row, [0, 559, 560, 639, 640, 699], [3.95, 3.36, 3.425, 3.425, 3.44, 3.495])
    truth.cells[:] = np.round(level[:, None] / 0.005 + np.arange(4) * 0.3) * 0.005
    path = write(truth, D_PLAIN, tmp_path)
    assert "lost its sign" in refusal(path, pack_for(truth), tmp_path / "store")
    truth.current[640:] *= -1
    signed = write(truth, D_PLAIN, tmp_path, "signed.csv")
    assert_same(imported(signed, pack_for(truth), tmp_path / "store"), truth, D_PLAIN)


@pytest.mark.parametrize(
    ("header", "fine", "coarse", "left"),
    [
        (1, 1, -1, [1]),  # single rows say what the header says: minutes over a knee do not contradict it
        (1, -1, 1, [-1, 1]),  # single rows against the header: both stay, and the log is asked about
        (0, 1, -1, [1, -1]),  # no header: what contradicts itself is asked about
        (1, 0, -1, [0, -1]),
    ],
)
def test_means_over_minutes_contradict_no_header_that_single_rows_confirm(
    header: int, fine: int, coarse: int, left: list[int]
) -> None:
    assert [v.sense for v in _at_once([Voice(fine), Voice(coarse)], header)] == left


def test_a_few_steps_by_themselves_are_not_at_once() -> None:
    voices = [Voice(1, few=True), Voice(-1)]
    assert _at_once(voices, 1) == voices
