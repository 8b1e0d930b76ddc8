"""Every quantity and cause is explained, and nothing else is."""

from __future__ import annotations

from importlib import resources

import pytest

from bmslogs.analysis.registry import QUANTITIES
from bmslogs.base.errors import BadInput
from bmslogs.faces.explain import HOMES, listing, page
from bmslogs.findings.registry import CAUSES

QUANTITY_PARTS = ("How it is estimated", "Limits", "Least data", "What would settle it", "Source")
CAUSE_PARTS = (
    "How it is told",
    "What looks like it",
    "What to do, safest first",
    "What would settle it",
    "Source",
)


@pytest.mark.parametrize("package", HOMES)
def test_every_entry_has_its_page_and_every_page_its_entry(package: str) -> None:
    pages = {p.name for p in (resources.files(package) / "pages").iterdir()}
    wanted = {f"{key}.md" for key in HOMES[package]}
    folder = package.replace(".", "/") + "/pages"
    assert not wanted - pages, f"write these pages in {folder}: {sorted(wanted - pages)}"
    assert not pages - wanted, (
        f"nothing in the registry has the name of these in {folder}: {sorted(pages - wanted)}"
    )


@pytest.mark.parametrize("key", [*QUANTITIES, *CAUSES])
def test_a_page_has_the_title_of_the_registry_and_all_its_parts(key: str) -> None:
    text = page(key)
    title = QUANTITIES[key].title if key in QUANTITIES else CAUSES[key].title
    assert text.splitlines()[0] == f"# {title}"
    heads = [line[3:] for line in text.splitlines() if line.startswith("## ")]
    assert heads == list(QUANTITY_PARTS if key in QUANTITIES else CAUSE_PARTS)
    for line in text.split("## ")[1:]:
        assert len(line.splitlines()) > 2


def test_quantities_that_a_page_names_exist() -> None:
    for key in [*QUANTITIES, *CAUSES]:
        for word in page(key).split("`")[1::2]:
            if word.isidentifier() and (
                "_relative" in word or word.startswith(("soc_", "charge_to", "capacity"))
            ):
                assert word in QUANTITIES, f"{key} names {word}"


def test_a_name_is_found_however_it_is_typed_and_a_wrong_one_is_helped() -> None:
    assert page("Resistance-10s") == page("resistance_10s")
    with pytest.raises(BadInput, match="capacity_low"):
        page("capacity_lo")


def test_the_listing_names_them_all() -> None:
    words = listing().split()
    assert {*QUANTITIES, *CAUSES} <= set(words)
