"""How long every page takes to come, and to answer to its controls: for one user in a browser, for thirty over HTTP.

    python -m tests.benchmarks.pages                       all stores (a quarter of an hour or so)
    python -m tests.benchmarks.pages --only logs --rounds 3
    python -m tests.benchmarks.pages --keep FOLDER         leave the stores there, and take them from there again

Stores: ``sample`` (the sample logs), ``long`` (96 cells, one log of 208,000 rows), ``fleet`` (500 packs of 20 logs),
``logs`` (a pack of 96 cells with 2,000 logs, answers simulated). Logs are diagnosed before; the server is one process
as of `bmslogs serve`, and nothing is in its memory before the first round.

A *first view* is an address opened in a Chromium that was here before (its profile on disk holds the scripts, and
from the second round on also what it compiled of them), until nothing of the page changes any more: all figures drawn,
the record's sheet loaded; the table's *first* is the first round. *Empty* is a first page with nothing in the cache.
An *interaction* is a control set as its user sets it, until nothing changes any more. The callbacks that the browser
sent meanwhile are then sent again by thirty users, each with a second's thought (half to one and a half) between two
actions; an action counts from its first request to the last answer. *Server* is the processor time that the server
spent on an action (median): unlike the others it says the same while other work goes on.

Aims: a first view in 1 s, 95 of 100 interactions in 150 ms, for thirty users in 600 ms. Exit 1 where one is missed.
"""

from __future__ import annotations

import argparse
import http.client
import json
import os
import random
import sys
import tempfile
import threading
import time
from collections import defaultdict
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np

from dashboard import pages
from tests.benchmarks import log_page
from tests.benchmarks.page_stores import MAKERS, Shown, shown
from tests.conftest import ARGUMENTS, CHROMIUM

FIRST_MS, ONE_MS, MANY_MS = 1000.0, 150.0, 600.0
USERS, ACTIONS, THOUGHT_S = 30, 20, 1.0
WAIT_MS = 120_000
PAGES = tuple(page.PATH for page in pages.PAGES)
FIRST = "first view"
POLLS = ("live-clock", "jobs-clock", "weighing", "history-turn")
NOTHING_MS = 15_000
"""A control after which nothing changed for so long is said to have done nothing."""
QUIET_MS, TICK_MS = 300, 30
"""So long nothing may change, seen by ticks, before an action counts as over; it is not part of its time."""
WATCH = """
(function () {
  var t = window.timed = { pending: 0, last: 0, mark: 0 }, real = window.fetch, loaded = new WeakSet();
  var seen = 0, quiet = 0;
  // a script that runs for long lets no tick through: only time in which something could have changed is quiet
  setInterval(function () {
    quiet = t.last === seen && !t.pending ? quiet + %d : 0;
    seen = t.last;
  }, %d);
  var polls = new RegExp('"changedPropIds":\\\\["(%s)');
  function touched() { t.last = performance.now(); }
  window.fetch = function (where, what) {
    var url = String(where && where.url || where), body = String(what && what.body || "");
    if (url.indexOf("_dash-update-component") < 0 || polls.test(body)) { return real.apply(this, arguments); }
    t.pending += 1;
    return real.apply(this, arguments).finally(function () { t.pending -= 1; touched(); });
  };
  document.addEventListener("load", function (e) {
    if (e.target.tagName === "IFRAME") { loaded.add(e.target); touched(); }
  }, true);
  new MutationObserver(function (all) {
    all.forEach(function (m) {
      if (m.target.tagName === "IFRAME" && m.attributeName === "src") { loaded.delete(m.target); }
      if (m.target.closest && m.target.closest("#page-content, #pickers, .mantine-Select-dropdown")) { touched(); }
    });
  }).observe(document, { childList: true, subtree: true, attributes: true, characterData: true });
  t.still = function () {
    if (!document.querySelector("#page-content > [data-path]") || t.pending || t.last <= t.mark) { return 0; }
    var frames = Array.from(document.querySelectorAll("#page-content iframe"));
    if (!frames.every(function (f) { return loaded.has(f); })) { return 0; }
    return t.last === seen && quiet > %d ? t.last - t.mark : 0;
  };
  t.set = function (id, props) { window.dash_clientside.set_props(id, props); };
  t.press = function (selector) { document.querySelector(selector).click(); };
})();
"""


