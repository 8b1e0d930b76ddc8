"""Receiving files: streamed to a folder of its own outside whatever is served, limited in size."""

from __future__ import annotations

import contextlib
import re
import secrets
import shutil
import tempfile
from pathlib import Path
from typing import IO

import flask

from dashboard.jobs import Jobs

MOST_UPLOAD_BYTES = 4 * 2**30  # of one file (choice: four times the largest log that is promised to pass)
CHUNK = 2**20
SPARE_BYTES = 2 * 2**30  # left free on the disk


class TooLarge(Exception):
    """More bytes than one file may have."""


def plain_name(name: str) -> str:
    """Return a file name that is safe on any file system: its last part, letters, digits and ``. - _`` only."""
    last = re.split(r"[\\/]", name)[-1]
    kept = re.sub(r"[^A-Za-z0-9._-]+", "_", last).strip("._") or "log"
    stem, dot, ending = kept.partition(".")
    return f"{stem[:80]}{dot}{ending[:20]}"


def receive(stream: IO[bytes], path: Path, most: int = MOST_UPLOAD_BYTES) -> int:
    """Write a stream to `path` piece by piece; return its bytes.

    Raises
    ------
    TooLarge
        More than `most` bytes; what was written is removed.
    """
    total = 0
    try:
        with path.open("wb") as file:
            while piece := stream.read(CHUNK):
                total += len(piece)
                if total > most:
                    raise TooLarge
                file.write(piece)
    except BaseException:
        path.unlink(missing_ok=True)
        raise
    return total


class Inbox:
    """The folder that uploads go to; emptied when the program ends."""

    def __init__(self) -> None:
        self._folder = tempfile.TemporaryDirectory(prefix="bmslogs-upload-", ignore_cleanup_errors=True)

    def place(self, name: str) -> tuple[str, Path]:
        """Return a fresh token and the path for a file of this name."""
        token = secrets.token_urlsafe(12)
        folder = Path(self._folder.name) / token
        folder.mkdir()
        return token, folder / plain_name(name)

    def free_bytes(self) -> int:
        """Return how much may still be written."""
        return shutil.disk_usage(self._folder.name).free - SPARE_BYTES


def serve_uploads(server: flask.Flask, jobs: Jobs, inbox: Inbox, most: int = MOST_UPLOAD_BYTES) -> None:
    """Add the route that takes one file a request, its bytes as the body.

    The name stands in the query. A header that no form can send keeps other sites from posting here.
    """

    @server.post("/upload", endpoint="upload")
    def _upload() -> tuple[dict[str, str], int]:
        request = flask.request
        if request.headers.get("X-Bmslogs") != "upload":
            return {"error": "Not sent by this page."}, 403
        request.max_content_length = most
        size = request.content_length
        if size is None:
            return {"error": "The size of the file is not told."}, 411
        if size > most:
            return {
                "error": f"{size / 2**30:.1f} GiB is more than one file may have ({most / 2**30:.0f} GiB)."
            }, 413
        if size > inbox.free_bytes():
            return {"error": "There is not enough room on this machine's disk."}, 507
        name = request.args.get("name", "log")[:200]
        token, path = inbox.place(name)
        try:
            got = receive(request.stream, path, most)
        except TooLarge:
            return {"error": "The file is too large."}, 413
        except OSError as error:
            return {"error": f"The file could not be written: {error.strerror}."}, 507
        if got != size:
            with contextlib.suppress(OSError):
                path.unlink()
            return {"error": "The file did not arrive whole. Drop it again."}, 400
        jobs.add(token, name, path)
        return {"token": token}, 200
