"""The classes by name, and one case of one of them."""

from __future__ import annotations

import importlib

import numpy as np

from tests.importers.classes.judge import judge, judge_apart
from tests.importers.classes.truth import Case, Habit, Verdict

NAMES = ("time", "sign", "columns", "impossible", "true", "order", "hostile", "pack", "joints")
CLASSES: dict[str, tuple[Habit, ...]] = {
    name: importlib.import_module(f"tests.importers.classes.class_{name}").HABITS for name in NAMES
}


def make_case(name: str, number: int, seed: int) -> Case:
    """Return a case of a class: habits in turn, all else by chance from seed and number."""
    habits = CLASSES[name]
    rng = np.random.default_rng([seed, NAMES.index(name), number])
    return habits[number % len(habits)](rng)


def run_case(name: str, number: int, seed: int) -> Verdict:
    """Return the verdict of a case of a class; hostile files get a process of their own, with limits."""
    case = make_case(name, number, seed)
    return judge_apart(case, number) if name == "hostile" else judge(case, number)
