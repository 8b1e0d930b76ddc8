"""Fixtures: stores with something in them, the dashboard served from a thread, somebody at the browser."""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest

from bmslogs.base.pack import load_pack
from bmslogs.store import Store
from sample_logs import SAMPLES
from tests.dashboard import invent

WAIT_MS = 20_000  # two cores may be busy with other tests


@pytest.hookimpl(wrapper=True)
def pytest_runtest_makereport(item: pytest.Item) -> Iterator[None]:
    """Tell of a failure without its source lines where a browser was driven.

    The browser's driver switches stacks, and Python 3.11 cannot parse source on the other one ("AST constructor
    recursion depth mismatch"): the report of one failure would end the whole run.
    """
    if item.get_closest_marker("browser") is None:
        return (yield)
    before, item.config.option.tbstyle = item.config.option.tbstyle, "native"
    try:
        return (yield)
    finally:
        item.config.option.tbstyle = before


@contextmanager
def served(root: Path) -> Iterator[str]:
    """Serve the dashboard over a store from a thread; gives its address.

    Its loop is our own: the server's knows no end while a browser holds a connection, as one does after a failure.
    """
    from waitress import create_server, wasyncore

    from dashboard.app import create_app

    sockets: dict[int, Any] = {}
    server = create_server(create_app(root).server, map=sockets, host="127.0.0.1", port=0, threads=6)
    over = threading.Event()

    def serve() -> None:
        while not over.is_set():
            wasyncore.loop(timeout=0.2, map=sockets, count=1)
        server.task_dispatcher.shutdown(timeout=5)
        wasyncore.close_all(sockets, ignore_all=True)

    thread = threading.Thread(target=serve, daemon=True)
    thread.start()
    try:
        yield f"http://127.0.0.1:{server.effective_port}"
    finally:
        over.set()
        thread.join(10)


@pytest.fixture(scope="session")
def stores(tmp_path_factory: pytest.TempPathFactory) -> Callable[[str], Path]:
    """Stores by name, each made once.

    ``none``, ``sample``, ``missing`` (one cell without readings), ``many`` (96 cells), ``fleet`` (five vehicles of one
    design, cell 6 high in all of them).
    """
    root, made = tmp_path_factory.mktemp("stores"), {}

    def sample(path: Path) -> None:
        for name in ("heron", "plover"):
            files = sorted(SAMPLES.glob(f"{name}-*.csv*"))
            report = Store(path).import_files(files, load_pack(SAMPLES / f"{name}-main.toml"))
            assert not report.refused, report.refused

    def missing(path: Path) -> None:
        pack = invent.pack(name="Knot", pack_id="knot-main")
        file = invent.write_csv(invent.drive(pack), root / "knot.csv", without=(9,))
        assert not Store(path).import_files([file], pack).refused

    def many(path: Path) -> None:
        pack = invent.pack(96, 12, 2, name="Turnstone", pack_id="turnstone-main")
        file = invent.write_csv(invent.drive(pack), root / "turnstone.csv")
        assert not Store(path).import_files([file], pack).refused

    def fleet(path: Path) -> None:
        for n, vehicle in enumerate(invent.FLEET):
            pack = invent.pack(name=vehicle, pack_id=f"{vehicle.lower()}-main")
            pack = pack.model_copy(update={"design": "three-box-16"})
            log = invent.drive(pack, high=6, by=1.12 + 0.02 * n, seed=10 + n)
            file = invent.write_csv(log, root / f"{vehicle}.csv")
            assert not Store(path).import_files([file], pack).refused

    makers = {"none": lambda _: None, "sample": sample, "missing": missing, "many": many, "fleet": fleet}

    def store(name: str) -> Path:
        if name not in made:
            made[name] = root / name
            makers[name](made[name])
        return made[name]

    return store


@pytest.fixture(scope="session")
def site(stores: Callable[[str], Path]) -> Iterator[Callable[[str], str]]:
    """Addresses of the dashboard over the stores, each served once."""
    running: dict[str, Any] = {}

    def address(name: str) -> str:
        if name not in running:
            context = served(stores(name))
            running[name] = (context, context.__enter__())
        return str(running[name][1])

    yield address
    for context, _ in running.values():
        context.__exit__(None, None, None)


class Reader:
    """Somebody at the browser: a page, what it asked for and what went wrong in it."""

    def __init__(self, browser: Any, **options: Any) -> None:
        options = {"viewport": {"width": 1400, "height": 900}, "timezone_id": "Europe/Oslo", **options}
        self.context = browser.new_context(**options)
        self.page = self.context.new_page()
        self.page.set_default_timeout(WAIT_MS)
        self.hosts: set[str] = set()
        self.wrong: list[str] = []
        self.page.on(
            "request", lambda r: self.hosts.add(r.url.split("/")[2]) if r.url.startswith("http") else None
        )
        self.page.on("websocket", lambda w: self.hosts.add(w.url.split("/")[2]))
        self.page.on("pageerror", lambda e: self.wrong.append(str(e)))
        self.page.on("console", lambda m: self.wrong.append(m.text) if m.type == "error" else None)
        self.page.on(
            "response", lambda r: self.wrong.append(f"{r.status} {r.url}") if r.status >= 500 else None
        )

    def open(self, address: str) -> Any:
        """Open a page and wait until it is laid out."""
        self.page.goto(address)
        self.page.wait_for_selector("#page-content > *")
        return self.page


@pytest.fixture
def reader(chromium: Any) -> Iterator[Reader]:
    """A fresh reader; whatever went wrong in the browser fails the test."""
    one = Reader(chromium)
    yield one
    one.context.close()
    assert one.wrong == []
    assert one.hosts == {h for h in one.hosts if h.startswith("127.0.0.1:")}
