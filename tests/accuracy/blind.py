"""Score a round of logs by an author who did not know the estimators: ``python -m tests.accuracy.blind DIR``.

DIR holds `truth.json`, logs (CSV), pack files and, where a log needs one, profiles. Each log goes the way of a user's:
imported, diagnosed, its JSON held against the truth. Each fault was marked by its author before the first run as clear,
slight or untellable from that log. Figures with exact 95 % intervals (Clopper and Pearson, Biometrika 26, 1934, 404).
"""

from __future__ import annotations

import argparse
import json
import os
import tempfile
from collections import defaultdict
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path
from typing import Any

for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(_name, "1")

from scipy.stats import beta  # noqa: E402

LOUD = ("act", "look")
LOUDNESS = {"note": 1, "look": 2, "act": 3}
QUIET_CAUSES = ("log_quality", "current_sensor_zero", "pack_file_mismatch")
"""Causes whose finding counts at any level, `note` too."""
MANY = 30
"""A quantity with fewer values is not judged."""


def share(hits: int, of: int) -> str:
    """Return a share with its exact 95 % interval."""
    if not of:
        return "none"
    low = beta.ppf(0.025, hits, of - hits + 1) if hits else 0.0
    high = beta.ppf(0.975, hits + 1, of - hits) if hits < of else 1.0
    return f"{hits} of {of} ({100 * hits / of:.0f} %, {100 * low:.0f}-{100 * high:.0f})"


def diagnose(folder: Path, case: dict[str, Any]) -> dict[str, Any] | str:
    """Return the diagnosis of one case as the command line writes it, or what standard error said."""
    from typer.testing import CliRunner

    from bmslogs.base.errors import BmsLogsError
    from bmslogs.faces.command import app

    with tempfile.TemporaryDirectory() as store:
        out = Path(store) / "answer.json"
        words = [
            "diagnose",
            str(folder / case["log"]),
            "--pack",
            str(folder / case["pack"]),
            "--store",
            store,
        ]
        words += ["--json", str(out)]
        if case.get("profile"):
            words += ["--profile", str(folder / case["profile"])]
        done = CliRunner().invoke(app, words)
        if out.exists():
            return dict(json.loads(out.read_text(encoding="utf-8")))
        if isinstance(done.exception, BmsLogsError):
            return f"refused: {done.exception}"
        return f"crash: {done.exception!r}"


def at_place(finding: dict[str, Any], fault: dict[str, Any]) -> bool:
    """Whether a finding is at the fault's place; what is said of the whole pack is at a fault of the whole pack."""
    of_the_whole = not (fault.get("cells") or fault.get("sensor") or fault.get("module"))
    if of_the_whole and not (finding["cells"] or finding.get("sensor")):
        return True
    if fault.get("sensor") and finding.get("sensor"):
        return bool(finding["sensor"] == fault["sensor"])
    place = set(fault.get("place_ok") or fault.get("cells") or [])
    return (
        not place
        or bool(place & set(finding["cells"]))
        or (bool(fault.get("module")) and finding.get("module") == fault["module"])
    )


def verdict(case: dict[str, Any], answer: dict[str, Any]) -> dict[str, Any]:
    """Hold one answer against the truth: each fault's verdict, false findings, milder advice."""
    loud = [f for f in answer["findings"] if f["level"] in LOUD]
    explained: list[int] = []
    faults = []
    for fault in case["faults"]:
        right = set(fault.get("accept") or [fault["cause"]])
        heard = [
            f
            for f in answer["findings"]
            if f["cause"] in right
            and at_place(f, fault)
            and (f["level"] in LOUD or f["cause"] in QUIET_CAUSES)
        ]
        if fault.get("level") == "note":
            heard += [f for f in answer["findings"] if f["cause"] in right and at_place(f, fault)]
        milder = [f for f in loud if f["cause"] in set(fault.get("milder") or []) and at_place(f, fault)]
        wrong = [f for f in loud if f["cause"] not in right and at_place(f, fault) and f["cells"]]
        low = (
            bool(heard)
            and fault.get("level") in LOUDNESS
            and max(LOUDNESS[f["level"]] for f in heard) < LOUDNESS[fault["level"]]
        )
        said = "named" if heard else "milder" if milder else "wrong cause" if wrong else "missed"
        faults.append({"mark": fault["mark"], "cause": fault["cause"], "said": said, "low": low})
        explained += [id(f) for f in [*heard, *milder, *wrong]]
        # what follows from a fault is no false alarm: the limit that it made pass, the heat, its own cells
        explained += [
            id(f)
            for f in loud
            if f["cause"] in right | {"limit_exceeded", "log_quality"}
            or (set(f["cells"]) & set(fault.get("cells") or []))
        ]
    false = [f for f in loud if id(f) not in explained]
    return {"faults": faults, "false": false}


def coverage(
    case: dict[str, Any], answer: dict[str, Any], into: dict[str, list[tuple[bool, float, float]]]
) -> None:
    """Add (held, width, error) of each value that the author gave."""
    told = {(e["quantity"], e.get("cell"), e.get("sensor")): e for e in answer["estimates"]}
    for value in case.get("values", []):
        e = told.get((value["quantity"], value.get("cell"), value.get("sensor")))
        if e is None or e["status"] == "not_determinable":
            continue
        if e["conditions"].get("full") == "leading_cell":
            continue  # told to the leading cell, since no cell was full: not what the truth is of
        low = float("-inf") if e.get("low") is None else e["low"]
        high = float("inf") if e.get("high") is None else e["high"]
        error = abs(e["value"] - value["value"]) if e.get("value") is not None else float("nan")
        into[value["quantity"]].append((low <= value["value"] <= high, high - low, error))


