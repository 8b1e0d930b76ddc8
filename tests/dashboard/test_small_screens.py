"""Phone, tablet and desk in a real Chromium: head, width, plots, targets of every page."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from dashboard.pages import PAGES
from tests.dashboard.conftest import Reader

pytestmark = pytest.mark.browser

SCREENS = {390: 844, 800: 1100, 1400: 900}
HEAD_SHARE = 0.15  # of the height, at most
TARGET = 44  # px, as WCAG 2.1 success criterion 2.5.5 has it
PLOT_SHARE = (
    0.6  # of the screen's width that axes span on a phone and a tablet, where they are drawn at all (choice)
)

MEASURES = """() => {
  const wide = e => Math.round(e.getBoundingClientRect().width);
  const plots = [...document.querySelectorAll('main .js-plotly-plot')].map(plot => {
    const inner = plot._fullLayout._plots;
    const spans = Object.values(inner).map(p => p.xaxis._length);
    const frame = plot.getBoundingClientRect();
    const area = Math.max(...spans), left = Math.min(...Object.values(inner).map(p => p.xaxis._offset));
    const legends = [...plot.querySelectorAll('.legend')].map(l => l.getBoundingClientRect());
    return {width: frame.width, span: area,
      beside: legends.some(l => l.width > 4 && l.left > frame.left + left + area - 2),
      over: legends.some(l => l.height > 4 && l.bottom > frame.bottom + 2)};
  });
  const pressed = 'a, button, summary, input, textarea, [role=button]';
  const small = [...document.querySelectorAll(pressed)].filter(e => {
    if (e.closest('.js-plotly-plot, .skip, p, .prose, [role=listbox]')) return false;
    const around = 'label, .mantine-Switch-body, .mantine-SegmentedControl-control, .mantine-Checkbox-body, ' +
      '.mantine-Radio-body';
    const whole = e.closest(around) || e;
    const box = whole.getBoundingClientRect(), style = getComputedStyle(e);
    if (!box.width || !box.height || style.visibility === 'hidden') return false;
    if (style.opacity === '0' && whole === e) return false;
    return box.height < 43.5;
  }).map(e => e.tagName + ' ' + (e.textContent || e.id || e.className).slice(0, 40) + ' ' +
    Math.round(e.getBoundingClientRect().height));
  return {
    head: document.querySelector('.top').getBoundingClientRect().height / innerHeight,
    over: document.documentElement.scrollWidth - document.documentElement.clientWidth,
    tables: [...document.querySelectorAll('main table')].filter(
      t => wide(t) > wide(document.querySelector('main'))).length,
    plots, small,
  };
}"""


@pytest.mark.parametrize(
    ("store", "pack", "width"),
    [
        ("sample", "heron-main", 390),
        *(
            pytest.param(store, pack, width, marks=pytest.mark.sweep)
            for store, pack in (("sample", "heron-main"), ("many", "turnstone-main"), ("none", ""))
            for width in SCREENS
            if (store, width) != ("sample", 390)
        ),
    ],
)
def test_every_page_fits(
    store: str, pack: str, width: int, site: Callable[[str], str], chromium: Any
) -> None:
    reader = Reader(chromium, viewport={"width": width, "height": SCREENS[width]})
    faults: list[str] = []
    drawn = 0
    for page_module in PAGES:
        path = page_module.PATH
        page = reader.open(f"{site(store)}{path}?pack={pack}")
        page.wait_for_timeout(700)
        seen = page.evaluate(MEASURES)
        drawn += len(seen["plots"])
        if seen["head"] > HEAD_SHARE:
            faults.append(f"{path}: head {seen['head']:.3f}")
        if seen["over"] > 0 or seen["tables"]:
            faults.append(f"{path}: {seen['over']} px too wide, {seen['tables']} tables")
        if width < 1081:
            faults += [f"{path}: {s}" for s in seen["small"]]
            for plot in seen["plots"]:
                if plot["span"] < PLOT_SHARE * width or plot["beside"] or plot["over"]:
                    faults.append(f"{path}: plot {plot}")
    reader.context.close()
    assert not faults, "\n".join(faults)
    assert drawn or store == "none"


def test_turning_the_tablet_draws_anew(site: Callable[[str], str], chromium: Any) -> None:
    """From tablet to phone and back, without a reload."""
    reader = Reader(chromium, viewport={"width": 800, "height": 1100})
    page = reader.open(f"{site('sample')}/pack?pack=heron-main")
    page.locator(".ag-root").wait_for()
    page.set_viewport_size({"width": 390, "height": 844})
    page.locator("table.stacked").wait_for()
    assert page.locator(".ag-root").count() == 0
    page.set_viewport_size({"width": 800, "height": 1100})
    page.locator(".ag-root").wait_for()
    reader.context.close()
    assert reader.wrong == []


def test_a_table_is_cards_on_a_phone(site: Callable[[str], str], chromium: Any) -> None:
    reader = Reader(chromium, viewport={"width": 390, "height": 844})
    page = reader.open(f"{site('sample')}/pack?pack=heron-main")
    cell = page.locator("table.stacked td").first
    cell.wait_for()
    shown = cell.evaluate("e => [getComputedStyle(e).display, getComputedStyle(e, '::before').content]")
    assert shown[0] == "block" and len(shown[1]) > 6  # the column's name stands before the value
    reader.context.close()
