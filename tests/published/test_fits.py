"""Fits against published and derived values.

Gander, Golub, Strebel, Least-squares fitting of circles and ellipses, BIT 34 (1994) 558-578: six points and their
geometric circle; the algebraic ones are biased and only start the search. Pearson, Phil. Mag. 2 (1901) 559-572, and York's
weights for the same points (York, Can. J. Phys. 44, 1966, 1079-1086). NIST/ITL Statistical Reference Datasets, Norris.
Shakarji, J. Res. NIST 103 (1998) 633-641, gives the method for cylinders; the certified cylinder sets were not at hand, so
exact cylinders with a three-lobed fault stand in, whose fit is known in closed form.
"""

import math

import numpy as np
import pytest

from newel.core.errors import BadInput
from newel.probing.circle import centre_of_four, centre_of_readings, circle_algebraic, circle_geometric
from newel.probing.cylinder import cylinder
from newel.probing.line import line_both_known, line_orthogonal, line_plain

SIX = np.array([(1, 7), (2, 6), (5, 8), (7, 7), (9, 5), (3, 7)], dtype=float)
PEARSON_X = np.array([0, 0.9, 1.8, 2.6, 3.3, 4.4, 5.2, 6.1, 6.5, 7.4])
PEARSON_Y = np.array([5.9, 5.4, 4.4, 4.6, 3.5, 3.7, 2.8, 2.8, 2.4, 1.5])
NORRIS = """0.1 0.2; 338.8 337.4; 118.1 118.2; 888.0 884.6; 9.2 10.1; 228.1 226.5; 668.5 666.3; 998.5 996.3; 449.1 448.6;
778.9 777.0; 559.2 558.2; 0.3 0.4; 0.1 0.6; 778.1 775.5; 668.8 666.9; 339.3 338.0; 448.9 447.5; 10.8 11.6; 557.7 556.0;
228.3 228.1; 998.0 995.8; 888.8 887.6; 119.6 120.2; 0.3 0.3; 0.6 0.3; 557.6 556.8; 339.3 339.1; 888.0 887.2; 998.5 999.0;
778.9 779.0; 10.2 11.1; 117.6 118.3; 228.9 229.2; 668.4 669.1; 449.2 448.9; 0.2 0.5"""


def lobed(radius: float = 10.0, lobe: float = 0.01) -> np.ndarray:
    """Eight points at 45 degrees on a radius that swings three times a turn."""
    t = np.radians(45.0 * np.arange(8))
    r = radius + lobe * np.cos(3.0 * t)
    return np.column_stack([r * np.cos(t), r * np.sin(t)])


def test_gander_geometric_circle():
    found = circle_geometric(SIX)
    # published (as quoted in Chernov's test program, digits as printed there), tolerance half the last digit
    assert found.x_mm == pytest.approx(4.739782, abs=5e-7)
    assert found.y_mm == pytest.approx(2.983533, abs=5e-7)
    assert found.radius_mm == pytest.approx(4.714226, abs=5e-7)
    assert found.rms_mm == pytest.approx(0.4523271, abs=5e-8)


def test_gander_kasa_circle_is_another_one():
    # recorded with an independent solver: centre (4.74233129, 3.83512270), r 4.10876152; not the circle that metrology wants
    assert circle_algebraic(SIX) == pytest.approx((4.74233129, 3.83512270, 4.10876152), abs=5e-9)


def test_pearson_orthogonal_line():
    found = line_orthogonal(PEARSON_X, PEARSON_Y)
    # published by Pearson as -0.546 and 5.784
    assert found.slope == pytest.approx(-0.546, abs=5e-4)
    assert found.intercept == pytest.approx(5.784, abs=5e-4)
    # recorded with an independent solver
    assert found.slope == pytest.approx(-0.5455611975, abs=5e-11)
    assert found.intercept == pytest.approx(5.7840437745, abs=5e-11)
    assert found.residual_spread == pytest.approx(0.2487112300, abs=5e-11)
    assert found.intercept + found.slope * 3.82 == pytest.approx(3.70, abs=1e-12)  # derived: it goes through the mean


def test_york_line():
    wx = np.array([1000, 1000, 500, 800, 200, 80, 60, 20, 1.8, 1])
    wy = np.array([1, 1.8, 4, 8, 20, 20, 70, 70, 100, 500])
    found = line_both_known(PEARSON_X, PEARSON_Y, wx, wy)
    # published: York 1966 and Cantrell 2008, as quoted with all digits in a public test of the method
    assert found.slope == pytest.approx(-0.48053340744620, abs=5e-13)
    assert found.intercept == pytest.approx(5.47991022403286, abs=5e-13)
    # published (York and others 2004, from memory): spread of the slope 0.058, with the weights as true variances
    assert found.slope_spread == pytest.approx(0.058, abs=5e-4)


