"""Proof at first sight, logs over each other, and what is taken away, in a real Chromium."""

from __future__ import annotations

import csv
import json
import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from bmslogs.faces.signs import plain_minus
from bmslogs.log import read_log
from bmslogs.store import Store
from tests.dashboard.conftest import Reader

pytestmark = pytest.mark.browser
Site = Callable[[str], str]
Stores = Callable[[str], Path]


def drawn(page: Any, selector: str) -> None:
    page.wait_for_selector(f"{selector} .main-svg")


def entries(stores: Stores, pack: str = "heron-main") -> list[Any]:
    return sorted(Store(stores("sample")).logs(pack), key=lambda e: str(e.start))


def saved(page: Any, press: Callable[[], None]) -> tuple[str, bytes]:
    """Press something and return name and content of the file that comes of it."""
    with page.expect_download() as download:
        press()
    return download.value.suggested_filename, Path(download.value.path()).read_bytes()


def table(content: bytes) -> list[list[str]]:
    assert content.startswith(b"\xef\xbb\xbf")  # tells a spreadsheet that it is UTF-8
    return list(csv.reader(content.decode("utf-8-sig").splitlines()))


def take(page: Any, figure: str, kind: str) -> tuple[str, bytes]:
    """Take away what stands under a figure."""
    box = page.locator(".figure").filter(has=page.locator(figure))
    if box.locator("details.take[open]").count() == 0:
        box.locator("details.take > summary").click()
    return saved(page, lambda: box.locator(f"[data-take={kind}]").click())


@pytest.mark.parametrize(
    ("number", "says", "bad", "most_s"),
    [(0, "parts the cells most", "F2, cell 6", 4 * 3600), (1, "The strongest pull", "F1, cell", 300),
     (3, "the vehicle stood", "R1, cell 14", 9 * 86400)],
)  # fmt: skip
def test_see_it_in_the_log_opens_where_it_is_plain(
    number: int, says: str, bad: str, most_s: float, site: Site, stores: Stores, reader: Reader
) -> None:
    log = entries(stores)[number]
    page = reader.open(f"{site('sample')}/answers?pack=heron-main&log={log.id}")
    page.locator(".answer-card").first.get_by_role("link", name="See it in the log").click()
    page.wait_for_url(re.compile(r"/log.*sight=1"))
    drawn(page, "#log-figure")
    page.locator("#log-sight").get_by_text(says).wait_for()
    # good and bad are labelled beside their lines, in the strip itself
    labels = page.locator("#log-figure .annotation-text").all_text_contents()
    assert any(bad in t for t in labels) and "median of the rest" in labels
    figure = "document.querySelector('#log-figure .js-plotly-plot')"
    seen = page.evaluate(f"({figure})._fullLayout.xaxis.range")
    width = np.diff(np.array([t.replace(" ", "T") for t in seen], "datetime64[ms]"))[0] / np.timedelta64(
        1, "s"
    )
    assert width <= most_s * 1.2
    # its own bar is the first row, thick; no other is
    bars = page.evaluate(
        f"({figure})._fullData.filter(t => t.customdata && t.customdata[0] && t.customdata[0][0] === 'finding')"
        ".map(t => [t.line.width, t.opacity, t.y[0]])"
    )
    assert bars[0][0] > 5 and all(b[0] < 5 and b[1] < 1 for b in bars[1:])
    address = page.url
    page.get_by_role("button", name="Whole log").click()
    page.wait_for_url(lambda u: "sight=1" not in u)
    other = reader.open(address)
    other.locator("#log-sight").get_by_text(says).wait_for()


def test_a_step_from_the_plain_window_becomes_a_window(site: Site, stores: Stores, reader: Reader) -> None:
    log = entries(stores)[1]
    page = reader.open(f"{site('sample')}/log?pack=heron-main&log={log.id}&finding=1&sight=1")
    drawn(page, "#log-figure")
    page.get_by_role("button", name="Wider").click()
    page.wait_for_url(re.compile(r"start=2026-05-09T14:2.*end=2026-05-09T14:2"))


