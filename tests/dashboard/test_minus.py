"""Every page over the sample store: one minus in text, labels, figures and tables."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from bmslogs.store import Store
from dashboard.pages import PAGES
from tests.dashboard.conftest import Reader
from tests.faces.test_minus import HYPHEN

pytestmark = pytest.mark.browser

SEEN = """() => {
  const out = [], walk = document.createTreeWalker(document.querySelector('main'), NodeFilter.SHOW_TEXT);
  while (walk.nextNode()) {
    const at = walk.currentNode.parentElement;
    if (!at.closest('pre, code, textarea, script, style')) { out.push(walk.currentNode.data); }
  }
  document.querySelectorAll('main [title], main [aria-label], main [alt]').forEach(
    e => out.push(e.title || e.getAttribute('aria-label') || e.alt));
  document.querySelectorAll('main .js-plotly-plot').forEach(plot => plot.data.forEach(
    t => [t.name, t.text, t.hovertext, t.hovertemplate].flat(3).forEach(x => typeof x === 'string' && out.push(x))));
  return out.filter(t => t && t.trim());
}"""


@pytest.mark.parametrize("width", [390, pytest.param(1400, marks=pytest.mark.sweep)])
@pytest.mark.parametrize(
    "page",
    [
        pytest.param(p, id=p.PATH, marks=[] if p.PATH == "/answers" else pytest.mark.sweep)
        for p in PAGES
        if p.PATH != "/handbook"
    ],
)
def test_no_number_has_a_hyphen_for_its_sign(
    page: Any, width: int, site: Callable[[str], str], stores: Callable[[str], Path], chromium: Any
) -> None:
    reader = Reader(chromium, viewport={"width": width, "height": 900})
    wrong: list[str] = []
    logs = [e.id for e in Store(stores("sample")).logs() if e.pack == "heron-main"]
    views = (
        [f"&log={log}" for log in logs]
        if page.PATH in ("/pack", "/log", "/charge", "/answers", "/overlay")
        else []
    )
    for view in views or [""]:
        seen = reader.open(f"{site('sample')}{page.PATH}?pack=heron-main{view}")
        seen.wait_for_function("() => !document.querySelector('[data-dash-is-loading=true]')")
        seen.wait_for_function(
            "() => [...document.querySelectorAll('main .js-plotly-plot')].every(p => p._fullLayout)"
        )
        wrong += [f"{page.PATH}{view}: {text}" for text in seen.evaluate(SEEN) if HYPHEN.search(text)]
    reader.context.close()
    assert not wrong, "\n".join(wrong)
