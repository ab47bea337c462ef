"""Spacing of passes against the closed forms of plane geometry (project's check values G1 to G5 and G9 to G12).

All expected numbers are *derived*: exact formulas evaluated in double precision and printed to eight decimals beside each
case; the tolerance is half the last printed digit, wider only where the cutter's outline is tabulated by chords.
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from newel.core.profile import Profile, outline
from newel.toolpaths.spacing import cusp_between, spacing_rule, underside, widest_spacing, widest_turn_deg

CHORDS_MM = 5e-7  # an arc of 2000 chords over a quarter turn strays by R (pi/4/2000)^2 / 2, 0.23 um at R 3


def ball(radius: float) -> Profile:
    return outline((0, 0), (radius, radius, 0, radius), (radius, radius + 10))


def bull_nose(diameter: float, corner: float) -> Profile:
    flat = diameter / 2 - corner
    return outline((0, 0), (flat, 0), (diameter / 2, corner, flat, corner), (diameter / 2, 10))


def pointed(point_angle_deg: float) -> Profile:
    return outline((0, 0), (3, 3 / math.tan(math.radians(point_angle_deg / 2))), (3, 30))


def tapered_ball(tip: float, half_angle_deg: float) -> Profile:
    half = math.radians(half_angle_deg)
    r, h = tip * math.cos(half), tip * (1 - math.sin(half))
    return outline((0, 0), (r, h, 0, tip), (3, h + (3 - r) / math.tan(half)), (3, 40))


def flat(diameter: float) -> Profile:
    return outline((0, 0), (diameter / 2, 0), (diameter / 2, 10))


@pytest.mark.parametrize(
    ("radius", "spacing", "cusp"),
    [(3, 0.5, 0.01043481), (1.5, 0.3, 0.00751884), (1.5875, 0.2, 0.00315274), (0.5, 0.1, 0.00250628)],
)
def test_g1_scallop_of_a_ball_on_a_flat(radius, spacing, cusp):
    # derived: R - sqrt(R^2 - s^2/4)
    assert float(cusp_between(underside(ball(radius)), spacing, 0.0)) == pytest.approx(cusp, abs=CHORDS_MM)


@pytest.mark.parametrize(("radius", "cusp", "spacing"), [(3, 0.01, 0.48948953), (1.5, 0.005, 0.24474477)])
def test_g2_step_for_a_scallop(radius, cusp, spacing):
    # derived: 2 sqrt(2 R h - h^2)
    assert float(widest_spacing(underside(ball(radius)), cusp, 0.0)) == pytest.approx(spacing, rel=2e-5)


def test_g2_holds_on_any_slope_for_a_ball():
    # derived: a ball looks the same from every side, while its round end does the cutting
    found = widest_spacing(underside(ball(3)), 0.01, [0.0, 15.0, 40.0, 70.0])
    np.testing.assert_allclose(found, 0.48948953, rtol=2e-5)


@pytest.mark.parametrize(("spacing", "cusp"), [(5, 0.13397460), (4.5, 0.03175416), (4, 0.0)])
def test_g3_bull_nose_on_a_flat_floor(spacing, cusp):
    # derived: G1 with the corner radius and s - (D - 2 r)
    assert float(cusp_between(underside(bull_nose(6, 1)), spacing, 0.0)) == pytest.approx(cusp, abs=CHORDS_MM)


@pytest.mark.parametrize(("half_step", "cusp"), [(0.2, 0.04174243), (0.49, 0.40050126), (0.5, 0.47816953), (0.52, 0.70677057)])
def test_g4_tapered_ball(half_step, cusp):
    # derived: r - sqrt(r^2 - x^2) up to the joint, then r (1 - sin a) + (x - r cos a)/tan a; steep there, so chords count more
    assert float(cusp_between(underside(tapered_ball(0.5, 5)), 2 * half_step, 0.0)) == pytest.approx(cusp, abs=2e-5)


@pytest.mark.parametrize(("angle", "cusp"), [(30, 0.37320508), (60, 0.17320508), (90, 0.1)])
def test_g5_pointed_v(angle, cusp):
    # derived: (s/2)/tan(SIG/2)
    assert float(cusp_between(underside(pointed(angle)), 0.2, 0.0)) == pytest.approx(cusp, abs=5e-9)


@pytest.mark.parametrize(
    ("part", "radius", "turn", "cusp"), [(20, 3, 2, 0.02347265), (10, 1.5, 2, 0.01173632), (5, 0.5, 1, 0.00209952)]
)
def test_g9_ball_along_a_cylinder(part, radius, turn, cusp):
    # derived: (R+r) cos(t/2) - sqrt(r^2 - (R+r)^2 sin^2(t/2)) - R, turned round: this cusp must give back this turn
    assert widest_turn_deg(underside(ball(radius)), cusp, part) == pytest.approx(turn, rel=2e-5)


def test_g10_largest_turn_for_a_scallop():
    # derived: 2 acos[((R+r)^2 + (R+h)^2 - r^2) / (2 (R+r)(R+h))]; similar shapes, same angle
    assert widest_turn_deg(underside(ball(3)), 0.01, 20) == pytest.approx(1.30731707, rel=2e-5)
    assert widest_turn_deg(underside(ball(1.5)), 0.005, 10) == pytest.approx(1.30731707, rel=2e-5)


def test_g11_the_flat_formula_is_wider_than_the_turn_on_a_cylinder():
    # derived: (R t)^2/8 (1/r + 1/R) is within 0.6 % of G9; the flat formula is 13 % low at R20 r3
    turn = math.radians(widest_turn_deg(underside(ball(3)), 0.02347265, 20))
    assert (20 * turn) ** 2 / 8 * (1 / 3 + 1 / 20) == pytest.approx(0.02347265, rel=6e-3)
    assert float(cusp_between(underside(ball(3)), 20 * turn, 0.0)) / 0.02347265 == pytest.approx(0.87, abs=0.01)


@pytest.mark.parametrize(("part", "turn", "cusp"), [(20, 5, 0.01905370), (10, 5, 0.00952685), (20, 1, 0.00076157)])
def test_g12_flats_round_a_cylinder(part, turn, cusp):
    # derived: R / cos(t/2) - R, as long as the cutter is wider than 2 R tan(t/2)
    assert widest_turn_deg(underside(flat(6)), cusp, part) == pytest.approx(turn, rel=1e-5)


def test_a_flat_end_on_a_slope_leaves_steps():
    # derived: a step of run a and rise b stands a b / sqrt(a^2 + b^2) over the line through its inner corners
    found = cusp_between(underside(flat(6)), [0.1, 1.0, 0.5], [0.1, 5.0, 0.0])
    np.testing.assert_allclose(found, [0.1 / math.sqrt(2), 5 / math.sqrt(26), 0.0], atol=1e-7)


def test_the_rule_gives_the_asked_cusp_back_at_every_slope():
    # derived: spacing and cusp are each other's inverse; between the slopes of the table it may err by 3 %
    for profile in (ball(1.5), bull_nose(6, 1), tapered_ball(0.5, 5), pointed(60)):
        below = underside(profile)
        rule = spacing_rule(below, 0.02, 100.0)
        slope = np.radians(np.linspace(1.0, 55.0, 40))  # a 60 degree V lies flat on 60 degrees: no crossing there
        spacing = rule.spacing(np.cos(slope), np.sin(slope))
        inside = spacing < 1.9 * below.radius_mm
        cusp = cusp_between(below, (spacing * np.cos(slope))[inside], (spacing * np.sin(slope))[inside])
        np.testing.assert_allclose(cusp, 0.02, rtol=0.03)
