"""A small ARXML of a described bus: frames, PDUs, signals, linear scaling; what cantools needs and no more."""

from __future__ import annotations

from typing import Any


def arxml_of(database: Any) -> str:
    """Return the database as AUTOSAR 4 XML."""
    frames, pdus, signals, systems, methods, units, triggers = [], [], [], [], [], {}, []
    for message in database.messages:
        name = message.name
        triggers.append(
            f"<CAN-FRAME-TRIGGERING><SHORT-NAME>T_{name}</SHORT-NAME>"
            f'<FRAME-REF DEST="CAN-FRAME">/Bus/Frames/{name}</FRAME-REF>'
            f"<CAN-ADDRESSING-MODE>{'EXTENDED' if message.is_extended_frame else 'STANDARD'}</CAN-ADDRESSING-MODE>"
            f"<IDENTIFIER>{message.frame_id}</IDENTIFIER></CAN-FRAME-TRIGGERING>"
        )
        frames.append(
            f"<CAN-FRAME><SHORT-NAME>{name}</SHORT-NAME><FRAME-LENGTH>{message.length}</FRAME-LENGTH>"
            "<PDU-TO-FRAME-MAPPINGS><PDU-TO-FRAME-MAPPING><SHORT-NAME>M</SHORT-NAME>"
            "<PACKING-BYTE-ORDER>MOST-SIGNIFICANT-BYTE-LAST</PACKING-BYTE-ORDER>"
            f'<PDU-REF DEST="I-SIGNAL-I-PDU">/Bus/Pdus/{name}</PDU-REF><START-POSITION>0</START-POSITION>'
            "</PDU-TO-FRAME-MAPPING></PDU-TO-FRAME-MAPPINGS></CAN-FRAME>"
        )
        maps = []
        for s in message.signals:
            own = f"{name}_{s.name}"
            maps.append(
                f"<I-SIGNAL-TO-I-PDU-MAPPING><SHORT-NAME>{s.name}</SHORT-NAME>"
                f'<I-SIGNAL-REF DEST="I-SIGNAL">/Bus/Signals/{s.name}</I-SIGNAL-REF>'
                f"<PACKING-BYTE-ORDER>MOST-SIGNIFICANT-BYTE-{'LAST' if s.byte_order == 'little_endian' else 'FIRST'}"
                f"</PACKING-BYTE-ORDER><START-POSITION>{s.start}</START-POSITION></I-SIGNAL-TO-I-PDU-MAPPING>"
            )
            base = "SINT" if s.is_signed else "UINT"
            signals.append(
                f"<I-SIGNAL><SHORT-NAME>{s.name}</SHORT-NAME><LENGTH>{s.length}</LENGTH>"
                "<NETWORK-REPRESENTATION-PROPS><SW-DATA-DEF-PROPS-VARIANTS><SW-DATA-DEF-PROPS-CONDITIONAL>"
                f'<BASE-TYPE-REF DEST="SW-BASE-TYPE">/Bus/Types/{base}</BASE-TYPE-REF>'
                "</SW-DATA-DEF-PROPS-CONDITIONAL></SW-DATA-DEF-PROPS-VARIANTS></NETWORK-REPRESENTATION-PROPS>"
                f'<SYSTEM-SIGNAL-REF DEST="SYSTEM-SIGNAL">/Bus/System/{own}</SYSTEM-SIGNAL-REF></I-SIGNAL>'
            )
            unit = {"V": "V", "A": "A", "%": "percent", "degC": "degC"}.get(s.unit or "", "")
            if unit:
                units[unit] = s.unit
            ref = f'<UNIT-REF DEST="UNIT">/Bus/Units/{unit}</UNIT-REF>' if unit else ""
            systems.append(
                f"<SYSTEM-SIGNAL><SHORT-NAME>{own}</SHORT-NAME><PHYSICAL-PROPS><SW-DATA-DEF-PROPS-VARIANTS>"
                f'<SW-DATA-DEF-PROPS-CONDITIONAL><COMPU-METHOD-REF DEST="COMPU-METHOD">/Bus/Methods/{own}'
                f"</COMPU-METHOD-REF>{ref}</SW-DATA-DEF-PROPS-CONDITIONAL></SW-DATA-DEF-PROPS-VARIANTS>"
                "</PHYSICAL-PROPS></SYSTEM-SIGNAL>"
            )
            methods.append(
                f"<COMPU-METHOD><SHORT-NAME>{own}</SHORT-NAME><CATEGORY>LINEAR</CATEGORY><COMPU-INTERNAL-TO-PHYS>"
                "<COMPU-SCALES><COMPU-SCALE><COMPU-RATIONAL-COEFFS>"
                f"<COMPU-NUMERATOR><V>{s.offset}</V><V>{s.scale}</V></COMPU-NUMERATOR>"
                "<COMPU-DENOMINATOR><V>1</V></COMPU-DENOMINATOR></COMPU-RATIONAL-COEFFS></COMPU-SCALE>"
                "</COMPU-SCALES></COMPU-INTERNAL-TO-PHYS></COMPU-METHOD>"
            )
        pdus.append(
            f"<I-SIGNAL-I-PDU><SHORT-NAME>{name}</SHORT-NAME><LENGTH>{message.length}</LENGTH>"
            f"<I-SIGNAL-TO-PDU-MAPPINGS>{''.join(maps)}</I-SIGNAL-TO-PDU-MAPPINGS></I-SIGNAL-I-PDU>"
        )
    cluster = (
        "<CAN-CLUSTER><SHORT-NAME>Cluster</SHORT-NAME><CAN-CLUSTER-VARIANTS><CAN-CLUSTER-CONDITIONAL>"
        "<BAUDRATE>500000</BAUDRATE><PHYSICAL-CHANNELS><CAN-PHYSICAL-CHANNEL><SHORT-NAME>Channel</SHORT-NAME>"
        f"<FRAME-TRIGGERINGS>{''.join(triggers)}</FRAME-TRIGGERINGS></CAN-PHYSICAL-CHANNEL></PHYSICAL-CHANNELS>"
        "</CAN-CLUSTER-CONDITIONAL></CAN-CLUSTER-VARIANTS></CAN-CLUSTER>"
    )
    types = "".join(
        f"<SW-BASE-TYPE><SHORT-NAME>{n}</SHORT-NAME><BASE-TYPE-ENCODING>{e}</BASE-TYPE-ENCODING></SW-BASE-TYPE>"
        for n, e in (("UINT", "NONE"), ("SINT", "2C"))
    )
    texts = "".join(
        f"<UNIT><SHORT-NAME>{n}</SHORT-NAME><DISPLAY-NAME>{t}</DISPLAY-NAME></UNIT>" for n, t in units.items()
    )
    packages = {
        "Cluster": cluster, "Frames": "".join(frames), "Pdus": "".join(pdus), "Signals": "".join(signals),
        "System": "".join(systems), "Methods": "".join(methods), "Units": texts, "Types": types,
    }  # fmt: skip
    inner = "".join(
        f"<AR-PACKAGE><SHORT-NAME>{n}</SHORT-NAME><ELEMENTS>{t}</ELEMENTS></AR-PACKAGE>"
        for n, t in packages.items()
    )
    return (
        '<?xml version="1.0" encoding="UTF-8"?><AUTOSAR xmlns="http://autosar.org/schema/r4.0" '
        'xmlns:xsi="http://www.w3.org/2001/XMLSchema-instance" '
        'xsi:schemaLocation="http://autosar.org/schema/r4.0 AUTOSAR_4-2-1.xsd"><AR-PACKAGES><AR-PACKAGE>'
        f"<SHORT-NAME>Bus</SHORT-NAME><AR-PACKAGES>{inner}</AR-PACKAGES></AR-PACKAGE></AR-PACKAGES></AUTOSAR>"
    )
