"""What several folders of tests share: the store of the samples, and the one real browser of a process."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import hypothesis
import pytest

# a time limit for one example fails where two cores are busy with other tests, and says nothing of the code
hypothesis.settings.register_profile("shared", deadline=None)
hypothesis.settings.load_profile("shared")

CHROMIUM = next(filter(None, map(shutil.which, ("chromium", "chromium-browser", "google-chrome"))), None)
ARGUMENTS = [
    "--headless", "--no-sandbox", "--disable-gpu", "--disable-background-networking", "--disable-component-update",
    "--disable-sync", "--no-first-run",
]  # fmt: skip


@pytest.fixture(scope="session")
def built_store(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A store of all sample logs, diagnosed; not to be written to."""
    from bmslogs.faces.demo import build
    from bmslogs.store import Store

    root = tmp_path_factory.mktemp("samples") / "store"
    build(Store(root), lambda _name: None)
    return root


@pytest.fixture(scope="session")
def chromium() -> Iterator[Any]:
    """A real browser, one a process since two cannot live side by side; skipped with the reason where there is none."""
    playwright = pytest.importorskip("playwright.sync_api", reason="playwright is not installed")
    if CHROMIUM is None:
        pytest.skip("no Chromium on this machine")
    with playwright.sync_playwright() as session:
        browser = session.chromium.launch(executable_path=CHROMIUM, args=ARGUMENTS)
        yield browser
        browser.close()
