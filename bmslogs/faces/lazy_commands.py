"""The commands by name: a module is imported, and its options are built, when its command is called."""

from __future__ import annotations

from collections.abc import Callable
from importlib import import_module
from typing import Any

import typer
from typer.core import TyperGroup

COMMANDS: dict[str, tuple[str, str]] = {
    "demo": (
        "showing.demo", "Build a store of invented sample logs, diagnose it and serve the dashboard on it."
    ),
    "inspect": ("importing.inspect_log", "Say what each column was taken for and why; print the profile."),
    "import": ("importing.import_logs", "Normalise loggers' files into the store."),
    "watch": ("watching.watch_folder", "Bring in the new and growing files of a folder as they come."),
    "diagnose": (
        "answering.diagnose_log", "Say what is wrong with a pack, how surely, and what the log cannot tell."
    ),
    "compare": ("answering.compare", "Set packs side by side, or one pack before and after a repair."),
    "history": ("months.history", "Say what each cell's quantities did over the months, and where they go."),
    "record": ("showing.record", "Write the hand-over or service record of a pack, to print and sign."),
    "plan": (
        "planning.plan", "Say which log to take next, cheapest first, and how close its answer would come."
    ),
    "own-curve": ("learning.own_curve", "Learn a pack's own open-circuit curve from a slow charge between two rests."),
    "check-loom": (
        "workshop.check_loom", "Look for what speaks against a sense loom, before the contactors close."
    ),
    "match": ("workshop.match", "Plan which measured cells or modules go into which string and place."),
    "logs": ("keeping.logs", "List the stored logs."),
    "remove": (
        "keeping.remove",
        "Put one log into the bin for thirty days, its answers gone; the logger's own file is not touched.",
    ),
    "bin": ("ordering.bin_list", "List the removed logs and packs, and until when each can be brought back."),
    "bring-back": ("ordering.bring_back", "Bring a removed log, or a removed pack, back from the bin."),
    "move": (
        "ordering.move", "Move a log to another pack of as many cells, with its notes; it is diagnosed anew there."
    ),
    "note": ("ordering.note", "Note something on a log, on a moment in it or on a cell; list the notes."),
    "describe": (
        "ordering.describe", "Keep a pack file in the store; --since gives it to the logs from a day on, too."
    ),
    "rename-vehicle": ("ordering.rename_vehicle", "Give a vehicle another name, in its packs and all its logs."),
    "remove-pack": ("ordering.remove_pack", "Put the description of a pack that has no logs into the bin."),
    "verify": ("keeping.verify", "Verify that every stored log is whole and is what its name says."),
    "explain": ("showing.explain", "Say what a quantity, a cause or a word means; show a page of the handbook."),
    "serve": ("showing.serve", "Serve the dashboard; for other machines only with a password in BMSLOGS_PASSWORD."),
}  # fmt: skip
"""Command: function in `bmslogs.faces.commands`, and the first line of its docstring, which the list of commands shows
without importing it."""


def function_of(name: str) -> Callable[..., Any]:
    """Return the function of a command; this imports its module."""
    module, function = COMMANDS[name][0].split(".")
    found: Callable[..., Any] = getattr(import_module(f"bmslogs.faces.commands.{module}"), function)
    return found


class _Built(dict[str, Any]):
    """Every command by name, each built when it is asked for."""

    def __init__(self) -> None:
        super().__init__(dict.fromkeys(COMMANDS))

    def __getitem__(self, name: str) -> Any:
        made = super().__getitem__(name)
        if made is None:
            one = typer.Typer(add_completion=False, rich_markup_mode=None, pretty_exceptions_enable=False)
            one.command(name)(function_of(name))
            made = self[name] = typer.main.get_command(one)
        return made

    def get(self, name: str, default: Any = None) -> Any:
        """Return a command, `default` where there is none."""
        return self.__getitem__(name) if name in self else default

    def items(self) -> Any:
        """Return every command with its name, all built."""
        return {name: self.__getitem__(name) for name in self}.items()

    def values(self) -> Any:
        """Return every command, all built."""
        return dict(self.items()).values()


class Commands(TyperGroup):
    """The group of all commands."""

    def __init__(self, **attributes: Any) -> None:
        super().__init__(**attributes)
        self.commands = _Built()

    def format_commands(self, ctx: Any, formatter: Any) -> None:
        """Write the list of commands from the table, so that none of them is imported for it."""
        with formatter.section("Commands"):
            formatter.write_dl([(name, says) for name, (_, says) in COMMANDS.items()])
