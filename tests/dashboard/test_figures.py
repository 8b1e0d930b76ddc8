"""Pictures without a server: every cause has one, the unknown has a look of its own, names cannot become markup."""

from __future__ import annotations

import dataclasses
from itertools import combinations

import numpy as np
import plotly.graph_objects as go
import pytest
from numpy.testing import assert_allclose

from bmslogs.base.pack import Pack
from bmslogs.base.results import Finding
from bmslogs.faces.figures import (
    DARK,
    LIGHT,
    before_after,
    pack_picture,
    per_cell,
    place_map,
    proof_picture,
    question,
    side_by_side,
    to_full,
)
from bmslogs.faces.figures.plan import plan
from bmslogs.faces.figures.proofs import PROOFS
from bmslogs.faces.figures.theme import colour_of, contrast
from bmslogs.findings.evidence.load_drop import drop_course
from bmslogs.findings.evidence.loom import put_back
from bmslogs.findings.evidence.source import known
from bmslogs.findings.registry import CAUSES
from tests.dashboard import invent

LOOKS = (LIGHT, DARK)
# Machado, Oliveira, Fernandes 2009, severity 1.0 (matrices from memory): linear RGB as protanopes and deuteranopes see
COLOUR_BLIND = {
    "protanopia": [
        [0.152286, 1.052583, -0.204868],
        [0.114503, 0.786281, 0.099216],
        [-0.003882, -0.048116, 1.051998],
    ],
    "deuteranopia": [
        [0.367322, 0.860646, -0.227968],
        [0.280085, 0.672501, 0.047413],
        [-0.011820, 0.042940, 0.968881],
    ],
}


@pytest.fixture(scope="module")
def pack() -> Pack:
    return invent.pack()


@pytest.fixture(scope="module")
def log(pack: Pack) -> invent.Log:
    return invent.drive(pack)


def traces(figure: go.Figure, name: str) -> list[go.scatter.Scatter]:
    return [t for t in figure.data if t.name == name]


def units_are_on_every_axis(figure: go.Figure) -> bool:
    """Whether every axis that shows numbers of a measured size names a unit, in brackets, or that its times are UTC."""
    axes = [a for a in figure.layout if a.startswith(("xaxis", "yaxis"))]
    texts = [figure.layout[a].title.text or "" for a in axes if figure.layout[a].visible is not False]
    return all("[" in t or "cell" in t or "time, UTC" in t or "days" in t or "reading of" in t for t in texts)


@pytest.mark.parametrize("cause", CAUSES)
def test_every_cause_has_a_picture_that_draws(cause: str, pack: Pack, log: invent.Log) -> None:
    assert CAUSES[cause].picture in PROOFS
    finding = Finding(cause, "look", "a place", cells=(6, 7), sensor="T2")
    for look in LOOKS:
        figure = proof_picture(finding, invent.diagnosis(pack), log, look=look)
        assert figure.data, cause
        assert units_are_on_every_axis(figure), cause
        assert figure.layout.template.layout.paper_bgcolor == look.paper
    assert question(finding).endswith("?")


@pytest.mark.parametrize("cause", CAUSES)
def test_a_picture_of_a_bare_log_says_why_it_cannot_be_drawn(cause: str, pack: Pack, log: invent.Log) -> None:
    bare = dataclasses.replace(log, current=None, temperature=np.empty((log.rows, 0)), bleed=None)
    empty = dataclasses.replace(invent.diagnosis(pack), estimates=())
    figure = proof_picture(Finding(cause, "look", "a place"), empty, bare)
    assert figure.data or figure.layout.annotations[0].text


def test_a_joint_lifts_and_an_aged_cell_stretches(pack: Pack) -> None:
    """A10: ageing x 1.25 scales the drop at every time; 0.12 mohm in the tap adds the same at every time."""
    aged = drop_course(known(invent.drive(pack, by=1.25)).study)
    joint = drop_course(known(invent.drive(pack, by=1.0, joint=1.2e-4)).study)
    true = np.array(
        [invent.OHMIC + sum(r * (1 - np.exp(-t / tau)) for tau, r in invent.SLOW) for t in aged.seconds]
    )
    # reading steps of 1 mV, noise of 0.5 mV, a row a second: a few per cent of 1 mohm
    assert_allclose(aged.ohm[:, 5], 1.25 * true, rtol=0.06)
    assert_allclose(joint.ohm[:, 5] - np.median(joint.ohm, axis=1), 1.2e-4, atol=2e-5)


def test_swapped_taps_are_put_back() -> None:
    """Cells 3.30 3.31 3.32 3.33 with taps 1 and 2 swapped read 6.61 -3.31 6.63 3.33, by hand."""
    back = put_back({1: 6.61, 2: -3.31, 3: 6.63, 4: 3.33})
    assert_allclose([back[1], back[2], back[3]], [3.30, 3.31, 3.32], atol=1e-9)


