"""One minus: U+2212 in all that people read, the plain hyphen in JSON, CSV and what is to be typed."""

from __future__ import annotations

import io
import json
import re
from collections.abc import Callable
from pathlib import Path

import pytest
from typer.testing import CliRunner

import bmslogs
from bmslogs.faces.command import app
from bmslogs.faces.numbers import interval, number
from bmslogs.faces.output import able
from bmslogs.faces.signs import MINUS, grouped, outside_code, plain_minus, true_minus, written
from sample_logs import SAMPLES

HYPHEN = re.compile(r"(?:^|[\s(\[,;|>])-\.?\d|\+-", re.MULTILINE)
"""A number whose sign is a hyphen."""
PACKS = ("heron-main", "plover-main", "wren-main")


def test_only_the_sign_of_a_number_is_changed() -> None:
    told = "-0.3 % (-1.2 to +0.5), -.5; [-3] +-2 and +- 0.4"
    assert true_minus(told) == "−0.3 % (−1.2 to +0.5), −.5; [−3] ±2 and ± 0.4"
    kept = "cells 1-4, 2026-05-09, heron-2, --after 20260509, - a point, '-12' was found, 5 - 3, key_-1, 1e-5"
    assert true_minus(kept) == kept
    assert plain_minus(true_minus(told)) == told
    assert outside_code("`import -5` gives -5", true_minus) == f"`import -5` gives {MINUS}5"


def test_a_number_has_it_and_nought_has_none() -> None:
    assert number(-0.26, 1) == f"{MINUS}0.3" and number(-0.001, 2, sign=True) == "+0.00"
    assert interval(-0.12, -0.16, -0.08, "A") == "−0.120 A (−0.160 to −0.080)"


def test_a_terminal_without_the_sign_gets_the_hyphen() -> None:
    narrow = io.TextIOWrapper(io.BytesIO(), encoding="cp437")
    assert able(narrow, "−0.3 ±2 Ah") == "-0.3 +-2 Ah"
    assert able(io.TextIOWrapper(io.BytesIO(), encoding="utf-8"), "−0.3 ±2") == "−0.3 ±2"


@pytest.fixture(scope="module")
def store(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """All sample logs."""
    root = tmp_path_factory.mktemp("minus") / "store"
    for pack in PACKS:
        files = sorted(SAMPLES.glob(f"{pack.partition('-')[0]}-*.csv*"))
        bmslogs.import_files(files, SAMPLES / f"{pack}.toml", store=root)
    return root


@pytest.fixture(scope="module")
def said(store: Path) -> Callable[..., str]:
    """What a command prints."""

    def call(*words: str) -> str:
        done = CliRunner().invoke(app, [*words, "--store", str(store)])
        assert done.exit_code == 0, done.output
        return done.output

    return call


def _logs(store: Path) -> list[str]:
    return [str(e.id) for e in bmslogs.open_store(store).logs()]


def test_every_text_answer_has_one_minus(said: Callable[..., str], store: Path) -> None:
    texts = [said("diagnose", log) for log in _logs(store)]
    texts += [said("diagnose", "--pack-id", pack) for pack in PACKS]
    texts += [said("history", pack) for pack in PACKS]
    texts += [said("compare", *PACKS), said("plan", _logs(store)[0]), said("plan", _logs(store)[-1])]
    texts.append(said("compare", "--before", "20260509", "--after", "20260516"))
    texts.append(said("logs"))
    wrong = [line for text in texts for line in text.splitlines() if HYPHEN.search(line)]
    assert not wrong, wrong
    assert sum(text.count(MINUS) for text in texts) > 50


def test_what_the_door_shows_has_it_and_what_programs_read_has_not(
    said: Callable[..., str], store: Path, tmp_path: Path
) -> None:
    answer = bmslogs.diagnose(_logs(store)[0], store=store)
    for shown in (repr(answer), answer._repr_html_()):
        assert not HYPHEN.search(shown)
    for words in (("diagnose", _logs(store)[0]), ("compare", *PACKS), ("history", PACKS[0])):
        text = said(*words, "--json", "-")
        assert json.loads(text) and MINUS not in text and "\\u2212" not in text
        table = tmp_path / "table.csv"
        said(*words, "--csv", str(table))
        assert MINUS not in table.read_text(encoding="utf-8-sig")
    assert MINUS not in answer.to_json()


def test_a_profile_that_is_printed_can_be_typed_back(tmp_path: Path) -> None:
    file = sorted(SAMPLES.glob("wren-1*.csv*"))[0]
    pack = str(SAMPLES / "wren-main.toml")
    done = CliRunner().invoke(app, ["inspect", str(file), "--pack", pack, "--store", str(tmp_path / "store")])
    assert done.exit_code == 0 and MINUS not in done.output


def test_the_record_has_one_minus_in_text_and_pictures(said: Callable[..., str], tmp_path: Path) -> None:
    for pack in PACKS:
        out = tmp_path / f"{pack}.html"
        said("record", pack, "--out", str(out))
        page = re.sub(r"<style.*?</style>", "", out.read_text(encoding="utf-8"), flags=re.DOTALL)
        texts = [t for t in re.findall(r">([^<>]+)<", page) if t.strip()]
        assert not [t for t in texts if HYPHEN.search(t)]
        assert any(MINUS in t for t in texts)


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("the work of 2026-05-03 (joint remade)", "the work of 3 May 2026 (joint remade)"),
        ("from 2026-11-28 on", "from 28 Nov 2026 on"),
        ("heron 2026-05-03.csv", "heron 2026-05-03.csv"),  # a file's name
        ("2026-05-03T10:11:12Z", "2026-05-03T10:11:12Z"),  # a stamp
        ("2026-13-03", "2026-13-03"),  # no date
    ],
)
def test_dates_are_written_as_people_write_them(text: str, says: str):
    assert written(text) == says


def test_thousands_are_parted_by_a_narrow_gap():
    """ISO 80000-1, 7.3.1: groups of three with a small space, neither comma nor point."""
    assert [grouped(n) for n in (7, 1199, 208_000, -1_234_567)] == [
        "7",
        "1\u202f199",
        "208\u202f000",
        "-1\u202f234\u202f567",
    ]
