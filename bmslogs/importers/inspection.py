"""What `inspect` says of a file: each column, what it was taken for and why, and the mapping as a profile."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from bmslogs.base.pack import Pack
from bmslogs.importers.can.database import load_definitions
from bmslogs.importers.can.into_table import as_table, recording_kind
from bmslogs.importers.plan.plan import Plan, Taken
from bmslogs.importers.plan.profile import Profile
from bmslogs.importers.plan.profile_text import profile_toml
from bmslogs.importers.recognise.look import look_at


@dataclass(frozen=True)
class InspectedColumn:
    """One column of the file: header, what it was taken for, why, and up to five values as written."""

    name: str
    taken_for: str
    why: str
    values: tuple[str, ...]


@dataclass(frozen=True)
class Inspection:
    """A file looked at without importing it.

    Attributes
    ----------
    columns
        In the order of the file.
    problems
        Why it cannot be imported as it is, one line each.
    signals
        What was done to make a table of a CAN recording, one line each.
    """

    file: Path
    columns: tuple[InspectedColumn, ...]
    problems: tuple[str, ...]
    plan: Plan
    signals: tuple[str, ...] = ()

    def profile_toml(self) -> str:
        """Return the mapping as a profile that can be edited."""
        return profile_toml(self.plan)


def inspect_file(
    path: str | Path,
    *,
    pack: Pack | None = None,
    profile: Profile | None = None,
    modules: tuple[str, ...] | None = None,
    signals: str | Path | None = None,
) -> Inspection:
    """Say what the columns of a file are.

    Parameters
    ----------
    path
        The logger's file.
    pack
        The pack, if known: its number of cells and sensors help.
    profile
        What is known of the logger.
    modules
        Names of the modules that were logged, where the pack was split.
    signals
        Database of the signals, where the file is a CAN recording.

    Raises
    ------
    BadInput
        Not a table at all.
    """
    path = Path(path)
    definitions = None
    if signals is not None and recording_kind(path) is not None:
        definitions = load_definitions(Path(signals))
    with as_table(path, definitions, profile=profile, pack=pack, modules=modules) as table:
        job = look_at(path, profile, pack, modules, table.source)
        plan = table.agreed(job.plan)
    columns = tuple(InspectedColumn(t.name, _taken_for(t), _why(t, plan), t.examples) for t in plan.columns)
    return Inspection(path, columns, tuple(str(p) for p in plan.problems), plan, table.notes)


def _taken_for(taken: Taken) -> str:
    if taken.role == "cell":
        return f"cell {taken.number}"
    if taken.role in ("temperature", "bleed"):
        return f"{taken.role} {taken.number}"
    return taken.target if taken.role == "extra" else taken.role


def _why(taken: Taken, plan: Plan) -> str:
    if taken.role == "current":
        return f"{taken.why}; {plan.sign_why}"
    return taken.why
