"""Speeds, engagement, chip thickness and roughness.

Formulas: ISO 3002 terms; M. E. Martellotti, "An analysis of the milling process", Trans. ASME 63 (1941), circular form.
Unless a value is marked *published* it is *derived*: the formula recomputed apart from this code in double precision, as
many digits as stand here. ISO 4287:1997 defines Ra and Rq.
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from newel.mechanics.chip import (
    ball_diameter_mm,
    chip_at_mm,
    cutting_speed_m_per_min,
    engaged_from_to_deg,
    engagement_angle_deg,
    feed_for_mean_chip_mm,
    feed_speed_mm_per_min,
    largest_chip_mm,
    mean_chip_mm,
    spindle_speed_rpm,
    tilted_ball_diameter_mm,
)
from newel.mechanics.edges import working_edge
from newel.mechanics.roughness import arc_Ra_mm, arc_Rq_mm, cusp_mm, step_for_cusp_mm, v_Ra_mm
from newel.shop.cutters import Cutter, Form

SHARES = [0.05, 0.10, 0.20, 0.25, 0.50, 0.75, 1.00]


@pytest.mark.parametrize(("diameter", "rpm"), [(3.175, 20_051.02), (6.0, 10_610.33)])
def test_spindle_speed_for_200_m_per_min(diameter, rpm):
    """Derived: n = 1000 v / (pi D)."""
    assert spindle_speed_rpm(200.0, diameter) == pytest.approx(rpm, abs=0.005)
    assert cutting_speed_m_per_min(rpm, diameter) == pytest.approx(200.0, rel=1e-6)


def test_spindle_speed_in_inch_units():
    """Derived: 400 ft/min on 0.125 in; the constant 12/pi = 3.8197186 of the inch form."""
    assert spindle_speed_rpm(400 * 0.3048, 0.125 * 25.4) == pytest.approx(12_223.10, abs=0.005)
    assert spindle_speed_rpm(0.3048, 25.4) == pytest.approx(3.8197186, abs=5e-8)


def test_engagement_angle():
    """Derived: arccos(1 - 2 ae/D)."""
    expected = [25.8419, 36.8699, 53.1301, 60, 90, 120, 180]
    assert engagement_angle_deg(np.array(SHARES) * 6.0, 6.0) == pytest.approx(expected, abs=5e-5)


def test_largest_chip():
    """Derived: fz sin(angle) up to half the diameter, then fz."""
    expected = [0.435890, 0.6, 0.8, 0.866025, 1, 1, 1]
    assert largest_chip_mm(1.0, SHARES, 1.0) == pytest.approx(expected, abs=5e-7)


def test_mean_chip():
    """Derived: 2 (ae/D) fz / angle; e.g. 0.1 / 0.45102681 and 0.4 / 0.92729522."""
    expected = [0.221716, 0.310800, 0.431362, 0.477465, 0.636620, 0.716197, 0.636620]
    assert mean_chip_mm(1.0, SHARES, 1.0) == pytest.approx(expected, abs=5e-7)
    assert float(mean_chip_mm(1.0, 0.0, 1.0)) == 0.0
    assert feed_for_mean_chip_mm(0.02, 0.3, 3.0) == pytest.approx(0.02 / 0.310800, rel=2e-6)


def test_mean_chip_is_the_mean_of_the_chip_over_the_arc():
    for share in SHARES:
        angle = float(engagement_angle_deg(share, 1.0))
        steps = (np.arange(20_000) + 0.5) * angle / 20_000
        assert chip_at_mm(1.0, steps).mean() == pytest.approx(float(mean_chip_mm(1.0, share, 1.0)), rel=1e-8)


def test_the_short_form_is_off_by_as_much_as_is_said():
    """Derived: sqrt(ae/D) is 0.9 % high at 0.05, 1.7 % at 0.1, 4.7 % at 0.25, 11 % at 0.5."""
    share = np.array([0.05, 0.1, 0.25, 0.5])
    over = 100 * (np.sqrt(share) / mean_chip_mm(1.0, share, 1.0) - 1)
    assert over == pytest.approx([0.85, 1.7, 4.7, 11.07], abs=0.05)


def test_climb_and_conventional_are_mirror_images():
    assert engaged_from_to_deg(1.5, 6.0, climb=False) == pytest.approx((0.0, 60.0))
    assert engaged_from_to_deg(1.5, 6.0, climb=True) == pytest.approx((120.0, 180.0))


def test_feed_speed():
    """Derived: 12 000 rpm x 2 teeth x 0.03 mm = 720 mm/min."""
    assert feed_speed_mm_per_min(12_000, 2, 0.03) == pytest.approx(720.0)


@pytest.mark.parametrize(
    ("ball", "depth", "expected"), [(6.0, 0.5, 3.31662479), (6.0, 0.1, 1.53622915), (3.0, 0.2, 1.49666295)]
)
def test_effective_diameter_of_a_ball(ball, depth, expected):
    """Derived: 2 sqrt(a (D - a))."""
    assert ball_diameter_mm(ball, depth) == pytest.approx(expected, abs=5e-9)
    cutter = _cutter(Form.BALL, DC=ball, RE=ball / 2)
    assert working_edge(cutter, depth).diameter_mm == pytest.approx(expected, abs=5e-9)


def test_effective_diameter_of_a_leaning_ball():
    """Derived: D sin(b + arccos((D - 2a)/D)), D 6, a 0.1, b 15 degrees."""
    assert tilted_ball_diameter_mm(6.0, 0.1, 15.0) == pytest.approx(2.98503387, abs=5e-9)
    assert tilted_ball_diameter_mm(6.0, 0.1, 0.0) == pytest.approx(1.53622915, abs=5e-9)
    assert tilted_ball_diameter_mm(6.0, 1.0, 80.0) == 6.0


@pytest.mark.parametrize(("sig", "width"), [(30, 0.53589838), (60, 1.15470054), (90, 2.0)])
def test_width_of_a_v_at_its_depth(sig, width):
    """Derived: 2 d tan(SIG/2) + tip flat, d 1; the edge leans by SIG/2, so it is 1/cos longer and the chip cos thinner."""
    edge = working_edge(_cutter(Form.V, DC=6.0, SIG=float(sig)), 1.0)
    assert edge.diameter_mm == pytest.approx(width, abs=5e-9)
    assert edge.length_mm == pytest.approx(1 / math.cos(math.radians(sig / 2)))
    assert edge.thinning == pytest.approx(math.cos(math.radians(sig / 2)))
    flat = working_edge(_cutter(Form.V, DC=6.0, SIG=float(sig), tip_flat_mm=0.1), 1.0)
    assert flat.diameter_mm == pytest.approx(width + 0.1, abs=5e-9)


def test_edges_of_the_other_forms():
    """Derived: plane geometry of each outline."""
    flat = working_edge(_cutter(Form.FLAT), 2.0)
    assert (flat.diameter_mm, flat.length_mm, flat.thinning) == (6.0, 2.0, 1.0)
    bull = working_edge(_cutter(Form.BULL_NOSE, RE=1.0), 3.0)  # a quarter of a circle and 2 mm of flank
    assert bull.diameter_mm == pytest.approx(6.0)
    assert bull.length_mm == pytest.approx(math.pi / 2 + 2.0)
    low = working_edge(_cutter(Form.BULL_NOSE, RE=1.0), 0.5)  # 60 degrees of the corner
    assert low.diameter_mm == pytest.approx(4.0 + 2 * math.sin(math.pi / 3))
    assert low.thinning == pytest.approx(0.5 / (math.pi / 3))
    taper = _cutter(Form.TAPERED_BALL, RE=0.5, taper_half_angle_deg=5.0)
    # the joint lies at height 0.45642213 and radius 0.49809735; above it the flank leans 5 degrees
    assert working_edge(taper, 0.45642213).diameter_mm == pytest.approx(2 * 0.49809735, abs=1e-7)
    rise = 1.45642213 - 0.45642213
    assert working_edge(taper, 1.45642213).diameter_mm == pytest.approx(
        2 * (0.49809735 + rise * math.tan(math.radians(5))), abs=1e-7
    )


@pytest.mark.parametrize(("step", "radius", "cusp"), [(0.5, 3, 0.01043481), (0.3, 1.5, 0.00751884), (0.2, 1.5875, 0.00315274)])
def test_cusp_of_a_ball_on_a_flat(step, radius, cusp):
    """Derived: R - sqrt(R2 - s2/4), and back."""
    assert cusp_mm(step, radius) == pytest.approx(cusp, abs=5e-9)
    assert step_for_cusp_mm(cusp, radius) == pytest.approx(step, abs=1e-6)


@pytest.mark.parametrize(
    ("step", "radius", "Rt", "Ra", "Rq"), [(0.5, 3.0, 10.4348, 2.6766, 3.1103), (0.2, 1.5, 3.3370, 0.8561, 0.9948)]
)
def test_roughness_of_arc_cusps(step, radius, Rt, Ra, Rq):
    """Derived numerically, in micrometres; and the approximate forms s2/8R, s2/(18 sqrt3 R), s2/(12 sqrt5 R) within 0.3 %."""
    assert 1000 * cusp_mm(step, radius) == pytest.approx(Rt, abs=5e-5)
    assert 1000 * arc_Ra_mm(step, radius) == pytest.approx(Ra, abs=5.1e-5)
    assert 1000 * arc_Rq_mm(step, radius) == pytest.approx(Rq, abs=5.1e-5)
    assert arc_Ra_mm(step, radius) == pytest.approx(step**2 / (18 * math.sqrt(3) * radius), rel=3e-3)
    assert arc_Rq_mm(step, radius) == pytest.approx(step**2 / (12 * math.sqrt(5) * radius), rel=3e-3)


def test_roughness_of_v_cusps():
    """Derived: a triangle's mean deviation from its mean line is a quarter of its height."""
    z = np.abs((np.arange(100_000) + 0.5) / 100_000 - 0.5) * 2
    assert v_Ra_mm(1.0) == pytest.approx(np.abs(z - z.mean()).mean(), rel=1e-9)


def _cutter(form: Form, DC: float = 6.0, **symbols) -> Cutter:
    return Cutter(
        name="test",
        form=form,
        DC=DC,
        APMX=15.0,
        LU=15.0,
        LPR=25.0,
        DCONMS=6.0,
        ZEFP=2,
        source="invented for the demo: a test",
        **symbols,
    )
