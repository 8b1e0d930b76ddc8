"""The handbook: chapters, quantities, causes and the names of the door, each a page of Markdown, from one loader.

Chapters lie in `bmslogs/handbook`; quantities and causes in the folder `pages` beside the registry that they explain;
the pages of the door are made from its docstrings, read and not imported, so that none of them costs its libraries. A
link names the page that it leads to: ``[soc_offset](soc_offset.md)``.
"""

from __future__ import annotations

import ast
import difflib
import re
from dataclasses import dataclass
from functools import cache
from importlib import resources
from inspect import cleandoc

from bmslogs.analysis.registry import QUANTITIES
from bmslogs.base.cautions import CAUTIONS
from bmslogs.base.errors import BadInput
from bmslogs.findings.registry import CAUSES

CHAPTERS: dict[str, tuple[str, ...]] = {
    "Begin": ("first-evening", "cautions"),
    "Stories": ("weak-module", "first-charge", "between-vehicles"),
    "Files": ("pack-file", "profile", "order"),
    "What comes in": (),
    "Reference": ("mathematics", "glossary", "changes"),
    "Python": ("door",),
}
"""Chapters of `bmslogs/handbook` by group, in the order in which they are listed."""
OFFERED = "Python"
COMES_IN = "What comes in"
KINDS = {
    "bmslogs.importers.recordings": ("spreadsheets", "parquet", "arrow", "json", "line_protocol"),
    "bmslogs.importers.can": ("recordings",),
}
"""Pages of the kinds of files beside CSV, which lie beside their readers."""
QUANTITY_GROUP, CAUSE_GROUP, METHOD_GROUP = "Quantities", "Causes", "Methods"
METHODS = ("history",)
"""Pages in `bmslogs.findings.history` that explain a method rather than one quantity or cause."""
MOST_FOUND = 12
"""Pages that a search shows (choice)."""
SHOWN_CHARACTERS = 120
"""Of the line that a search shows under a page (choice)."""
_LINK = re.compile(r"\[([^\]]+)\]\(([\w-]+)\.md\)")
_CODE_OR_BRACKETS = re.compile(r"(`[^`]*`|\[[^\]]*\]\([^)]*\))|\[([^\[\]]*)\]")
_ENTRY = re.compile(r"^- \*\*(.+?)\*\*: (.+?)(?=\n- \*\*|\n\n|\Z)", re.MULTILINE | re.DOTALL)


@dataclass(frozen=True)
class Page:
    """One page: its name in addresses and links, its title, the group it is listed in, its Markdown."""

    name: str
    title: str
    group: str
    text: str

    @property
    def links(self) -> tuple[str, ...]:
        """Names of the pages that it leads to."""
        return tuple(dict.fromkeys(name for _, name in _LINK.findall(self.text)))


@cache
def pages() -> dict[str, Page]:
    """Return every page by its name, in the order in which they are listed."""
    made: list[Page] = []
    for group, names in CHAPTERS.items():
        made += [_page(name, group, _chapter(name)) for name in names]
        if group == COMES_IN:
            kinds = ((package, name) for package, names in KINDS.items() for name in names)
            made += [_page(name, group, _read(package, "pages", f"{name}.md")) for package, name in kinds]
        if group == OFFERED:
            made += [Page(name, name, group, text) for name, text in door_pages().items()]
    for group, package, registry in (
        (QUANTITY_GROUP, "bmslogs.analysis", tuple(QUANTITIES)),
        (CAUSE_GROUP, "bmslogs.findings", tuple(CAUSES)),
        (METHOD_GROUP, "bmslogs.findings.history", METHODS),
    ):
        made += [_page(key, group, _read(package, "pages", f"{key}.md")) for key in registry]
    return {page.name: page for page in made}


def page_of(name: str) -> Page:
    """Return one page, however its name is typed; a word of the glossary gives a page of that word.

    Raises
    ------
    BadInput
        There is none of this name; near ones are named.
    """
    key = _key(name)
    for page in pages().values():
        if key in (_key(page.name), _key(page.title)):
            return page
    for word, says in glossary().items():
        if key == _key(word):
            return Page("glossary", word, "Reference", f"# {word}\n\n{says}\n")
    near = difflib.get_close_matches(key, [*map(_key, pages()), *map(_key, glossary())], 3, 0.4)
    raise BadInput(
        f"no page of the handbook is named {name!r}",
        f"one of: {', '.join(near)}" if near else "a name from `bmslogs explain`",
    )


@cache
def glossary() -> dict[str, str]:
    """Return the words of the glossary, in every form that stands there, with what they mean."""
    entries = _ENTRY.findall(_chapter("glossary"))
    return {word.strip(): " ".join(says.split()) for words, says in entries for word in words.split(",")}


def found(text: str) -> list[tuple[Page, str]]:
    """Return the pages in which all words of `text` stand, the likeliest first, each with a line that shows one."""
    words = text.lower().split()
    if not words:
        return []
    ranked = []
    for place, page in enumerate(pages().values()):
        body, head = page.text.lower(), f"{page.name} {page.title}".lower()
        if all(word in body or word in head for word in words):
            score = sum(20 * (word in head) + min(body.count(word), 10) for word in words)
            ranked.append((-score, place, page))
    return [(page, _line_with(page.text, words)) for _, _, page in sorted(ranked)[:MOST_FOUND]]


