"""The dashboard's server on a thread of this process, asked over HTTP as a browser asks it."""

from __future__ import annotations

import http.client
import json
import socket
import threading
from pathlib import Path
from typing import Any
from urllib.parse import urlencode

from waitress import create_server

from dashboard import pages
from dashboard.app import create_app


class Served:
    """A dashboard over a store."""

    def __init__(self, store: Path) -> None:
        self.app = create_app(store)
        listening = socket.socket()
        listening.bind(("127.0.0.1", 0))
        self.port = listening.getsockname()[1]
        self.server = create_server(self.app.server, sockets=[listening], threads=4)
        self.thread = threading.Thread(target=self.server.run, daemon=True)
        self.thread.start()
        self.key = next(k for k in self.app.callback_map if "page-content.children" in k)

    def paths(self) -> list[str]:
        """Return the addresses of all pages."""
        return [m.PATH for m in pages.PAGES]

    def ask(self, method: str, path: str, body: bytes | None = None) -> bytes:
        """Send one request; it must be answered.

        Raises
        ------
        AssertionError
            The status is not 200.
        """
        connection = http.client.HTTPConnection("127.0.0.1", self.port, timeout=120)
        try:
            connection.request(method, path, body, {"Content-Type": "application/json"})
            answer = connection.getresponse()
            data = answer.read()
        finally:
            connection.close()
        assert answer.status == 200, f"{method} {path}: {answer.status} {data[:200]!r}"
        return data

    def page(self, path: str, **view: str) -> bytes:
        """Return what a page shows of a view."""
        given = self.app.callback_map[self.key]
        search = f"?{urlencode(view)}" if view else ""
        values = {"at.pathname": path, "at.search": search, "scheme.data": "light", "revision.data": 0}
        outputs = [
            dict(zip(("id", "property"), part.rsplit(".", 1))) for part in self.key.strip(".").split("...")
        ]

        def filled(of: list[dict[str, Any]]) -> list[dict[str, Any]]:
            return [p | {"value": values.get(f"{p['id']}.{p['property']}")} for p in of]

        asked = {
            "output": self.key, "outputs": outputs, "inputs": filled(given["inputs"]),
            "state": filled(given["state"]), "changedPropIds": ["at.pathname"],
        }  # fmt: skip
        shown = self.ask("POST", "/_dash-update-component", json.dumps(asked).encode())
        assert b"This page failed" not in shown, f"{path} {search}: {shown[:600]!r}"
        return shown

    def record(self, pack: str) -> bytes:
        """Return the record of a pack, as it is printed."""
        return self.ask("GET", f"/sheet.html?{urlencode({'pack': pack})}")

    def close(self) -> None:
        """Stop the server, once what it answers is answered."""
        self.server.task_dispatcher.shutdown()
        self.server.close()
        self.thread.join(10)
