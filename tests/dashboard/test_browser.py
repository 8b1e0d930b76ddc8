"""The dashboard in a real Chromium."""

from __future__ import annotations

import json
import re
import shutil
import subprocess
import tarfile
from collections.abc import Callable
from itertools import product
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from bmslogs.base.pack import load_pack
from bmslogs.store import Store
from dashboard.pages import PAGES
from sample_logs import SAMPLES
from tests.dashboard import invent
from tests.dashboard.conftest import Reader, served

pytestmark = pytest.mark.browser

PATHS = [p.PATH for p in PAGES]
PACKS = {"none": "", "sample": "heron-main", "missing": "knot-main", "many": "turnstone-main"}


def drawn(page: Any, selector: str = ".js-plotly-plot") -> None:
    """Wait until a figure is on the page."""
    page.wait_for_selector(f"{selector} .main-svg")


def weak_module() -> str:
    """The module of the test drive that the samples' truth calls weak."""
    truth = json.loads((SAMPLES / "truth.json").read_text(encoding="utf-8"))
    faults = truth["logs"]["heron-2-test-drive.csv.gz"]["faults"]
    (module,) = {load_pack(SAMPLES / "heron-main.toml").module_of(c) for f in faults for c in f["cells"]}
    assert module is not None
    return module


def go(page: Any, path: str) -> None:
    """Follow the bar to another page, as a reader would."""
    title = next(p.TITLE for p in PAGES if path == p.PATH)
    page.get_by_role("navigation").get_by_role("link", name=title, exact=True).click()
    page.wait_for_url(re.compile(rf"{path}(\?|$)"))
    page.locator(f"#page-content > [data-path='{path}']").wait_for()


def test_a_newcomer_from_nothing_to_the_printed_record(chromium: Any, tmp_path: Path) -> None:
    with served(tmp_path / "store") as site:
        reader = Reader(chromium)
        page = reader.open(site)
        page.get_by_role("link", name="Describe a pack", exact=True).last.click()
        page.get_by_label("Vehicle").fill("Heron")
        page.get_by_label("Design").fill("three-box-16")
        page.get_by_label("Capacity [Ah]").fill("100")
        page.get_by_label("Cells in series").fill("16")
        page.get_by_label("Bleed resistor [Ω]").fill("33")
        page.get_by_label("Boxes and modules").fill("front: F1 1-4; F2 5-8\nmiddle: M1 9-12\nrear: R1 13-16")
        page.get_by_text("Nothing wrong with it as typed").wait_for()
        page.get_by_role("button", name="Save the pack").click()
        page.get_by_text("Saved as heron-main").wait_for()
        page.get_by_role("link", name="Bring its logs in").click()
        with page.expect_file_chooser() as chooser:
            page.get_by_role("button", name="Choose files").click()
        chooser.value.set_files([str(SAMPLES / "heron-2-test-drive.csv.gz")])
        page.get_by_role("button", name="Bring this log in").wait_for()
        columns = page.get_by_role("region", name="Columns")
        assert columns.get_by_role("row").count() > 16  # every column of the file with what it was taken for
        page.get_by_role("button", name="Bring this log in").click()
        page.locator(".job.done").get_by_role("link", name="Answers").click()
        first = page.locator(".answer-card").first
        first.wait_for()
        assert f"module {weak_module()}" in first.inner_text()  # as the sample's own truth has it
        drawn(page, ".answer-card")
        assert "High voltage" in first.inner_text()
        page.get_by_role("navigation").get_by_role("link", name="Record").click()
        sheet = page.frame_locator("#record-sheet")
        sheet.get_by_role("heading", name="Hand-over record: Heron").wait_for()
        with reader.context.expect_page() as opened:
            page.get_by_role("link", name="Open to print").click()
        opened.value.wait_for_load_state()
        assert opened.value.pdf(format="A4").startswith(b"%PDF")
        assert (
            page.request.get(f"{site}/sheet.html?pack=heron-main&save=1")
            .headers["content-disposition"]
            .endswith('"heron-main-record.html"')
        )
        assert reader.wrong == []
        assert reader.hosts == {site.removeprefix("http://")}
        reader.context.close()