def test_the_strip_has_cell_numbers_and_answers_pointer_and_keys(
    site: Site, stores: Stores, reader: Reader
) -> None:
    log = entries(stores)[1]
    page = reader.open(f"{site('sample')}/log?pack=heron-main&log={log.id}&finding=1&sight=1")
    drawn(page, "#log-figure")
    numbers = page.locator("#log-figure [class$='tick'] text").all_text_contents()
    assert any(re.fullmatch(r"F2\s+5", t) for t in numbers)
    page.wait_for_load_state("networkidle")
    image = page.locator("#log-figure .heatmaplayer image").first
    page.evaluate("document.querySelector('#log-strip').scrollIntoView({block: 'end'})")
    page.wait_for_timeout(600)
    box = image.bounding_box()
    page.mouse.move(box["x"] + box["width"] / 2, box["y"] + box["height"] * 2.5 / 16)
    reading = page.locator("#log-reading")
    reading.get_by_text(re.compile(r"^Cell 3, 2026-05-09 [\d:.]+: −\d+\.\d mV")).wait_for()
    page.locator("#log-strip").focus()
    page.keyboard.press("ArrowDown")
    reading.get_by_text(re.compile("^Cell 4, ")).wait_for()
    before = reading.inner_text()
    page.keyboard.press("ArrowRight")
    assert re.sub(r".*?(\d\d:\d\d:\d\d).*", r"\1", reading.inner_text()) > re.sub(
        r".*?(\d\d:\d\d:\d\d).*", r"\1", before
    )
    page.keyboard.press("End")
    page.keyboard.press("PageDown")
    for _ in range(3):
        page.keyboard.press("ArrowDown")
    reading.get_by_text(re.compile("^Cell 7, ")).wait_for()
    page.keyboard.press("Enter")
    page.wait_for_url(re.compile(r"cells=[\d,]*7"))


def test_the_strip_answers_a_tap(site: Site, stores: Stores, chromium: Any) -> None:
    log = entries(stores)[1]
    one = Reader(chromium, has_touch=True, viewport={"width": 1000, "height": 900})
    page = one.open(f"{site('sample')}/log?pack=heron-main&log={log.id}&finding=1&sight=1")
    drawn(page, "#log-figure")
    page.wait_for_load_state("networkidle")
    image = page.locator("#log-figure .heatmaplayer image").first
    image.scroll_into_view_if_needed()
    page.wait_for_timeout(600)
    box = image.bounding_box()
    page.touchscreen.tap(box["x"] + box["width"] / 2, box["y"] + box["height"] * 8.5 / 16)
    page.locator("#log-reading").get_by_text(re.compile("^Cell 9, ")).wait_for()
    assert one.wrong == []
    one.context.close()


def test_two_logs_over_each_other_have_an_address(site: Site, stores: Stores, reader: Reader) -> None:
    before, after = entries(stores)[1], entries(stores)[2]
    page = reader.open(f"{site('sample')}/overlay?pack=heron-main&log={before.id}&cells=2")
    page.locator("#overlay-says").get_by_text(re.compile("F1, cell 2 lies .* the median")).wait_for()
    page.get_by_role("textbox", name="Laid over it").click()
    page.get_by_role("option", name=re.compile("Heron, 16 May 2026")).click()
    page.wait_for_url(re.compile(f"other={after.id}"))
    page.get_by_text("load", exact=True).click()
    page.wait_for_url(re.compile("by=load"))
    drawn(page, "#overlay-figure")
    page.locator("#overlay-says").get_by_text(
        re.compile(r"Heron, 16 May 2026.*over Heron, 9 May 2026")
    ).wait_for()
    says, address = page.locator("#overlay-says").inner_text(), page.url
    other = reader.open(address)
    drawn(other, "#overlay-figure")
    assert other.locator("#overlay-says").inner_text() == says
    # the module was remade between the two: at 150 A the cell stood tens of millivolts lower before
    _, content = take(other, "#overlay-figure", "csv")
    gap = [(float(r[1]), float(r[2])) for r in table(content)[1:] if r[0] == "second less first"]
    assert 20 < np.mean([y for x, y in gap if 130 < x < 170]) < 80
    assert abs(np.mean([y for x, y in gap if abs(x) < 10])) < 8