def test_norris_certified():
    y, x = np.array([[float(v) for v in pair.split()] for pair in NORRIS.split(";")]).T
    found = line_plain(x, y)
    # published (certified): 15 digits; double precision keeps 12
    assert found.intercept == pytest.approx(-0.262323073774029, rel=1e-11)
    assert found.slope == pytest.approx(1.00211681802045, rel=1e-13)
    assert found.residual_spread == pytest.approx(0.884796396144373, rel=1e-12)
    assert found.intercept_spread == pytest.approx(0.232818234301152, rel=1e-12)
    assert found.slope_spread == pytest.approx(0.429796848199937e-3, rel=1e-12)


def test_exact_circle_with_three_lobes():
    found = circle_geometric(lobed())
    # derived: over 8 points cos 3t is orthogonal to 1, cos t and sin t, so the gradient vanishes at (0, 0, 10)
    assert (found.x_mm, found.y_mm) == pytest.approx((0.0, 0.0), abs=1e-9)
    assert found.radius_mm == pytest.approx(10.0, abs=1e-9)
    assert found.rms_mm == pytest.approx(0.01 / math.sqrt(2.0), abs=1e-10)
    assert found.peak_to_valley_mm == pytest.approx(0.02, abs=1e-9)


def rings() -> np.ndarray:
    return np.vstack([np.column_stack([np.full(8, x), lobed()]) for x in (-20.0, 0.0, 20.0)])


def test_exact_cylinder():
    found = cylinder(rings())
    # derived, as for the circle
    assert (found.y_mm, found.z_mm, found.slope_y, found.slope_z) == pytest.approx((0, 0, 0, 0), abs=1e-9)
    assert found.radius_mm == pytest.approx(10.0, abs=1e-9)
    assert found.rms_mm == pytest.approx(0.0070710678, abs=5e-11)
    assert found.peak_to_valley_mm == pytest.approx(0.02, abs=1e-9)


def test_exact_cylinder_moved():
    d = np.array([1.0, 0.01, -0.02]) / np.linalg.norm([1.0, 0.01, -0.02])
    y = np.cross([0.0, 0.0, 1.0], d)
    y /= np.linalg.norm(y)
    points = rings() @ np.array([d, y, np.cross(d, y)]) + [0.0, 1.0, 2.0]
    found = cylinder(points)
    # derived: the ring at x = 0 has its centre at (0, 1, 2) and the axis the direction given
    assert (found.y_mm, found.z_mm) == pytest.approx((1.0, 2.0), abs=1e-8)
    assert (found.slope_y, found.slope_z) == pytest.approx((0.01, -0.02), abs=1e-9)
    assert found.radius_mm == pytest.approx(10.0, abs=1e-8)


def test_noisy_cylinder_covers_the_truth():
    inside = 0
    for seed in range(60):
        rng = np.random.default_rng(seed)
        t = rng.uniform(0, 2 * np.pi, 24)
        x = np.repeat([-20.0, 0.0, 20.0], 8)
        r = 10.0 + rng.normal(0.0, 0.01, 24)
        found = cylinder(np.column_stack([x, 1.0 + 0.01 * x + r * np.cos(t), r * np.sin(t)]))
        spread = np.sqrt(np.diag(found.covariance))
        inside += abs(found.y_mm - 1.0) <= 2.093 * spread[0]  # Student's t, 19 degrees of freedom, 95 %
    assert inside >= 52  # derived: fewer than 52 of 60 at 95 % happens once in a hundred and more runs


def test_four_readings():
    # published as a worked case; derived: R 10, e 0.12 at 35 degrees, r(t) = e cos(t - p) + sqrt(R^2 - e^2 sin^2(t - p))
    ey, ez = centre_of_four(10.098061370, 10.068346033, 9.901464879, 9.930687689)
    assert (ey, ez) == pytest.approx((0.12 * math.cos(math.radians(35)), 0.12 * math.sin(math.radians(35))), abs=1e-9)


def test_indicator_of_a_true_bar():
    ey, ez = centre_of_four(0.10, -0.04, -0.06, 0.08)
    # derived: half the differences; 0.10 off at -36.87 degrees, so the whole indicator movement is 0.20
    assert (ey, ez) == pytest.approx((0.08, -0.06), abs=1e-12)
    assert 2.0 * math.hypot(ey, ez) == pytest.approx(0.20, abs=1e-12)


def test_equal_spacing_gives_the_least_squares_centre():
    t = np.radians(30.0 * np.arange(12))
    a, b, mean = centre_of_readings(20.0 + 0.03 * np.cos(t) - 0.04 * np.sin(t) + 0.01 * np.cos(2.0 * t))
    # derived: the second harmonic is orthogonal to the first
    assert (a, b, mean) == pytest.approx((0.03, -0.04, 20.0), abs=1e-12)


@pytest.mark.parametrize(
    "points", [np.zeros((2, 2)), np.column_stack([np.arange(5.0), np.arange(5.0)]), np.full((4, 2), np.nan)]
)
def test_points_that_are_no_circle_are_refused(points):
    with pytest.raises(BadInput):
        circle_geometric(points)


def test_one_section_is_no_cylinder():
    with pytest.raises(BadInput, match="one section"):
        cylinder(np.column_stack([np.zeros(8), lobed()]))
