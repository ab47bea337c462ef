"""Torsion of plain bars: Saint-Venant's series (*derived*), confirmed by sectionproperties 3.10.2 and scikit-fem 12.0.2."""

from __future__ import annotations

import math

import numpy as np
import pytest

from newel.core.errors import BadInput
from newel.mechanics.torsion import (
    hexagon_torsion_constant_mm4,
    rectangle_torsion_constant_mm4,
    rectangle_torsion_modulus_mm3,
    round_torsion_constant_mm4,
    round_torsion_modulus_mm3,
    twist_along_deg_per_Nmm,
    twist_deg,
)


def test_round_bar():
    """Derived: pi d4/32 and pi d3/16."""
    assert round_torsion_constant_mm4(20.0) == pytest.approx(15_707.963268, abs=5e-7)
    assert round_torsion_modulus_mm3(20.0) == pytest.approx(math.pi * 8000 / 16)


def test_square_bar():
    """Derived: 0.14057701 a4, 0.20816526 a3; sectionproperties 22 492.69, scikit-fem 0.1405770110."""
    assert rectangle_torsion_constant_mm4(1.0, 1.0) == pytest.approx(0.14057701, abs=1e-8)
    assert rectangle_torsion_constant_mm4(20.0, 20.0) == pytest.approx(22_492.3224, abs=1e-3)
    assert rectangle_torsion_modulus_mm3(1.0, 1.0) == pytest.approx(0.20816526, abs=5e-9)
    assert 1 / rectangle_torsion_modulus_mm3(1.0, 1.0) == pytest.approx(4.80387554, abs=5e-8)


def test_rectangle_two_to_one():
    """Derived: J = 0.22868168 (2a) a3, c = 0.24587834; either side may come first."""
    assert rectangle_torsion_constant_mm4(1.0, 2.0) == pytest.approx(2 * 0.22868168, abs=1e-8)
    assert rectangle_torsion_constant_mm4(2.0, 1.0) == rectangle_torsion_constant_mm4(1.0, 2.0)
    assert rectangle_torsion_modulus_mm3(2.0, 1.0) == pytest.approx(2 * 0.24587834, abs=2e-8)


def test_thin_strip():
    """Derived: a b3/3 in the limit, less 0.63 b4/3."""
    assert rectangle_torsion_constant_mm4(100.0, 1.0) == pytest.approx((100 - 0.630249) / 3, rel=1e-6)


def test_hexagon():
    """From sectionproperties only: 18 410.63 for 20 mm across flats, 0.1 %."""
    assert hexagon_torsion_constant_mm4(20.0) == pytest.approx(18_410.63, rel=1e-3)


def test_twist():
    """Derived: T L / G J with T 1000 N mm, L 100, G 26 000."""
    assert twist_deg(1000, 100, 26_000, round_torsion_constant_mm4(20.0)) == pytest.approx(0.0140291, abs=5e-8)
    assert twist_deg(1000, 100, 26_000, rectangle_torsion_constant_mm4(20.0, 20.0)) == pytest.approx(0.0097975, abs=5e-8)


def test_twist_along_a_stepped_bar():
    x = np.array([0.0, 40.0, 100.0])
    GJ = 26_000 * np.array([round_torsion_constant_mm4(20.0), round_torsion_constant_mm4(10.0)])
    at = np.array([0.0, 20.0, 40.0, 100.0])
    expected = [0.0, twist_deg(1, 20, 26_000, GJ[0] / 26_000), twist_deg(1, 40, 26_000, GJ[0] / 26_000)]
    expected.append(expected[2] + twist_deg(1, 60, 26_000, GJ[1] / 26_000))
    assert twist_along_deg_per_Nmm(x, GJ, at) == pytest.approx(expected, rel=1e-12)
    with pytest.raises(BadInput):
        twist_along_deg_per_Nmm(x, np.array([1.0, 0.0]), at)
