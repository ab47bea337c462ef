"""Bars and cutters as beams.

Roark, Formulas for Stress and Strain, beam table: left end fixed and right end free or simply supported; both ends
supported; both fixed (cases quoted from memory). The values are *derived* from those formulas and confirmed by an
independent 200-element model: bars of 20 mm, E 68 900 N/mm2, L 100 mm, F 50 N.
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from newel.core.errors import BadInput
from newel.mechanics.beams import (
    cantilever_mm,
    fixed_fixed_mid_mm,
    fixed_pinned_mm,
    fixed_pinned_moment_Nmm,
    fixed_pinned_reaction_N,
    hexagon_second_moment_mm4,
    pinned_pinned_mid_mm,
    rectangle_second_moment_mm4,
    round_second_moment_mm4,
)
from newel.mechanics.bending import BarBeam, Support, bar_flexibility, uniform_bar
from newel.mechanics.cutter_bending import (
    allowed_force_N,
    cutter_compliance_mm_per_N,
    cutter_stress_N_per_mm2,
    stepped_cantilever_mm_per_N,
)
from newel.shop.cutters import Cutter, Form

E, L, F = 68_900.0, 100.0, 50.0
BARS = {"round": E * round_second_moment_mm4(20.0), "square": E * rectangle_second_moment_mm4(20.0, 20.0)}


def test_second_moments():
    """Derived: pi d4/64 = 7853.98163, a4/12 = 13 333.3333, 5 sqrt3/144 w4 = 0.06014065 w4."""
    assert round_second_moment_mm4(20.0) == pytest.approx(7853.98163, abs=5e-6)
    assert rectangle_second_moment_mm4(20.0, 20.0) == pytest.approx(13_333.3333, abs=5e-5)
    assert hexagon_second_moment_mm4(1.0) == pytest.approx(0.06014065, abs=5e-9)


@pytest.mark.parametrize(
    ("bar", "free_end", "pin_mid", "pin_most", "both_pinned", "both_fixed"),
    [
        ("round", 0.030799215, 0.000842166, 0.000860864, 0.001924951, 0.000481238),
        ("square", 0.018142235, 0.000496077, 0.000507091, 0.001133890, 0.000283472),
    ],
)
def test_handbook_cases(bar, free_end, pin_mid, pin_most, both_pinned, both_fixed):
    EI = BARS[bar]
    assert cantilever_mm(L, F, L, EI) == pytest.approx(free_end, abs=5e-10)
    assert fixed_pinned_mm(50.0, F, 50.0, L, EI) == pytest.approx(pin_mid, abs=5e-10)
    x = np.linspace(0, L, 100_001)
    curve = fixed_pinned_mm(x, F, 50.0, L, EI)
    assert curve.max() == pytest.approx(pin_most, abs=5e-10)
    assert L - x[curve.argmax()] == pytest.approx(L / math.sqrt(5), abs=2e-3)
    assert pinned_pinned_mid_mm(F, L, EI) == pytest.approx(both_pinned, abs=5e-10)
    assert fixed_fixed_mid_mm(F, L, EI) == pytest.approx(both_fixed, abs=5e-10)
    assert free_end / pin_mid == pytest.approx(36.571429, rel=2e-6)  # without a tailstock the end is that much softer


@pytest.mark.parametrize(
    ("a", "reaction", "moment", "under_load"),
    [
        (25.0, 4.296875, 820.3125, 0.000253778),
        (50.0, 15.625, 937.5, 0.000842166),
        (75.0, 31.640625, 585.9375, 0.000659822),
        (90.0, 42.525, 247.5, 0.000174008),
    ],
)
def test_load_anywhere_between_chuck_and_centre(a, reaction, moment, under_load):
    EI = BARS["round"]
    assert fixed_pinned_reaction_N(F, a, L) == pytest.approx(reaction, abs=1e-9)
    assert fixed_pinned_moment_Nmm(F, a, L) == pytest.approx(moment, abs=1e-9)
    assert fixed_pinned_mm(a, F, a, L, EI) == pytest.approx(under_load, abs=5e-10)
    if a == 75.0:
        x = np.linspace(0, L, 10_001)
        curve = fixed_pinned_mm(x, F, a, L, EI)
        assert curve[6400] == pytest.approx(0.000735239, abs=5e-10)  # a first reckoning took x 64 for the place of the largest
        # derived: x = 2 (F a - R L) / (F - R) = 63.8298, where the curve is a little higher
        assert x[curve.argmax()] == pytest.approx(63.8298, abs=0.01)
        assert curve.max() == pytest.approx(0.0007352546, abs=5e-11)


class TestSlicedBar:
    """The sliced bar against the closed forms: 1e-9 of the value, wherever the load stands and however it is sliced."""

    @pytest.mark.parametrize("slices", [1, 3, 20, 300])
    def test_free_end(self, slices):
        bar = bar_flexibility(uniform_bar(L, BARS["round"], Support(), slices))
        for a in (3.3, 25.0, 50.0, 77.7, 100.0):
            assert F * bar.under_force_mm_per_N(a)[0, 0, 0] == pytest.approx(
                float(cantilever_mm(a, F, a, BARS["round"])), rel=1e-9
            )

    @pytest.mark.parametrize("slices", [1, 3, 20, 300])
    def test_centre(self, slices):
        bar = bar_flexibility(uniform_bar(L, BARS["square"], Support(centre_N_per_mm=math.inf), slices))
        for a in (3.3, 25.0, 50.0, 77.7):
            expected = float(fixed_pinned_mm(a, F, a, L, BARS["square"]))
            assert F * bar.under_force_mm_per_N(a)[0, 1, 1] == pytest.approx(expected, rel=1e-9)
        x = np.linspace(0, L, 41)
        curve = bar.deflection_mm(x, 77.7, (F, -F))
        expected = fixed_pinned_mm(x, F, 77.7, L, BARS["square"])
        np.testing.assert_allclose(curve, np.c_[expected, -expected], rtol=1e-9, atol=1e-15)

    def test_jaws_that_tilt_freely_give_the_pinned_bar(self):
        bar = bar_flexibility(uniform_bar(L, BARS["round"], Support(jaw_tilt_Nmm_per_rad=0.0, centre_N_per_mm=math.inf)))
        assert F * bar.under_force_mm_per_N(50.0)[0, 0, 0] == pytest.approx(pinned_pinned_mid_mm(F, L, BARS["round"]), rel=1e-9)

    def test_springs_add_what_they_give(self):
        """Derived: a cantilever on springs gives F (1/k_side + L2/k_tilt) more at its end."""
        side, tilt = 2.0e4, 5.0e6
        bar = bar_flexibility(uniform_bar(L, BARS["round"], Support(side, tilt)))
        expected = float(cantilever_mm(L, F, L, BARS["round"])) + F / side + F * L**2 / tilt
        assert F * bar.under_force_mm_per_N(L)[0, 0, 0] == pytest.approx(expected, rel=1e-9)

    def test_a_stepped_bar(self):
        """Derived: 1/3E sum((b3 - a3)/I) counted from the load, as for a cutter."""
        x = np.array([0.0, 8.0, 20.0])
        EI = 6e5 * np.array([round_second_moment_mm4(3.175), round_second_moment_mm4(2.54)])
        bar = bar_flexibility(BarBeam(x, EI[:, None, None] * np.eye(2), Support()))
        expected = stepped_cantilever_mm_per_N([(12.0, 2.54), (8.0, 3.175)], 6e5)
        assert bar.under_force_mm_per_N(20.0)[0, 0, 0] == pytest.approx(expected, rel=1e-9)

    def test_a_flat_bar_turned_gives_sideways_too(self):
        """Derived: second moments turn like a tensor; a flat at 45 degrees gives half of 1/I1 + 1/I2, across it 1/I1 - 1/I2."""
        I1, I2 = rectangle_second_moment_mm4(20.0, 5.0), rectangle_second_moment_mm4(5.0, 20.0)
        c = math.sqrt(0.5)
        turn = np.array([[c, -c], [c, c]])
        EI = E * turn @ np.diag([I1, I2]) @ turn.T
        bar = bar_flexibility(BarBeam(np.array([0.0, 40.0, 100.0]), np.array([EI, EI]), Support()))
        give = bar.under_force_mm_per_N(100.0)[0]
        scale = L**3 / (3 * E)
        assert give[0, 0] == pytest.approx(scale * (1 / I1 + 1 / I2) / 2, rel=1e-9)
        assert give[0, 1] == pytest.approx(scale * (1 / I1 - 1 / I2) / 2, rel=1e-9)

    def test_deflection_is_linear_and_mutual(self):
        rng = np.random.default_rng(3)
        EI = 1e8 * rng.uniform(0.2, 1.0, (12, 1, 1)) * np.eye(2)
        bar = bar_flexibility(BarBeam(np.linspace(0, 120, 13), EI, Support(1e4, 1e7, 5e3)))
        there = bar.deflection_mm(90.0, 33.0, (7.0, 0.0))[0, 0]
        assert bar.deflection_mm(90.0, 33.0, (14.0, 0.0))[0, 0] == pytest.approx(2 * there, rel=1e-12)
        assert bar.deflection_mm(33.0, 90.0, (7.0, 0.0))[0, 0] == pytest.approx(there, rel=1e-9)  # Maxwell's law
        assert bar.deflection_mm(33.0, 33.0, (1.0, 0.0))[0, 0] == pytest.approx(
            bar.under_force_mm_per_N(33.0)[0, 0, 0], rel=1e-9
        )

    def test_a_bar_cut_through_is_refused(self):
        EI = np.array([np.eye(2), np.zeros((2, 2))])
        with pytest.raises(BadInput, match="cut through"):
            BarBeam(np.array([0.0, 50.0, 100.0]), EI, Support())


def test_cutter_as_a_stepped_cantilever():
    """Derived: F/3E [Lf3/If + ((Lf + Ls)3 - Lf3)/Is]; a fluted part counts 0.8 DC (Kops, Vo, CIRP Annals 39, 1990)."""
    assert 10 * stepped_cantilever_mm_per_N([(12, 2.54), (8, 3.175)], 6e5) == pytest.approx(0.01168394, abs=5e-9)
    assert 10 * stepped_cantilever_mm_per_N([(12, 3.175), (8, 3.175)], 6e5) == pytest.approx(0.00890990, abs=5e-9)
    assert 50 * stepped_cantilever_mm_per_N([(18, 4.8), (7, 6.0)], 6e5) == pytest.approx(0.010492996, abs=5e-10)
    small = Cutter("1/8 in", Form.FLAT, 3.175, 12.0, 12.0, 20.0, 3.175, 2, "invented for the demo: a test")
    assert 10 * cutter_compliance_mm_per_N(small) == pytest.approx(0.01168394, abs=5e-9)
    # derived: 32 x 12 / (pi 2.54^3) at the flutes' end against 32 x 20 / (pi 3.175^3) at the holder
    assert cutter_stress_N_per_mm2(small) == pytest.approx(32 * 12 / (math.pi * 2.54**3), rel=1e-12)
    assert allowed_force_N(small) == pytest.approx(1000.0 / cutter_stress_N_per_mm2(small))


def test_a_tapered_cutter_is_stiffer_than_a_straight_one_of_its_tip():
    taper = Cutter(
        "t", Form.TAPERED_BALL, 3.175, 16, 16, 24, 3.175, 2, "invented for the demo: a test", RE=0.5, taper_half_angle_deg=4.0
    )
    thin = Cutter("s", Form.BALL, 1.0, 16, 16, 24, 3.175, 2, "invented for the demo: a test", RE=0.5)
    stout = Cutter("s", Form.BALL, 3.175, 16, 16, 24, 3.175, 2, "invented for the demo: a test", RE=1.5875)
    give = [cutter_compliance_mm_per_N(cutter, 0.2) for cutter in (thin, taper, stout)]
    assert give[0] > give[1] > give[2]
