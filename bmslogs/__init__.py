"""From a battery management system's CSV log to what is wrong with the pack, how surely, and what stays unknown.

``import bmslogs`` is the door for Python, and the names that ``dir(bmslogs)`` lists are all of it. They are stable: a
name, an argument or a key of the JSON that stands in a release keeps its meaning until the next major version, and is
announced two minor versions before it goes; new ones may come at any time. Estimates and findings follow the method,
whose version stands in ``Diagnosis.method``. Every module below (``bmslogs.base``, ``bmslogs.log``, ..) is private and
changes without notice, as does ``dashboard``; ``bmslogs.fleet.put_logs`` alone is promised as well.

Errors that a user can mend are ``BmsLogsError``; their text is one line that stands alone.
"""

import typing as _typing

from bmslogs.base.version import __version__

if _typing.TYPE_CHECKING:
    from bmslogs.base.errors import BmsLogsError
    from bmslogs.door.asking import compare, diagnose, diagnose_pack, diagnose_store, plan
    from bmslogs.door.bench import check_loom, match
    from bmslogs.door.logs import import_files, load_pack, open_store, read_log
    from bmslogs.door.pictures import plot_finding, plot_log, plot_pack

__all__ = [
    "BmsLogsError",
    "__version__",
    "check_loom",
    "compare",
    "diagnose",
    "diagnose_pack",
    "diagnose_store",
    "import_files",
    "load_pack",
    "match",
    "open_store",
    "plan",
    "plot_finding",
    "plot_log",
    "plot_pack",
    "read_log",
]

_HOME = {
    "BmsLogsError": "bmslogs.base.errors",
    **dict.fromkeys(
        ("compare", "diagnose", "diagnose_pack", "diagnose_store", "plan"), "bmslogs.door.asking"
    ),
    **dict.fromkeys(("check_loom", "match"), "bmslogs.door.bench"),
    **dict.fromkeys(("import_files", "load_pack", "open_store", "read_log"), "bmslogs.door.logs"),
    **dict.fromkeys(("plot_finding", "plot_log", "plot_pack"), "bmslogs.door.pictures"),
}


def __getattr__(name: str) -> _typing.Any:
    """Import a name of the door on first use: the command line starts without the numerical libraries."""
    if name in _HOME:
        from importlib import import_module

        found = getattr(import_module(_HOME[name]), name)
        globals()[name] = found
        return found
    raise AttributeError(f"module 'bmslogs' has no attribute {name!r}")


def __dir__() -> list[str]:
    """Return the names of the door."""
    return sorted(__all__)
