"""A known truth sent over an invented bus: cantools encodes, python-can and asammdf write; this project only reads."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np

from tests.importers.writing import Truth

PLAIN = """VERSION ""
BS_:
BU_: Board
{messages}
{values}
"""
"""A database with as many messages of four cells as needed."""


def plain_dbc(cells: int = 12, sensors: int = 3, *, big: bool = False) -> str:
    """Return a database: four cells a message, pack, temperatures; in Intel or Motorola order."""
    order = 0 if big else 1
    out = []
    for m in range(-(-cells // 4)):
        out.append(f"BO_ {0x310 + m} CellVoltages{m + 1}: 8 Board")
        for k in range(min(4, cells - 4 * m)):
            at = 16 * k + (7 if big else 0)
            out.append(f' SG_ CellU{4 * m + k + 1:02d} : {at}|16@{order}+ (0.001,0) [0|5] "V" Board')
    out.append(f"BO_ {0x300} PackStatus: 8 Board")
    out.append(f' SG_ PackCurrent : {7 if big else 0}|16@{order}- (0.1,0) [-3000|3000] "A" Board')
    out.append(f' SG_ StateOfCharge : {23 if big else 16}|16@{order}+ (0.1,0) [0|100] "%" Board')
    out.append(f' SG_ Mode : {39 if big else 32}|8@{order}+ (1,0) [0|3] "" Board')
    out.append(f"BO_ {0x18FF5001 | 0x80000000} PackTemperatures: 8 Board")
    for s in range(sensors):
        at = 16 * s + (7 if big else 0)
        out.append(f' SG_ T{s + 1} : {at}|16@{order}- (0.1,-40) [-40|120] "degC" Board')
    return PLAIN.format(messages="\n".join(out), values=f'VAL_ {0x300} Mode 0 "Idle" 1 "Ready" 2 "Limp" ;')


def banked_dbc(cells: int = 12, bank: int = 3) -> str:
    """Return a database whose cells come in banks by a multiplexer."""
    out = [f"BO_ {0x320} CellBank: 8 Board", ' SG_ Bank M : 0|8@1+ (1,0) [0|255] "" Board']
    for c in range(cells):
        out.append(
            f' SG_ CellU{c + 1:02d} m{c // bank} : {8 + 16 * (c % bank)}|16@1+ (0.001,0) [0|5] "V" Board'
        )
    out += [f"BO_ {0x300} PackStatus: 8 Board", ' SG_ PackCurrent : 0|16@1- (0.1,0) [-3000|3000] "A" Board']
    return PLAIN.format(messages="\n".join(out), values="")


def counted_dbc(bank: int = 3) -> str:
    """Return a database in which a plain number in the frame says which cells it speaks of."""
    out = [f"BO_ {0x321} CellGroup: 8 Board", ' SG_ GroupIndex : 0|8@1+ (1,0) [0|255] "" Board']
    out += [f' SG_ CellU{k + 1} : {8 + 16 * k}|16@1+ (0.001,0) [0|5] "V" Board' for k in range(bank)]
    out += [f"BO_ {0x300} PackStatus: 8 Board", ' SG_ PackCurrent : 0|16@1- (0.1,0) [-3000|3000] "A" Board']
    return PLAIN.format(messages="\n".join(out), values="")


@dataclass
class Bus:
    """What goes over the bus: time [s since 1970], identifier, extended, data."""

    frames: list[tuple[float, int, bool, bytes]] = field(default_factory=list)

    def send(self, time: float, message: Any, values: dict[str, Any], ident: int | None = None) -> None:
        data = message.encode(values, strict=False)
        self.frames.append(
            (time, message.frame_id if ident is None else ident, message.is_extended_frame, data)
        )

    def sorted(self) -> list[tuple[float, int, bool, bytes]]:
        return sorted(self.frames, key=lambda f: f[0])


def seconds(truth: Truth) -> Any:
    return truth.time.astype("datetime64[us]").astype(np.int64) / 1e6


def plain_bus(truth: Truth, database: Any, *, apart: float = 0.002, temperatures_every: int = 1) -> Bus:
    """Send a truth: the current first, then the cells one message after the other."""
    bus = Bus()
    n = truth.cells.shape[1]
    for r, t in enumerate(seconds(truth)):
        pack = database.get_message_by_name("PackStatus")
        soc = float(truth.soc[r]) if truth.soc is not None else 50.0
        bus.send(t, pack, {"PackCurrent": float(truth.current[r]), "StateOfCharge": soc, "Mode": 1})
        for m in range(-(-n // 4)):
            message = database.get_message_by_name(f"CellVoltages{m + 1}")
            values = {s.name: float(truth.cells[r, int(s.name[-2:]) - 1]) for s in message.signals}
            bus.send(t + apart * m, message, values)
        if r % temperatures_every == 0:
            message = database.get_message_by_name("PackTemperatures")
            values = {s.name: float(truth.temperatures[r, int(s.name[1:]) - 1]) for s in message.signals}
            bus.send(t + apart * 5, message, values)
    return bus


def banked_bus(truth: Truth, database: Any, *, bank: int = 3, apart: float = 0.01) -> Bus:
    """Send the cells in banks, one frame a bank."""
    bus = Bus()
    for r, t in enumerate(seconds(truth)):
        bus.send(t, database.get_message_by_name("PackStatus"), {"PackCurrent": float(truth.current[r])})
        for b in range(truth.cells.shape[1] // bank):
            if any(m.name == "CellBank" for m in database.messages):
                values = {
                    f"CellU{c + 1:02d}": float(truth.cells[r, c]) for c in range(b * bank, (b + 1) * bank)
                }
                bus.send(t + apart * b, database.get_message_by_name("CellBank"), {"Bank": b, **values})
            else:
                values = {f"CellU{k + 1}": float(truth.cells[r, b * bank + k]) for k in range(bank)}
                bus.send(
                    t + apart * b, database.get_message_by_name("CellGroup"), {"GroupIndex": b, **values}
                )
    return bus


def record(bus: Bus, path: Path) -> Path:
    """Write a recording with python-can, in the format of the file's name."""
    import can

    with can.Logger(path) as logger:
        for time, ident, extended, data in bus.sorted():
            logger.on_message_received(
                can.Message(
                    timestamp=time, arbitration_id=ident, is_extended_id=extended, data=data, is_fd=len(data) > 8,
                    channel=0,
                )
            )  # fmt: skip
    return path