def main() -> None:
    """Run a round and print its figures."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("folders", nargs="+", type=Path, metavar="DIR")
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--show", action="store_true", help="print every case that is not right")
    parser.add_argument("--only", help="ids of some cases, comma between")
    parser.add_argument("--json", type=Path, help="keep verdicts there")
    options = parser.parse_args()
    cases = [
        (folder, case)
        for folder in options.folders
        for case in json.loads((folder / "truth.json").read_text(encoding="utf-8"))["cases"]
        if not options.only or case["id"] in options.only.split(",")
    ]
    if options.workers < 2:
        answers = [diagnose(*one) for one in cases]
    else:
        with ProcessPoolExecutor(options.workers) as pool:
            answers = list(pool.map(diagnose, *zip(*cases, strict=True)))
    report(cases, answers, options.show, options.json)


def report(
    cases: list[tuple[Path, dict[str, Any]]],
    answers: list[dict[str, Any] | str],
    show: bool,
    keep: Path | None,
) -> None:
    """Print the figures of a round."""
    marks: dict[str, list[str]] = defaultdict(list)
    by_cause: dict[tuple[str, str], list[str]] = defaultdict(list)
    covered: dict[str, list[tuple[bool, float, float]]] = defaultdict(list)
    healthy, alarmed, extra, refused, low, kept = 0, 0, 0, [], 0, []
    for (folder, case), answer in zip(cases, answers, strict=True):
        if isinstance(answer, str):
            refused.append(f"{folder.name}/{case['id']}: {answer}")
            for fault in case["faults"]:
                marks[fault["mark"]].append("refused")
            healthy += bool(case["healthy"])
            continue
        found = verdict(case, answer)
        kept.append({"id": case["id"], "round": folder.name, **found})
        coverage(case, answer, covered)
        if case["healthy"]:
            healthy += 1
            alarmed += bool(found["false"])
        else:
            extra += bool(found["false"])
        for fault in found["faults"]:
            marks[fault["mark"]].append(fault["said"])
            by_cause[fault["cause"], fault["mark"]].append(fault["said"])
            low += fault["low"]
        bad = found["false"] or any(
            f["said"] != "named" and f["mark"] != "untellable" for f in found["faults"]
        )
        if show and bad:
            _show(folder, case, answer, found)
    for line in refused:
        print("refused", line)
    print(f"\n{len(cases)} logs, {healthy} healthy, {len(refused)} refused")
    for mark in ("clear", "slight", "untellable"):
        said = marks[mark]
        rest = ", ".join(
            f"{said.count(w)} {w}" for w in ("milder", "wrong cause", "missed", "refused") if w in said
        )
        print(f"{mark:11s} named {share(said.count('named'), len(said))}; {rest or 'nothing else'}")
    print(
        f"healthy logs with a false act or look: {share(alarmed, healthy)}; faulty logs with one elsewhere: {extra}"
    )
    print(f"named at a lower level than the author asks: {low}\n")
    for (cause, mark), said in sorted(by_cause.items()):
        if said.count("named") < len(said) and mark != "untellable":
            print(
                f"  {cause:30s} {mark:7s} {said.count('named')} of {len(said)}  {[w for w in said if w != 'named']}"
            )
    print()
    for quantity, rows in sorted(covered.items()):
        held = sum(r[0] for r in rows)
        print(
            f"  {quantity:26s} holds {share(held, len(rows))}{'  < 90 %' if held < 0.9 * len(rows) >= 27 else ''}"
            f"  {_widths(rows)}"
        )
    if keep:
        keep.write_text(json.dumps(kept, indent=1), encoding="utf-8")


def _widths(rows: list[tuple[bool, float, float]]) -> str:
    """Return how wide the intervals are against those that would just hold 95 % of the errors made."""
    pairs = sorted(
        (2 * e / w if w > 0 else float("inf")) for _, w, e in rows if w == w and e == e and w < float("inf")
    )
    if len(pairs) < MANY:
        return ""
    return f"width over needed {1.0 / max(pairs[int(0.95 * (len(pairs) - 1))], 1e-9):.1f}"


def _show(folder: Path, case: dict[str, Any], answer: dict[str, Any], found: dict[str, Any]) -> None:
    print(
        f"--- {folder.name}/{case['id']} {case['kind']} {case.get('chemistry')} "
        f"{answer['pack']['cells']} cells: {case.get('about')}"
    )
    for fault, said in zip(case["faults"], found["faults"], strict=True):
        print(
            f"    truth {fault['mark']} {fault['cause']} {fault.get('cells')} {fault.get('sensor') or ''} "
            f"{fault.get('size')} {fault.get('unit')} -> {said['said']}"
        )
    for f in answer["findings"]:
        size = "" if f["size"] is None else f"{f['size']:.4g} ({f['low']}, {f['high']}) {f['unit']}"
        print(f"    said {f['level']:4s} {f['cause']} {f['cells']} {f['sensor'] or ''} {size}")


if __name__ == "__main__":
    main()
