"""The parts behind the pages: address, notes, the form, uploads, safety."""

from __future__ import annotations

import io
import tracemalloc
from dataclasses import replace
from pathlib import Path

import flask
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from bmslogs.base.errors import BadInput, BadPack, BmsLogsError, StoreError
from bmslogs.base.pack import load_pack
from bmslogs.base.results import Finding
from dashboard import loom, safety
from dashboard.address import View, parse
from dashboard.app import create_app, picked_view
from dashboard.form import cells_of, even_boxes, nowhere, pack_of, typed_of
from dashboard.notes import add_note, latest, read_notes
from dashboard.pack_files import table_text
from dashboard.uploads import TooLarge, plain_name, receive
from sample_logs import SAMPLES
from tests.dashboard import invent

IDS = st.from_regex(r"[A-Za-z0-9_-]{1,30}", fullmatch=True)


@given(
    st.builds(
        View,
        pack=IDS,
        log=IDS,
        cells=st.sets(st.integers(1, 1000), max_size=9).map(lambda s: tuple(sorted(s))),
        module=st.text(max_size=20),
        joint=st.integers(0, 999),
        quantity=IDS,
        warm=st.booleans(),
        start=st.sampled_from(["", "2026-05-03T09:10:00Z", "2026-05-03T09:10:00.250Z"]),
        finding=st.integers(0, 99),
        sight=st.booleans(),
        other=IDS,
        by=st.sampled_from(["", "charge", "load"]),
        packs=st.lists(IDS, max_size=3).map(tuple),
    )
)
def test_the_address_holds_the_whole_view(view: View) -> None:
    assert parse(view.query()) == view


@given(st.text(max_size=200))
def test_an_address_that_makes_no_sense_is_left_out(text: str) -> None:
    assert isinstance(parse("?" + text), View)
    assert parse(f"?pack=../../etc&cells={text}").pack == ""


def test_picking_is_one_thing() -> None:
    assert parse(picked_view("?pack=a", ["cell", 5])) == View(pack="a", cells=(5,))
    assert parse(picked_view("?pack=a&cells=5,7", ["cell", 5])) == View(pack="a", cells=(7,))
    assert parse(picked_view("?pack=a&cells=5", ["joint", 9])) == View(pack="a", cells=(8, 9), joint=9)
    assert parse(picked_view("?pack=a&cells=5", ["module", "F2"])) == View(pack="a", module="F2")
    assert picked_view("?pack=a", None) is None and picked_view("", ["cell", "x"]) is None


def test_notes_are_kept_with_name_and_reason(tmp_path: Path) -> None:
    finding, other = (
        Finding("runs_hot", "look", "hot", sensor="T2"),
        Finding("runs_hot", "look", "hot", sensor="T3"),
    )
    add_note(tmp_path, "knot-main", "log-1", finding, "accept", "Ann", "felt it")
    add_note(tmp_path, "knot-main", "log-1", finding, "set_aside", "Bo", "sensor was loose\nmended")
    notes = read_notes(tmp_path, "knot-main", "log-1")
    said = latest(notes, finding)
    assert said is not None and said.verdict == "set_aside" and said.reason == "sensor was loose\\nmended"
    assert latest(notes, other) is None and read_notes(tmp_path, "knot-main", "log-2") == []
    for name, reason in (("", "why"), ("Ann", "  ")):
        with pytest.raises(BadInput):
            add_note(tmp_path, "knot-main", "log-1", finding, "accept", name, reason)
    (tmp_path / "_notes" / "knot-main" / "log-1.json").write_text("[{", encoding="utf-8")
    with pytest.raises(StoreError):
        read_notes(tmp_path, "knot-main", "log-1")


@pytest.mark.parametrize("file", sorted(SAMPLES.glob("*-main.toml")), ids=lambda f: f.stem)
def test_a_pack_goes_through_the_form_and_back(file: Path) -> None:
    pack = load_pack(file)
    assert pack_of(typed_of(pack), pack) == pack


CURVE = ((0.0, 3.0), (0.25, 3.6), (0.5, 3.8), (0.75, 3.95), (1.0, 4.2))  # invented


def test_what_the_form_does_not_show_is_kept() -> None:
    pack = invent.pack().model_copy(
        update={
            "ocv": CURVE,
            "ocv_table": "curve.csv",
            "chemistry": "own",
            "current_accuracy": 0.02,
            "joint_in_tap_of": "previous",
        }
    )
    assert pack_of(typed_of(pack), pack) == pack


OWN = {
    "id": "knot-main",
    "vehicle": "Knot",
    "chemistry": "LMO",
    "nominal_capacity_Ah": 50,
    "cells_in_series": 8,
}


