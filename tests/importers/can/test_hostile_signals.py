"""Databases and recordings of strangers: one clear line, before a parser is given what keeps it busy."""

from __future__ import annotations

import json
import os
import random
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

cantools = pytest.importorskip("cantools", reason="the extra 'can' is not installed")
can = pytest.importorskip("can", reason="the extra 'can' is not installed")

from bmslogs.base.errors import BadInput  # noqa: E402
from bmslogs.importers.can import database as databases  # noqa: E402
from bmslogs.importers.can.database import load_definitions  # noqa: E402
from bmslogs.store import Store  # noqa: E402
from tests.importers.can.recorded import plain_bus, plain_dbc, record  # noqa: E402
from tests.importers.writing import drive, pack_for  # noqa: E402

LAUGHS = (
    '<?xml version="1.0"?><!DOCTYPE lolz [<!ENTITY a "ha">'
    + "".join(f'<!ENTITY {chr(98 + k)} "{f"&{chr(97 + k)};" * 10}">' for k in range(12))
    + ']><NetworkDefinition xmlns="http://kayak.2codeornot2code.org/1.0"><Document name="&m;"/></NetworkDefinition>'
)
OUTSIDE = (
    '<?xml version="1.0"?><!DOCTYPE x [<!ENTITY e SYSTEM "file:///etc/hostname">]>'
    '<AUTOSAR xmlns="http://autosar.org/schema/r4.0"><AR-PACKAGES>&e;</AR-PACKAGES></AUTOSAR>'
)
HEAD = 'VERSION ""\nBS_:\nBU_: B\n'


def many_signals() -> str:
    lines = "\n".join(f' SG_ S{k} : 0|8@1+ (1,0) [0|0] "" B' for k in range(400_000))
    return f"{HEAD}BO_ 1 M: 8 B\n{lines}\n"


def circle(length: int) -> str:
    signals = "\n".join(f' SG_ S{k} m0M : {k % 60}|2@1+ (1,0) [0|0] "" B' for k in range(length))
    chain = "\n".join(f"SG_MUL_VAL_ 1 S{k} S{(k + 1) % length} 0-0;" for k in range(length))
    return f"{HEAD}BO_ 1 M: 8 B\n{signals}\n{chain}\n"


