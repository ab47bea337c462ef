"""Natural frequencies and chatter.

W. T. Thomson, Theory of Vibration, appendix D.3 (*published*: roots to five digits); frequencies and lobe points *derived*.
No worked example of a stability lobe was found in an open text that could be read to its numbers.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.optimize import minimize_scalar

from newel.core.errors import BadInput
from newel.mechanics.beams import round_second_moment_mm4
from newel.mechanics.vibration import (
    CLAMPED_FREE,
    CLAMPED_PINNED,
    beam_frequency_Hz,
    chatter_frequency_Hz,
    chatter_limit_mm,
    lobe_point,
    quiet_speeds_rpm,
)


def test_roots():
    """Published: Thomson D.3: 1.8751, 4.6941, 7.8548, squares 3.5160, 22.0345, 61.6972; and what they are roots of."""
    np.testing.assert_allclose(CLAMPED_FREE, (1.8751, 4.6941, 7.8548), atol=5e-5)
    assert [root**2 for root in CLAMPED_FREE] == pytest.approx([3.5160, 22.0345, 61.6972], abs=6e-5)
    assert CLAMPED_PINNED[0] == pytest.approx(3.9266, abs=5e-5)
    for root in CLAMPED_FREE:
        assert math.cos(root) * math.cosh(root) == pytest.approx(-1.0, abs=1e-6)
    for root in CLAMPED_PINNED:
        assert math.tan(root) - math.tanh(root) == pytest.approx(0.0, abs=1e-8)


@pytest.mark.parametrize(
    ("E", "kg_per_m3", "free", "pinned"), [(68_900.0, 2700.0, 1413.411, 6198.002), (207_000.0, 7850.0, 1436.783, 6300.490)]
)
def test_bars_of_20_mm_by_100(E, kg_per_m3, free, pinned):
    EI, mass = E * round_second_moment_mm4(20.0), kg_per_m3 * 1e-9 * math.pi * 100.0
    assert beam_frequency_Hz(CLAMPED_FREE[0], 100.0, EI, mass) == pytest.approx(free, abs=5e-4)
    assert beam_frequency_Hz(CLAMPED_PINNED[0], 100.0, EI, mass) == pytest.approx(pinned, abs=5e-4)


def test_a_carbide_cutter():
    """Derived: 3.175 mm, L 20, 600 GPa, 14 500 kg/m3: 7143.092 Hz, tip stiffness 3EI/L3 = 1.122347 N/um."""
    EI = 600_000.0 * round_second_moment_mm4(3.175)
    mass = 14_500e-9 * math.pi / 4 * 3.175**2
    assert beam_frequency_Hz(CLAMPED_FREE[0], 20.0, EI, mass) == pytest.approx(7143.092, abs=5e-4)
    stiffness = 3 * EI / 20.0**3 / 1000
    assert stiffness == pytest.approx(1.122347, abs=5e-7)


def test_depth_that_never_chatters():
    """Derived: k 5 N/um, damping 0.03, Ks 800: 0.38625 mm at 1200 sqrt(1.06) = 1235.476 Hz; and the least of the lobes."""
    assert chatter_limit_mm(5000.0, 0.03, 800.0) == pytest.approx(0.38625, abs=1e-12)
    assert chatter_frequency_Hz(1200.0, 0.03) == pytest.approx(1235.476, abs=5e-4)
    least = minimize_scalar(
        lambda f: lobe_point(f, 1200.0, 0.03, 5000.0, 800.0, 2, 0)[1],
        bounds=(1201, 1400),
        method="bounded",
        options={"xatol": 1e-8},
    )
    assert least.fun == pytest.approx(0.38625, rel=1e-9)
    assert least.x == pytest.approx(1235.476, abs=0.01)


def test_lobe_points():
    """Derived: at 1300 Hz b 0.618585; 63 514.5, 24 163.1 and 14 919.5 rpm on lobes 0 to 2, two teeth."""
    points = [lobe_point(1300.0, 1200.0, 0.03, 5000.0, 800.0, 2, lobe) for lobe in range(3)]
    assert [speed for speed, _ in points] == pytest.approx([63_514.5, 24_163.1, 14_919.5], abs=0.05)
    assert points[0][1] == pytest.approx(0.618585, abs=5e-7)
    with pytest.raises(BadInput):
        lobe_point(1100.0, 1200.0, 0.03, 5000.0, 800.0, 2, 0)


def test_quiet_speeds():
    """Derived: 60 x 1200 / (2 j)."""
    np.testing.assert_allclose(quiet_speeds_rpm(1200.0, 2), [36_000, 18_000, 12_000, 9_000])