def test_mistakes_stand_beside_their_fields_and_outlive_a_reload(chromium: Any, tmp_path: Path) -> None:
    with served(tmp_path / "store") as site:
        reader = Reader(chromium)
        page = reader.open(f"{site}/describe")
        page.get_by_label("Vehicle").fill("Wren")
        page.get_by_label("Capacity [Ah]").fill("1.000,5")
        page.get_by_label("Highest cell voltage [V]").fill("4200")
        page.get_by_role("button", name="Save the pack").click()
        page.get_by_text("Not saved: 3 fields to mend").wait_for()
        for says in ("can be read in two ways", "4200 looks like mV", "is needed"):
            page.locator(".mantine-InputWrapper-error", has_text=says).wait_for()
        page.reload()
        page.wait_for_selector("#describe-says")
        assert page.get_by_label("Capacity [Ah]").input_value() == "1.000,5"
        page.get_by_label("Capacity [Ah]").fill("60,5")
        page.get_by_label("Highest cell voltage [V]").fill("4,2")
        page.get_by_label("Cells in series").fill("8")
        page.get_by_role("textbox", name="Chemistry").fill("LiFePO4")
        page.get_by_text("Nothing wrong with it as typed").wait_for()
        page.get_by_role("button", name="Save the pack").click()
        page.get_by_text("Saved as wren-main").wait_for()
        assert reader.wrong == []
        reader.context.close()
    pack = Store(tmp_path / "store").pack("wren-main")
    assert (pack.nominal_capacity_Ah, pack.limits.voltage_max_V, pack.chemistry) == (60.5, 4.2, "LFP")


def test_a_pack_of_another_chemistry_is_described_with_its_own_table(chromium: Any, tmp_path: Path) -> None:
    bad, good = tmp_path / "bad.csv", tmp_path / "good.csv"
    bad.write_text("soc,voltage_V\n0,3.0\n0.25,3.9\n0.5,3.8\n0.75,3.95\n1,4.2\n", encoding="utf-8")
    good.write_text("soc,voltage_V\n0,3.0\n0.25,3.6\n0.5,3.8\n0.75,3.95\n1,4.2\n", encoding="utf-8")
    with served(tmp_path / "store") as site:
        reader = Reader(chromium)
        page = reader.open(f"{site}/describe")
        page.get_by_label("Vehicle").fill("Knot")
        page.get_by_label("Capacity [Ah]").fill("50")
        page.get_by_label("Cells in series").fill("8")
        page.get_by_role("textbox", name="Chemistry").fill("LMO")
        page.get_by_text("no built-in open-circuit curve").wait_for()
        for file, says in ((bad, "open-circuit table: line 4"), (good, "Nothing wrong with it as typed")):
            with page.expect_file_chooser() as chooser:
                page.get_by_role("button", name="Take it from a CSV file").click()
            chooser.value.set_files([str(file)])
            page.get_by_text(f"Taken from {file.name}").wait_for()
            page.get_by_text(says).wait_for()
        drawn(page, "#ocv-drawn")
        page.get_by_role("button", name="Save the pack").click()
        page.get_by_text("Saved as knot-main").wait_for()
        page.get_by_text("The pack file", exact=True).click()
        with page.expect_download() as taken:
            page.get_by_role("link", name="Save the table").click()
        assert taken.value.suggested_filename == "knot-main-ocv.csv"
        assert reader.wrong == []
        reader.context.close()
    pack = Store(tmp_path / "store").pack("knot-main")
    assert pack.chemistry == "LMO" and pack.ocv is not None and pack.ocv[2] == (0.5, 3.8)


