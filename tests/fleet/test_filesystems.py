"""A store on other filesystems: read on any, written where a file can be put in one piece, and said so elsewhere.

The filesystems are pyarrow's own, fsspec's memory, and a server that speaks the S3 protocol (moto) where it is there.
"""

from __future__ import annotations

import os
import shutil
import socket
import subprocess
import time
from collections.abc import Iterator
from pathlib import Path
from urllib.parse import quote

import fsspec
import pytest
from pyarrow import fs

from bmslogs.base.errors import StoreError
from bmslogs.fleet import Files, diagnose_store, overview, put_logs, read_estimates, refresh

from .conftest import pack_of, write_log


@pytest.fixture(scope="module")
def weighed(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two packs with two diagnosed logs each."""
    root = tmp_path_factory.mktemp("fleet") / "store"
    for name in ("Heron", "Wren"):
        for day in range(2):
            write_log(root, pack_of(name), day)
    assert len(diagnose_store(root, workers=1).of("done")) == 4
    return root


def told(files: Files) -> list[tuple[str, int, float]]:
    table = read_estimates(files, ["log", "pack", "cell", "value"], quantity="resistance_10s").to_pylist()
    return sorted((f"{r['pack']} {r['log']}", r["cell"], r["value"]) for r in table)


def test_a_subtree_is_read_and_written(weighed: Path, tmp_path: Path) -> None:
    shutil.copytree(weighed, tmp_path / "place" / "store")
    files = Files("store", fs.SubTreeFileSystem(str(tmp_path / "place"), fs.LocalFileSystem()))
    assert told(files) == told(Files(weighed)) and len(told(files)) == 32
    assert [p.pack for p in overview(files)] == [p.pack for p in overview(weighed)]
    assert (
        files.read(files.logs[0]).cell_voltage == Files(weighed).read(Files(weighed).logs[0]).cell_voltage
    ).all()
    (tmp_path / "place" / "store" / "_answers" / "heron-main" / f"{files.logs[0].id}.json").unlink()
    assert refresh(files) == ["heron-main"]
    assert not list(tmp_path.rglob("*.part"))


def test_memory_is_read_and_not_written(weighed: Path) -> None:
    memory = fsspec.filesystem("memory")
    memory.put(str(weighed), "/elsewhere/store", recursive=True)
    try:
        files = Files("/elsewhere/store", fs.PyFileSystem(fs.FSSpecHandler(memory)))
        assert told(files) == told(Files(weighed))
        assert len(overview("fsspec+memory://elsewhere/store")) == 2
        with pytest.raises(StoreError, match="of kind 'memory' no file can be put in one piece"):
            files.write(files.path("_packs", "x.json"), b"{}")
        with pytest.raises(StoreError, match="only read"):
            diagnose_store("fsspec+memory://elsewhere/store")
    finally:
        memory.rm("/elsewhere", recursive=True)


def test_a_wrapped_filesystem_of_several_names_is_told_by_the_first(weighed: Path) -> None:
    local = fsspec.filesystem("file")
    assert local.protocol == ("file", "local")
    assert Files(weighed, fs.PyFileSystem(fs.FSSpecHandler(local))).kind == "file"


def test_logs_are_put_once_by_what_is_in_them(weighed: Path, tmp_path: Path) -> None:
    (tmp_path / "other").mkdir()
    target = Files(tmp_path / "other")
    assert len(put_logs(Files(weighed), target)) == 4
    assert put_logs(Files(weighed), Files(tmp_path / "other")) == []
    write_log(weighed, pack_of("Heron"), 7)
    assert len(put_logs(Files(weighed), Files(tmp_path / "other"))) == 1
    for one, other in zip(Files(weighed).logs, Files(tmp_path / "other").logs, strict=True):
        assert Path(one.path).read_bytes() == Path(other.path).read_bytes()


@pytest.fixture
def bucket(monkeypatch: pytest.MonkeyPatch) -> Iterator[str]:
    """Address of an empty folder in a bucket of a local server that speaks S3."""
    server = shutil.which("moto_server")
    if server is None:
        pytest.skip("no server that speaks S3 on this machine (pip install 'moto[server,s3]')")
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    for name, value in (("AWS_ACCESS_KEY_ID", "invented"), ("AWS_SECRET_ACCESS_KEY", "invented")):
        monkeypatch.setenv(name, value)
    quiet = {"stdout": subprocess.DEVNULL, "stderr": subprocess.DEVNULL}
    process = subprocess.Popen([server, "-H", "127.0.0.1", "-p", str(port)], env=dict(os.environ), **quiet)
    try:
        until = time.monotonic() + 60
        while time.monotonic() < until:
            with socket.socket() as probe:
                if probe.connect_ex(("127.0.0.1", port)) == 0:
                    break
            time.sleep(0.1)
        # small files in one request: this server's answer to the last of several parts does not suit pyarrow
        options = f"endpoint_override={quote(f'http://127.0.0.1:{port}', safe='')}&region=eu-north-1"
        options += "&allow_delayed_open=true"
        system, _ = fs.FileSystem.from_uri(f"s3://logs/store?{options}&allow_bucket_creation=true")
        system.create_dir("logs")
        yield f"s3://logs/store?{options}"
    finally:
        process.kill()
        process.wait()


def test_a_bucket_takes_logs_answers_and_datasets(weighed: Path, bucket: str) -> None:
    count = len(Files(weighed).logs)
    assert len(put_logs(Files(weighed), Files(bucket))) == count
    run = diagnose_store(bucket, workers=2)
    assert [len(run.of(s)) for s in ("done", "known", "failed")] == [count, 0, 0]
    again = diagnose_store(bucket, workers=2)
    assert [len(again.of(s)) for s in ("done", "known", "failed")] == [0, count, 0]
    diagnose_store(weighed, workers=1)
    assert told(Files(bucket)) == told(Files(weighed))
    assert [p.logs for p in overview(bucket)] == [p.logs for p in overview(weighed)]
