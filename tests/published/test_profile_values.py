"""Check values from outside for cutter outlines: references, section 3, items G1, G3 to G8 and G16.

They are *derived* values (closed forms of circles and lines, worked out apart from this code); tolerance half the last
digit. What an outline leaves between two passes a step s apart on a flat floor is its height at r = s / 2; what it
cuts at a depth d is twice its radius at h = d.
"""

import math

import numpy as np
import pytest

from newel.geometry.profiles import height_at, radius_at
from plain.drop_plain import ball, bull_nose, tapered_ball, v_cutter

HALF_DIGIT = 0.6e-8


def cusp(profile, step_mm):
    return float(height_at(profile, step_mm / 2.0))


@pytest.mark.parametrize(
    ("radius", "step", "expected"),
    [(3, 0.5, 0.01043481), (1.5, 0.3, 0.00751884), (1.5875, 0.2, 0.00315274), (0.5, 0.1, 0.00250628)],
)
def test_g1_ball_on_flat(radius, step, expected):
    assert cusp(ball(radius).profile, step) == pytest.approx(expected, abs=HALF_DIGIT)


@pytest.mark.parametrize(("step", "expected"), [(5.0, 0.13397460), (4.5, 0.03175416), (4.0, 0.0)])
def test_g3_bull_nose_on_flat(step, expected):
    assert cusp(bull_nose(3.0, 1.0).profile, step) == pytest.approx(expected, abs=HALF_DIGIT)


@pytest.mark.parametrize(
    ("half_step", "expected"), [(0.2, 0.04174243), (0.49, 0.40050126), (0.5, 0.47816953), (0.52, 0.70677057)]
)
def test_g4_tapered_ball(half_step, expected):
    assert cusp(tapered_ball(0.5, 5.0, 1.5).profile, 2 * half_step) == pytest.approx(expected, abs=HALF_DIGIT)


def test_g4_joint_of_ball_and_taper():
    profile = tapered_ball(0.5, 5.0, 1.5).profile
    assert (profile.r_mm[1], profile.h_mm[1]) == pytest.approx((0.49809735, 0.45642213), abs=HALF_DIGIT)


@pytest.mark.parametrize(("angle", "expected"), [(30, 0.37320508), (60, 0.17320508), (90, 0.1)])
def test_g5_pointed_v(angle, expected):
    assert cusp(v_cutter(3.0, angle).profile, 0.2) == pytest.approx(expected, abs=HALF_DIGIT)


@pytest.mark.parametrize(
    ("angle", "depth", "tip_flat", "expected"),
    [
        (30, 1.0, 0.0, 0.53589838),
        (60, 1.0, 0.0, 1.15470054),
        (90, 1.0, 0.0, 2.0),
        (60, 0.5, 0.0, 0.57735027),
        (60, 1.0, 0.1, 1.25470054),
    ],
)
def test_g6_width_of_a_v_groove(angle, depth, tip_flat, expected):
    assert 2 * float(radius_at(v_cutter(3.0, angle, tip_flat / 2).profile, depth)) == pytest.approx(expected, abs=HALF_DIGIT)


@pytest.mark.parametrize(("angle", "depth"), [(30, 3.73205081), (60, 1.73205081), (90, 1.0)])
def test_g7_depth_of_a_v_groove_two_wide(angle, depth):
    assert float(height_at(v_cutter(3.0, angle).profile, 1.0)) == pytest.approx(depth, abs=HALF_DIGIT)


@pytest.mark.parametrize(("angle", "leg", "drop_mm"), [(90, 1.0, 1.0), (60, 1.0, 1.73205081)])
def test_g8_chamfer_by_a_v(angle, leg, drop_mm):
    assert float(radius_at(v_cutter(3.0, angle).profile, drop_mm)) == pytest.approx(leg, abs=HALF_DIGIT)


@pytest.mark.parametrize(("diameter", "depth", "expected"), [(6, 0.5, 3.31662479), (6, 0.1, 1.53622915), (3, 0.2, 1.49666295)])
def test_g16_effective_diameter_of_a_ball(diameter, depth, expected):
    assert 2 * float(radius_at(ball(diameter / 2).profile, depth)) == pytest.approx(expected, abs=HALF_DIGIT)


def test_g16_effective_diameter_of_a_tilted_ball():
    """Tilting by 15 degrees brings the contact ring's far side out to R sin(tilt + angle at depth) from the axis."""
    r = float(radius_at(ball(3.0).profile, 0.1))
    assert 6.0 * math.sin(math.radians(15.0) + np.arcsin(r / 3.0)) == pytest.approx(2.98503387, abs=HALF_DIGIT)
