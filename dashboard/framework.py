"""What the framework of the pages leaves without types: its server, callbacks in the browser, names with hyphens."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import flask
from dash import ClientsideFunction, Dash


def server_of(app: Dash) -> flask.Flask:
    """Return the server behind the pages; the framework knows several kinds, these pages one."""
    server: flask.Flask = app.server
    return server


def in_browser(app: Dash, space: str, name: str, *wires: Any, **options: Any) -> None:
    """Let a function of the scripts in `assets` answer in the browser.

    Parameters
    ----------
    space, name
        Where the function stands: ``window.dash_clientside[space][name]``.
    wires, options
        Outputs, inputs and states, and what else a callback takes.
    """
    register: Callable[..., object] = app.clientside_callback
    register(ClientsideFunction(space, name), *wires, **options)


def attributes(**words: str) -> dict[str, Any]:
    """Return attributes whose names have a hyphen: ``aria_label`` becomes ``aria-label``."""
    return {name.replace("_", "-"): said for name, said in words.items()}
