"""Order in the store: logs removed and brought back, moved, noted on; vehicles renamed; packs described anew.

Every change holds the store's lock, is written whole or not at all, checks the version that its author saw, and says
who made it.
"""

from __future__ import annotations

from bmslogs.store.order.bin import KEPT_DAYS, Removed, bring_back, empty_bin, in_bin, remove_log
from bmslogs.store.order.changes import (
    Change,
    ChangedMeanwhile,
    last_change,
    log_version,
    pack_version,
    state_of,
)
from bmslogs.store.order.describing import (
    bring_back_pack,
    describe_pack,
    packs_in_bin,
    remove_pack,
    rename_vehicle,
    vehicle_version,
)
from bmslogs.store.order.moving import Gone, gone, move_log, why_not
from bmslogs.store.order.plans import finish
from bmslogs.store.order.remarks import Remark, add_remark, change_remark, noted, put_back, remarks, take_out

__all__ = [
    "KEPT_DAYS", "Change", "ChangedMeanwhile", "Gone", "Remark", "Removed", "add_remark", "bring_back",
    "bring_back_pack", "change_remark", "describe_pack", "empty_bin", "finish", "gone", "in_bin", "last_change",
    "log_version", "move_log", "noted", "pack_version", "packs_in_bin", "put_back", "remarks", "remove_log",
    "remove_pack", "rename_vehicle", "state_of", "take_out", "vehicle_version", "why_not",
]  # fmt: skip
