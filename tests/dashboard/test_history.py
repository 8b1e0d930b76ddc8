"""The page History: its parts without a browser, and the page in a real one."""

from __future__ import annotations

import json
import re
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from plotly.utils import PlotlyJSONEncoder

from bmslogs.faces.figures import DARK, LIGHT, history_picture
from bmslogs.faces.history_sheet import sheet_of
from bmslogs.store import Store
from dashboard.app import create_app
from dashboard.desk import Desk
from dashboard.frame import Frame
from dashboard.pages import history
from tests.accuracy.history_simulation import Year, simulate
from tests.accuracy.history_store import store_of
from tests.dashboard.conftest import Reader, served
from tests.dashboard.test_many_vehicles import text


@pytest.fixture(scope="module")
def year() -> Year:
    return simulate(34, drift=4.8, logs=90, work=True)


@pytest.fixture(scope="module")
def store(year: Year, tmp_path_factory: pytest.TempPathFactory) -> Path:
    root = tmp_path_factory.mktemp("year")
    store_of(root, year)
    return root


@pytest.fixture(scope="module")
def address(store: Path) -> Iterator[str]:
    with served(store) as site:
        yield site


def laid_out(root: Path, search: str = "") -> Any:
    """Lay the page out as often as it lays itself out while logs are gathered."""
    desk = Desk(root)
    until = time.monotonic() + 60  # logs without an answer are weighed behind the page
    while time.monotonic() < until:
        frame = Frame.of(desk, search, "light")
        page = json.loads(json.dumps(history.layout(frame), cls=PlotlyJSONEncoder))
        if frame.pack is None or not frame.logs or not desk.history(frame.pack)[1]:
            break
        time.sleep(0.1)
    return page


def test_the_page_begins_with_the_answer_and_its_number(store: Path, year: Year) -> None:
    says = text(laid_out(store))
    cell = year.planted[1] if year.planted else 0
    assert re.search(
        rf"cell {cell} gains 0\.\d+ Ah a month \(0\.\d+ to 0\.\d+\) against the pack's middle", says
    )
    assert says.index("gains") < says.index("Slopes")
    assert "High voltage" in says


def test_every_state_says_what_to_do_next(store: Path, stores: Callable[[str], Path], tmp_path: Path) -> None:
    assert "Describe a pack" in text(laid_out(tmp_path / "none"))
    Store(tmp_path / "bare").save_pack(Store(store).packs()[0])
    assert "Bring logs in" in text(laid_out(tmp_path / "bare"))
    assert "nothing to draw" in text(laid_out(store, "?quantity=bleed_done"))
    assert "A slope takes 4 dates over 3 months" in text(laid_out(stores("sample"), "?pack=heron-main"))


def test_the_picture_has_a_line_a_cell_the_work_and_the_gaps(store: Path, year: Year) -> None:
    w, _ = Desk(store).history(year.pack)
    while w.gathered.missing or w.gathered.uncounted:
        w, _ = Desk(store).history(year.pack)
    sheet = sheet_of(w, "soc_offset")
    assert sheet is not None
    for look in (LIGHT, DARK):
        figure = history_picture(sheet, look=look)
        names = [t.name for t in figure.data]
        assert (
            "each other cell" in names
            and "the pack's middle" in names
            and "a log that could not tell" in names
        )
        strong = next(t for t in figure.data if t.name and t.name.endswith("(drifts)"))
        assert len(strong.x) == sum(x == x for x in sheet.y[:, sheet.strong((), 1)[0]])
        assert len(figure.layout.shapes) == len(year.pack.events)
        faint = next(t for t in figure.data if t.name == "each other cell")
        assert len(set(faint.customdata)) == year.pack.cells_in_series - 1
    assert "none of this pack's logs tells it" in history_picture(None).layout.annotations[0].text.replace(
        "<br>", " "
    )


def test_tables_are_served_and_nonsense_is_refused(store: Path) -> None:
    client = create_app(store).server.test_client()
    table = client.get("/history.csv?pack=dunlin-main&quantity=soc_offset")
    assert table.status_code == 200 and b"High voltage" in table.data and b"slope" in table.data
    plot = client.get(
        "/history-plot.csv?pack=dunlin-main&quantity=soc_offset&cells=2&start=2025-06-01T00:00&end=2025-07-01T00:00"
    )
    days = set(re.findall(rb"2025-\d\d", plot.data))
    assert plot.status_code == 200 and days == {b"2025-06"}
    for query in ("", "?pack=nosuch&quantity=soc_offset", "?pack=dunlin-main&quantity=../x"):
        assert client.get(f"/history.csv{query}").status_code == 404
    assert client.get("/history-plot.csv?pack=dunlin-main&quantity=bleed_done").status_code == 400


