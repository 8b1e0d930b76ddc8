"""The signal database as frozen definitions: read by cantools, after what could harm has been looked for."""

from __future__ import annotations

import hashlib
import importlib.util
import json
import os
import re
import subprocess
import sys
from dataclasses import dataclass, replace
from decimal import Decimal, InvalidOperation
from pathlib import Path
from typing import Any

from bmslogs.base.errors import BadInput

INSTALL = "pip install 'bmslogs[can]'"
MOST_BYTES = 16 << 20
"""Choice [bytes]: a whole vehicle's database is a few MB; ten times that still parses within seconds."""
MOST_SIGNALS = 8_000
"""Choice: a battery's database holds hundreds; parsing takes about half a millisecond a signal."""
MOST_MESSAGES = 5_000
MOST_WORDS = 500_000
"""Choice: outside of quotes; 8,000 signals with their value tables stay below, and parsing takes 5 us each."""
MOST_LETTERS = 100_000
"""Choice: of one text in quotes, a remark; real ones are a few lines."""
_TEXT = r'"[^"]*(?:"|$)'
MOST_BITS = 64 * 8
"""A frame of CAN FD has 64 bytes (ISO 11898-1)."""
MOST_DECLARED = 4096 * 8
"""Choice [bits]: diagnostic and transport messages declare up to 4095 bytes (ISO 15765-2); more is no message."""
MOST_MULTIPLEX = 65_536
"""Choice: ids that the ranges of multiplexed signals may name in all."""
DEEPEST = 64
"""Choice: elements within elements of an XML database; real ones stay below 30."""
LONGEST_PARSE_S = 60.0
"""Choice [s]: the largest database that is let through takes a fifth of it on a slow machine."""
FORMATS = {".dbc": "dbc", ".kcd": "kcd", ".sym": "sym", ".arxml": "arxml"}
NOT_AVAILABLE = re.compile(
    r"\b(sna|na|n/a|not[ _]?avail\w*|unavail\w*|invalid|inval|undefined|error|err|fault\w*|init\w*|signal[ _]not"
    r"|ungueltig|ungültig|nicht[ _]verf\w*|fehler)\b",
    re.IGNORECASE,
)
"""Labels of codes that stand for "no reading" in value tables (common practice, no source)."""


@dataclass(frozen=True)
class Condition:
    """A signal is there only where the selector's scaled value is one of these."""

    selector: str
    values: tuple[int, ...]


@dataclass(frozen=True)
class Signal:
    """One signal of a message.

    Attributes
    ----------
    start
        First bit: of a little-endian signal the lowest, counted from the lowest bit of byte 0; of a big-endian one the
        highest, counted from the highest bit of byte 0.
    length
        Bits.
    scale, offset
        Value = raw * scale + offset, in `unit`; kept as the integers or floats that the database gives.
    exact
        Whether values are integers by the database (arithmetic without rounding).
    labels
        Value table: raw value and text.
    when
        Conditions on multiplexer signals, outermost first.
    """

    name: str
    unit: str
    start: int
    length: int
    little: bool
    signed: bool
    floating: bool
    scale: float
    offset: float
    exact: bool
    labels: tuple[tuple[int, str], ...] = ()
    minimum: float | None = None
    maximum: float | None = None
    when: tuple[Condition, ...] = ()

    @property
    def decimals(self) -> int | None:
        """Digits behind the decimal mark that a value carries; None for floating point and odd factors."""
        if self.floating:
            return None
        most = max(places(self.scale), places(self.offset))
        return most if most <= 12 else None

    @property
    def is_state(self) -> bool:
        """Whether the value table names states rather than exceptions of a measured value."""
        measured = self.unit.strip() not in ("", "-", "1", "enum", "bit", "state")
        if not self.labels or measured or self.floating or self.scale != 1 or self.offset != 0:
            return False
        plain = [raw for raw, text in self.labels if not NOT_AVAILABLE.search(text)]
        return len(plain) > 1 or self.length <= 2

    @property
    def silent_raw(self) -> tuple[int, ...]:
        """Raw values that stand for "no reading" by the value table."""
        return tuple(raw for raw, text in self.labels if NOT_AVAILABLE.search(text))