def test_work_at_a_place_that_the_pack_does_not_have_is_pointed_out() -> None:
    typed = {**OWN, "chemistry": "NMC", "boxes": "front: F1 1-4; F2 5-8"}
    lines = ("F2", "front", "7", "cell 7", "", "F9")
    events = "\n".join(f"2026-05-0{n}; joint remade; {where}" for n, where in enumerate(lines, 1))
    (said,) = nowhere(pack_of({**typed, "events": events}))
    assert "2026-05-06" in said and "'F9'" in said


@pytest.mark.parametrize(
    "text",
    [
        "soc,voltage_V\n0,3.0\n0.25,3.6\n0.5,3.8\n0.75,3.95\n1,4.2",
        "soc\tvoltage_V\n0\t3.0\n0.25\t3.6\n0.5\t3.8\n0.75\t3.95\n1\t4.2\n",
        "\ufeffsoc; voltage_V\r\n0;3,0\r\n0,25;3,6\r\n0,5;3,8\r\n0,75;3,95\r\n1;4,2\r\n",
    ],
    ids=["commas", "pasted from a spreadsheet", "decimal commas"],
)
def test_a_table_of_its_own_goes_with_the_pack_file(text: str, tmp_path: Path) -> None:
    pack = pack_of({**OWN, "ocv": text})
    assert pack.ocv == CURVE
    client = create_app(tmp_path / "store").server.test_client()
    client.application.extensions["bmslogs"]["desk"].store.save_pack(pack)
    for query, name in (("", "knot-main.toml"), ("&table=1", pack.ocv_table)):
        got = client.get(f"/pack-file?pack=knot-main{query}", headers=SELF)
        assert got.headers["Content-Disposition"] == f'attachment; filename="{name}"'
        (tmp_path / str(name)).write_bytes(got.data)
    assert load_pack(tmp_path / "knot-main.toml") == pack  # the two files, side by side, are the pack
    assert client.get("/pack-file?pack=nobody", headers=SELF).status_code == 404


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("soc,voltage_V\n0,3.0\n0.25,3.9\n0.5,3.8\n0.75,3.95\n1,4.2", "line 4.*both to rise"),
        ("charge,volt\n0,3", "line 1.*soc and voltage_V"),
        ("soc,voltage_V\n0,3\n1,4.2", "5 rows or more"),
        ("", "no built-in open-circuit curve"),
    ],
)
def test_a_table_is_checked_as_it_is_typed(text: str, says: str) -> None:
    with pytest.raises(BadPack, match=says):
        pack_of({**OWN, "ocv": text})


def test_a_file_that_is_no_text_is_refused() -> None:
    assert table_text({"name": "a.csv", "text": "\ufeffsoc,voltage_V\n"}) == "soc,voltage_V\n"
    for bad, says in (("\ufffdPNG", "UTF-8"), ("PK\0", "UTF-8"), (None, "larger than 200 kB")):
        with pytest.raises(BadPack, match=says):
            table_text({"name": "a.csv", "text": bad})


@pytest.mark.parametrize(
    ("boxes", "says"),
    [
        ("front: F1", "a name and its cells"),
        ("front: F1 4-1", "cells that rise"),
        ("front:", "no module"),
        ("front: F1 1-4; F1 5-8", "occurs twice"),
        ("F1 1-3", "lies in no module"),
        ("F1 1-9", "names cell 9"),
    ],
)
def test_a_mistake_in_the_form_is_one_line(boxes: str, says: str) -> None:
    typed = {
        "id": "knot-main",
        "vehicle": "Knot",
        "chemistry": "NMC",
        "nominal_capacity_Ah": 50,
        "cells_in_series": 8,
    }
    with pytest.raises(BadPack, match=says) as caught:
        pack_of({**typed, "boxes": boxes})
    assert "\n" not in str(caught.value)


def test_cells_are_read_as_they_are_written() -> None:
    assert cells_of("1-4, 7 9") == [1, 2, 3, 4, 7, 9]
    typed = {
        "id": "a",
        "vehicle": "Knot",
        "chemistry": "LFP",
        "nominal_capacity_Ah": 50,
        "cells_in_series": 10,
    }
    pack = pack_of({**typed, "boxes": even_boxes(10, 3, 2)})
    assert [len(m.cells) for m in pack.modules] == [3, 4, 3] and len(pack.boxes) == 2


def test_the_loom_check_sees_swapped_wires() -> None:
    """Swapped taps read [a + b, -b, b + c] (algebra); a meter that agrees is no objection."""
    log = invent.drive(invent.pack())
    volts = log.cell_voltage.copy()
    total = float(np.median(volts[:60].sum(axis=1)))
    assert loom.check(log, total, 18.0).objections == ()
    assert [o.kind for o in loom.check(log, total + 3.7, None).objections] == ["sum"]
    a, b, c = volts[:, 4].copy(), volts[:, 5].copy(), volts[:, 6].copy()
    volts[:, 4], volts[:, 5], volts[:, 6] = a + b, -b, b + c
    swapped = replace(log, cell_voltage=volts)
    assert "swapped_taps" in [o.kind for o in loom.check(swapped, total, None).objections]


