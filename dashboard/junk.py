"""Requests that no page of ours sends: answered with 400 in one line, never with a traceback.

What the page sends to its callbacks is checked for its shape before anything looks at the values; a callback that
fails all the same is told in one line of the log.
"""

from __future__ import annotations

import logging
import traceback
from typing import Any

import flask
from dash import Dash
from dash.exceptions import DashException
from werkzeug.exceptions import HTTPException

from dashboard.framework import server_of

UPDATE = "/_dash-update-component"
"""Where the page sends what its callbacks are to work on."""
NOT_OURS = "Not a request of this page.\n"


def refuse_junk(app: Dash) -> None:
    """Put the checks around the requests of a dashboard; to be called once its callbacks are registered."""

    server = server_of(app)

    def _shape() -> flask.Response | None:
        request = flask.request
        if request.path != UPDATE or request.method != "POST" or _is_call(request, app.callback_map):
            return None
        return flask.Response(NOT_OURS, 400)

    server.before_request(_shape)

    @server.errorhandler(Exception)
    def _failed(error: Exception) -> Any:
        if isinstance(error, HTTPException):
            return error
        request = flask.request
        if isinstance(error, DashException) and request.path != UPDATE:
            return flask.Response("There is no such file.\n", 404)
        logging.getLogger("dashboard").error(
            "%s %.80r failed: %s", request.method, request.path, _told(error)
        )
        return flask.Response("This request could not be answered.\n", 400 if request.path == UPDATE else 500)


def _is_call(request: flask.Request, known: dict[str, Any]) -> bool:
    """Whether a body is shaped as the page's calls are: a known callback with its inputs, states and outputs."""
    try:
        body = request.get_json(silent=True)
    except (RecursionError, ValueError):
        return False
    if not isinstance(body, dict):
        return False
    output = body.get("output")
    spec = known.get(output) if isinstance(output, str) else None
    if spec is None:
        return False
    wanted = (spec["inputs"], spec.get("state", []))
    given = (body.get("inputs", []), body.get("state", []))
    changed = body.get("changedPropIds", [])
    return (
        all(_are_props(g, w) for g, w in zip(given, wanted))
        and isinstance(changed, list)
        and all(isinstance(c, str) for c in changed)
        and _are_outputs(body.get("outputs"), str(output))
    )


def _are_props(given: Any, wanted: list[dict[str, Any]]) -> bool:
    """Whether the given properties stand for those wanted; a pattern stands for a list of them."""
    if not isinstance(given, list) or len(given) != len(wanted):
        return False
    for one, spec in zip(given, wanted):
        pattern = str(spec["id"]).startswith("{")
        members = one if pattern and isinstance(one, list) else [one]
        if not all(_is_prop(m) and m["property"] == spec["property"] for m in members):
            return False
        if not pattern and one["id"] != spec["id"]:
            return False
    return True


def _is_prop(item: Any) -> bool:
    return (
        isinstance(item, dict)
        and isinstance(item.get("id"), (str, dict))
        and isinstance(item.get("property"), str)
    )


def _are_outputs(given: Any, output: str) -> bool:
    """Whether outputs are told one by one: a dict for a callback of one, a list for one of several."""
    if not output.startswith(".."):
        return _is_prop(given) or (isinstance(given, list) and all(_is_prop(m) for m in given))
    wanted = output.strip(".").count("...") + 1
    return (
        isinstance(given, list)
        and len(given) == wanted
        and all(_is_prop(g) or (isinstance(g, list) and all(_is_prop(m) for m in g)) for g in given)
    )


def _told(error: Exception) -> str:
    """Return an error and the place it came from as one line."""
    frames = traceback.extract_tb(error.__traceback__)
    place = f" ({frames[-1].filename.rsplit('/', 1)[-1]}:{frames[-1].lineno})" if frames else ""
    return f"{type(error).__name__}{place}: {' '.join(str(error).split())[:200]}"
