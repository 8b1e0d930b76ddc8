"""Documents built to keep a program busy are refused in one line."""

from __future__ import annotations

from pathlib import Path

import pytest

from bmslogs.base.errors import BadPack, BadProfile
from bmslogs.base.pack import load_pack
from bmslogs.base.toml import MOST_BYTES
from bmslogs.importers import load_profile

DOCUMENTS = {
    "lists": "a = " + "[" * 10_000 + "]" * 10_000,
    "tables": "a = " + "{b=" * 10_000 + "1" + "}" * 10_000,
    "a key": ".".join(["a"] * 10_000) + " = 1",
    "a table's name": "[" + " . ".join(["a"] * 10_000) + "]\nx = 1",
    "a table's open name": "[" * 10_000,
    "lists under a known key": "[time]\ncolumn = " + "[" * 900 + "]" * 900,
    "digits": "[pack]\nnominal_capacity_Ah = " + "9" * 5000,
    "a pattern": "[cell_voltage]\npattern = '" + "(" * 5000 + "'",
    "more than a pack takes": "# x\n" * (MOST_BYTES // 4 + 1),
}


@pytest.mark.parametrize("name", DOCUMENTS)
def test_endless_documents(name: str, tmp_path: Path) -> None:
    path = tmp_path / "p.toml"
    path.write_text(DOCUMENTS[name], encoding="utf-8")
    with pytest.raises(BadPack) as of_pack:
        load_pack(path)
    with pytest.raises(BadProfile) as of_profile:
        load_profile(path)
    for error in (of_pack, of_profile):
        assert "\n" not in str(error.value) and str(error.value).startswith("p.toml: ")
