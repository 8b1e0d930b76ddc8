"""Progress on a terminal, on standard error, for what takes longer than a second."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager

Step = Callable[[str], None]
"""Called with the name of what comes next."""


@contextmanager
def progress(title: str, total: int | None = None) -> Iterator[Step]:
    """Show a bar while the block runs, only where standard error is a terminal.

    Parameters
    ----------
    title
        What is going on, such as ``import``.
    total
        Number of steps; None where it is not known.

    Yields
    ------
    step
        To be called with a name when each step begins.
    """
    if not sys.stderr.isatty():
        yield _silent
        return
    from rich.console import Console
    from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeElapsedColumn

    columns = (
        TextColumn("{task.description}", markup=False),
        BarColumn(),
        MofNCompleteColumn(),
        TimeElapsedColumn(),
    )
    with Progress(*columns, console=Console(stderr=True), transient=True) as bar:
        task = bar.add_task(title, total=total)
        begun = False

        def step(name: str) -> None:
            nonlocal begun
            bar.update(task, description=f"{title} {name}", advance=1 if begun else 0)
            begun = True

        yield step


def _silent(_name: str) -> None:
    return None
