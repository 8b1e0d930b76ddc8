"""How a cell of other charge or capacity parts from the others: by hand on tables of straight pieces."""

import numpy as np
from numpy.testing import assert_allclose

from bmslogs.analysis.models.charge_shapes import charge_shapes
from bmslogs.analysis.ocv import OcvCurve


def test_on_a_straight_curve_fuller_and_emptier_mirror_each_other():
    """1 V for a whole charge: 2 % more are 20 mV more, and at a quarter drawn a quarter of that for the capacity."""
    curve = OcvCurve(np.array([0.0, 1.0]), np.array([3.0, 4.0]), False, "straight")
    found = charge_shapes(np.array([3.5, 3.25]), np.array([0.0, 0.25]), curve)
    assert_allclose(found, [[0.02, -0.02, 0.0, 0.0], [0.02, -0.02, 0.005, -0.005]], atol=1e-12)


def test_at_a_knee_they_do_not():
    """Below half charge 4 V for a whole charge, above 0.4 V: 2 % are 8 mV up and 80 mV down."""
    curve = OcvCurve(np.array([0.0, 0.5, 1.0]), np.array([1.5, 3.5, 3.7]), False, "knee")
    found = charge_shapes(np.array([3.5]), np.array([1.0]), curve)
    assert_allclose(found, [[0.008, -0.08, 0.008, -0.08]], atol=1e-12)