def linked(text: str, address: str) -> str:
    """Return Markdown for a browser: links lead to `address` with ``{}`` replaced by the page's name.

    A unit in square brackets outside code is marked as no link, which some readers of Markdown take it for.
    """
    out, fenced = [], False
    for line in text.split("\n"):
        fenced ^= line.startswith("```")
        if not fenced and not line.startswith(("    ", "```")):
            line = _CODE_OR_BRACKETS.sub(lambda m: m[1] or f"\\[{m[2]}\\]", line)
        out.append(line)
    return _LINK.sub(lambda m: f"[{m[1]}]({address.format(m[2])})", "\n".join(out))


# ---- the pages of the door -------------------------------------------------------------------------------------


@cache
def door_pages() -> dict[str, str]:
    """Return a page for each function of the door, from its docstring."""
    homes = _homes()
    made = {}
    for module in dict.fromkeys(homes.values()):
        tree = ast.parse(_read("bmslogs.door", f"{module}.py"))
        for node in tree.body:
            if isinstance(node, ast.FunctionDef) and homes.get(node.name) == module:
                made[node.name] = _door_page(node)
    return {name: made[name] for name in homes}


def _homes() -> dict[str, str]:
    """Return the functions that the door offers, each with its module in `bmslogs.door`."""
    tree = ast.parse(_read("bmslogs", "__init__.py"))
    told = (
        n
        for n in ast.walk(tree)
        if isinstance(n, ast.ImportFrom) and (n.module or "").startswith("bmslogs.door.")
    )
    return {a.name: str(n.module).rpartition(".")[2] for n in told for a in n.names}


def _door_page(function: ast.FunctionDef) -> str:
    arguments = function.args
    for one in (
        *arguments.posonlyargs,
        *arguments.args,
        *arguments.kwonlyargs,
        arguments.vararg,
        arguments.kwarg,
    ):
        if one is not None:
            one.annotation = None
    result = f" -> {ast.unparse(function.returns)}" if function.returns else ""
    parts = re.split(r"^(\w[\w ]*)\n-{3,}\n", cleandoc(ast.get_docstring(function) or ""), flags=re.MULTILINE)
    told = [
        f"# {function.name}",
        f"    bmslogs.{function.name}({ast.unparse(arguments)}){result}",
        parts[0].strip(),
    ]
    for title, body in zip(parts[1::2], parts[2::2], strict=True):
        told += [f"## {title}", _section(title, body.strip("\n"))]
    return "\n\n".join(told) + "\n"


def _section(title: str, body: str) -> str:
    """Return a part of a docstring as Markdown: named things as a list, an example as code."""
    if title == "Examples":
        return "\n".join("    " + line if line else "" for line in body.splitlines())
    if title in ("Parameters", "Raises"):
        named = re.findall(r"^(\S.*)\n((?:[ \t]+.*\n?|\n)+)", body + "\n", re.MULTILINE)
        return "\n".join(f"- `{name}`: {' '.join(says.split())}" for name, says in named)
    return " ".join(body.split())


# ---- reading ---------------------------------------------------------------------------------------------------


def _page(name: str, group: str, text: str) -> Page:
    return Page(name, text.partition("\n")[0].removeprefix("# "), group, text)


@cache
def _chapter(name: str) -> str:
    text = _read("bmslogs", "handbook", f"{name}.md")
    if "{cautions}" in text:
        text = text.replace("{cautions}", "\n".join(f"- {line}" for line in CAUTIONS))
    if "{door}" in text:
        offered = (f"- [{name}]({name}.md): {_first_sentence(page)}" for name, page in door_pages().items())
        text = text.replace("{door}", "\n".join(offered))
    return text


def _first_sentence(page: str) -> str:
    return " ".join(page.split("\n\n")[2].split())


def _read(package: str, *parts: str) -> str:
    # by the folder, not by the package: a package that is asked for its files is imported
    top, *inner = package.split(".")
    return resources.files(top).joinpath(*inner, *parts).read_text(encoding="utf-8")


def _key(name: str) -> str:
    return name.strip().lower().replace("-", "_").replace(" ", "_")


def _line_with(text: str, words: list[str]) -> str:
    """Return the words around the first place in the prose that holds one of those searched for, without marks."""
    for paragraph in re.split(r"\n(?:\n+|(?=[-|]|\d+\. ))", text.partition("\n")[2]):
        if paragraph.startswith(("#", "    ", "```", "|--")):
            continue
        plain = " ".join(re.sub(r"[*`|]", "", _LINK.sub(r"\1", paragraph)).removeprefix("- ").split())
        places = [plain.lower().find(word) for word in words]
        if max(places) >= 0:
            return _around(plain, min(place for place in places if place >= 0))
    return ""


def _around(plain: str, place: int) -> str:
    """Return some `SHOWN_CHARACTERS` of a line from a little before `place`, cut between words."""
    first = 0 if place < SHOWN_CHARACTERS // 2 else plain.rfind(" ", 0, place - SHOWN_CHARACTERS // 4) + 1
    cut = plain[first : first + SHOWN_CHARACTERS]
    more = first + SHOWN_CHARACTERS < len(plain)
    return (".. " if first else "") + (cut.rsplit(" ", 1)[0] + " .." if more else cut)
