"""Where a finding counts as at the place of a planted fault: by hand."""

from __future__ import annotations

from typing import Any

import pytest

from tests.accuracy.blind import at_place

PACK: dict[str, Any] = {"cells": [], "sensor": None, "module": None, "place_ok": [1, 2, 3]}
CELL: dict[str, Any] = {"cells": [2], "sensor": None, "module": "F1", "place_ok": [2]}
SENSOR: dict[str, Any] = {"cells": [], "sensor": "T2", "module": None, "place_ok": []}


@pytest.mark.parametrize(
    ("fault", "cells", "sensor", "there"),
    [
        (PACK, [], None, True),  # said of the whole pack, though the author lists every cell as a place
        (PACK, [3], None, True),
        (PACK, [7], None, False),
        (CELL, [2, 9], None, True),
        (CELL, [], None, False),  # of the whole pack: not where the cell is
        (CELL, [3], None, False),
        (SENSOR, [], "T2", True),
        (SENSOR, [5], "T3", False),
    ],
)
def test_places_by_hand(fault: dict[str, Any], cells: list[int], sensor: str | None, there: bool) -> None:
    assert at_place({"cells": cells, "sensor": sensor, "module": None}, fault) is there