HOSTILE: dict[str, tuple[str, Callable[[], str], str]] = {
    "entities within entities": ("kcd", lambda: LAUGHS, "document type or entities"),
    "the same in UTF-16": ("kcd", lambda: "\ufeff" + LAUGHS, "document type or entities"),
    "an entity from a file": ("arxml", lambda: OUTSIDE, "document type or entities"),
    "elements without end": ("arxml", lambda: "<AUTOSAR>" + "<A>" * 100_000, "nested deeper"),
    "a million elements": ("kcd", lambda: "<N>" + "<A></A>" * 1_000_000 + "</N>", "nested deeper or larger"),
    "hundreds of thousands of signals": ("dbc", many_signals, "signals"),
    "more than any database": ("dbc", lambda: HEAD + 'CM_ "' + "x" * (17 << 20) + '";\n', "larger than"),
    "a huge frame": (
        "dbc",
        lambda: f'{HEAD}BO_ 1 M: 4294967295 B\n SG_ S : 0|8@1+ (1,0) [0|0] "" B\n',
        "4294967295",
    ),
    "a huge signal": (
        "dbc",
        lambda: f'{HEAD}BO_ 1 M: 8 B\n SG_ S : 0|99999999@1+ (1,0) [0|0] "" B\n',
        "99999999",
    ),
    "a multiplexer of itself": ("dbc", lambda: circle(2), "selects itself"),
    "multiplexers without end": ("dbc", lambda: circle(3000), "selects itself or nests"),
    "a range of ids without end": (
        "dbc",
        lambda: (
            f'{HEAD}BO_ 1 M: 8 B\n SG_ A M : 0|8@1+ (1,0) [0|0] "" B\n SG_ S m0 : 8|8@1+ (1,0) [0|0] "" B\n'
            "SG_MUL_VAL_ 1 S A 0-4294967295;\n"
        ),
        "ids",
    ),
    "nothing but line ends": ("dbc", lambda: "\n" * (15 << 20), "no DBC database"),
    "nothing but line ends, SYM": ("sym", lambda: "\n" * (15 << 20), ""),
    "marks of signals that are none": ("dbc", lambda: HEAD + "SG_x " * 3_000_000, "words"),
    "digits without end": ("dbc", lambda: HEAD + 'CM_ "SG_MUL_VAL_ ' + "9" * (15 << 20) + '";\n', "letters"),
    "a range to a number of 5,000 digits": (
        "dbc",
        lambda: (
            f'{HEAD}BO_ 1 M: 8 B\n SG_ S m0 : 8|8@1+ (1,0) [0|0] "" B\nSG_MUL_VAL_ 1 S A 0-{"9" * 5000};\n'
        ),
        "ids",
    ),
    "multiplexed signals without end": (
        "dbc",
        lambda: (
            HEAD
            + "".join(f"SG_MUL_VAL_ 1 S{k} S{k // 64 * 64 + (k + 1) % 64} 0-0;\n" for k in range(300_000))
        ),
        "more than",
    ),
    "a million signals": ("kcd", lambda: "<N>" + '<Signal name="a"/>' * 800_000 + "</N>", "signals"),
    "a million signals, ARXML": ("arxml", lambda: "<A>" + "<I-SIGNAL/>" * 1_000_000 + "</A>", "signals"),
    "identifiers without end": (
        "sym",
        lambda: 'FormatVersion=6.0\nTitle="x"\n\n{SENDRECEIVE}\n\n[M]\nID=000h-7FFFFFFFh\nLen=8\n',
        "identifiers of more than",
    ),
    "an entity behind blanks": ("kcd", lambda: " " * (15 << 20) + OUTSIDE, "document type or entities"),
    "bytes of a picture": ("dbc", lambda: "\x89PNG\r\n\x1a\n\0\0\0", "no text"),
    "prose": ("dbc", lambda: "Dear workshop, the database is attached.\n" * 50, "no DBC database"),
    "half a file": ("dbc", lambda: plain_dbc().rsplit("(0.001", 1)[0], "only 11 of its 12 signals"),
    "nothing": ("sym", lambda: "", ""),
    "no messages": ("dbc", lambda: HEAD, "no message with signals"),
}


def put(name: str, folder: Path) -> Path:
    suffix, text, _ = HOSTILE[name]
    path = folder / f"given.{suffix}"
    encoding = "utf-16-le" if "UTF-16" in name else "latin-1" if "picture" in name else "utf-8"
    path.write_bytes(text().encode(encoding))
    return path


CODE = """
import json, os, resource, sys
from pathlib import Path
from bmslogs.base.errors import BadInput
from bmslogs.importers.can.database import load_definitions
resource.setrlimit(resource.RLIMIT_CPU, (20, 20))
resource.setrlimit(resource.RLIMIT_AS, (4 << 30, 4 << 30))
began = os.times()
try:
    load_definitions(Path(sys.argv[1]))
    said = None
except BadInput as error:
    said = str(error)
ended = os.times()
took = sum(ended[:4]) - sum(began[:4])
own = next(int(x.split()[1]) for x in Path("/proc/self/status").read_text().splitlines() if x[:6] == "VmHWM:")
# what the system counts for a child begins with the memory of its parent, so both are under one limit
parser = resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss
print(json.dumps([took, max(own, parser) / 1024, said]))
"""


