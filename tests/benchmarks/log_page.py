"""How long the server takes for a window of a long log, for one reader and for thirty at once; and a large upload.

    python tests/benchmarks/log_page.py                  20 million cell readings: p50, p95, slowest, errors
    python tests/benchmarks/log_page.py --upload 1.0     beside it a file of so many gigabytes, with the server's memory
    python tests/benchmarks/log_page.py --users 60       another number of readers

The log is invented, written as a logger would, imported, and served by the same server as `bmslogs serve`, in a
process of its own. A window is asked for as the page does it: one callback of the log page, over HTTP, with its
figure as the answer. "At once" is without any pause: every reader asks for the next window as soon as the last has
come. Exits 1 where p95 is over 150 ms for one, over 600 ms for thirty, or any request failed.
"""

from __future__ import annotations

import argparse
import http.client
import json
import os
import random
import socket
import subprocess
import sys
import tempfile
import threading
import time
from pathlib import Path
from typing import Any

import numpy as np

ROOT = Path(__file__).resolve().parents[2]
CELLS, ROWS, RATE_HZ = 108, 185_200, 10
ONE_MS, MANY_MS = 150.0, 600.0
SERVE = """
import sys
from pathlib import Path
from bmslogs.faces.serving import serve
serve(Path(sys.argv[1]), "127.0.0.1", int(sys.argv[2]))
"""


