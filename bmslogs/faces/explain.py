"""What a quantity or cause means: one Markdown page each, kept beside the code that it explains."""

from __future__ import annotations

import difflib
import sys
from collections.abc import Mapping
from importlib import resources

from bmslogs.analysis.registry import QUANTITIES
from bmslogs.base.errors import BadInput
from bmslogs.findings.history import EXPLAINED
from bmslogs.findings.registry import CAUSES

HOMES: dict[str, Mapping[str, object]] = {
    "bmslogs.analysis": QUANTITIES,
    "bmslogs.findings": CAUSES,
    "bmslogs.findings.history": EXPLAINED,
}
"""The packages whose folder `pages` explains their registry."""


def page(name: str) -> str:
    """Return the Markdown page of one quantity or cause.

    Raises
    ------
    BadInput
        No quantity and no cause has this name; near ones are named.
    """
    key = name.strip().lower().replace("-", "_").replace(" ", "_")
    for package, registry in HOMES.items():
        if key in registry:
            return (resources.files(package) / "pages" / f"{key}.md").read_text(encoding="utf-8")
    near = difflib.get_close_matches(key, [*QUANTITIES, *CAUSES, *EXPLAINED], 3, 0.4)
    raise BadInput(
        f"no quantity or cause is named {name!r}",
        f"one of: {', '.join(near)}" if near else "a name from `bmslogs explain`",
    )


def listing() -> str:
    """Return all quantities and causes, a line each."""
    wide = max(map(len, [*QUANTITIES, *CAUSES]))
    return "\n".join(
        [
            "Quantities",
            *(f"  {q.key:<{wide}}  {q.question}" for q in QUANTITIES.values()),
            "",
            "Causes",
            *(f"  {c.key:<{wide}}  {c.says}" for c in CAUSES.values()),
            "",
            "Methods",
            *(f"  {name:<{wide}}  {says}" for name, says in EXPLAINED.items()),
        ]
    )


def show(markdown: str) -> None:
    """Print a page: laid out on a terminal, as it is elsewhere."""
    if not sys.stdout.isatty():
        sys.stdout.write(markdown)
        return
    from rich.console import Console
    from rich.markdown import Markdown

    Console(width=min(Console().width, 100)).print(Markdown(markdown))
