"""What a reader takes along: plots as CSV, PNG and SVG, tables as CSV; made by the browser from what it shows.

The values are those of the plot as it stands, in its window (`assets/take.js`), so nothing is worked out twice.
"""

from __future__ import annotations

from dash import html

from dashboard.framework import attributes

KINDS = (("csv", "Shown values (CSV)"), ("png", "Picture (PNG)"), ("svg", "Picture (SVG)"))


def of_plot(label: str, *, values: bool = True) -> html.Details:
    """Return the buttons that stand under a plot.

    Parameters
    ----------
    label
        What the plot shows; its files are named after it.
    values
        Whether its values are offered here: not where the page has a table of them that tells more.
    """
    buttons = [
        html.Button(text, type="button", className="button", **attributes(data_take=kind, data_name=label))
        for kind, text in KINDS
        if values or kind != "csv"
    ]
    return html.Details(
        [
            html.Summary("Take away", **attributes(aria_label=f"Take away: {label}")),
            html.Div(buttons, className="actions"),
        ],
        className="take",
    )


def of_tables() -> html.Details:
    """Return what stands under every page that has tables: one button a table."""
    return html.Details(
        [
            html.Summary("Take the tables of this page away (CSV)"),
            html.Div(id="take-list", className="actions"),
        ],
        className="take tables",
        id="take-tables",
        hidden=True,
    )