def make_store(root: Path, folder: Path, cells: int = CELLS, rows: int = ROWS) -> str:
    """Import an invented drive of 20 million cell readings (`folder` holds its file meanwhile); return its log id."""
    import pyarrow as pa
    import pyarrow.csv

    from bmslogs.base.pack import Module, Pack
    from bmslogs.store import Store

    rng = np.random.default_rng(11)
    t = np.arange(rows) / RATE_HZ
    current = np.round(60 * np.sin(t / 11) + 40 * np.sin(t / 2.9) + rng.normal(0, 3, rows), 1)
    drop = 3.9 - np.cumsum(current) / RATE_HZ / 3600 * 0.005 - 0.001 * current
    stamps = np.datetime64("2026-05-03T09:10:00.000") + (t * 1000).astype("timedelta64[ms]")
    columns: dict[str, Any] = {"time": np.char.add(np.datetime_as_string(stamps), "Z"), "current_A": current}
    for cell in range(1, cells + 1):
        columns[f"cell_{cell}_V"] = np.round(drop + rng.normal(0, 0.002) + rng.normal(0, 0.0008, rows), 3)
    for sensor in range(1, 5):
        columns[f"temperature_{sensor}_C"] = np.round(20 + t / 3600 * sensor, 1)
    path = folder / "drive.csv"
    pa.csv.write_csv(pa.table(columns), path)
    modules = tuple(
        Module(name=f"M{m + 1}", cells=list(range(12 * m + 1, 12 * m + 13))) for m in range(cells // 12)
    )
    pack = Pack(
        id="turnstone-main",
        vehicle="Turnstone",
        chemistry="NMC",
        nominal_capacity_Ah=100.0,
        cells_in_series=cells,
        modules=modules,
    )
    report = Store(root).import_files([path], pack)
    assert not report.refused, report.refused
    path.unlink()
    return report.logs[0].id


def start(root: Path) -> tuple[subprocess.Popen[bytes], int]:
    """Start the server; return it with its port once it answers."""
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    server = subprocess.Popen(
        [sys.executable, "-c", SERVE, str(root), str(port)], cwd=ROOT, stderr=subprocess.DEVNULL
    )
    for _ in range(120):
        try:
            ask(port, "GET", "/")
            return server, port
        except OSError:
            time.sleep(0.25)
    raise SystemExit("the server did not start")


def ask(port: int, method: str, path: str, body: bytes | None = None) -> bytes:
    """Send one request over a connection of its own; return the body of a good answer."""
    connection = http.client.HTTPConnection("127.0.0.1", port, timeout=60)
    try:
        connection.request(method, path, body, {"Content-Type": "application/json"} if body else {})
        answer = connection.getresponse()
        content = answer.read()
        if answer.status != 200:
            raise OSError(f"{answer.status} {content[:200]!r}")
        return content
    finally:
        connection.close()


def follower(port: int) -> dict[str, Any]:
    """Find the callback that draws the log page's window, as the browser would."""
    known = json.loads(ask(port, "GET", "/_dash-dependencies"))
    (found,) = [
        d for d in known if "log-figure.figure" in d["output"] and any(i["id"] == "at" for i in d["inputs"])
    ]
    return dict(found)


def request(callback: dict[str, Any], query: str) -> bytes:
    """Write the request that the page sends when its address becomes `query`."""
    outputs = [o.rsplit(".", 1) for o in callback["output"].strip(".").split("...")]
    values = {"at.search": query, "scheme.data": "light"}
    return json.dumps(
        {
            "output": callback["output"],
            "outputs": [{"id": i, "property": p.split("@")[0]} for i, p in outputs],
            "inputs": [{**i, "value": values[f"{i['id']}.{i['property']}"]} for i in callback["inputs"]],
            "state": [{**i, "value": values[f"{i['id']}.{i['property']}"]} for i in callback["state"]],
            "changedPropIds": ["at.search"],
        }
    ).encode()


def window(rng: random.Random, log_id: str) -> str:
    """Return the query of a random window, from the whole log to ten seconds of it, with three cells as lines."""
    length = ROWS / RATE_HZ
    width = length * 10 ** rng.uniform(-3, 0)
    first = rng.uniform(0, length - width)
    begin = np.datetime64("2026-05-03T09:10:00.000")
    at = [begin + np.timedelta64(int(1000 * s), "ms") for s in (first, first + width)]
    cells = ",".join(str(c) for c in sorted(rng.sample(range(1, CELLS + 1), 3)))
    return f"?pack=turnstone-main&log={log_id}&cells={cells}&start={at[0]}Z&end={at[1]}Z"


def measure(port: int, log_id: str, users: int, each: int) -> tuple[list[float], int]:
    """Let `users` readers ask for `each` windows without pause; return times [ms] and the number of failures."""
    callback = follower(port)
    times: list[float] = []
    failed = [0]
    gate = threading.Barrier(users)

    def one(number: int) -> None:
        rng = random.Random(number)
        gate.wait()
        for _ in range(each):
            body = request(callback, window(rng, log_id))
            begun = time.perf_counter()
            try:
                answer = ask(port, "POST", "/_dash-update-component", body)
                assert b"deviation" in answer
            except (OSError, AssertionError):
                failed[0] += 1
            times.append(1e3 * (time.perf_counter() - begun))

    readers = [threading.Thread(target=one, args=(i,)) for i in range(users)]
    for r in readers:
        r.start()
    for r in readers:
        r.join()
    return times, failed[0]


def say(users: int, times: list[float], failed: int) -> float:
    """Print one line; return p95 [ms]."""
    p50, p95 = np.percentile(times, [50, 95])
    print(
        f"{users:3d} at once: {len(times)} windows, p50 {p50:.0f} ms, p95 {p95:.0f} ms, slowest {max(times):.0f} ms, "
        f"{failed} errors"
    )
    return float(p95)


def upload(port: int, gigabytes: float, server: int) -> None:
    """Send a file of so many bytes and print how long it took and the server's memory before and at its highest."""
    import psutil

    process = psutil.Process(server)
    before, highest, done = process.memory_info().rss, [0], threading.Event()

    def watch() -> None:
        while not done.wait(0.05):
            highest[0] = max(highest[0], process.memory_info().rss)

    watcher = threading.Thread(target=watch)
    watcher.start()
    size, piece = int(gigabytes * 1e9), bytes(2**20)
    begun = time.perf_counter()
    connection = http.client.HTTPConnection("127.0.0.1", port, timeout=600)
    connection.putrequest("POST", "/upload?name=large.csv")
    connection.putheader("X-Bmslogs", "upload")
    connection.putheader("Content-Length", str(size))
    connection.endheaders()
    left = size
    while left:
        connection.send(piece[: min(left, len(piece))])
        left -= min(left, len(piece))
    status = connection.getresponse().status
    done.set()
    watcher.join()
    took = time.perf_counter() - begun
    print(
        f"upload of {size / 1e9:.2f} GB: status {status}, {took:.1f} s, server memory {before / 1e6:.0f} MB before, "
        f"{highest[0] / 1e6:.0f} MB at most"
    )


def main() -> int:
    """Run and print."""
    options = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    options.add_argument("--users", type=int, default=30)
    options.add_argument("--upload", type=float, metavar="GB", help="send a file of this size as well")
    given = options.parse_args()
    sys.path.insert(0, str(ROOT))
    print(f"load average before: {os.getloadavg()[0]:.1f}" if hasattr(os, "getloadavg") else "")
    with tempfile.TemporaryDirectory(ignore_cleanup_errors=True) as name:
        folder = Path(name)
        log_id = make_store(folder / "store", folder)
        server, port = start(folder / "store")
        try:
            begun = time.perf_counter()
            ask(
                port,
                "POST",
                "/_dash-update-component",
                request(follower(port), f"?pack=turnstone-main&log={log_id}"),
            )
            print(
                f"{CELLS * ROWS / 1e6:.1f} million cell readings; opened and diagnosed in "
                f"{time.perf_counter() - begun:.1f} s"
            )
            one, few = measure(port, log_id, 1, 120)
            p95_one = say(1, one, few)
            many, lost = measure(port, log_id, given.users, 10)
            p95_many = say(given.users, many, lost)
            if given.upload:
                upload(port, given.upload, server.pid)
        finally:
            server.terminate()
            server.wait()
    good = p95_one <= ONE_MS and p95_many <= MANY_MS and few + lost == 0
    print(
        "within" if good else "NOT within",
        f"{ONE_MS:.0f} ms for one and {MANY_MS:.0f} ms for many, without error",
    )
    return 0 if good else 1


if __name__ == "__main__":
    sys.exit(main())