@pytest.mark.browser
def test_a_point_leads_to_its_log_and_pictures_are_saved(
    address: str, reader: Reader, year: Year, tmp_path: Path
) -> None:
    page = reader.open(f"{address}/history?pack=dunlin-main")
    page.wait_for_selector("#history-figure .main-svg")
    page.wait_for_load_state("networkidle")
    point = page.locator("#history-figure .scatterlayer .points path.point").nth(20)
    point.scroll_into_view_if_needed()
    box = point.bounding_box()
    page.mouse.move(box["x"] + box["width"] / 2, box["y"] + box["height"] / 2)
    page.wait_for_timeout(300)  # the drawing library takes a click where it last saw the pointer
    page.mouse.click(box["x"] + box["width"] / 2, box["y"] + box["height"] / 2)
    page.wait_for_url(re.compile(r"log=\d{8}-\d{4}-"))
    log_id = re.search(r"log=([\w-]+)", page.url)
    assert log_id is not None and log_id[1] in {d["log"]["id"] for d in year.documents}
    page.locator("#history-point").get_by_text(f"cell {year.planted[1] if year.planted else 0}").wait_for()
    page.locator(".figure:has(#history-figure) details.take > summary").click()
    for kind in ("PNG", "SVG"):
        with page.expect_download() as saved:
            page.get_by_role("button", name=f"Picture ({kind})").click()
        target = tmp_path / saved.value.suggested_filename
        saved.value.save_as(target)
        head = target.read_bytes()[:200]
        assert head.startswith(b"\x89PNG") if kind == "PNG" else b"<svg" in head
    with page.expect_download() as table:
        page.get_by_role("link", name="What the plot shows (CSV)").click()
    assert table.value.suggested_filename.endswith("-plot.csv")
    page.locator("#history-point").get_by_role("link", name="Open this log").click()
    page.wait_for_url(re.compile(rf"/log\?.*log={log_id[1]}"))


@pytest.mark.browser
def test_the_address_holds_what_is_chosen(address: str, reader: Reader) -> None:
    page = reader.open(f"{address}/history?pack=dunlin-main")
    page.wait_for_selector("#history-figure .main-svg")
    page.get_by_text("by module", exact=True).click()
    page.wait_for_url(re.compile("apart=1"))
    page.wait_for_selector(".multiples .main-svg")
    assert page.locator(".multiples .js-plotly-plot").count() == 4
    page.get_by_role("textbox", name="Box or module").click()
    page.get_by_role("option", name="module M2").click()
    page.wait_for_url(re.compile("module=M2"))
    page.locator(".multiples .js-plotly-plot").nth(1).wait_for(state="detached")
    page.get_by_text("all in one", exact=True).click()
    page.wait_for_selector("#history-figure .main-svg")
    page.locator("#history-figure text", has_text="M2, cell 5").first.wait_for()
    page.get_by_role("textbox", name="Quantity").click()
    page.get_by_role("option", name="Resistance, 10 s into a load").click()
    page.wait_for_url(re.compile("quantity=resistance_10s"))
    page.get_by_text("as measured", exact=True).click()
    page.wait_for_url(re.compile("measured=1"))
    page.locator("#history-figure text", has_text="mΩ").first.wait_for()
    link = page.url
    other = reader.open(link)
    other.locator("#history-figure text", has_text="mΩ").first.wait_for()
    other.locator("#history-figure text", has_text="M2, cell 5").first.wait_for()


@pytest.mark.browser
def test_what_is_folded_away_comes_when_it_is_asked_for(address: str, reader: Reader, year: Year) -> None:
    page = reader.open(f"{address}/history?pack=dunlin-main")
    more = page.locator("#history-unfold")
    hidden = int(re.findall(r"\d+", more.inner_text())[0])
    shown = page.locator("#slopes tbody tr").count()
    assert hidden > 0 and page.locator("#history-rest tr").count() == 0
    more.press("Enter")
    page.locator("#history-rest tbody tr").first.wait_for()
    assert page.locator("#history-rest tbody tr").count() == hidden
    places = page.locator("#slopes tbody th").all_inner_texts()
    assert len(set(places)) == shown + hidden
    assert {f"cell {c}" for c in range(1, year.pack.cells_in_series + 1)} <= {
        p.split(", ")[-1].lower() for p in places
    }
    page.get_by_text("How slopes are told").click()
    page.locator("#history-method p").first.wait_for()


@pytest.mark.browser
@pytest.mark.parametrize("scheme", ["light"])
def test_a_phone_says_once_why_there_is_no_slope(
    site: Callable[[str], str], chromium: Any, scheme: str
) -> None:
    reader = Reader(chromium, viewport={"width": 390, "height": 844}, color_scheme=scheme)
    page = reader.open(f"{site('sample')}/history?pack=heron-main")
    page.locator("#slopes .stacked").first.wait_for()
    untold = page.locator("#slopes td.untold")
    assert untold.count() > 0 and untold.first.is_hidden()
    page.set_viewport_size({"width": 1400, "height": 900})
    assert untold.first.is_visible()
    reader.context.close()


@pytest.mark.browser
@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_a_phone_shows_it_whole(address: str, chromium: Any, scheme: str) -> None:
    reader = Reader(chromium, viewport={"width": 390, "height": 844}, color_scheme=scheme)
    page = reader.open(f"{address}/history?pack=dunlin-main")
    page.wait_for_selector("#history-figure .main-svg")
    page.wait_for_load_state("networkidle")
    assert page.evaluate("document.documentElement.scrollWidth - document.documentElement.clientWidth") <= 0
    figure, legend = (
        page.locator(s).first.bounding_box() for s in ("#history-figure .nsewdrag", "#history-figure .legend")
    )
    assert legend["y"] >= figure["y"] + figure["height"]  # the legend stands under the plot
    row = page.locator(".stacked tbody tr").first.bounding_box()
    cell = page.locator(".stacked tbody tr td").first.bounding_box()
    assert cell["width"] > 0.9 * row["width"]  # the table is cards
    assert reader.wrong == []
    reader.context.close()
