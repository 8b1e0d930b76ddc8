"""What keeps the page to itself: who may ask, what a page may load, how large a request may be."""

from __future__ import annotations

import hmac
from collections.abc import Callable, Sequence

import flask

from bmslogs.base.errors import BadInput

LOOPBACK = ("127.0.0.1", "localhost", "::1")
MOST_REQUEST_BYTES = 8 * 2**20  # of anything but an upload
USER = "bench"
"""The user name that goes with the password."""


def check_host(host: str, password: str | None) -> None:
    """Refuse to listen beyond this machine without a password.

    Raises
    ------
    BadInput
        `host` is not this machine's own and there is no password of eight characters or more.
    """
    if host not in LOOPBACK and len(password or "") < 8:
        raise BadInput(
            f"host {host} can be reached from other machines, and there is no password",
            "one of eight characters or more in BMSLOGS_PASSWORD, or the host 127.0.0.1",
        )


def policy(hashes: Sequence[str]) -> str:
    """Return the Content-Security-Policy: nothing from any other host, no inline script but those hashed here.

    Inline styles are allowed because the table and figure libraries write them.
    """
    scripts = " ".join(["'self'", *(f"'{h}'" if not h.startswith("'") else h for h in hashes)])
    return (
        f"default-src 'none'; script-src {scripts}; style-src 'self' 'unsafe-inline'; img-src 'self' data: blob:; "
        "font-src 'self' data:; connect-src 'self'; frame-src 'self'; form-action 'self'; base-uri 'none'; "
        "frame-ancestors 'self'; object-src 'none'"
    )


def guard(server: flask.Flask, password: str | None, page_policy: Callable[[], str]) -> None:
    """Put the checks around every request of `server`.

    Parameters
    ----------
    password
        Asked for by HTTP basic authentication (user name `USER`); None admits only requests that were sent to
        this machine by one of its own names, so that a page elsewhere cannot reach it by renaming.
    page_policy
        Gives the Content-Security-Policy of ordinary pages.
    """

    @server.before_request
    def _admit() -> flask.Response | None:
        request = flask.request
        if password is None:
            if _host(request.host) not in LOOPBACK:
                return flask.Response("This page answers only to its own machine.\n", 403)
        elif not _knows(request.authorization, password):
            return flask.Response(
                "Password needed.\n", 401, {"WWW-Authenticate": 'Basic realm="bmslogs", charset="UTF-8"'}
            )
        if request.method not in ("GET", "HEAD", "OPTIONS"):
            if request.headers.get("Sec-Fetch-Site", "same-origin") not in ("same-origin", "none"):
                return flask.Response("Only this page itself may send.\n", 403)
            origin = request.headers.get("Origin")
            if origin and origin.split("://", 1)[-1] != request.host:
                return flask.Response("Only this page itself may send.\n", 403)
        if request.endpoint != "upload":
            request.max_content_length = MOST_REQUEST_BYTES
        return None

    @server.after_request
    def _headers(response: flask.Response) -> flask.Response:
        response.headers.setdefault("Content-Security-Policy", page_policy())
        response.headers["X-Content-Type-Options"] = "nosniff"
        response.headers["Referrer-Policy"] = "no-referrer"
        response.headers["X-Frame-Options"] = "SAMEORIGIN"
        response.headers["Cross-Origin-Opener-Policy"] = "same-origin"
        response.headers["Cross-Origin-Resource-Policy"] = "same-origin"
        response.headers["Permissions-Policy"] = "camera=(), microphone=(), geolocation=()"
        return response


def _host(text: str) -> str:
    """Return the host of a Host header without its port."""
    if text.startswith("["):
        return text[1:].split("]")[0]
    return text.rsplit(":", 1)[0] if text.count(":") == 1 else text


def _knows(login: object, password: str) -> bool:
    given = getattr(login, "password", None) or ""
    user = getattr(login, "username", None) or ""
    return hmac.compare_digest(given.encode(), password.encode()) and hmac.compare_digest(user, USER)