def record_mf4(bus: Bus, path: Path, start: dt.datetime) -> Path:
    """Write the frames as an MF4 bus recording with asammdf."""
    from asammdf import MDF, Signal, Source
    from asammdf.blocks import v4_constants as v4

    kind = np.dtype(
        [
            ("CAN_DataFrame.BusChannel", "<u1"),
            ("CAN_DataFrame.ID", "<u4"),
            ("CAN_DataFrame.IDE", "<u1"),
            ("CAN_DataFrame.DLC", "<u1"),
            ("CAN_DataFrame.DataLength", "<u1"),
            ("CAN_DataFrame.DataBytes", "(8,)u1"),
            ("CAN_DataFrame.Dir", "<u1"),
        ]
    )
    frames = bus.sorted()
    samples = np.zeros(len(frames), dtype=kind)
    for k, (_, ident, extended, data) in enumerate(frames):
        row = samples[k]
        row["CAN_DataFrame.BusChannel"], row["CAN_DataFrame.ID"], row["CAN_DataFrame.IDE"] = (
            1,
            ident,
            extended,
        )
        row["CAN_DataFrame.DLC"] = row["CAN_DataFrame.DataLength"] = len(data)
        row["CAN_DataFrame.DataBytes"][: len(data)] = np.frombuffer(data, dtype=np.uint8)
    mdf = MDF(version="4.10")
    mdf.header.start_time = start
    since = np.array([f[0] for f in frames]) - start.timestamp()
    source = Source("bus", "bus", "", v4.SOURCE_BUS, v4.BUS_TYPE_CAN)
    mdf.append(Signal(samples, since, name="CAN_DataFrame", source=source))
    mdf.groups[0].channel_group.flags |= v4.FLAG_CG_BUS_EVENT
    mdf.save(path, overwrite=True)
    mdf.close()
    return path
