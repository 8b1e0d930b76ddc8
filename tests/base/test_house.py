"""The house: no modules that import each other."""

from __future__ import annotations

import pytest

pytest.importorskip("grimp")

from tests.house import circles


def test_no_modules_import_each_other() -> None:
    assert circles() == []
