"""One piece of work in a process of its own, which may end in the midst of it.

python -m tests.soak.child '{"store": .., "work": .., "killed_after": ..}'
"""

from __future__ import annotations

import datetime as dt
import json
import sys
from pathlib import Path
from typing import Any

from bmslogs.base.errors import BmsLogsError
from bmslogs.base.pack import Pack
from bmslogs.faces.answers import answer
from bmslogs.store import Store
from bmslogs.store.order import rename_vehicle
from bmslogs.store.watching import Watch
from tests.soak import injections


def work(task: dict[str, Any], store: Store) -> None:
    """Watch a folder once, diagnose logs, rename a vehicle or verify."""
    kind = task["work"]
    if kind == "watch":
        looks = Watch(store, Path(task["folder"]), Pack.model_validate(task["pack"]))
        looks.look(last=True)
        looks.close()
    elif kind == "diagnose":
        for log in task["logs"]:
            answer(store, log)
    elif kind == "rename":
        rename_vehicle(store, task["vehicle"], task["to"], by="Cleo")
    else:
        store.check()


def main() -> None:
    """Do it; what a user would read as one line is the last word on standard error."""
    task = json.loads(sys.argv[1])
    injections.install(task["store"])
    injections.set_clock(dt.datetime.fromisoformat(task["clock"]))
    if task["killed_after"]:
        injections.end_after(task["killed_after"])
    try:
        work(task, Store(task["store"]))
    except BmsLogsError as error:
        print(error, file=sys.stderr)
        raise SystemExit(2) from None


if __name__ == "__main__":
    main()
