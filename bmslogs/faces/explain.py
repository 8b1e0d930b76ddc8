"""`bmslogs explain`: the pages of the handbook on a terminal."""

from __future__ import annotations

import sys
from collections.abc import Mapping

from bmslogs.analysis.registry import QUANTITIES
from bmslogs.faces.handbook import CAUSE_GROUP, METHODS, QUANTITY_GROUP, Page, glossary, page_of, pages
from bmslogs.faces.output import able
from bmslogs.faces.signs import outside_code, true_minus
from bmslogs.findings.registry import CAUSES

HOMES: dict[str, Mapping[str, object]] = {
    "bmslogs.analysis": QUANTITIES,
    "bmslogs.findings": CAUSES,
    "bmslogs.findings.history": dict.fromkeys(METHODS),
}
"""The packages whose folder `pages` explains their registry."""

SHOWN_WORDS = ("balance", "bleed", "knee", "median", "plateau", "tap")


def page(name: str) -> str:
    """Return the Markdown of one page of the handbook: a quantity, a cause, a chapter, a name of the door, a word.

    Raises
    ------
    BadInput
        There is none of this name; near ones are named.
    """
    return page_of(name).text


def listing() -> str:
    """Return what can be explained: quantities and causes with a line each, then the chapters of the handbook."""
    names = [name for name, one in pages().items() if one.group not in (QUANTITY_GROUP, CAUSE_GROUP)]
    wide = max(map(len, [*QUANTITIES, *CAUSES, *names]))
    return "\n".join(
        [
            "Quantities",
            *(f"  {q.key:<{wide}}  {q.question}" for q in QUANTITIES.values()),
            "",
            "Causes",
            *(f"  {c.key:<{wide}}  {c.says}" for c in CAUSES.values()),
            "",
            "Handbook",
            *(f"  {name:<{wide}}  {_line_of(pages()[name])}" for name in names),
            "",
            "and every word of the glossary, such as: "
            + ", ".join(w for w in SHOWN_WORDS if w in glossary()),
        ]
    )


def _line_of(one: Page) -> str:
    """Return a page's title; of a name of the door, which is its own title, what it does."""
    return one.title if one.title != one.name else one.text.split("\n\n")[2].replace("\n", " ")


def show(markdown: str) -> None:
    """Print a page: laid out on a terminal, as it is elsewhere."""
    markdown = able(sys.stdout, outside_code(markdown, true_minus))
    if not sys.stdout.isatty():
        sys.stdout.write(markdown)
        return
    from rich.console import Console
    from rich.markdown import Markdown

    Console(width=min(Console().width, 100)).print(Markdown(markdown))
