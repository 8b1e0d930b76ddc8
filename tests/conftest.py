"""The real browser that the pages and the printed record share: one a process, since two cannot live side by side."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from typing import Any

import pytest

CHROMIUM = next(filter(None, map(shutil.which, ("chromium", "chromium-browser", "google-chrome"))), None)
ARGUMENTS = [
    "--headless", "--no-sandbox", "--disable-gpu", "--disable-background-networking", "--disable-component-update",
    "--disable-sync", "--no-first-run",
]  # fmt: skip


@pytest.fixture(scope="session")
def chromium() -> Iterator[Any]:
    """A real browser; the test is skipped with the reason where there is none."""
    playwright = pytest.importorskip("playwright.sync_api", reason="playwright is not installed")
    if CHROMIUM is None:
        pytest.skip("no Chromium on this machine")
    with playwright.sync_playwright() as session:
        browser = session.chromium.launch(executable_path=CHROMIUM, args=ARGUMENTS)
        yield browser
        browser.close()