@dataclass(frozen=True)
class Message:
    """One message: identifier, length in bytes, signals."""

    name: str
    ident: int
    extended: bool
    length: int
    signals: tuple[Signal, ...]
    by_group: bool = False

    def signal(self, name: str) -> Signal:
        """Return a signal by its name."""
        return next(s for s in self.signals if s.name == name)


@dataclass(frozen=True)
class Definitions:
    """A database.

    Attributes
    ----------
    left_out
        Messages and signals that cannot be read, one line each.
    """

    file: str
    sha256: str
    messages: tuple[Message, ...]
    left_out: tuple[str, ...] = ()


_KNOWN: dict[tuple[str, str], Definitions] = {}
"""Databases that this process has read, by their bytes."""


def load_definitions(path: Path) -> Definitions:
    """Read a signal database (DBC, KCD, SYM, ARXML).

    Raises
    ------
    BadInput
        No database, one that could harm, or cantools is not installed.
    """
    kind = FORMATS.get(path.suffix.lower())
    if kind is None:
        raise BadInput("no signal database by its name", "a .dbc, .kcd, .sym or .arxml file", file=path)
    try:
        if path.stat().st_size > MOST_BYTES:
            raise BadInput(f"larger than {MOST_BYTES >> 20} MB", "the database of one vehicle", file=path)
        raw = path.read_bytes()
    except OSError as error:
        raise BadInput(f"cannot be read ({error.strerror})", "a signal database", file=path) from None
    text = _text(raw, kind, path)
    sha256 = hashlib.sha256(raw).hexdigest()
    known = _KNOWN.get((sha256, kind))
    if known is None:
        _refuse_harm(text, kind, path)
        known = _parsed(text, kind, path, sha256)
        _refuse_cut(text, kind, known, path)
        _KNOWN[(sha256, kind)] = known
    return replace(known, file=path.name)


def _text(raw: bytes, kind: str, path: Path) -> str:
    if raw.startswith((b"\xff\xfe", b"\xfe\xff")):
        encoding = "utf-16"
    elif kind in ("kcd", "arxml"):
        declared = re.match(rb"\s*<\?xml[^>]*encoding\s*=\s*[\"']([\w.-]+)", raw[:200])
        encoding = declared.group(1).decode("ascii") if declared else "utf-8-sig"
        if encoding.lower() not in ("utf-8", "utf-8-sig", "us-ascii", "ascii", "iso-8859-1", "windows-1252"):
            raise BadInput(f"XML in {encoding}", "UTF-8", file=path)
        encoding = "utf-8-sig" if encoding.lower() == "utf-8" else encoding
    else:
        encoding = "utf-8-sig"
    try:
        text = raw.decode(encoding)
    except UnicodeError:
        text = raw.decode("cp1252", errors="replace")
    if "\0" in text:
        raise BadInput("is no text", f"a {kind.upper()} database", file=path)
    return text


def _refuse_harm(text: str, kind: str, path: Path) -> None:
    """Refuse what would take the parser without end, before it sees it."""
    if kind in ("kcd", "arxml"):
        _refuse_xml(text, path)
    heads = {"dbc": r"\bSG_\s", "kcd": r"<(?:\w+:)?(?:Signal|Multiplex)\b", "sym": r"^[ \t]*(?:Sig|Var|Mux)[ \t]*=",
             "arxml": r"<(?:\w+:)?(?:I-SIGNAL|SYSTEM-SIGNAL|I-SIGNAL-TO-I-PDU-MAPPING)\b"}  # fmt: skip
    tops = {
        "dbc": r"\bBO_\s",
        "kcd": r"<(?:\w+:)?Message\b",
        "sym": r"^[ \t]*\[",
        "arxml": r"<(?:\w+:)?CAN-FRAME\b",
    }
    signals = _count(heads[kind], text, (3 if kind == "arxml" else 1) * MOST_SIGNALS)
    if signals is None:
        raise BadInput(f"more than {MOST_SIGNALS} signals", "the battery's part of the database", file=path)
    if _count(tops[kind], text, MOST_MESSAGES) is None:
        raise BadInput(f"more than {MOST_MESSAGES} messages", "the battery's part of the database", file=path)
    if kind in ("dbc", "sym"):
        _refuse_words(text, path)
    for line, what, value in _sizes(text, kind):
        if value > MOST_DECLARED:
            raise BadInput(f"{what} of {value}", "64 bytes at most in a frame", file=path, line=line)
    if kind == "dbc" and text.count("SG_MUL_VAL_") > MOST_SIGNALS:
        raise BadInput(f"more than {MOST_SIGNALS} multiplexed signals", "the battery's part of it", file=path)
    _refuse_ids(text, kind, path)
    if kind == "dbc":
        _refuse_circles(text, path)


