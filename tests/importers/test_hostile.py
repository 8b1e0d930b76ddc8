"""Files built to hang or to fill the memory: refused in one line, or read, within 5 s and 300 MB."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

from tests.importers.writing import Dialect, bring, drive, pack_for, put, text_of

MB = 1 << 20
LINES = text_of(drive(rows=60), Dialect()).encode().split(b"\n")


def with_line(line: bytes) -> bytes:
    """Return the log with one more line among its rows."""
    return b"\n".join([*LINES[:30], line, *LINES[30:]])


def with_columns(name: str, value: Callable[[int], str], count: int = 10_000) -> bytes:
    """Return the log with as many columns more."""
    more = [
        ",".join([f"{name}{c}" if k == 0 else value(k + c) for c in range(count)])
        for k in range(len(LINES) - 1)
    ]
    return b"\n".join(line + b"," + m.encode() for line, m in zip(LINES, more)) + b"\n"


FILES: dict[str, Callable[[], bytes]] = {
    "one line of digits": lambda: b"7" * (15 * MB),
    "one line of fields": lambda: b"3.7," * (15 * MB // 4),
    "one line of quotes": lambda: b'"' * (15 * MB),
    "one line of blanks": lambda: b" " * (15 * MB),
    "nothing but line ends": lambda: b"\n" * (15 * MB),
    "nothing but noughts": lambda: b"\0" * (15 * MB),
    "a long header": lambda: b"x" * (15 * MB) + b"\n" + b"\n".join(LINES),
    "a long line of fields among rows": lambda: with_line(b"3.7," * (15 * MB // 4)),
    "a long line of text among rows": lambda: with_line(b"x" * (15 * MB)),
    "a field of a million digits": lambda: with_line(LINES[30].replace(b",", b"," + b"9" * 10**6, 1)),
    "a stamp with blanks between its parts without end": lambda: with_line(
        LINES[30].replace(b"T", b" " * 100_000, 1)
    ),
    "a length of time with blanks without end": lambda: with_line(b"1" + b" " * 100_000 + LINES[30]),
    "an open quote before a million digits": lambda: with_line(b'"' + b"9" * 10**6),
    "noughts among rows": lambda: with_line(b"\0" * (7 * MB)),
    "huge numbers": lambda: with_line(LINES[30].replace(b"3.7", b"9" * 400, 3)),
    "a tail of delimiters": lambda: b"\n".join(LINES) + b"," * (15 * MB),
    "10,000 numbers more": lambda: with_columns("x", str),
    "10,000 times more": lambda: with_columns("Time", str),
    "10,000 flags more": lambda: with_columns("Bal", lambda k: str(k % 2)),
    "10,000 texts more": lambda: with_columns("x", lambda k: f"abc{k}"),
    "10,000 empty columns more": lambda: with_columns("", lambda k: ""),
    "10,000 names more": lambda: LINES[0] + b",x" * 10_000 + b"\n" + b"\n".join(LINES[1:]),
}
CODE = """
import json, sys, time
from pathlib import Path
from bmslogs.base.pack import Pack
from bmslogs.store import Store
pack = Pack.model_validate_json(sys.argv[1])
began = time.process_time()
report = Store(sys.argv[3]).import_files([sys.argv[2]], pack)
took = time.process_time() - began
# of this process alone: what the system counts for a child begins with the memory of its parent
peak = next(int(x.split()[1]) for x in Path("/proc/self/status").read_text().splitlines() if x[:6] == "VmHWM:") / 1024
print(json.dumps([took, peak, [r.reason for r in report.refused], [e.rows for e in report.logs]]))
"""


@pytest.mark.skipif(sys.platform != "linux", reason="the peak of memory is counted in kB on Linux alone")
@pytest.mark.parametrize("name", FILES)
def test_hostile_sizes(name: str, tmp_path: Path) -> None:
    path = put(FILES[name](), tmp_path / "log.csv")
    root = Path(__file__).resolve().parents[2]
    done = subprocess.run(
        [sys.executable, "-c", CODE, pack_for(drive()).model_dump_json(), str(path), str(tmp_path / "store")],
        env={**os.environ, "PYTHONPATH": str(root)},
        capture_output=True,
        text=True,
        timeout=60,
        check=True,
    )
    took, peak, refused, rows = json.loads(done.stdout)
    assert took < 5 and peak < 300, (took, peak)
    assert (len(refused), len(rows)) in ((1, 0), (0, 1)) and "Traceback" not in done.stderr
    assert not refused or ("\n" not in refused[0] and len(refused[0]) < 2500)
    assert not rows or rows[0] in (60, 61)


def test_as_many_columns_as_a_large_pack_has_are_read(tmp_path: Path) -> None:
    truth = drive(rows=30, cells=400)
    d = Dialect(extras={f"Flag {k}": lambda r: "0" for k in range(1500)})
    path = put(text_of(truth, d).encode(), tmp_path / "log.csv")
    assert bring(path, pack_for(truth), tmp_path / "store").logs