@pytest.mark.parametrize(
    "store", [pytest.param(s, marks=pytest.mark.sweep if s in ("missing", "many") else []) for s in PACKS]
)
def test_every_page_stands(store: str, site: Callable[[str], str], reader: Reader) -> None:
    """With nothing, one cell missing, 96 cells: a heading, no error, and where there is nothing, the next step."""
    page = reader.open(f"{site(store)}/?pack={PACKS[store]}")
    for path in PATHS:
        go(page, path)
        page.locator("h1").first.wait_for()
        assert page.locator("#page-content").inner_text().strip(), path
        if store == "none" and path not in ("/describe", "/handbook"):
            assert page.locator(".empty .button").count() >= 1, path
        elif path in ("/pack", "/log", "/answers", "/"):
            drawn(page)
        assert reader.wrong == [], path
        overflow = "document.documentElement.scrollWidth - document.documentElement.clientWidth"
        assert page.evaluate(overflow) <= 1, path


OVERLAPS = """() => {
  const wanted = '[class$="tick"] text, text[class$="title"], .legendtext, .annotation-text';
  const found = [];
  let looked = 0;
  document.querySelectorAll('.js-plotly-plot').forEach(plot => {
    const frame = plot.getBoundingClientRect();
    const boxes = [...plot.querySelectorAll(wanted)].filter(e => e.textContent.trim())
      .map(e => [e.textContent.trim(), e.getBoundingClientRect()]).filter(b => b[1].width && b[1].height);
    looked += boxes.length;
    boxes.forEach(([text, a], i) => {
      if (a.left < frame.left - 2 || a.right > frame.right + 2 || a.bottom > frame.bottom + 2 || a.top < frame.top - 2)
        found.push('cut: ' + text);
      boxes.slice(i + 1).forEach(([other, b]) => {
        const wide = Math.min(a.right, b.right) - Math.max(a.left, b.left);
        const high = Math.min(a.bottom, b.bottom) - Math.max(a.top, b.top);
        if (wide > 3 && high > 3) found.push(text + ' / ' + other);
      });
    });
  });
  return [looked, found];
}"""
"""Texts of the figures that lie on each other or reach out of the figure."""


@pytest.mark.sweep
@pytest.mark.parametrize("width", [1400, 800])
@pytest.mark.parametrize("store", ["sample", "many"])
def test_no_label_lies_on_another_or_is_cut(
    store: str, width: int, site: Callable[[str], str], stores: Callable[[str], Path], chromium: Any
) -> None:
    reader = Reader(chromium, viewport={"width": width, "height": 900})
    faults: list[str] = []
    for entry in Store(stores(store)).logs(PACKS[store]):
        page = reader.open(f"{site(store)}/pack?pack={PACKS[store]}&log={entry.id}")
        for path in ("/pack", "/log", "/charge", "/answers", "/history", "/side-by-side"):
            go(page, path)
            page.wait_for_timeout(400)
            looked, found = page.evaluate(OVERLAPS)
            # a page without its kind of log, or without a second pack, has no picture
            bare = path in ("/charge", "/answers", "/history") or (
                store == "many" and path == "/side-by-side"
            )
            assert looked > 10 or bare, path
            faults += [f"{path} {entry.id[:8]}: {f}" for f in found]
            grid = page.locator(".ag-center-cols-viewport")
            if grid.count():
                assert grid.first.evaluate("e => e.scrollWidth - e.clientWidth") <= 1, path
    reader.context.close()
    assert faults == []


def test_a_missing_cell_is_hatched_with_its_reason(site: Callable[[str], str], reader: Reader) -> None:
    page = reader.open(f"{site('missing')}/pack?pack=knot-main&cells=9&quantity=resistance_10s_relative")
    drawn(page)
    side = page.locator("#pack-side")
    side.get_by_text("not known from this log").wait_for()
    assert page.locator(".js-plotly-plot text", has_text="not known from this log").count() >= 1