def _refuse_words(text: str, path: Path) -> None:
    """Refuse texts and words without end."""
    # from an opening mark to the next; between two texts there may be as much as there is
    if any(len(quoted.group()) > MOST_LETTERS for quoted in re.finditer(_TEXT, text)):
        raise BadInput(f"a text of more than {MOST_LETTERS} letters", "names and remarks", file=path)
    bare = re.sub(_TEXT, " ", text)
    if _count(r"\S+", bare, MOST_WORDS) is None:
        raise BadInput(f"more than {MOST_WORDS} words", "the battery's part of the database", file=path)


def _refuse_ids(text: str, kind: str, path: Path) -> None:
    """Refuse ranges of identifiers that stand for millions of messages or signals."""
    ids = 0
    spans = r"(?<!\d)(\d{1,20})\s*-\s*(\d{1,20})"
    for match in re.finditer(spans, text) if kind == "dbc" and "SG_MUL_VAL_" in text else ():
        ids += max(_whole(match.group(2)) - _whole(match.group(1)), 0)
    if kind == "sym":
        # a range of identifiers becomes as many messages
        ranges = re.findall(r"=[ \t]*([0-9A-Fa-f]{1,16})h?[ \t]*-[ \t]*([0-9A-Fa-f]{1,16})h?\b", text)
        if sum(max(int(last, 16) - int(first, 16), 0) for first, last in ranges) > MOST_MESSAGES:
            raise BadInput(
                f"identifiers of more than {MOST_MESSAGES} messages", "one message each", file=path
            )
    if ids > MOST_MULTIPLEX * 4:
        raise BadInput("multiplexed signals name millions of ids", f"{MOST_MULTIPLEX} at most", file=path)


def _whole(digits: str) -> int:
    """Return a number; of more digits than any place or id has, one that is too large in any case."""
    return int(digits) if len(digits) < 19 else 10**18


def _refuse_xml(text: str, path: Path) -> None:
    declared = re.search(r"<!(DOCTYPE|ENTITY)", text, re.IGNORECASE)
    if declared is not None:
        line = text.count("\n", 0, declared.start()) + 1
        raise BadInput(
            f"declares its own document type or entities ({declared.group(0)})",
            "a database without",
            file=path,
            line=line,
        )
    depth = deepest = elements = 0
    for match in re.finditer(r"<(/?)[A-Za-z][^<>]*?(/?)>", text):
        if match.group(1):
            depth -= 1
        elif not match.group(2):
            depth += 1
            deepest = max(deepest, depth)
            elements += 1
        if deepest > DEEPEST or elements > 40 * MOST_SIGNALS:
            raise BadInput(
                "XML nested deeper or larger than any database",
                f"{DEEPEST} levels and {40 * MOST_SIGNALS} elements at most",
                file=path,
            )


def _count(pattern: str, text: str, most: int) -> int | None:
    """Return how often a pattern occurs, None where more often than `most`."""
    count = 0
    for _ in re.finditer(pattern, text, re.MULTILINE):
        count += 1
        if count > most:
            return None
    return count


def _sizes(text: str, kind: str) -> list[tuple[int, str, int]]:
    """Return declared lengths and places that are too long to be true, with their lines."""
    patterns = {
        "dbc": (
            r"\bBO_\s+\d+\s+\w+\s*:\s*(\d{5,})",
            r":\s*(\d{5,})\s*\|",
            r"\|\s*(\d{4,})\s*@",
        ),
        "kcd": (r"\b(?:length|offset|count)\s*=\s*[\"'](\d{5,})",),
        "sym": (
            r"^[ \t]*(?:Len|DLC)\s*=\s*(\d{4,})",
            r"(?:unsigned|signed|bit|char|string|raw)\s+\d*,?(\d{5,})",
        ),
        "arxml": (r"<(?:\w+:)?(?:LENGTH|[A-Z-]*LENGTH|START-POSITION)>\s*(\d{5,})",),
    }[kind]
    out: list[tuple[int, str, int]] = []
    for pattern in patterns:
        match = re.search(pattern, text, re.MULTILINE)
        while match is not None and len(out) < 10:
            digits = match.group(1)
            value = _whole(digits)
            out.append((text.count("\n", 0, match.start()) + 1, "a length or place", value))
            match = (
                re.compile(pattern, re.MULTILINE).search(text, match.end())
                if value <= MOST_DECLARED
                else None
            )
    return out


