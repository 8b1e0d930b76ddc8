"""The watched folder behind the page's switch: one thread that brings in what comes, and what it last said."""

from __future__ import annotations

import threading
from collections import deque
from pathlib import Path
from typing import Any

from bmslogs.base.errors import BadInput
from bmslogs.base.pack import Pack
from bmslogs.base.toml import parse_toml
from bmslogs.importers import inspect_file
from bmslogs.importers.plan.profile import Profile, parse_profile
from bmslogs.store.watching import Event, Watch, watch
from dashboard.remembered import recall

KEPT = 12
"""Choice: as many lines are shown."""


class Watched:
    """At most one folder at a time, while the program runs."""

    def __init__(self, desk: Any) -> None:
        self._desk = desk
        self._lock = threading.Lock()
        self._stop: threading.Event | None = None
        self._thread: threading.Thread | None = None
        self._lines: deque[tuple[str, Event]] = deque(maxlen=KEPT)
        self.folder = ""
        self.pack = ""
        self.version = 0

    @property
    def on(self) -> bool:
        """Whether a folder is watched."""
        return self._stop is not None

    def start(self, folder: str, pack: Pack) -> None:
        """Watch a folder for a pack, in the place of any other.

        Raises
        ------
        BadInput
            There is no such folder.
        """
        path = Path(folder.strip()).expanduser()
        if not folder.strip() or not path.is_dir():
            raise BadInput(
                f"{folder.strip() or 'nothing'}: no folder of this computer", "the logger's folder"
            )
        self.stop()
        with self._lock:
            self._stop, self.folder, self.pack = threading.Event(), str(path), pack.id
            looks = Watch(self._desk.store, path, pack, profile_of=lambda file: self._profile(file, pack))
            self._thread = threading.Thread(
                target=watch, args=(looks, self._tell, self._stop), name="watch", daemon=True
            )
            self._lines.clear()
            self.version += 1
            self._thread.start()

    def stop(self) -> None:
        """Watch no longer; what is stored stays."""
        with self._lock:
            stop, thread, self._stop, self._thread = self._stop, self._thread, None, None
            self.version += 1
        if stop is not None and thread is not None:
            stop.set()
            thread.join(10)

    def lines(self) -> list[tuple[str, Event]]:
        """Return the last word on each file with its name, newest first."""
        with self._lock:
            return list(reversed(self._lines))

    def _profile(self, file: Path, pack: Pack) -> Profile:
        """Return the mapping that is kept for a file's logger and the pack."""
        try:
            names = [t.name for t in inspect_file(file, pack=pack).plan.columns]
        except BadInput:
            return Profile()
        kept = recall(self._desk.store.root, pack.id, names)
        return Profile() if kept is None else parse_profile(parse_toml(kept.profile))

    def _tell(self, event: Event) -> None:
        name = Path(event.file).name
        with self._lock:
            kept = [(n, e) for n, e in self._lines if n != name]
            self._lines.clear()
            self._lines.extend([*kept, (name, event)])
            self.version += 1