@dataclass
class Action:
    """Something a user does on a page: its name, and the script that does it; `{n}` counts the rounds."""

    name: str
    does: str


@dataclass
class Sent:
    """A request of the browser that thirty users send again."""

    method: str
    path: str
    body: bytes | None


@dataclass
class Measured:
    """What one user saw: by page and action times and the server's processor time [ms], and what was sent."""

    times: dict[tuple[str, str], list[float]] = field(default_factory=lambda: defaultdict(list))
    works: dict[tuple[str, str], list[float]] = field(default_factory=lambda: defaultdict(list))
    sent: dict[tuple[str, str], list[Sent]] = field(default_factory=dict)
    without: list[str] = field(default_factory=list)
    told: bool = False


def actions(of: Shown) -> dict[str, list[Action]]:
    """Return what is done on each page; of a page that is not named here only the first view is timed."""
    cells = [str(c) for c in (of.cells // 2, of.cells // 3 + 1)]
    other = list(of.quantities[::-1]) or ["resistance_10s_relative"]

    def put(id: str, prop: str, *values: object) -> str:
        return f"timed.set({id}, {{{json.dumps(prop)}: {json.dumps(list(values))}[{{n}} % {len(values)}]}})"

    def history(control: str, *values: object) -> str:
        return put(json.dumps({"history-control": control}), "value", *values)

    def overlay(control: str, *values: object) -> str:
        return put(json.dumps({"overlay": control}), "value", *values)

    def step(name: str) -> str:
        every = "Array.from(document.querySelectorAll('.steps .button'))"
        return f"{every}.find(b => /{name}/.test(b.textContent)).click()"

    of_logs = [Action("another log", put('"log-picker"', "value", *of.logs))] if of.logs else []
    packs = [Action("packs chosen", put('"packs"', "value", list(of.packs[:2])))] if len(of.packs) > 2 else []
    pairs = [Action("before", put('"before"', "value", of.logs[-1]))] if of.logs else []
    whole = [Action("all logs", put('"answers-of"', "value", "whole"))] if of.logs else []
    over = [Action("another log over it", overlay("other", of.other))] if of.other else []
    return {
        "/": [
            Action("dark", "timed.press('#scheme-button')"),
            Action("light", "timed.press('#scheme-button')"),
            Action("follow a link", "timed.press('#page-content .card a, #page-content td a')"),
        ],
        "/pack": [
            Action("colour by", put('"quantity"', "value", other[0])),
            Action("pick a cell", put('"cells"', "value", cells[:1], cells[1:])),
            Action("pick a module", put('"module"', "value", "M2", "M1")),
            Action("temperatures", put('"warm"', "checked", True)),
            Action("open the list of packs", "timed.press('#pack-picker')"),
            *([Action("open the list of logs", "timed.press('#log-picker')")] if of.logs else []),
            *of_logs,
        ],
        "/log": [
            Action("pick cells", put('"log-cells"', "value", cells)),
            Action("closer", step("Closer")),
            Action("later", step("Later")),
            Action("wider", step("Wider")),
            Action("whole log", step("Whole")),
        ],
        "/logbook": [
            Action("search", put('"logbook-find"', "value", "2026-0", "2026-1")),
            Action("only mended", put('"logbook-only"', "value", "mended")),
            Action("only not weighed", put('"logbook-only"', "value", "open")),
        ],
        "/charge": [Action("check the loom", "timed.press('#loom-check')")],
        "/answers": whole,
        "/history": [
            Action("another quantity", history("topic", "soc_offset", "capacity")),
            Action("cells", history("cells", cells)),
            Action("a module", history("place", "module M2", "module M1")),
            Action("by module", history("apart", "apart")),
            Action("all in one", history("apart", "")),
            Action("added up", history("topic", "charge_counted", "temperature_spread")),
        ],
        "/side-by-side": [*packs, *pairs],
        "/overlay": [
            Action("a cell", overlay("cell", *cells)),
            *over,
            Action("by load", overlay("by", "load", "charge")),
        ],
        "/record": [
            Action("put a line into it", "timed.set('remark', {value: 'Line {n}'}); timed.press('#record-fill')")
        ],
        "/describe": [
            Action("type the vehicle", put('{"field": "vehicle"}', "value", "Dunlin", "Knot")),
            Action("type the cells", put('{"field": "cells_in_series"}', "value", 96, 108)),
            Action("lay out evenly", "timed.press('#even')"),
        ],
        "/bring": [Action("choose the pack", put('"bring-pack"', "value", *(of.packs[:2] or (of.pack,))))],
        "/handbook": [
            Action("search", put('"handbook-find"', "value", "bleed", "current")),
            Action("another page", "timed.press('#handbook-found a')"),
        ],
    }  # fmt: skip


# --- one user in a browser ------------------------------------------------------------------------------------------


def one_user(
    address: str, server: int, of: Shown, rounds: int, pages: list[str], told: bool = False
) -> Measured:
    """Let one user look at all pages and set all controls in a browser that is kept, as a workshop's is."""
    from playwright.sync_api import sync_playwright

    out = Measured(told=told)
    clock = _worked(server)
    screen: dict[str, Any] = {"viewport": {"width": 1400, "height": 900}, "timezone_id": "Europe/Oslo"}
    start: dict[str, Any] = {"executable_path": CHROMIUM, "args": ARGUMENTS}
    watch = WATCH % (TICK_MS, TICK_MS, "|".join(POLLS), QUIET_MS)
    with sync_playwright() as session, tempfile.TemporaryDirectory(ignore_cleanup_errors=True) as profile:
        browser = session.chromium.launch(**start)
        kept = session.chromium.launch_persistent_context(profile, **start, **screen)
        kept.add_init_script(watch)
        page = kept.new_page()
        page.set_default_timeout(WAIT_MS)
        for number in range(rounds):
            empty = browser.new_context(**screen)
            empty.add_init_script(watch)
            _User(empty.new_page(), address, clock, of, number, out).comes()
            empty.close()
            _User(page, address, clock, of, number, out).looks(pages)
        kept.close()
        browser.close()
    return out


class _User:
    """Somebody at the browser, in one round."""

    def __init__(
        self, page: Any, address: str, clock: Callable[[], float], of: Shown, number: int, out: Measured
    ) -> None:
        self.page, self.address, self.of, self.number, self.out = page, address, of, number, out
        self.clock, self.before = clock, 0.0
        self.sent: list[Sent] = []
        page.on("request", self._notice)

    def comes(self) -> None:
        """Open a page with nothing in the browser's cache."""
        self._opened(self.address + "/handbook", ("(any)", "empty"))

    def looks(self, pages: list[str]) -> None:
        """Open every page and do on it what there is to do."""
        query = f"?pack={self.of.pack}&log={self.of.log}"
        doing = actions(self.of)
        for path in pages:
            self._opened(self.address + path + ("" if path == "/" else query), (path, FIRST))
            for action in doing.get(path, ()):
                self._does(path, action)

    def _opened(self, address: str, key: tuple[str, str]) -> None:
        self.page.goto("about:blank")
        self._begins()
        self.page.goto(address, wait_until="commit")
        self._kept(key, self._still())

    def _does(self, path: str, action: Action) -> None:
        from playwright.sync_api import Error

        self._begins()
        does = action.does.replace("{n}", str(self.number))
        try:
            self.page.evaluate(f"() => {{ timed.mark = performance.now(); {does}; }}")
        except Error:  # the page has no such control here
            self.out.without.append(f"{path} {action.name} (not there)")
            return
        took = self._still(NOTHING_MS)
        if took is None:
            self.out.without.append(f"{path} {action.name}")
        else:
            self._kept((path, action.name), took)

    def _begins(self) -> None:
        self.sent.clear()
        self.before = self.clock()

    def _still(self, most_ms: int | None = None) -> float | None:
        from playwright.sync_api import TimeoutError as TooLong

        try:
            wait = self.page.wait_for_function(
                "() => window.timed && timed.still()", timeout=most_ms or WAIT_MS
            )
        except TooLong:
            return None
        return float(wait.json_value())

    def _kept(self, key: tuple[str, str], took: float | None) -> None:
        self.out.times[key].append(took if took is not None else float(WAIT_MS))
        if self.out.told:
            print(f"  {key[0]:14s} {key[1]:24s} {took or WAIT_MS:7.0f} ms", flush=True)
        self.out.works[key].append(1e3 * (self.clock() - self.before))
        self.out.sent.setdefault(key, list(self.sent))

    def _notice(self, request: Any) -> None:
        path = "/" + request.url.split("/", 3)[3]
        body = request.post_data_buffer if request.method == "POST" else None
        if not request.url.startswith(self.address) or path.startswith("/store-state"):
            return
        if body is not None and any(f'"changedPropIds":["{p}'.encode() in body for p in POLLS):
            return
        scripts = "/assets/" in path or "component-suites" in path
        if body is not None or (
            (request.resource_type == "document" or path.startswith("/_dash")) and not scripts
        ):
            self.sent.append(Sent(request.method, path, body))


def _worked(process: int) -> Callable[[], float]:
    """Return what tells a process's processor time [s]."""
    import psutil

    of = psutil.Process(process)
    return lambda: sum(of.cpu_times()[:2])


# --- thirty users over HTTP -----------------------------------------------------------------------------------------


def many_users(port: int, seen: Measured, users: int) -> tuple[dict[tuple[str, str], list[float]], int]:
    """Let `users` send what the browser sent, with thought between; return times [ms] by action, and failures."""
    visits = defaultdict(list)
    for (path, name), sent in seen.sent.items():
        if sent and name != "empty":
            visits[path].append((name, sent))
    times: dict[tuple[str, str], list[float]] = defaultdict(list)
    failed: list[str] = []
    lock = threading.Lock()

    def one(number: int) -> None:
        rng = random.Random(number)
        time.sleep(rng.uniform(0, THOUGHT_S))
        connection = http.client.HTTPConnection("127.0.0.1", port, timeout=300)
        left = ACTIONS
        while left > 0:
            path = rng.choice(list(visits))
            for name, sent in visits[path][:left]:
                left -= 1
                begun = time.perf_counter()
                wrong = [w for s in sent if (w := _send(connection, s))]
                took = 1e3 * (time.perf_counter() - begun)
                with lock:
                    times[path, name].append(took)
                    failed.extend(wrong)
                time.sleep(THOUGHT_S * rng.uniform(0.5, 1.5))
        connection.close()

    readers = [threading.Thread(target=one, args=(i,)) for i in range(users)]
    for r in readers:
        r.start()
    for r in readers:
        r.join()
    for line in sorted(set(failed))[:5]:
        print("  failed:", line)
    return times, len(failed)


def _send(connection: http.client.HTTPConnection, sent: Sent) -> str:
    headers = {"Content-Type": "application/json"} if sent.body else {}
    try:
        connection.request(sent.method, sent.path, sent.body, headers)
        answer = connection.getresponse()
        content = answer.read()
    except (OSError, http.client.HTTPException) as error:
        connection.close()
        return f"{sent.path} {error}"
    return "" if answer.status in (200, 204) else f"{sent.path} {answer.status} {content[:100]!r}"


# --- what is printed ------------------------------------------------------------------------------------------------


def say(name: str, one: Measured, many: dict[tuple[str, str], list[float]], failed: int) -> bool:
    """Print the table of a store; return whether every aim is met."""
    heads = ("first", "median", "p95", "server", "thirty:", "median", "p95")
    print(f"\n{name} [ms]".ljust(43), "one user:", *(h.rjust(7) for h in heads))
    good = failed == 0
    for (path, what), took in sorted(one.times.items(), key=lambda i: (_rank(i[0]), i[0][1] != FIRST)):
        most = FIRST_MS if what in (FIRST, "empty") else ONE_MS
        middle, high = np.median(took), np.percentile(took, 95)
        replayed = many.get((path, what), [])
        works = np.median(one.works[path, what])
        told = f"{np.median(replayed):15.0f} {np.percentile(replayed, 95):7.0f}" if replayed else ""
        missed = high > most
        good = good and not missed
        mark = "*" if missed else " "
        print(f"  {path:14s} {what:24s} {took[0]:19.0f} {middle:7.0f} {high:7.0f}{mark}{works:7.0f} {told}")
    good = (
        _summed(
            "one user, first views", [t for k, v in one.times.items() if k[1] == FIRST for t in v], FIRST_MS
        )
        and good
    )
    of = [t for k, v in one.times.items() if k[1] not in (FIRST, "empty") for t in v]
    good = _summed("one user, interactions", of, ONE_MS) and good
    if many:
        for part, says in ((True, "first views"), (False, "interactions")):
            took = [t for k, v in many.items() if (k[1] == FIRST) == part for t in v]
            good = _summed(f"thirty users, {says}", took, MANY_MS) and good
        print(f"  {failed} requests failed")
    for line in sorted(set(one.without)):
        print(f"  nothing changed after: {line}")
    return good


def _rank(key: tuple[str, str]) -> int:
    return PAGES.index(key[0]) if key[0] in PAGES else -1


def _summed(says: str, took: list[float], most: float) -> bool:
    if not took:
        return True
    p50, p95 = np.percentile(took, [50, 95])
    good = bool(p95 <= most)
    print(
        f"  {says}: median {p50:.0f}, p95 {p95:.0f} ({'within' if good else 'NOT within'} {most:.0f}); {len(took)}"
    )
    return good


@contextmanager
def served(root: Path) -> Iterator[tuple[int, int]]:
    """Serve a store from a process of its own; gives its number and port."""
    server, port = log_page.start(root)
    try:
        yield server.pid, port
    finally:
        server.terminate()
        server.wait()


def measure(name: str, root: Path, rounds: int, users: int, pages: list[str], told: bool) -> bool:
    """Time the pages over a store and print them."""
    of = shown(root)
    with served(root) as (server, port):
        one = one_user(f"http://127.0.0.1:{port}", server, of, rounds, pages, told)
        many, failed = many_users(port, one, users) if users else ({}, 0)
    good = say(name, one, many, failed)
    print(f"  load average after: {_load()}", flush=True)
    return good


def _load() -> str:
    return f"{os.getloadavg()[0]:.1f} of {os.cpu_count()} cores" if hasattr(os, "getloadavg") else "not known"


def made(name: str, folder: Path, make: Callable[[Path], None]) -> Path:
    """Make a store, or take the one that an earlier run left."""
    root = folder / name
    if not (folder / f"{name}.made").exists():
        begun = time.perf_counter()
        make(root)
        (folder / f"{name}.made").touch()
        print(f"(store {name} made in {time.perf_counter() - begun:.0f} s)", flush=True)
    return root


def main() -> int:
    """Run and print."""
    options = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    options.add_argument("--only", choices=tuple(MAKERS), nargs="+", default=list(MAKERS))
    options.add_argument(
        "--pages", nargs="+", choices=PAGES, default=list(PAGES), metavar="PAGE", help="only these"
    )
    options.add_argument("--rounds", type=int, default=5, help="how often the one user looks at everything")
    options.add_argument("--users", type=int, default=USERS, help="0 leaves the many out")
    options.add_argument("--keep", type=Path, metavar="FOLDER", help="where the stores lie between runs")
    options.add_argument("--tell", action="store_true", help="print every action as it is done")
    given = options.parse_args()
    if CHROMIUM is None:
        raise SystemExit("no Chromium on this machine")
    print(f"load average before: {_load()}")
    good = True
    with tempfile.TemporaryDirectory(ignore_cleanup_errors=True) as name:
        folder = given.keep or Path(name)
        folder.mkdir(parents=True, exist_ok=True)
        for store in given.only:
            root = made(store, folder, MAKERS[store])
            good = measure(store, root, given.rounds, given.users, given.pages, given.tell) and good
    return 0 if good else 1


if __name__ == "__main__":
    sys.exit(main())