def test_what_is_not_known_is_hatched_and_never_coloured(pack: Pack) -> None:
    key = "resistance_10s_relative"
    known = invent.estimates(pack, key, missing=(9,))
    figure = pack_picture(pack, known, quantity=key)
    (hatched,) = traces(figure, "cells not known")
    assert [c[1] for c in hatched.customdata] == [9]
    assert hatched.marker.pattern.shape == "/"
    assert "sense wire" in hatched.hovertext[0] and "mended" in hatched.hovertext[0]
    (bars,) = traces(per_cell(pack, known, key), "not known from this log")
    assert [c[1] for c in bars.customdata] == [9]
    (missing,) = traces(
        to_full(pack, dataclasses.replace(invent.diagnosis(pack, missing=(9,)))), "not known from this log"
    )
    assert len(missing.x) == 1


@pytest.mark.parametrize(
    ("cells", "in_module", "boxes"), [(16, 4, 3), (96, 12, 2), (24, 24, 0), (1, 1, 1), (150, 10, 5)]
)
def test_every_cell_and_link_is_drawn_once_and_nothing_overlaps(
    cells: int, in_module: int, boxes: int
) -> None:
    pack = invent.pack(cells, in_module, boxes)
    drawing = plan(pack)
    assert sorted(drawing.cells) == list(range(1, cells + 1))
    assert len(drawing.links) == len(pack.modules) - 1
    places = list(drawing.cells.values())
    for a, b in combinations(places, 2):
        apart = (
            a.left + a.width <= b.left + 1e-9
            or b.left + b.width <= a.left + 1e-9
            or a.top + a.height <= b.top + 1e-9
            or b.top + b.height <= a.top + 1e-9
        )
        assert apart, (a.name, b.name)
    assert all(p.left + p.width <= drawing.width and p.top + p.height <= drawing.height for p in places)


def test_a_pack_without_modules_is_still_drawn() -> None:
    pack = Pack(id="a", vehicle="Wren", chemistry="LFP", nominal_capacity_Ah=50, cells_in_series=30)
    assert len(plan(pack).cells) == 30
    assert pack_picture(pack).data


def test_the_scale_is_symmetric_and_small_differences_stay_pale(pack: Pack) -> None:
    key = "resistance_10s_relative"
    figure = pack_picture(pack, invent.estimates(pack, key, by=0.0), quantity=key)
    (scale,) = traces(figure, "scale")
    assert scale.marker.cmin == -scale.marker.cmax
    assert scale.marker.cmax >= 100 * (CAUSES["cell_resistance_high"].least or 0)
    for look in LOOKS:
        assert colour_of(0.0, 1.0, look) == look.middle
        assert colour_of(9.0, 1.0, look) == look.above[0] and colour_of(-9.0, 1.0, look) == look.below[0]


def test_the_change_since_a_baseline_is_the_difference(pack: Pack) -> None:
    key = "resistance_10s_relative"
    now, then = invent.estimates(pack, key, by=0.3), invent.estimates(pack, key, by=0.1)
    figure = pack_picture(pack, now, quantity=key, baseline=then)
    (cells,) = traces(figure, "cells")
    colours = dict(zip([c[1] for c in cells.customdata], cells.marker.color, strict=True))
    assert {colours[c] for c in colours if c != 6} == {LIGHT.middle}  # nothing else changed
    assert colours[6] != LIGHT.middle


def test_names_from_files_cannot_become_markup() -> None:
    nasty = '<b>x</b><a href="javascript:alert(1)">y</a>'
    pack = Pack(
        id="nasty",
        vehicle=nasty,
        chemistry="NMC",
        nominal_capacity_Ah=1,
        cells_in_series=2,
        modules=({"name": nasty, "cells": [1]}, {"name": "<i>m</i>", "cells": [2]}),  # type: ignore[arg-type]
        boxes=({"name": nasty, "modules": [nasty]},),
    )  # type: ignore[arg-type]
    figure = pack_picture(
        pack, invent.estimates(pack, "resistance_10s_relative", high=1), quantity="resistance_10s_relative"
    )
    assert "<a href" not in figure.to_json() and "<i>m" not in figure.to_json()
    assert (
        "<a href" not in per_cell(pack, invent.estimates(pack, "soc_offset", high=1), "soc_offset").to_json()
    )


def test_text_meets_wcag_aa() -> None:
    """WCAG 2.2, 1.4.3: 4.5 to 1 for text; 1.4.11: 3 to 1 for what is drawn. Black on white is 21 to 1 there."""
    assert_allclose(contrast("#000000", "#ffffff"), 21.0)
    for look in LOOKS:
        for ground in (look.paper, look.panel):
            assert contrast(look.ink, ground) >= 4.5 and contrast(look.soft, ground) >= 4.5
            assert contrast(look.accent, ground) >= 4.5
            assert all(contrast(c, ground) >= 3.0 for c in look.series)


@pytest.mark.parametrize("kind", COLOUR_BLIND)
def test_above_and_below_differ_for_colour_blind_readers(kind: str) -> None:
    for look in LOOKS:
        ends = [
            np.array(_linear(c)) @ np.array(COLOUR_BLIND[kind]).T
            for c in (look.below[0], look.middle, look.above[0])
        ]
        lab = [_lab(np.clip(e, 0, 1)) for e in ends]
        for a, b in combinations(lab, 2):
            assert np.linalg.norm(a - b) > 20  # CIE 1976 difference; 2.3 is just noticeable (textbook value)


