"""The handbook holds: no dead link, no word of the screens left out, and one text in every place that shows it."""

from __future__ import annotations

import inspect
import re
import shutil
import tomllib
from importlib import resources
from pathlib import Path

import pytest

import bmslogs
from bmslogs.analysis.registry import QUANTITIES
from bmslogs.base.cautions import CAUTIONS
from bmslogs.base.errors import BadInput
from bmslogs.base.pack import Event, Limits, Pack, parse_pack
from bmslogs.base.version import __version__
from bmslogs.faces import explain
from bmslogs.faces.handbook import CHAPTERS, METHODS, found, glossary, page_of, pages
from bmslogs.findings.registry import CAUSES
from bmslogs.importers.plan.profile import Profile, parse_profile
from tests.door.test_door import OFFERED
from tests.handbook.screen_words import WORD, labels

HANDBOOK = resources.files("bmslogs") / "handbook"
PLAIN = Path(__file__).with_name("plain_words.txt")


def blocks(text: str, language: str) -> list[str]:
    """Return the fenced blocks of one language."""
    return re.findall(rf"^```{language}\n(.*?)^```", text, re.MULTILINE | re.DOTALL)


def test_every_chapter_is_listed_and_every_name_is_one_page() -> None:
    there = {f.name.removesuffix(".md") for f in HANDBOOK.iterdir() if f.name.endswith(".md")}
    assert there == {name for names in CHAPTERS.values() for name in names}
    beside = resources.files("bmslogs") / "importers"
    kinds = {
        f.name.removesuffix(".md") for of in ("recordings", "can") for f in (beside / of / "pages").iterdir()
    }
    assert {*there, *kinds, *OFFERED, *QUANTITIES, *CAUSES, *METHODS} == set(pages())
    for page in pages().values():
        assert page.text.startswith("# ") and page.title, page.name
        assert "{" not in page.title and not re.search(r"\{(cautions|door)\}", page.text)


@pytest.mark.parametrize("name", pages())
def test_no_link_is_dead(name: str) -> None:
    page = pages()[name]
    for link in page.links:
        assert link in pages(), f"{name} leads to {link}"
    for target in re.findall(r"\]\(([^)]+)\)", page.text):
        assert re.fullmatch(r"[\w-]+\.md", target), f"{name} leads out of the handbook: {target}"
    for address in re.findall(r"https?://[^\s>)]+", page.text):
        assert address.startswith("http://127.0.0.1"), address
    for notebook in re.findall(r"`([\w-]+\.ipynb)`", page.text):
        assert (HANDBOOK / notebook).is_file(), notebook


def test_every_chapter_is_led_to_by_another() -> None:
    led = {link for page in pages().values() for link in page.links}
    assert {name for names in CHAPTERS.values() for name in names} - led <= {
        "first-evening",
        "mathematics",
        "glossary",
    }


@pytest.fixture(scope="module")
def screens(built_store: Path, tmp_path_factory: pytest.TempPathFactory) -> dict[str, str]:
    """Words of the labels on every page over the sample store."""
    return labels(shutil.copytree(built_store, tmp_path_factory.mktemp("screens") / "store"))


def test_the_glossary_has_every_word_of_the_screens_that_is_not_everyday(screens: dict[str, str]) -> None:
    plain = set(PLAIN.read_text(encoding="utf-8").split())
    known = {word.lower() for term in glossary() for word in [*WORD.findall(term), term]}
    missing = {word: said for word, said in screens.items() if word not in plain | known}
    assert len(screens) > 200
    assert not missing, (
        f"say these in bmslogs/handbook/glossary.md, or, everyday words, in {PLAIN.name}: {missing}"
    )
    assert not plain & {term.lower() for term in glossary() if len(term) > 1}, (
        "an everyday word needs no entry"
    )


def test_a_word_that_is_nowhere_said_is_noticed(screens: dict[str, str]) -> None:
    from dash import html

    from tests.handbook import screen_words

    assert list(screen_words._labels(html.Div([html.H2("Sulphation"), html.P("not a label")]))) == [
        "Sulphation"
    ]
    assert "sulphation" not in screens


def test_explain_and_the_loader_give_one_text() -> None:
    for name, page in pages().items():
        assert explain.page(name) == page.text
    assert explain.page("First evening") == pages()["first-evening"].text
    assert explain.page("knee").startswith("# knee\n") and glossary()["knee"] in explain.page("knee")
    with pytest.raises(BadInput, match="first_charge"):
        explain.page("first charges")


def test_the_listing_names_every_page() -> None:
    assert set(pages()) <= set(explain.listing().split())


@pytest.mark.parametrize("name", OFFERED)
def test_a_page_of_the_door_is_its_docstring(name: str) -> None:
    function, text = getattr(bmslogs, name), pages()[name].text
    said = inspect.getdoc(function) or ""
    words = " ".join(text.split())
    assert " ".join(said.split("\n\n")[0].split()) in words
    for argument in inspect.signature(function).parameters:
        assert argument in text.split("## Parameters")[1].split("## Returns")[0]
    for line in said.split("Examples\n--------\n")[1].splitlines():
        assert line in text


def test_cautions_are_those_of_every_output() -> None:
    for line in CAUTIONS:
        assert line in pages()["cautions"].text


def test_the_pack_file_is_explained_key_by_key() -> None:
    text = pages()["pack-file"].text
    (example,) = blocks(text, "toml")
    pack = parse_pack(tomllib.loads(example))
    assert pack.place(5) == "front box, module F2, cell 5"
    told = set(re.findall(r"`(\w+)`", text))
    tables = {"limits": "[pack.limits]", "boxes": "[[box]]", "modules": "[[module]]", "sense_boards": "[[sense_board]]",
              "temperature_sensors": "[[temperature_sensor]]", "events": "[[event]]"}  # fmt: skip
    for key in {*Pack.model_fields} - {"ocv"}:
        assert key in told or tables[key] in text, key
    for key in (*Limits.model_fields, *Event.model_fields):
        assert key in told, key


def test_the_profile_is_explained_key_by_key() -> None:
    text = pages()["profile"].text
    (example,) = blocks(text, "toml")
    parse_profile(tomllib.loads(example))
    for section, field in Profile.model_fields.items():
        assert f"[{section}]" in text
        (model,) = (a for a in field.annotation.__args__ if a is not type(None))  # type: ignore[union-attr]
        for key in model.model_fields:
            assert f"`{key}`" in text or f"`{key} = " in text, f"{section}.{key}"


def test_this_version_stands_in_the_changes() -> None:
    assert f"## {__version__}\n" in pages()["changes"].text


def test_a_search_finds_title_before_text_and_names_a_line() -> None:
    hits = found("bleed needed")
    assert hits[0][0].name == "bleed_needed"
    assert "mathematics" in {page.name for page, _ in found("student")}
    shown = found("plateau")
    assert shown and all("plateau" in line.lower() and len(line) < 130 for _, line in shown)
    assert not any(mark in line for _, line in shown for mark in ("[", "`", "**"))
    assert found("") == [] and found("sulphation") == []


def test_page_names_are_addresses() -> None:
    from dashboard.address import parse

    for name in pages():
        assert parse(f"?page={name}").page == name
    assert page_of("pack-file").name == "pack-file"