def _refuse_circles(text: str, path: Path) -> None:
    """Refuse multiplexers that select each other, and chains longer than any."""
    parents: dict[tuple[str, str], str] = {}
    for match in re.finditer(r"\bSG_MUL_VAL_\s+(\d+)\s+(\w+)\s+(\w+)\s", text):
        parents[(match.group(1), match.group(2))] = match.group(3)
    for message, signal in parents:
        at, steps = signal, 0
        while (message, at) in parents:
            at, steps = parents[(message, at)], steps + 1
            if at == signal or steps > DEEPEST:
                raise BadInput(
                    f"multiplexer {signal} selects itself or nests without end", "a tree of them", file=path
                )


def _refuse_cut(text: str, kind: str, found: Definitions, path: Path) -> None:
    """Refuse a DBC of which cantools read a part only: it passes over what it does not understand."""
    if kind != "dbc":
        return
    blocks = re.split(r"^[ \t]*(?=BO_ )", text, flags=re.MULTILINE)[1:]
    stands = 0
    for block in blocks:
        # the place of signals without a message, which cantools leaves out by design
        if not block.startswith("BO_ 3221225472 "):
            stands += len(re.findall(r"^[ \t]*SG_\s+\w+\s*(?:(?:M|m\d+M?)\s*)?:", block, re.MULTILINE))
    read = sum(len(m.signals) for m in found.messages) + sum("." in x.split(":")[0] for x in found.left_out)
    if read < stands:
        raise BadInput(f"only {read} of its {stands} signals can be read", "a whole database", file=path)


def _parsed(text: str, kind: str, path: Path, sha256: str) -> Definitions:
    """Have cantools read a database in a process of its own.

    It brings some 200 MB of libraries along that nothing else here needs, and a stranger's file that keeps it busy is
    stopped.
    """
    if importlib.util.find_spec("cantools") is None:
        raise BadInput("signal databases need cantools", INSTALL, file=path)
    root = str(Path(__file__).parents[3])
    paths = os.pathsep.join([root, *filter(None, [os.environ.get("PYTHONPATH")])])
    try:
        done = subprocess.run(
            [sys.executable, "-m", "bmslogs.importers.can.parsing", kind],
            input=text.encode("utf-8", "surrogatepass"),
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            env=os.environ | {"PYTHONPATH": paths},
            timeout=LONGEST_PARSE_S,
            check=False,
        )
    except subprocess.TimeoutExpired:
        raise BadInput(
            f"is not read within {LONGEST_PARSE_S:g} s", "the battery's part of the database", file=path
        ) from None
    try:
        answer = json.loads(done.stdout)
    except ValueError:
        raise BadInput("keeps cantools from ending", "a database that cantools reads", file=path) from None
    return of_answer(answer, path, sha256)


def of_answer(answer: dict[str, Any], path: Path, sha256: str) -> Definitions:
    """Return the definitions that the process of its own gave back.

    Raises
    ------
    BadInput
        It gave back why there are none.
    """
    if "refused" in answer:
        raise BadInput(answer["refused"], answer["expected"], file=path)
    return Definitions(
        path.name, sha256, tuple(_message(m) for m in answer["messages"]), tuple(answer["left_out"])
    )


def _message(held: dict[str, Any]) -> Message:
    return Message(**(held | {"signals": tuple(_signal(s) for s in held["signals"])}))


def _signal(held: dict[str, Any]) -> Signal:
    when = tuple(Condition(c["selector"], tuple(c["values"])) for c in held["when"])
    labels = tuple((int(raw), str(text)) for raw, text in held["labels"])
    return Signal(**(held | {"when": when, "labels": labels}))


def places(value: float) -> int:
    """Return how many digits behind the decimal mark a number has as it is written."""
    try:
        exponent = Decimal(repr(value)).normalize().as_tuple().exponent
    except InvalidOperation:
        return 99
    return max(-exponent, 0) if isinstance(exponent, int) else 99
