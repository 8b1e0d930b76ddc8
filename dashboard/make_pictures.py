"""Make the pictures of the README from the sample logs: ``python -m dashboard.make_pictures``.

Builds the demonstration's store in a temporary folder, serves it and photographs pages in Chromium (needs the test
extras and a Chromium on this machine).
"""

from __future__ import annotations

import shutil
import sys
import tempfile
import threading
from pathlib import Path

HERE = Path(__file__).parent / "pictures"
WIDTH, HEIGHT = 1280, 860
ARGUMENTS = [
    "--headless",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-background-networking",
    "--no-first-run",
]
SHOTS = {
    "pack": ("/pack", "heron-main", "heron-2-test-drive", "&cells=2&quantity=resistance_10s_relative"),
    "log": ("/log", "heron-main", "heron-2-test-drive", "&cells=2,10"),
    "charge": ("/charge", "heron-main", "heron-1-first-charge", ""),
}
"""Picture: page, pack, log by the beginning of its source's name, and what else the address holds."""


def main() -> int:
    """Make them all; return the exit status."""
    from waitress import create_server

    from bmslogs.faces.demo import build
    from bmslogs.store import Store
    from dashboard.app import create_app

    browser = next(filter(None, map(shutil.which, ("chromium", "chromium-browser", "google-chrome"))), None)
    if browser is None:
        sys.stderr.write("no Chromium on this machine\n")
        return 2
    HERE.mkdir(exist_ok=True)
    with tempfile.TemporaryDirectory(ignore_cleanup_errors=True) as folder:
        store = Store(Path(folder) / "store")
        build(store, lambda _step: None)
        server = create_server(create_app(store.root).server, host="127.0.0.1", port=0, threads=4)
        threading.Thread(target=server.run, daemon=True).start()
        sources = {str(e.source).split(".")[0]: e.id for e in store.logs()}
        addresses = {
            name: f"http://127.0.0.1:{server.effective_port}{path}?pack={pack}&log={sources[source]}{more}"
            for name, (path, pack, source, more) in SHOTS.items()
        }
        photograph(browser, addresses)
        server.close()
    return 0


def photograph(browser: str, addresses: dict[str, str]) -> None:
    """Write one PNG for each address, of the page's upper part."""
    from playwright.sync_api import sync_playwright

    with sync_playwright() as session:
        chromium = session.chromium.launch(executable_path=browser, args=ARGUMENTS)
        page = chromium.new_page(viewport={"width": WIDTH, "height": HEIGHT})
        for name, address in addresses.items():
            page.goto(address)
            page.wait_for_selector(".js-plotly-plot .main-svg")
            page.wait_for_timeout(1500)  # fonts and figures settle
            page.screenshot(path=HERE / f"{name}.png")
            sys.stdout.write(f"{HERE / name}.png\n")
        chromium.close()


if __name__ == "__main__":
    sys.exit(main())