def test_logs_with_nothing_in_common_are_refused_in_a_line(
    site: Site, stores: Stores, reader: Reader
) -> None:
    drive, charge = entries(stores)[1], entries(stores)[0]
    page = reader.open(
        f"{site('sample')}/overlay?pack=heron-main&log={drive.id}&other={charge.id}&cells=2&by=charge"
    )
    text = page.locator("#page-content .refused p").first.inner_text()
    assert "in common by charge drawn" in text and "\n" not in text
    page = reader.open(
        f"{site('sample')}/overlay?pack=heron-main&log={drive.id}&other=20200101-0000-000000000000"
    )
    page.locator("#page-content .refused").wait_for()


def test_an_overlay_begins_with_the_cell_that_the_log_accuses(
    site: Site, stores: Stores, reader: Reader
) -> None:
    log = entries(stores)[1]
    reader.open(f"{site('sample')}/answers?pack=heron-main&log={log.id}")
    page = reader.open(f"{site('sample')}/overlay?pack=heron-main&log={log.id}")
    drawn(page, "#overlay-figure")
    page.locator("#overlay-says").get_by_text(re.compile("F1, cell 1 lies .* under the median")).wait_for()


def test_two_cells_against_each_other(site: Site, stores: Stores, reader: Reader) -> None:
    log = entries(stores)[1]
    page = reader.open(f"{site('sample')}/overlay?pack=heron-main&log={log.id}&cells=3,9&by=load")
    drawn(page, "#overlay-figure")
    page.locator("#overlay-says").get_by_text("M1, cell 9 lies").wait_for()


def test_the_csv_of_a_plot_holds_what_its_window_shows(site: Site, stores: Stores, reader: Reader) -> None:
    """Against the stored log itself: the rows of the window, neither more nor fewer, as single precision holds them."""
    entry = entries(stores)[1]
    log = read_log(Store(stores("sample")).log_path(entry.id))
    start, end = (np.datetime64(f"2026-05-09T14:{m}", "us") for m in ("20", "30"))
    page = reader.open(
        f"{site('sample')}/log?pack=heron-main&log={entry.id}&cells=7&start={start}Z&end={end}Z"
    )
    drawn(page, "#log-figure")
    name, content = take(page, "#log-figure", "csv")
    assert name.startswith("heron-main-") and name.endswith(".csv")
    rows = table(content)
    inside = (log.time >= start) & (log.time <= end)
    assert log.current is not None
    for line, values in (("current", log.current), ("F2, cell 7", log.cell_voltage[:, 6])):
        got = [(np.datetime64(r[1]), np.float32(r[2])) for r in rows if r[0] == line]
        known = inside & np.isfinite(values)
        assert [t for t, _ in got] == log.time[known].tolist()
        assert np.array_equal([v for _, v in got], values[known].astype(np.float32))
    assert {r[8] for r in rows if r[0] == "current"} == {"current [A] discharge +"}
    # the same plot, narrowed in the browser in both directions
    page.evaluate(
        "Plotly.relayout(document.querySelector('#log-figure .js-plotly-plot'), {'yaxis2.range': [50, 1000]})"
    )
    axis = page.evaluate(
        "document.querySelector('#log-figure .js-plotly-plot')._fullData.find(t => t.name === 'current').yaxis"
    )
    assert axis == "y2"
    kept = [np.float32(r[2]) for r in table(take(page, "#log-figure", "csv")[1]) if r[0] == "current"]
    assert 0 < len(kept) < inside.sum()
    assert sorted(kept) == sorted(log.current[inside & (log.current >= 50)].astype(np.float32))


