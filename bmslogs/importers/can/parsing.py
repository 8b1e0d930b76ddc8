"""The signal database by cantools, in a process of its own: text on standard input, definitions as JSON on output."""

from __future__ import annotations

import json
import sys
from dataclasses import asdict
from typing import Any

from bmslogs.base.errors import BadInput
from bmslogs.importers.can.database import DEEPEST, MOST_BITS, Condition, Definitions, Message, Signal


def parsed(text: str, kind: str) -> Any:
    """Return the database as cantools reads it.

    Raises
    ------
    BadInput
        It cannot.
    """
    from xml.etree.ElementTree import ParseError

    import cantools

    try:
        return cantools.database.load_string(text, database_format=kind, strict=False, prune_choices=False)
    except (RecursionError, MemoryError):
        raise BadInput("nests without end", "a database that cantools reads") from None
    except (
        cantools.Error, ParseError, ValueError, KeyError, IndexError, AttributeError, TypeError, OverflowError,
        AssertionError, NotImplementedError, ArithmeticError, StopIteration,
    ) as error:  # fmt: skip
        # what a parser stumbles over in a stranger's file is of any kind; nothing of ours runs inside
        line = " ".join(str(error).split())[:200]
        raise BadInput(
            f"is no {kind.upper()} database ({type(error).__name__}: {line})", "one that cantools reads"
        ) from None


def definitions_of(database: Any) -> Definitions:
    """Return what cantools read as frozen definitions."""
    if not hasattr(database, "messages"):
        raise BadInput("describes diagnostics, no messages", "a database of messages")
    messages, left = [], []
    for message in database.messages:
        if getattr(message, "is_container", False):
            left.append(f"{message.name}: a container of other messages")
            continue
        signals = []
        for signal in message.signals:
            end = _first_bit(signal) + int(signal.length)
            whole = signal.conversion.is_float
            if end > MOST_BITS or signal.length > 64 or (whole and signal.length not in (16, 32, 64)):
                left.append(f"{message.name}.{signal.name}: {signal.length} bits up to bit {end}")
                continue
            signals.append(_signal(signal, message))
        if signals:
            by_group = getattr(message, "protocol", None) == "j1939" and bool(message.is_extended_frame)
            messages.append(
                Message(
                    str(message.name),
                    int(message.frame_id),
                    bool(message.is_extended_frame),
                    int(message.length),
                    tuple(signals),
                    by_group,
                )
            )
    if not messages:
        raise BadInput("no message with signals", "a signal database")
    return Definitions("", "", tuple(messages), tuple(left))


def _first_bit(signal: Any) -> int:
    start = int(signal.start)
    return 8 * (start // 8) + 7 - start % 8 if signal.byte_order == "big_endian" else start


def _signal(signal: Any, message: Any) -> Signal:
    inner = signal.conversion
    simple = type(inner)
    if signal.choices:
        simple = type(type(inner).factory(inner.scale, inner.offset, None, inner.is_float))
    return Signal(
        str(signal.name),
        str(signal.unit or ""),
        _first_bit(signal),
        int(signal.length),
        signal.byte_order == "little_endian",
        bool(signal.is_signed),
        bool(inner.is_float),
        inner.scale,
        inner.offset,
        simple.__name__ in ("IdentityConversion", "LinearIntegerConversion") and not inner.is_float,
        tuple((int(k), str(v)) for k, v in (signal.choices or {}).items()),
        None if signal.minimum is None else float(signal.minimum),
        None if signal.maximum is None else float(signal.maximum),
        _conditions(signal, message),
    )


def _conditions(signal: Any, message: Any) -> tuple[Condition, ...]:
    """Return what selects a signal, outermost first."""
    out: list[Condition] = []
    by_name = {s.name: s for s in message.signals}
    while signal.multiplexer_ids and signal.multiplexer_signal:
        out.append(Condition(str(signal.multiplexer_signal), tuple(int(i) for i in signal.multiplexer_ids)))
        signal = by_name.get(signal.multiplexer_signal)
        if signal is None or len(out) > DEEPEST:
            break
    return tuple(reversed(out))


def answer(text: str, kind: str) -> dict[str, Any]:
    """Return the definitions of a database as plain data, or why it cannot be read (``refused``, ``expected``)."""
    try:
        return asdict(definitions_of(parsed(text, kind)))
    except BadInput as error:
        return {"refused": error.found, "expected": error.expected}


def main() -> None:
    """Read a database from standard input and print its definitions, or why it cannot be read."""
    # cantools brings python-can, and that asammdf where it is there: seconds and 150 MB that no database needs
    sys.modules["asammdf"] = None  # type: ignore[assignment]
    text = sys.stdin.buffer.read().decode("utf-8", "surrogatepass")
    sys.stdout.write(json.dumps(answer(text, sys.argv[1])))


if __name__ == "__main__":
    main()
