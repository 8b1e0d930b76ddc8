"""The cached first-principles cells against the models that they came from, solved again here."""

import numpy as np
import pytest
from numpy.testing import assert_allclose

from tests.accuracy import first_principles, library

pytest.importorskip("pybamm", reason="PyBaMM is not installed: the cells cannot be solved again")


@pytest.mark.parametrize(("chemistry", "course", "number"), [("NMC", "drive", 14), ("LFP", "charge", 3)])
def test_cached_course_is_the_models(chemistry, course, number):
    kept = first_principles.course(chemistry, course)
    member = library.members(course, chemistry)[number]
    seconds, current = library.current_of(course, chemistry)
    solved = library.solve(chemistry, member, seconds, current, library.START[course] + member.charge)
    assert_allclose(kept.current, current, atol=1e-4)
    # 1 mV: solver tolerance and the revision of parameter sets between PyBaMM versions.
    assert_allclose(kept.volts[number], solved["volts"], atol=1e-3)


def test_cached_resistance_is_a_pulse():
    course = first_principles.course("NMC", "drive")
    member = course.info["members"][-1]
    plain = library.Member(member["what"], member["charge"], member["capacity"], member["ageing"])
    ohm = library.pulse_resistance(
        "NMC", plain, course.info["mean_soc"], course.info["rms"], course.info["mean_C"]
    )
    assert_allclose(member["resistance_10s"], ohm, rtol=1e-3)


def test_more_ageing_more_resistance():
    lot = first_principles.course("LFP", "drive2").info["members"]
    order = np.argsort([m["ageing"] for m in lot])
    by_ageing = np.array([m["resistance_10s"] for m in lot])[order]
    assert np.polyfit(range(len(lot)), by_ageing, 1)[0] > 0
    assert lot[int(np.argmax([m["resistance_10s"] for m in lot]))]["what"] == "aged/clear"
