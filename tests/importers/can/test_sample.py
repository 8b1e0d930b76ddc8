"""The sample recording is made again byte for byte, and reads as the log that it was made from."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

pytest.importorskip("cantools", reason="the extra 'can' is not installed")

from bmslogs.base.pack import load_pack
from bmslogs.log import read_log
from bmslogs.store import Store
from sample_logs import SAMPLES, recording


def test_the_sample_recording_is_made_again(tmp_path: Path) -> None:
    import gzip

    made, described = recording.make(tmp_path)
    assert described.read_bytes() == (SAMPLES / recording.DATABASE).read_bytes()
    # packers of other versions pack otherwise: the text is what counts
    assert gzip.decompress(made.read_bytes()) == gzip.decompress((SAMPLES / recording.NAME).read_bytes())


def test_the_sample_recording_reads_as_its_log(tmp_path: Path) -> None:
    store, pack = Store(tmp_path / "store"), load_pack(SAMPLES / "heron-main.toml")
    files = [SAMPLES / recording.NAME, SAMPLES / "heron-3-after-repair.csv.gz"]
    report = store.import_files(files, pack, signals=SAMPLES / recording.DATABASE)
    assert not report.refused
    bus, plain = (read_log(store.log_path(log.id)) for log in report.logs)
    rows = slice(recording.FIRST, recording.FIRST + recording.ROWS)
    assert np.array_equal(np.rint(bus.cell_voltage * 1000), np.rint(plain.cell_voltage[rows] * 1000))
    assert np.array_equal(bus.current, plain.current[rows])
    known = np.isfinite(bus.temperature)
    sent = np.repeat(plain.temperature[rows][::2], 2, axis=0)
    assert np.array_equal(bus.temperature[known], sent[known]) and known.mean() > 0.99
    assert {type(bus.time[0])} == {np.datetime64}
