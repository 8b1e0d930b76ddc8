"""Junk sent to the served page: answered, and no traceback on the server's standard error."""

from __future__ import annotations

import http.client
import json
import os
import re
import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

UPDATE = "/_dash-update-component"
JSON = {"Content-Type": "application/json"}
BODIES = (
    b"", b"{", b"null", b"[]", b"1", b'"x"', b"{}", b'{"output":1}', b'{"output":"x.y"}', b"1e99999", b"9" * 9000,
    b'{"output":"page-content.children","outputs":[],"inputs":[{"id":"at"}],"changedPropIds":[1]}',
    b"[" * 100_000, b'{"a":' * 100_000, b"\xff\xfe\x00", b'{"output":"' + b"x" * 10**6 + b'"}', b'{"output":"\\ud800"}',
)  # fmt: skip
RAW = (
    b"\r\n\r\n", b"RUBBISH\r\n\r\n", b"\x16\x03\x01\x02", b"GET / HTTP/9.9\r\n\r\n",
    b"GET http://[::1 HTTP/1.1\r\n\r\n",
    b"POST " + UPDATE.encode() + b" HTTP/1.1\r\nHost: localhost\r\nTransfer-Encoding: chunked\r\n\r\nzz\r\n",
    b"GET " + b"/a" * 200_000 + b" HTTP/1.1\r\n\r\n", b"GET / HTTP/1.1\r\nHost: [::\r\n\r\n",
)  # fmt: skip


class Server:
    """The program as it is served, and what it wrote to standard error."""

    def __init__(self, folder: Path) -> None:
        root = Path(__file__).resolve().parents[2]
        self.errors = folder / "stderr.txt"
        with self.errors.open("wb") as errors:
            self.process = subprocess.Popen(
                [sys.executable, "-m", "bmslogs", "serve", "--store", str(folder / "store"), "--port", "0"],
                env={**os.environ, "PYTHONPATH": str(root)}, stderr=errors, stdout=errors,
            )  # fmt: skip
        for _ in range(600):
            found = re.search(r"127\.0\.0\.1:(\d+)/", self.errors.read_text())
            if found:
                break
            time.sleep(0.1)
        assert found is not None, "the server did not start"
        self.port = int(found.group(1))

    def ask(self, method: str, path: str, body: bytes = b"", headers: dict[str, str] | None = None) -> int:
        connection = http.client.HTTPConnection("127.0.0.1", self.port, timeout=20)
        connection.request(method, path, body or None, headers or {})
        answer = connection.getresponse()
        answer.read()
        connection.close()
        return answer.status

    def raw(self, data: bytes) -> None:
        with socket.create_connection(("127.0.0.1", self.port), timeout=5) as line:
            try:
                line.sendall(data)
                line.shutdown(socket.SHUT_WR)
                line.recv(200)
            except OSError:
                pass  # it may hang up while we still send


@pytest.fixture(scope="module")
def server(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Server]:
    running = Server(tmp_path_factory.mktemp("junk"))
    yield running
    running.process.terminate()
    running.process.wait(10)


def quiet(server: Server) -> None:
    assert "Traceback" not in server.errors.read_text() and "uncaptured" not in server.errors.read_text()
    assert server.ask("GET", "/") == 200


def test_bodies_that_are_no_call(server: Server) -> None:
    for body in BODIES:
        assert server.ask("POST", UPDATE, body, JSON) == 400, body[:60]
        assert 400 <= server.ask("POST", UPDATE, body, {"Content-Type": "text/plain"}) < 500
    quiet(server)


def test_too_large_a_body(server: Server) -> None:
    assert server.ask("POST", UPDATE, b"x" * (9 << 20), JSON) in (400, 413)
    quiet(server)


def test_every_callback_with_every_kind_of_value(server: Server) -> None:
    connection = http.client.HTTPConnection("127.0.0.1", server.port, timeout=20)
    connection.request("GET", "/_dash-dependencies")
    callbacks = json.loads(connection.getresponse().read())
    assert len(callbacks) > 20
    for call in callbacks:
        names = call["output"].strip(".").split("...")
        outputs = [dict(zip(("id", "property"), n.split("@")[0].rsplit(".", 1))) for n in names]
        for value in (None, 1, -1e308, "x", [1, 2], {"a": {"b": []}}, [[]]):
            body = {
                "output": call["output"], "outputs": outputs if call["output"].startswith("..") else outputs[0],
                "inputs": [i | {"value": value} for i in call["inputs"]],
                "state": [i | {"value": value} for i in call["state"]],
                "changedPropIds": [f"{i['id']}.{i['property']}" for i in call["inputs"]],
            }  # fmt: skip
            assert server.ask("POST", UPDATE, json.dumps(body).encode(), JSON) in (200, 204, 400)
    quiet(server)


@pytest.mark.parametrize("method", ["GET", "POST", "PUT", "DELETE", "PATCH", "OPTIONS", "TRACE", "RUBBISH"])
def test_methods_and_paths(server: Server, method: str) -> None:
    for path in (
        "/", UPDATE, "/upload", "/_dash-layout", "/assets/x", "/%00", "/..%2f..", "/?" + "a" * 50_000,
        "/_dash-component-suites/x/y.js", "/_dash-component-suites/dash/deps/..%2f..%2f", "/" + "%ff" * 99,
    ):  # fmt: skip
        assert server.ask(method, path) < 500
    quiet(server)


def test_what_is_no_request(server: Server) -> None:
    for data in RAW:
        server.raw(data)
    quiet(server)