def test_a_page_that_comes_is_drawn_once(site: Callable[[str], str], reader: Reader) -> None:
    anew: list[str] = []

    def draws(request: Any) -> bool:
        return "pack-side.children" in (request.post_data or "")

    reader.page.on("request", lambda r: anew.append(r.url) if draws(r) else None)
    address = f"{site('sample')}/pack?pack=heron-main"
    page = reader.open(address)
    drawn(page)
    page.wait_for_load_state("networkidle")
    assert page.url == address  # what the page chose by itself is nobody's wish: it stays out of the address
    assert anew == []
    page.get_by_role("textbox", name="Colour by").click()
    with page.expect_request(draws):
        page.get_by_role("option", name="State of charge").click()
    page.wait_for_url(re.compile("quantity=soc_offset"))


def test_what_is_picked_stays_picked_on_every_page(site: Callable[[str], str], reader: Reader) -> None:
    page = reader.open(f"{site('sample')}/pack?pack=heron-main")
    drawn(page)
    seventh = page.locator(".js-plotly-plot").first.locator("text", has_text=re.compile("^7$")).first
    page.wait_for_load_state("networkidle")  # what comes in below may still move the picture
    box = seventh.bounding_box()
    page.mouse.move(box["x"] + box["width"] / 2, box["y"] + 22)
    page.wait_for_timeout(300)  # the drawing library takes a click where it last saw the pointer
    page.mouse.click(box["x"] + box["width"] / 2, box["y"] + 22)
    page.wait_for_url(re.compile(r"cells=7"))
    page.locator("#pack-side").get_by_text("cell 7").first.wait_for()
    page.get_by_role("navigation").get_by_role("link", name="Log", exact=True).click()
    page.wait_for_url(re.compile(r"/log.*cells=7"))
    drawn(page)
    page.locator("#log-figure text", has_text="cell 7").first.wait_for()
    page.get_by_role("button", name="Closer").click()
    page.wait_for_url(re.compile(r"start=.*end="))
    address = page.url
    page.get_by_role("navigation").get_by_role("link", name="Pack", exact=True).click()
    page.locator("#pack-side").get_by_text("cell 7").first.wait_for()
    other = reader.open(address)  # as a colleague would
    drawn(other)
    other.locator("#log-figure text", has_text="cell 7").first.wait_for()
    assert other.url == address


def test_a_finding_leads_to_the_trace_that_shows_it(site: Callable[[str], str], reader: Reader) -> None:
    page = reader.open(f"{site('sample')}/answers?pack=heron-main")
    card = page.locator(".answer-card").first
    card.wait_for()
    card.get_by_role("link", name="See it in the log").click()
    page.wait_for_url(re.compile(r"/log.*cells=\d+"))
    drawn(page)
    cell = re.search(r"cells=(\d+)", page.url)
    assert cell is not None
    page.locator("#log-figure text", has_text=f"cell {cell[1]}").first.wait_for()


def test_dragging_over_the_log_becomes_a_window_in_the_address(
    site: Callable[[str], str], stores: Callable[[str], Path], reader: Reader
) -> None:
    page = reader.open(f"{site('sample')}/log?pack=heron-main")
    drawn(page, "#log-figure")
    box = page.locator("#log-figure .nsewdrag").first.bounding_box()
    y = box["y"] + box["height"] / 2
    page.mouse.move(box["x"] + box["width"] * 0.4, y)
    page.mouse.down()
    page.mouse.move(box["x"] + box["width"] * 0.6, y, steps=5)
    page.mouse.up()
    page.wait_for_url(re.compile(r"start=2026-.*end=2026-"))
    start, end = (np.datetime64(t) for t in re.findall(r"(?:start|end)=([\d:T.-]+)Z", page.url))
    newest = Store(stores("sample")).logs("heron-main")[-1]
    first, last = (np.datetime64(t.replace(tzinfo=None)) for t in (newest.start, newest.end))
    shares = (start - first) / (last - first), (end - first) / (last - first)
    # what was dragged over, in UTC though the reader is in Oslo; axes have margins of some per cent
    assert abs(shares[0] - 0.4) < 0.03 and abs(shares[1] - 0.6) < 0.03