def _linear(colour: str) -> list[float]:
    parts = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    return [p / 12.92 if p <= 0.04045 else ((p + 0.055) / 1.055) ** 2.4 for p in parts]


def _lab(rgb: np.ndarray) -> np.ndarray:
    """CIE L*a*b* of linear sRGB, D65 (IEC 61966-2-1)."""
    xyz = np.array([[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]]) @ rgb
    f = np.cbrt(xyz / np.array([0.9505, 1.0, 1.089]))
    return np.array([116 * f[1] - 16, 500 * (f[0] - f[1]), 200 * (f[1] - f[2])])


def test_comparison_pictures(pack: Pack) -> None:
    packs = [
        {
            "pack": p,
            "median": m,
            "low": m - 0.01,
            "high": m + 0.01,
            "logs": 2,
            "cells": [{"cell": 1, "value": m, "low": m, "high": m}],
        }
        for p, m in (("dunlin-main", 1.0), ("knot-main", 1.1))
    ]
    entry = {
        "quantity": "resistance_10s",
        "comparable": True,
        "reference": {"temperature_C": 20},
        "packs": packs,
    }
    figure = side_by_side({"quantities": [entry]}, "resistance_10s")
    assert "20 degC" in figure.layout.xaxis.title.text and "mohm" in figure.layout.xaxis.title.text
    why = side_by_side(
        {"quantities": [{**entry, "comparable": False, "why_not": "no overlap"}]}, "resistance_10s"
    )
    assert "no overlap" in why.layout.annotations[0].text
    change = {
        "cell": 5,
        "quantity": "resistance_10s",
        "ratio": 0.9,
        "low": 0.88,
        "high": 0.92,
        "finding": True,
    }
    (after,) = traces(before_after(pack, [change], "resistance_10s"), "changed by itself")
    assert_allclose(after.y, [-10.0])


def test_places_are_drawn_over_the_boxes_and_hatched_where_nothing_can_be_told(pack: Pack) -> None:
    def effect(position: str, by: float, out: bool) -> dict[str, object]:
        return {
            "position": position,
            "quantity": "resistance_10s_relative",
            "effect": by,
            "low": by - 0.05,
            "high": by + 0.05,
            "strength": "supports",
            "vehicles": 5,
            "stands_out": out,
        }

    told = [effect(f"cell {c}", 0.2 if c == 6 else 0.01, c == 6) for c in range(1, 17) if c != 9]
    figure = place_map(pack, [*told, effect("M2", 0.04, False)], "resistance_10s_relative")
    (known,), (hatched,) = traces(figure, "places"), [t for t in figure.data if "not determinable" in t.name]
    assert [list(c) for c in hatched.customdata] == [
        ["module", "M1"],
        ["module", "M3"],
        ["module", "M4"],
        ["cell", 9],
    ]
    assert hatched.marker.pattern.shape == "/" and "fewer than three vehicles" in hatched.hovertext[0]
    colours = {tuple(c): k for c, k in zip(known.customdata, known.marker.color, strict=True)}
    assert colours["cell", 6] == LIGHT.above[0]  # the end of a scale that 20 % just reaches
    assert colours["cell", 1] != colours["cell", 6]
    words = dict(zip((tuple(c) for c in known.customdata), known.hovertext, strict=True))
    assert "+20.0 % (+15.0 to +25.0)" in words["cell", 6] and "5 vehicles" in words["cell", 6]
    (marked,) = [t for t in figure.data if t.name.startswith("stands out")]
    assert len(marked.x) == 1
    (scale,) = traces(figure, "scale")
    assert scale.marker.cmin == -scale.marker.cmax and "[%" in scale.marker.colorbar.title.text

    warm = place_map(pack, [{**effect("M1", 0.12, True), "quantity": "heating"}], "heating")
    drawn = [list(c) for t in warm.data if t.type == "bar" for c in t.customdata]
    assert sorted(drawn) == [
        ["module", f"M{m}"] for m in range(1, 5)
    ]  # sensors tell of modules, not of cells
    assert place_map(pack, [], "heating").layout.annotations[0].text


def test_a_picture_never_hatches_the_cell_that_the_finding_is_of(pack: Pack, log: invent.Log) -> None:
    """A finding may know more than its log's estimate of the same cell: then its own size is drawn, and said so."""
    known = invent.estimates(pack, "soc_offset", missing=(6,))
    bare = dataclasses.replace(invent.diagnosis(pack), estimates=known)
    finding = Finding(
        "soc_offset_high", "look", "fuller", cells=(6,), size=0.036, low=0.014, high=0.057, unit="fraction"
    )
    figure = proof_picture(finding, bare, log)
    assert not traces(figure, "not known from this log")
    (named,) = traces(figure, "named in a finding")
    assert_allclose(named.y, [3.6])
    assert_allclose([named.error_y.array[0], named.error_y.arrayminus[0]], [2.1, 2.2])
    assert any("as the finding has it" in a.text for a in figure.layout.annotations)
