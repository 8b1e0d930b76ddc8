"""Add up the scores of many cases and print them as tables, with binomial intervals."""

from __future__ import annotations

from collections import defaultdict
from typing import Any

import numpy as np
from scipy.stats import binomtest

Case = dict[str, Any]


def rate(hits: int, of: int) -> dict[str, float]:
    """Return a rate with its exact 95 % binomial interval."""
    if not of:
        return {"hits": 0, "of": 0, "rate": float("nan"), "low": float("nan"), "high": float("nan")}
    interval = binomtest(hits, of).proportion_ci(0.95)
    return {"hits": hits, "of": of, "rate": hits / of, "low": interval.low, "high": interval.high}


def summary(cases: list[Case]) -> dict[str, Any]:
    """Return all figures of the benchmark."""
    planted = [c for c in cases if c["planted"]]
    healthy = [c for c in cases if not c["planted"]]
    return {
        "causes": _causes(planted),
        "severities": {s: _verdicts([c for c in planted if c["severity"] == s]) for s in ("clear", "slight")},
        "healthy": _healthy(healthy),
        "quantities": _quantities(cases),
        "seconds_per_diagnosis": {
            "median": float(np.median([c["cpu_s"] for c in cases])),
            "largest": max(c["cpu_s"] for c in cases),
        },
        "failed": [c["name"] for c in cases if c["verdict"] == "crash"],
    }


def _verdicts(cases: list[Case]) -> dict[str, Any]:
    count: dict[str, int] = defaultdict(int)
    for case in cases:
        count[case["verdict"]] += 1
    out: dict[str, Any] = {"right": rate(count["right"], len(cases))}
    for verdict in ("wrong cause", "wrong cell", "cell or joint", "missed", "crash"):
        out[verdict] = count[verdict]
    out["right_with_extra"] = sum(1 for c in cases if c.get("extra"))
    return out


def _causes(planted: list[Case]) -> dict[str, Any]:
    keys = sorted({(c["kind"], c["severity"]) for c in planted})
    return {
        f"{kind}/{severity}": _verdicts(
            [c for c in planted if (c["kind"], c["severity"]) == (kind, severity)]
        )
        for kind, severity in keys
    }


def _healthy(healthy: list[Case]) -> dict[str, Any]:
    out: dict[str, Any] = {}
    for kind in [*sorted({c["kind"] for c in healthy}), "all"]:
        some = [c for c in healthy if kind in (c["kind"], "all")]
        alarms = sum(len(c["unexplained"]) for c in some)
        out[kind] = {
            "packs": len(some),
            "findings": alarms,
            "per_pack": alarms / len(some) if some else float("nan"),
            "packs_with": rate(sum(1 for c in some if c["unexplained"]), len(some)),
            "crash": sum(1 for c in some if c["verdict"] == "crash"),
        }
    return out


def _quantities(cases: list[Case]) -> dict[str, Any]:
    rows: dict[str, list[dict[str, Any]]] = defaultdict(list)
    for case in cases:
        # First-principles cells have a row of their own: they are not linear in current, the circuit is.
        apart = " (fp)" if case["kind"].startswith("fp_") else ""
        for row in case["estimates"]:
            rows[row["quantity"] + apart].append(_per_100ah(row, case["nominal_Ah"]))
    return {quantity: _quantity(some) for quantity, some in sorted(rows.items())}


IN_AH = (
    "capacity", "charge_to_full", "bleed_needed", "bleed_done", "usable_charge", "gain_by_balancing",
    "gain_by_replacing",
)  # fmt: skip
COUNTED = ("bleed_done", "bleed_duty")
"""Sums of what was commanded: they have no interval."""


def _per_100ah(row: dict[str, Any], nominal_ah: float) -> dict[str, Any]:
    """Return the row with charges and currents as in a pack of 100 Ah, so that packs of any size add up."""
    if row["quantity"] in COUNTED:
        row = {k: v for k, v in row.items() if k not in ("covered", "width")}
    if row["quantity"] not in (*IN_AH, "leak_current_relative"):
        return row
    scale = 100.0 / nominal_ah
    return row | {k: row[k] * scale for k in ("true", "value", "error", "width", "alike_error") if k in row}


