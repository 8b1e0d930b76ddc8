"""The record in a real browser: nothing is fetched, every picture is drawn, nothing is cut when printed."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import pytest

from bmslogs.faces.record import contents, record_page
from tests.faces.examples import LOG, WREN, diagnosis
from tests.faces.test_record import driven

pytestmark = pytest.mark.browser

PAPER = {"A4": (794, 1123), "Letter": (816, 1056)}  # 210 x 297 mm (ISO 216), 8.5 x 11 in, at 96 px an inch
MARGIN_PX = 45  # 12 mm


@pytest.fixture(scope="module")
def record_file(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("record") / "wren.html"
    path.write_text(record_page(contents(WREN, diagnosis()), {str(LOG["id"]): driven()}), encoding="utf-8")
    return path


@pytest.mark.parametrize("paper", PAPER)
def test_it_prints_whole_and_asks_for_nothing(chromium: Any, record_file: Path, paper: str) -> None:
    wide, high = PAPER[paper]
    page = chromium.new_page(viewport={"width": wide - 2 * MARGIN_PX, "height": high})
    asked: list[str] = []
    errors: list[str] = []
    page.on("request", lambda request: asked.append(request.url))
    page.on("pageerror", lambda error: errors.append(str(error)))
    page.on("console", lambda message: errors.append(message.text) if message.type == "error" else None)
    page.emulate_media(media="print")
    page.goto(record_file.as_uri())
    page.evaluate("document.querySelector('details').open = true")
    page.wait_for_function("document.querySelectorAll('figure svg').length >= 3")
    assert asked == [record_file.as_uri()]
    assert errors == []
    assert page.evaluate("document.documentElement.scrollWidth <= window.innerWidth")
    heights = page.evaluate(
        "[...document.querySelectorAll('figure')].map(f => f.getBoundingClientRect().height)"
    )
    assert all(50 < height < high - 2 * MARGIN_PX for height in heights)  # each fits one page whole
    assert page.pdf(format=paper).startswith(b"%PDF")
    page.close()
    page.close()


def pages_of(pdf: bytes) -> int:
    """How many sheets a PDF has: page objects, which Chromium writes uncompressed."""
    return len(re.findall(rb"/Type\s*/Page\b(?!s)", pdf))


@pytest.mark.parametrize("paper", PAPER)
def test_an_ordinary_pack_takes_two_pages_and_no_finding_is_split(
    chromium: Any, record_file: Path, paper: str
) -> None:
    page = chromium.new_page()
    page.goto(record_file.as_uri())
    page.get_by_label("Odometer [km]").fill("123 456")
    page.emulate_media(media="print")
    assert pages_of(page.pdf(format=paper)) <= 2
    kept = page.evaluate(
        "[...document.querySelectorAll('.finding')].map(f => getComputedStyle(f).breakInside)"
    )
    assert kept and set(kept) == {"avoid"}
    told = page.evaluate(
        "[...document.querySelectorAll('.finding')].map(f => f.querySelector('.told').offsetWidth / f.offsetWidth)"
    )
    assert min(told) > 0.4  # words and picture stand side by side, neither pressed to a strip
    assert page.get_by_label("Odometer [km]").input_value() == "123 456"
    height = "document.body.getBoundingClientRect().height"
    before = page.evaluate(height)
    page.evaluate("document.querySelector('details').open = true")
    assert page.evaluate(height) > before + 200  # what was asked for is printed too
    page.close()
