"""Rules about contacts that come and go: a loose lug, a sense wire that opens now and then."""

from __future__ import annotations

from bmslogs.analysis.models.loose_joint import LooseJoint
from bmslogs.base.results import Finding, Level
from bmslogs.findings.case import METER_FIRST, Case, finding
from bmslogs.findings.registry import CAUSES


def bursts(case: Case) -> list[Finding]:
    """Drops that come and go under load, and sense wires that open now and then."""
    study = case.knowledge.study
    if not study.flow.has_current:
        return []
    joints, wires = study.bursts.found
    named = {i for fault in study.harness.faults for i in fault.columns}
    out = [_loose(case, joint) for joint in joints if joint.column not in named]
    for wire in wires:
        if named & set(wire.columns):
            continue
        cells = [case.cells[i] for i in wire.columns]
        out.append(
            finding(
                case.pack,
                "tap_open",
                "act",
                cells,
                f"{case.places(cells)}: the sense wire between these cells opens now and then.",
                [
                    f"{wire.bursts} times one reads {wire.volts * 1e3:.0f} mV high and the other "
                    f"as much low, for moments, "
                    "while their neighbours stay: a lug would move one reading alone"
                ],
                [
                    "Do not charge: for these moments the BMS does not see these two cells.",
                    METER_FIRST,
                    "Look at the wire, its crimp, its fuse and the plug between these two cells; "
                    "move the loom while watching "
                    "the readings.",
                    "Prove every tap with a meter, cell by cell, before the contactors close again.",
                ],
                size=wire.volts,
                half=max(0.3 * wire.volts, study.readings.log.voltage_step),
            )
        )
    return out


def _loose(case: Case, joint: LooseJoint) -> Finding:
    study = case.knowledge.study
    cell = case.cells[joint.column]
    least = CAUSES["joint_loose"].least or 0.0
    sure = joint.follows
    level: Level = "act" if sure and joint.ohm > least * 0.1 / study.readings.capacity else "look"
    both = f", {joint.charging} of them while charging, where it lifts the reading" if joint.charging else ""
    told = (
        (
            f"window by window of the drive its drop stands at one of two levels, {joint.ohm_low * 1e3:.1f} to "
            f"{joint.ohm_high * 1e3:.1f} mohm apart, and went up {joint.bursts} times, for about "
            f"{joint.seconds:.0f} s; "
            "at rest it stands with the others, whose drops keep their level"
        )
        if joint.by_windows
        else (
            f"{joint.bursts} times it drops by {joint.ohm_low * 1e3:.1f} to {joint.ohm_high * 1e3:.1f} mohm times the "
            f"current while the current holds, for about {joint.seconds:.0f} s{both}; {joint.wrong} times it moves the "
            f"other way, and no other cell jumps more than {joint.others} times"
        )
    )
    because = [
        told,
        "its neighbours do not mirror it, as they would if a sense wire opened",
    ]
    if not sure:
        because.append(
            "that the load makes the drop cannot be proven: the current hardly varied and never reversed or rested "
            "for long enough; a reading that drops out would look alike"
        )
    how = "opens and closes" if joint.switches else "opens for moments"
    link = bool(study.harness.links[joint.column])
    if link:
        because.append("a link to the next module lies inside the tap of this cell")
    return finding(
        case.pack,
        "joint_loose",
        level,
        [cell],
        f"{case.place(cell)}: a contact in its tap {how} under load and adds about "
        f"{joint.ohm * 1e3:.1f} mohm{'' if sure else ', or its reading drops out'}.",
        because,
        [
            "Do not drive it hard until it has been found: a contact that opens under load burns.",
            METER_FIRST,
            "Look for a loose lug, bolt or busbar at this cell, for marks of heat and for play "
            "when it is moved by hand "
            "with the pack isolated.",
            "Clean it, make it up again with the maker's torque and hardware, and repeat the same drive.",
        ],
        size=joint.ohm,
        low=joint.ohm_low,
        high=joint.ohm_high,
    )
