"""The command line. Errors that a user can mend end as one line on standard error and exit code 2."""

from __future__ import annotations

import sys
import warnings
from typing import Annotated

import typer

from bmslogs.base.errors import BmsLogsError, printable
from bmslogs.base.version import __version__
from bmslogs.faces.lazy_commands import Commands
from bmslogs.faces.output import tell

BAD_INPUT = 2
INTERRUPTED = 130
"""Exit codes: bad usage or bad input; stopped by Ctrl-C (128 + SIGINT, as shells have it)."""

app = typer.Typer(
    name="bmslogs",
    cls=Commands,
    no_args_is_help=True,
    add_completion=False,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
    help=(
        "From a battery management system's CSV log to what is wrong with the pack, how surely, and what the "
        "log cannot tell. Evidence for a qualified person, never a clearance."
    ),
)


def _version(wanted: bool) -> None:
    if wanted:
        typer.echo(f"bmslogs {__version__}")
        raise typer.Exit


@app.callback()
def _options(
    version: Annotated[
        bool, typer.Option("--version", callback=_version, is_eager=True, help="Print the version.")
    ] = False,
) -> None:
    pass


def main() -> None:
    """Run the command line and exit with its code."""
    for stream in (sys.stdout, sys.stderr):
        # A terminal whose character set lacks a letter shows a question mark and goes on.
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(errors="replace")
    if not sys.warnoptions:
        # Libraries' remarks to programmers are no answer to a user; `python -W default` shows them.
        warnings.simplefilter("ignore")
    try:
        app(prog_name="bmslogs")
    except BmsLogsError as error:
        tell(printable(str(error)))
        sys.exit(BAD_INPUT)
    except KeyboardInterrupt:
        sys.exit(INTERRUPTED)
    except OSError as error:
        name = f"{error.filename}: " if error.filename else ""
        tell(printable(f"{name}{error.strerror or error}"))
        sys.exit(BAD_INPUT)