@pytest.mark.skipif(sys.platform != "linux", reason="limits and memory are those of Linux")
@pytest.mark.parametrize("name", HOSTILE)
def test_hostile_database_takes_neither_long_nor_much(name: str, tmp_path: Path) -> None:
    """5 s of processor time and 300 MB, the parser's process with them."""
    root = Path(__file__).resolve().parents[3]
    done = subprocess.run(
        [sys.executable, "-c", CODE, str(put(name, tmp_path))],
        env={**os.environ, "PYTHONPATH": str(root)}, capture_output=True, text=True, timeout=200, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr[-600:]
    took, peak, said = json.loads(done.stdout)
    assert said is not None and "\n" not in said and len(said) < 2500
    assert took < 5 and peak < 300, (took, peak, said)


@pytest.mark.parametrize("name", HOSTILE)
def test_hostile_database_is_one_line(name: str, tmp_path: Path) -> None:
    with pytest.raises(BadInput) as caught:
        load_definitions(put(name, tmp_path))
    text = str(caught.value)
    assert HOSTILE[name][2] in text and "\n" not in text and "given." in text


def test_much_between_two_texts_is_no_long_text(tmp_path: Path) -> None:
    """150,000 letters without quotes between the version and a unit: a database like any other."""
    path = tmp_path / "given.dbc"
    signal = ' SG_ Cell_1 : 0|16@1+ (0.001,0) [0|5] "V" B'
    path.write_text(f"{HEAD}{' ' * 150_000}\nBO_ 1 M: 8 B\n{signal}\n", encoding="utf-8")
    assert len(load_definitions(path).messages) == 1


@pytest.mark.parametrize(
    "name", [n for n, (_, _, says) in HOSTILE.items() if says and "no " not in says and n != "half a file"]
)
def test_what_harms_never_reaches_the_parser(
    name: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(databases, "_parsed", lambda *_: pytest.fail("the parser was given it"))
    with pytest.raises(BadInput):
        load_definitions(put(name, tmp_path))


def test_a_parser_that_never_ends_is_stopped(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(databases, "LONGEST_PARSE_S", 0.01)
    path = tmp_path / "pack.dbc"
    path.write_text(plain_dbc(cells=8), encoding="utf-8")
    with pytest.raises(BadInput, match="not read within"):
        load_definitions(path)


def test_without_the_extra_one_line_says_what_to_install(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(databases.importlib.util, "find_spec", lambda name: None)
    path = tmp_path / "pack.dbc"
    path.write_text(plain_dbc(cells=4), encoding="utf-8")
    with pytest.raises(BadInput, match=r"pip install 'bmslogs\[can\]'"):
        load_definitions(path)


def damaged(raw: bytes, rng: random.Random) -> bytes:
    """Return bytes with some changed, cut, doubled or moved."""
    out = bytearray(raw)
    for _ in range(rng.randint(1, 6)):
        at, size = rng.randrange(len(out)), rng.choice((1, 2, 7, 60, 4000))
        kind = rng.choice(("flip", "flip", "cut", "double", "zero", "end", "text"))
        if kind == "flip":
            out[at] ^= 1 << rng.randrange(8)
        elif kind == "cut":
            del out[at : at + size]
        elif kind == "double":
            out[at:at] = out[at : at + size]
        elif kind == "zero":
            out[at : at + size] = bytes(len(out[at : at + size]))
        elif kind == "text":
            out[at:at] = rng.choice(
                (b"\n", b"(", b"#", b"LOBJ", b"\xff\xff\xff\xff", b" 99999999999999999999 ")
            )
        else:
            del out[max(at, 200) :]
        if len(out) < 10:
            break
    return bytes(out)


@pytest.mark.parametrize("suffix", ["log", "asc", "blf", "trc", "mf4"])
def test_damaged_recordings_end_in_a_log_or_one_line(suffix: str, tmp_path: Path) -> None:
    """One log or one refusal of one line for each, never a traceback."""
    if suffix == "mf4":
        pytest.importorskip("asammdf", reason="the extra 'can' is not installed")
    import datetime as dt

    from tests.importers.can.recorded import record_mf4

    truth = drive(rows=60)
    signals = tmp_path / "pack.dbc"
    signals.write_text(plain_dbc(), encoding="utf-8")
    bus = plain_bus(truth, cantools.database.load_file(signals))
    start = dt.datetime(2026, 5, 13, 9, 10, tzinfo=dt.UTC)
    whole = tmp_path / f"whole.{suffix}"
    raw = (record_mf4(bus, whole, start) if suffix == "mf4" else record(bus, whole)).read_bytes()
    rng = random.Random(suffix)
    for k in range(25):
        path = tmp_path / f"damaged.{suffix}"
        path.write_bytes(damaged(raw, rng))
        report = Store(tmp_path / f"store{k}").import_files([path], pack_for(truth), signals=signals)
        assert len(report.logs) + len(report.refused) == 1
        assert all("\n" not in r.reason and "Traceback" not in r.reason for r in report.refused)