def test_a_judgement_is_kept_with_name_and_reason(
    chromium: Any, stores: Callable[[str], Path], tmp_path: Path
) -> None:
    root = shutil.copytree(stores("sample"), tmp_path / "store")
    with served(root) as site:
        reader = Reader(chromium)
        page = reader.open(f"{site}/answers?pack=heron-main")
        card = page.locator(".answer-card").first
        card.get_by_text("Accept, note or set aside").click()
        card.get_by_role("button", name="Set aside").click()
        card.get_by_text("no name").wait_for()
        card.get_by_label("Your name").fill("Ann")
        card.get_by_label("Reason").fill("the cell was bench charged")
        card.get_by_role("button", name="Set aside").click()
        page.get_by_role("heading", name="Set aside").wait_for()
        page.get_by_text("by Ann").wait_for()
        page.reload()
        page.get_by_text("the cell was bench charged").wait_for()
        reader.context.close()
    assert list((root / "_notes" / "heron-main").glob("*.json"))


def test_all_logs_of_a_pack_answer_together(
    chromium: Any, stores: Callable[[str], Path], tmp_path: Path
) -> None:
    """What the truth has left unmended stands; a judgement of it is kept with the log that shows it."""
    root = shutil.copytree(stores("sample"), tmp_path / "store")
    with served(root) as site:
        reader = Reader(chromium)
        page = reader.open(f"{site}/answers?pack=heron-main")
        page.get_by_text("All 4 logs of the pack").click()
        page.wait_for_url(re.compile("whole=1"))
        page.get_by_text("4 logs weighed together").wait_for(timeout=60_000)
        page.get_by_text("being weighed").wait_for(state="detached")
        (card,) = page.locator(".answer-card").all()
        assert "cell 14" in card.inner_text()  # the only planted fault that no dated work has ended
        drawn(page, ".answer-card")
        card.get_by_text("Accept, note or set aside").click()
        card.get_by_label("Your name").fill("Ann")
        card.get_by_label("Reason").fill("in quarantine since")
        card.get_by_role("button", name="Accept").click()
        page.get_by_text("in quarantine since").wait_for()
        go(page, "/log")
        go(page, "/answers")
        page.get_by_text("4 logs weighed together").wait_for()  # the choice is kept from page to page
        assert reader.wrong == []
        reader.context.close()
    (kept,) = (root / "_notes" / "heron-main").glob("*.json")
    assert kept.stem == next(e.id for e in Store(root).logs("heron-main") if "parked" in str(e.source))


def test_a_refused_file_keeps_its_reason(
    chromium: Any, stores: Callable[[str], Path], tmp_path: Path
) -> None:
    root = shutil.copytree(stores("missing"), tmp_path / "store")
    bad = tmp_path / "notes.csv"
    bad.write_text("this is,not a log\nat all,really\n", encoding="utf-8")
    with served(root) as site:
        reader = Reader(chromium)
        page = reader.open(f"{site}/bring?pack=knot-main")
        with page.expect_file_chooser() as chooser:
            page.get_by_role("button", name="Choose files").click()
        chooser.value.set_files([str(bad)])
        page.locator(".job.refused .bad").wait_for()
        assert "notes.csv" in page.locator(".job").inner_text()
        reader.open(f"{site}/bring?pack=knot-main").locator(".job.refused .bad").wait_for()
        reader.context.close()
    assert len(Store(root).logs()) == 1


