"""The page Handbook: its layout, its search, and in a real Chromium."""

from __future__ import annotations

import re
from collections.abc import Callable
from typing import Any

import pytest

from bmslogs.faces.handbook import linked, page_of, pages
from dashboard.address import View
from dashboard.pages import handbook
from tests.dashboard.conftest import Reader

WIDTHS = (1400, 800, 390)


def text_of(node: Any) -> str:
    """The text of a layout."""
    if isinstance(node, str):
        return node
    if isinstance(node, list | tuple):
        return " ".join(map(text_of, node))
    return text_of(node.to_plotly_json()["props"].get("children")) if hasattr(node, "to_plotly_json") else ""


@pytest.mark.parametrize("name", pages())
def test_a_page_is_shown_with_the_text_that_explain_prints(name: str) -> None:
    shown = handbook.shown(View(pack="heron-main", page=name))
    markdown = shown.to_plotly_json()["props"]["children"]
    undone = re.sub(r"\]\(/handbook\?pack=heron-main&page=([\w-]+)\)", r"](\1.md)", markdown)
    assert undone.replace("\\[", "[").replace("\\]", "]") == page_of(name).text


def test_a_unit_in_brackets_is_no_link_and_code_is_left_as_it_is() -> None:
    said = "charge [Ah], see [Capacity](capacity.md) and `[[box]]`\n    x[0]\n```\ny[1]\n```\n"
    shown = "charge \\[Ah\\], see [Capacity](/h/capacity) and `[[box]]`\n    x[0]\n```\ny[1]\n```\n"
    assert linked(said, "/h/{}") == shown


def test_a_page_that_is_not_there_names_near_ones() -> None:
    assert "first_charge" in text_of(handbook.shown(View(page="first-charges")))


def test_the_contents_open_where_one_reads() -> None:
    groups = handbook.contents(View(page="capacity_low"))
    opened = {text_of(g.children[0]): g.open for g in groups}
    assert opened["Causes"] and not opened["Quantities"] and opened["Stories"]


def test_a_search_says_what_it_did_not_find() -> None:
    assert "No page holds 'sulphation'" in text_of(handbook.results(View(), " sulphation "))
    assert text_of(handbook.results(View(), "")) == text_of(handbook.contents(View()))


@pytest.mark.browser
@pytest.mark.parametrize("scheme", ["light", pytest.param("dark", marks=pytest.mark.sweep)])
@pytest.mark.parametrize(
    "width", [pytest.param(w, marks=[] if w == WIDTHS[0] else pytest.mark.sweep) for w in WIDTHS]
)
def test_nothing_is_wider_than_the_screen(
    width: int, scheme: str, site: Callable[[str], str], reader: Reader
) -> None:
    page = reader.open(f"{site('none')}/handbook")
    page.set_viewport_size({"width": width, "height": 900})
    if scheme == "dark":
        page.locator("#scheme-button").click()
    for name in ("first-evening", "weak-module", "mathematics", "pack-file", "diagnose", "soc_offset"):
        reader.open(f"{site('none')}/handbook?page={name}")
        page.get_by_role("heading", name=page_of(name).title, exact=True).wait_for()
        assert page.evaluate("document.documentElement.scrollWidth") <= width, name
        article = page.locator("#handbook-page").bounding_box()
        assert article is not None and article["x"] >= 0 and article["x"] + article["width"] <= width
    ink, ground = (
        page.evaluate(f"getComputedStyle(document.querySelector('#handbook-page {what}')).{of}")
        for what, of in (("p", "color"), ("pre", "backgroundColor"))
    )
    assert contrast(ink, ground) > 4.5  # WCAG 2.2, 1.4.3


def contrast(one: str, other: str) -> float:
    """Contrast ratio of two colours ``rgb(r, g, b)`` (WCAG 2.2)."""

    def light(colour: str) -> float:
        parts = [int(v) / 255 for v in re.findall(r"\d+", colour)[:3]]
        linear = [v / 12.92 if v <= 0.04045 else ((v + 0.055) / 1.055) ** 2.4 for v in parts]
        return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]

    high, low = sorted((light(one), light(other)), reverse=True)
    return (high + 0.05) / (low + 0.05)


@pytest.mark.browser
def test_somebody_reads_searches_and_comes_from_a_label(site: Callable[[str], str], reader: Reader) -> None:
    page = reader.open(f"{site('sample')}/answers?pack=heron-main")
    page.locator(".answer-card .cause a").first.click()
    page.wait_for_url(re.compile(r"/handbook\?.*page=\w+"))
    cause = re.search(r"page=(\w+)", page.url)
    assert cause is not None
    page.locator("#handbook-page").get_by_role("heading", name=page_of(cause[1]).title, exact=True).wait_for()
    page.get_by_label("Search the handbook").fill("bleed needed")
    page.locator("#handbook-found .hits a").first.wait_for()
    page.locator("#handbook-found").get_by_role("link", name="Bleed still needed", exact=True).click()
    page.wait_for_url(re.compile("page=bleed_needed"))
    page.locator("#handbook-page").get_by_role("heading", name="Bleed still needed").wait_for()
    page.get_by_label("Search the handbook").fill("sulphation")
    page.get_by_text("No page holds 'sulphation'").wait_for()
    page.get_by_label("Search the handbook").fill("")
    page.locator("#handbook-found").get_by_role("link", name="Balance after the first charge").click()
    page.locator("#handbook-page").get_by_role("link", name="Charge still missing to full").click()
    page.locator("#handbook-page").get_by_role("heading", name="Charge still missing to full").wait_for()