def test_the_csv_of_the_strip_holds_every_cell_of_the_window(
    site: Site, stores: Stores, reader: Reader
) -> None:
    entry = entries(stores)[1]
    page = reader.open(f"{site('sample')}/log?pack=heron-main&log={entry.id}&finding=1&sight=1")
    drawn(page, "#log-figure")
    rows = [r for r in table(take(page, "#log-figure", "csv")[1]) if r[0] == "deviation"]
    log = read_log(Store(stores("sample")).log_path(entry.id))
    assert {int(r[2]) for r in rows} == set(range(1, 17))
    times = sorted({r[1] for r in rows})
    assert len(rows) == 16 * len(times)
    at = int(np.searchsorted(log.time, np.datetime64(times[3])))
    own = log.cell_voltage[at] - np.median(log.cell_voltage[at])
    got = [float(r[3]) for r in rows if r[1] == times[3]]
    assert np.allclose(got[4:], own[4:] * 1e3, atol=0.01)  # the weak module is drawn at the end of the scale


def test_plots_are_taken_as_pictures(site: Site, reader: Reader) -> None:
    page = reader.open(f"{site('sample')}/history?pack=heron-main")
    page.wait_for_selector("#history-figure .main-svg, .empty")
    page = reader.open(f"{site('sample')}/log?pack=heron-main")
    drawn(page, "#log-figure")
    name, content = take(page, "#log-figure", "png")
    assert name.endswith(".png") and content.startswith(b"\x89PNG")
    name, content = take(page, "#log-figure", "svg")
    assert name.endswith(".svg") and b"<svg" in content[:200]


@pytest.mark.parametrize("path", ["/", "/pack", "/log", "/charge", "/answers", "/history", "/side-by-side"])
def test_every_plot_and_table_can_be_taken(path: str, site: Site, stores: Stores, reader: Reader) -> None:
    log = entries(stores)[0]
    page = reader.open(f"{site('sample')}{path}?pack=heron-main&log={log.id}")
    page.wait_for_load_state("networkidle")
    wanted = page.locator("#page-content details.take").count()
    if wanted:
        page.wait_for_selector("#page-content .main-svg")
    assert wanted or path == "/"
    for _ in range(40):
        # a thumbnail of Vehicles is taken from the page Pack
        plots = page.locator("#page-content .js-plotly-plot").count() if path != "/" else 0
        if plots == wanted:
            break
        page.wait_for_timeout(250)
    assert plots == wanted
    if plots:
        figure = page.locator("#page-content .figure").first
        figure.locator("details.take > summary").click()
        # History tells its values with their intervals, in a table of its own
        values = (
            page.locator("#history-plot-table") if path == "/history" else figure.locator("[data-take=csv]")
        )
        _, content = saved(page, values.click)
        assert len(table(content)) > 1
    count = page.locator("#page-content table, #page-content .ag-root-wrapper").count()
    box = page.locator("#take-tables")
    assert box.is_visible() == (count > 0)
    if count:
        box.locator("summary").click()
        buttons = page.locator("#take-list button")
        buttons.first.wait_for()
        assert buttons.count() == count
        for i in range(count):
            _, content = saved(page, buttons.nth(i).click)
            rows = list(csv.reader(content.decode("utf-8-sig").splitlines()))
            assert len(rows) > 1 and any(any(c for c in r) for r in rows)


def test_a_table_is_taken_as_it_reads(site: Site, stores: Stores, reader: Reader) -> None:
    log = entries(stores)[1]
    page = reader.open(f"{site('sample')}/answers?pack=heron-main&log={log.id}")
    page.locator("#take-tables summary").click()
    _, content = saved(page, page.locator("#take-list button").first.click)
    rows = table(content)
    shown = page.locator("#page-content table").first
    cells = json.loads(
        shown.evaluate("t => JSON.stringify([...t.rows].map(r => [...r.cells].map(c => c.innerText.trim())))")
    )
    # programs read the file: signs are plain letters there
    flat = [[plain_minus(re.sub(r"\s+", " ", c)) for c in r] for r in cells]
    assert rows == flat