class Endless(io.RawIOBase):
    """A stream of so many nought bytes that holds none of them."""

    def __init__(self, size: int) -> None:
        self.left = size

    def read(self, size: int = -1) -> bytes:
        size = min(size, self.left)
        self.left -= size
        return bytes(size)


def test_a_large_file_goes_through_little_memory(tmp_path: Path) -> None:
    tracemalloc.start()
    got = receive(Endless(200_000_000), tmp_path / "large.csv")
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert got == 200_000_000 == (tmp_path / "large.csv").stat().st_size
    assert peak < 8_000_000


def test_more_than_allowed_leaves_nothing(tmp_path: Path) -> None:
    with pytest.raises(TooLarge):
        receive(Endless(3_000_000), tmp_path / "x", most=2_000_000)
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize(
    ("name", "plain"),
    [
        ("../../etc/passwd", "passwd"),
        ("C:\\x\\drive 1.csv.gz", "drive_1.csv.gz"),
        ("", "log"),
        ("..", "log"),
        ("<img src=x>.csv", "img_src_x_.csv"),
    ],
)
def test_uploaded_names_are_made_plain(name: str, plain: str) -> None:
    assert plain_name(name) == plain


@pytest.fixture
def client(tmp_path: Path) -> flask.testing.FlaskClient:
    return create_app(tmp_path / "store", most_upload_bytes=1000).server.test_client()


SELF = {"Host": "127.0.0.1:8050"}


def test_an_upload_must_come_from_the_page_itself(client: flask.testing.FlaskClient) -> None:
    sent = {**SELF, "X-Bmslogs": "upload"}
    assert client.post("/upload?name=a.csv", data=b"x", headers=SELF).status_code == 403
    assert (
        client.post(
            "/upload?name=a.csv", data=b"x", headers={**sent, "Origin": "http://elsewhere"}
        ).status_code
        == 403
    )
    assert (
        client.post(
            "/upload?name=a.csv", data=b"x", headers={**sent, "Sec-Fetch-Site": "cross-site"}
        ).status_code
        == 403
    )
    assert client.post("/upload?name=a.csv", data=b"x" * 2000, headers=sent).status_code == 413
    taken = client.post("/upload?name=a.csv", data=b"x", headers=sent)
    assert taken.status_code == 200 and set(taken.get_json()) == {"token"}


def test_uploads_are_in_no_served_folder(client: flask.testing.FlaskClient) -> None:
    client.post("/upload?name=secret.csv", data=b"SECRET", headers={**SELF, "X-Bmslogs": "upload"})
    held = client.application.extensions["bmslogs"]["jobs"].all()[0].path
    assert held.read_bytes() == b"SECRET"
    for path in (
        f"/assets/{held.name}",
        f"/assets/../{held}",
        f"/{held.name}",
        "/assets/..%2f..%2fpyproject.toml",
    ):
        assert b"SECRET" not in client.get(path, headers=SELF).data


def test_another_machines_name_is_refused(client: flask.testing.FlaskClient) -> None:
    """A page elsewhere may point its own name at this machine; the Host header tells."""
    assert client.get("/", headers={"Host": "evil.example"}).status_code == 403
    assert client.get("/", headers={"Host": "localhost:8050"}).status_code == 200
    assert client.get("/", headers={"Host": "[::1]:8050"}).status_code == 200


def test_the_policy_names_no_other_host(client: flask.testing.FlaskClient) -> None:
    """Content Security Policy Level 3: default none, no eval, no inline script but those hashed."""
    policy = client.get("/", headers=SELF).headers["Content-Security-Policy"]
    parts = dict(p.strip().split(" ", 1) for p in policy.split(";"))
    assert parts["default-src"] == "'none'" and parts["connect-src"] == "'self'"
    assert "unsafe" not in parts["script-src"] and "http" not in policy and "*" not in policy


def test_a_password_is_asked_for(tmp_path: Path) -> None:
    client = create_app(tmp_path, password="heron-and-wren").server.test_client()
    assert client.get("/").status_code == 401
    assert client.get("/", auth=(safety.USER, "wrong")).status_code == 401
    assert client.get("/_dash-layout", auth=("other", "heron-and-wren")).status_code == 401
    assert client.get("/", auth=(safety.USER, "heron-and-wren")).status_code == 200


@pytest.mark.parametrize(
    ("host", "password", "fine"),
    [
        ("127.0.0.1", None, True),
        ("localhost", None, True),
        ("0.0.0.0", None, False),
        ("192.168.1.5", "", False),
        ("0.0.0.0", "short", False),
        ("0.0.0.0", "long enough", True),
    ],
)
def test_other_machines_only_with_a_password(host: str, password: str | None, fine: bool) -> None:
    if fine:
        safety.check_host(host, password)
    else:
        with pytest.raises(BmsLogsError, match="password"):
            safety.check_host(host, password)