def _quantity(rows: list[dict[str, Any]]) -> dict[str, Any]:
    given = [r for r in rows if "value" in r]
    can = [r for r in rows if r["knowable"] is True]
    cannot = [r for r in rows if r["knowable"] is False]
    covered = [r for r in given if "covered" in r]
    error = np.array([abs(r["error"]) for r in given])
    truth = np.array([abs(r["true"]) for r in given])
    free = [abs(r["gain_free"] / r["true"] - 1) for r in given if "gain_free" in r and r["true"]]
    width = np.array([r["width"] for r in covered])
    spread = np.array([abs(r["error"]) for r in covered])
    # A refusal earns what the answer "all alike" earns.
    earned = sum(abs(r["error"]) if "value" in r else r["alike_error"] for r in can)
    alike = sum(r["alike_error"] for r in can)
    return {
        "estimates": len(given),
        "median_error": float(np.median(error)) if len(error) else None,
        "median_relative_error": float(np.median(error / np.maximum(truth, 1e-12))) if len(error) else None,
        "median_relative_error_without_current_gain": float(np.median(free)) if free else None,
        "coverage": rate(sum(r["covered"] for r in covered), len(covered)),
        "median_width": float(np.median(width)) if len(width) else None,
        # Width of an interval that would just cover 95 % of the errors made, and how much wider those given are.
        "width_over_needed": float(np.median(width) / (2 * np.quantile(spread, 0.95)))
        if len(spread) > 20
        else None,
        "skill": 1 - earned / alike if alike else None,
        "knowable_refused": rate(sum(1 for r in can if "value" not in r), len(can)),
        "unknowable_given": rate(sum(1 for r in cannot if "value" in r), len(cannot)),
    }


def text(figures: dict[str, Any]) -> str:
    """Return the tables as text."""
    lines = ["Faults: cause and place right, with 95 % binomial intervals"]
    head = f"{'fault':34}{'right':>9}{'of':>5}  {'95 %':>13}{'wrong cause':>12}{'wrong cell':>11}"
    head += f"{'cell/joint':>11}{'missed':>7}{'crash':>6}{'extra':>6}"
    lines.append(head)
    both = {**figures["causes"], **{f"ALL {k}": v for k, v in figures["severities"].items()}}
    for name, v in both.items():
        r = v["right"]
        if not r["of"]:
            continue
        lines.append(
            f"{name:34}{r['rate']:9.2f}{r['of']:5d}  {r['low']:5.2f} - {r['high']:4.2f}{v['wrong cause']:12d}"
            f"{v['wrong cell']:11d}{v['cell or joint']:11d}{v['missed']:7d}{v['crash']:6d}{v['right_with_extra']:6d}"
        )
    lines += ["", "Healthy packs: findings of level act or look"]
    lines.append(
        f"{'kind':20}{'packs':>6}{'findings':>9}{'per pack':>9}{'packs with one':>15}  {'95 %':>13}{'crash':>6}"
    )
    for kind, v in figures["healthy"].items():
        if v["packs"]:
            r = v["packs_with"]
            lines.append(
                f"{kind:20}{v['packs']:6d}{v['findings']:9d}{v['per_pack']:9.3f}{r['rate']:15.3f}  "
                f"{r['low']:5.3f} - {r['high']:5.3f}{v['crash']:6d}"
            )
    lines += ["", "Quantities (charges and leak currents as in a pack of 100 Ah)"]
    lines.append(
        f"{'quantity':31}{'given':>7}{'med.error':>11}{'relative':>9}{'no gain':>8}{'covered':>8}{'95 %':>12}"
        f"{'width':>10}{'/needed':>8}{'skill':>7}{'refused':>8}{'of':>7}{'overtold':>9}{'of':>6}"
    )
    for name, q in figures["quantities"].items():
        c, k, u = q["coverage"], q["knowable_refused"], q["unknowable_given"]
        lines.append(
            f"{name:31}{q['estimates']:7d}{_g(q['median_error']):>11}{_p(q['median_relative_error']):>9}"
            f"{_p(q['median_relative_error_without_current_gain']):>8}{_f(c['rate']):>8}{_f(c['low']):>7}-{_f(c['high'])}"
            f"{_g(q['median_width']):>10}{_f(q['width_over_needed']):>8}{_f(q['skill']):>7}{_f(k['rate']):>8}{k['of']:7d}"
            f"{_f(u['rate']):>9}{u['of']:6d}"
        )
    cpu = figures["seconds_per_diagnosis"]
    lines += [
        "",
        f"Processor time per diagnosis: median {cpu['median']:.2f} s, largest {cpu['largest']:.2f} s",
    ]
    if figures["failed"]:
        lines.append("Crashed: " + ", ".join(figures["failed"][:20]))
    return "\n".join(lines)


def _g(v: float | None) -> str:
    return "-" if v is None else f"{v:.3g}"


def _p(v: float | None) -> str:
    return "-" if v is None else f"{100 * v:.2f}%"


def _f(v: float | None) -> str:
    return "-" if v is None or v != v else f"{v:.2f}"
