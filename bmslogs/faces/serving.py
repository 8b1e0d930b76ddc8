"""The dashboard served from this machine."""

from __future__ import annotations

import os
import socket
from pathlib import Path

from bmslogs.base.errors import BadInput
from bmslogs.base.zone import zone_named
from bmslogs.faces.output import tell

PASSWORD = "BMSLOGS_PASSWORD"
"""Environment variable: what every visitor is asked for; needed where other machines can reach the page."""
THREADS = 8
"""Choice: requests answered at the same time; one visitor's page asks for a few at once."""


def serve(store: Path, host: str, port: int, zone: str | None = None) -> None:
    """Serve the dashboard over a store until it is stopped.

    Parameters
    ----------
    store
        Folder of the store; it need not exist yet.
    host, port
        Where to listen; port 0 takes a free one.
    zone
        The workshop's time zone, where a pack names none; None for that of this machine.

    Raises
    ------
    BadInput
        The address cannot be listened at, or is open to others and there is no password.
    """
    password = os.environ.get(PASSWORD) or None
    from dashboard.safety import check_host

    check_host(host, password)
    try:
        clock = zone_named(zone) if zone else None
    except ValueError as error:
        raise BadInput(str(error), "a name of the tz database") from None
    listening = _listen(host, port)
    from waitress import create_server

    from dashboard.app import create_app
    from dashboard.uploads import MOST_UPLOAD_BYTES

    server = create_server(
        create_app(store, password=password, zone=clock).server,
        sockets=[listening],
        threads=THREADS,
        ident="bmslogs",
        max_request_body_size=MOST_UPLOAD_BYTES,
    )
    server.channel_class = _channel()
    where = f"[{host}]" if ":" in host else host
    tell(f"dashboard at http://{where}:{listening.getsockname()[1]}/ - Ctrl-C stops it")
    try:
        server.run()
    finally:
        server.close()


def _channel() -> type:
    """Return the server's channel, but one that closes on what it cannot read instead of telling where it failed."""
    from waitress.channel import HTTPChannel

    class Channel(HTTPChannel):  # type: ignore[misc]
        def handle_error(self, exc_info: object = None) -> None:
            self.handle_close()

    return Channel


def _listen(host: str, port: int) -> socket.socket:
    """Return a socket that has the address, before anything slow is imported."""
    try:
        family = socket.getaddrinfo(host, port, type=socket.SOCK_STREAM)[0][0]
        listening = socket.socket(family, socket.SOCK_STREAM)
        if os.name == "posix":
            # A port that a stopped server left a moment ago may be taken again; on Windows this would share it.
            listening.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        listening.bind((host, port))
    except (OSError, OverflowError) as error:
        raise BadInput(
            f"{host}:{port} cannot be listened at ({getattr(error, 'strerror', None) or error})",
            "a free --port, and a --host of this machine",
        ) from None
    return listening