def test_files_are_brought_in_as_parts_of_one_log(
    chromium: Any, stores: Callable[[str], Path], tmp_path: Path
) -> None:
    root = shutil.copytree(stores("missing"), tmp_path / "store")
    whole = invent.write_csv(invent.drive(invent.pack(), seed=8), tmp_path / "whole.csv")
    header, *rows = whole.read_text(encoding="utf-8").splitlines()
    parts = [tmp_path / "trip_1.csv", tmp_path / "trip_2.csv"]
    for path, piece in zip(parts, (rows[:1500], rows[1500:]), strict=True):
        path.write_text("\n".join([header, *piece]) + "\n", encoding="utf-8")
    with served(root) as site:
        reader = Reader(chromium)
        page = reader.open(f"{site}/bring?pack=knot-main")
        page.get_by_role("switch", name="These files are parts of one log").click()
        page.get_by_text("drop all its files, at least two").wait_for()
        with page.expect_file_chooser() as chooser:
            page.get_by_role("button", name="Choose files").click()
        chooser.value.set_files([str(p) for p in parts])
        page.get_by_role("button", name="Bring these 2 files in as one log").click()
        done = page.locator(".job.done")
        done.get_by_text("trip_1.csv + trip_2.csv").wait_for()
        assert page.locator(".job").count() == 1
        assert f"{len(rows):,} rows".replace(",", "\u202f") in done.inner_text()
        assert reader.wrong == []
        reader.context.close()
    assert len(Store(root).logs()) == 2


SLOW_SWITCH = """
const send = window.fetch;
window.fetch = (to, what) => what && String(what.body || '').includes('"changedPropIds":["bring-together.checked"]')
  ? new Promise(done => setTimeout(() => done(send(to, what)), 2500)) : send(to, what);
"""
"""The switch's own call takes longer than the clock's next ones, as on a slow machine."""


def test_a_switch_counts_though_the_clock_overtakes_its_call(
    chromium: Any, stores: Callable[[str], Path], tmp_path: Path
) -> None:
    root = shutil.copytree(stores("missing"), tmp_path / "store")
    with served(root) as site:
        reader = Reader(chromium)
        reader.page.add_init_script(SLOW_SWITCH)
        page = reader.open(f"{site}/bring?pack=knot-main")
        says = page.get_by_text("drop all its files, at least two")
        switch = page.get_by_role("switch", name="These files are parts of one log")
        switch.click()
        says.wait_for(timeout=10_000)
        switch.click()
        says.wait_for(state="detached", timeout=10_000)
        assert reader.wrong == []
        reader.context.close()


def test_hostile_names_are_shown_not_run(chromium: Any, tmp_path: Path) -> None:
    """A vehicle, module and file named as markup: nothing of it becomes an element or runs."""
    nasty = '<img src=x onerror="window.hit=1">'
    pack = invent.pack(name=nasty, pack_id="nasty")
    modules = [m.model_copy(update={"name": f"{nasty}{i}"}) for i, m in enumerate(pack.modules)]
    boxes = [{"name": nasty, "modules": [m.name for m in modules]}]
    pack = type(pack).model_validate(
        pack.model_dump() | {"modules": [m.model_dump() for m in modules], "boxes": boxes}
    )
    store = Store(tmp_path / "store")
    file = invent.write_csv(invent.drive(pack), tmp_path / "drive.csv")
    assert not store.import_files([file], pack).refused
    with served(tmp_path / "store") as site:
        reader = Reader(chromium)
        page = reader.open(f"{site}/?pack=nasty&cells=6&module=%3Cimg%20src=x%20onerror=alert(1)%3E")
        for path in PATHS:
            go(page, path)
            page.wait_for_timeout(200)
            assert page.evaluate("window.hit") is None, path
            assert page.locator("img[src=x]").count() == 0, path
        sheet = reader.page.request.get(f"{site}/sheet.html?pack=nasty")
        assert "<img src=x" not in sheet.text()
        assert reader.hosts == {site.removeprefix("http://")}
        reader.context.close()


def test_the_keyboard_reaches_pages_pickers_and_windows(site: Callable[[str], str], reader: Reader) -> None:
    page = reader.open(f"{site('sample')}/log?pack=heron-main")
    drawn(page)
    reached: list[str] = []
    for _ in range(40):
        page.keyboard.press("Tab")
        reached.append(
            page.evaluate(
                "(e => e.getAttribute('aria-label') || e.innerText || e.id)(document.activeElement)"
            )
        )
    for name in ("Skip to the page", "Vehicles", "Answers", "Record", "Pack", "Log", "Closer", "Later"):
        assert any(name in r for r in reached), name
    page.get_by_role("button", name="Closer").focus()
    page.keyboard.press("Enter")
    page.wait_for_url(re.compile(r"start="))


@pytest.fixture(scope="session")
def axe(tmp_path_factory: pytest.TempPathFactory) -> str:
    """The source of axe-core, from the npm registry; skipped with the reason where that is not to be had."""
    npm = shutil.which("npm")
    if npm is None:
        pytest.skip("no npm on this machine to fetch axe-core with")
    folder = tmp_path_factory.mktemp("axe")
    done = subprocess.run(
        [npm, "pack", "axe-core@4"], cwd=folder, capture_output=True, text=True, timeout=120, check=False
    )
    packed = sorted(folder.glob("axe-core-*.tgz"))
    if done.returncode or not packed:
        pytest.skip("axe-core could not be fetched from the npm registry")
    with tarfile.open(packed[0]) as archive:
        member = archive.extractfile("package/axe.min.js")
        assert member is not None
        return member.read().decode()


@pytest.mark.parametrize(
    ("scheme", "width"),
    [
        pytest.param(scheme, width, marks=pytest.mark.sweep)
        for scheme, width in product(("light", "dark"), (390, 800, 1400))
    ],
)
def test_accessibility_has_no_serious_fault(
    scheme: str,
    width: int,
    site: Callable[[str], str],
    stores: Callable[[str], Path],
    chromium: Any,
    axe: str,
) -> None:
    """axe-core, rules of WCAG 2.1 A and AA; every page, full and empty, with a form and an overlay, in both schemes."""
    faults: list[str] = []
    rules = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa"]
    first, second, *_ = (e.id for e in Store(stores("sample")).logs("heron-main"))
    here = f"pack=heron-main&log={first}"
    also = [f"/overlay?{here}&other={second}", f"/logbook?{here}&act=note", f"/log?{here}&finding=1&sight=1"]
    full = [f"{path}?pack=heron-main&cells=6&whole=1" for path in PATHS]
    for store, addresses in (("sample", [*full, *also]), ("none", PATHS if width == 1400 else [])):
        reader = Reader(
            chromium, color_scheme=scheme, bypass_csp=True, viewport={"width": width, "height": 900}
        )
        for address in addresses:
            page = reader.open(f"{site(store)}{address}")
            page.evaluate(axe)
            assert page.evaluate("document.documentElement.dataset.scheme") == scheme
            page.wait_for_timeout(200)
            found = page.evaluate(
                "rules => axe.run({exclude: ['.js-plotly-plot']}, {runOnly: rules, iframes: false})", rules
            )
            assert found["passes"], address  # the scan did look at something
            faults += [
                f"{store} {address} {v['id']}: {v['nodes'][0]['html'][:120]}"
                for v in found["violations"]
                if v["impact"] in ("serious", "critical")
            ]
        reader.context.close()
    assert faults == []


def test_answers_print_whole_on_paper(site: Callable[[str], str], reader: Reader) -> None:
    """No figure is cut at the edge of A4 or Letter: it is made as wide as the paper before printing."""
    page = reader.open(f"{site('sample')}/answers?pack=heron-main")
    drawn(page, ".answer-card")
    page.emulate_media(media="print")
    page.evaluate("window.dispatchEvent(new Event('beforeprint'))")
    page.wait_for_timeout(500)
    widths = page.evaluate(
        "[...document.querySelectorAll('main .main-svg')].map(e => e.getBoundingClientRect().width)"
    )
    assert widths and max(widths) <= 680  # 180 mm at 96 px an inch
    assert page.pdf(format="A4").startswith(b"%PDF")
