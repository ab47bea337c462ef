"""Cutting force, power and torque.

* Kienzle: O. Kienzle, VDI-Z 94 (1952). The worked example's inputs are chosen, no constant is claimed for a material.
* Linear-edge model: Y. Altintas, Manufacturing Automation, ch. 2; coefficients *published* in "Milling Force Model for
  Aviation Aluminum Alloy: Academic Insight and Perspective Analysis", Chinese J. Mech. Eng. (2021), doi
  10.1186/s10033-021-00536-9, table 5. Erratum: the table prints the edge terms as N mm; they can only be N/mm.
* Unit power: Machinery's Handbook, 31st ed., p. 1147, table 1b (*published*).

Expected values are *derived* unless marked: the formula, and numerical integration beside it.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.integrate import quad

from newel.mechanics.chip import (
    cutting_speed_m_per_min,
    engaged_from_to_deg,
    engagement_angle_deg,
    feed_speed_mm_per_min,
    mean_chip_mm,
)
from newel.mechanics.force import (
    PUBLISHED_EDGE_COEFFICIENTS,
    Teeth,
    kienzle_mean_torque_Nm,
    kienzle_peak_force_N,
    linear_edge_forces_over_turn,
    linear_edge_mean_load,
    specific_force_N_per_mm2,
)
from newel.mechanics.power import (
    HANDBOOK_UNIT_POWER,
    J_PER_MM3_PER_HP_MIN_PER_IN3,
    cutting_power_W,
    handbook_feed_factor,
    handbook_power_W,
    mean_tangential_force_N,
    power_from_torque_W,
    removal_rate_mm3_per_min,
    spindle_power_at_W,
    spindle_torque_at_Nm,
    torque_from_power_Nm,
)
from newel.shop.machines import Spindle

SLOT = (0.0, 180.0)


def test_removal_rate():
    """Derived: 1 x 3 x 600."""
    assert removal_rate_mm3_per_min(1.0, 3.0, 600.0) == 1800.0


def test_unit_power_conversion():
    """Derived: 1 hp min/in3 = 550 ft lbf/s x 60 s / in3."""
    factor = J_PER_MM3_PER_HP_MIN_PER_IN3
    assert factor == pytest.approx(2.7303239, abs=5e-8)


@pytest.mark.parametrize(
    ("inch", "metric"),
    [  # published: Machinery's Handbook 31, p. 1147, table 1b: plain carbon steels by HB, then free-machining ones
        *zip((0.63, 0.66, 0.69, 0.74, 0.78, 0.82, 0.85), (1.72, 1.80, 1.88, 2.02, 2.13, 2.24, 2.32)),
        *zip((0.41, 0.42, 0.44, 0.48, 0.50), (1.12, 1.15, 1.20, 1.31, 1.36)),
    ],
)
def test_both_columns_of_the_handbook_agree(inch, metric):
    assert inch * J_PER_MM3_PER_HP_MIN_PER_IN3 == pytest.approx(metric, abs=0.0055)


def test_handbook_power():
    """Derived from the handbook's formula: K_p 0.9 (hard aluminium), C 1.40 at 0.05 mm, Q 1800 mm3/min: 37.8 W."""
    assert handbook_feed_factor(0.05) == 1.40
    assert handbook_feed_factor(0.001) == 1.70
    assert handbook_power_W(HANDBOOK_UNIT_POWER["aluminium, hard or rolled"], 0.05, 1800.0) == pytest.approx(37.8)


class TestKienzleWorkedExample:
    """kc1.1 700 N/mm2, mc 0.25, D 6, z 2, ap 3, ae 0.6, fz 0.03, n 12 000: each step of the chain."""

    kc11, mc, D, z, ap, ae, fz, n = 700.0, 0.25, 6.0, 2, 3.0, 0.6, 0.03, 12_000.0

    def test_mean_thickness_form(self):
        assert cutting_speed_m_per_min(self.n, self.D) == pytest.approx(226.1947, abs=5e-5)
        assert engagement_angle_deg(self.ae, self.D) == pytest.approx(36.869898, abs=5e-7)
        hm = mean_chip_mm(self.fz, self.ae, self.D)
        assert hm == pytest.approx(0.0093239933, abs=5e-11)
        kc = specific_force_N_per_mm2(self.kc11, self.mc, hm)
        assert kc == pytest.approx(2252.670, abs=5e-4)
        feed = float(feed_speed_mm_per_min(self.n, self.z, self.fz))
        removal = removal_rate_mm3_per_min(self.ae, self.ap, feed)
        assert (feed, removal) == pytest.approx((720.0, 1296.0))
        power = cutting_power_W(removal, float(kc))
        assert power == pytest.approx(48.6577, abs=5e-5)
        torque = torque_from_power_Nm(power, self.n)
        assert torque == pytest.approx(0.0387205, abs=5e-8)
        assert mean_tangential_force_N(torque, self.D) == pytest.approx(12.9068, abs=5e-5)

    def test_integrated_form(self):
        arc = engaged_from_to_deg(self.ae, self.D, climb=False)
        torque = kienzle_mean_torque_Nm(self.kc11, self.mc, self.ap, self.fz, arc, self.z, self.D)
        assert torque == pytest.approx(0.0372752, abs=5e-8)
        assert power_from_torque_W(torque, self.n) == pytest.approx(46.8414, abs=5e-5)
        assert kienzle_peak_force_N(self.kc11, self.mc, self.ap, self.fz, arc) == pytest.approx(103.1986, abs=5e-5)
        climb = engaged_from_to_deg(self.ae, self.D, climb=True)
        assert kienzle_mean_torque_Nm(self.kc11, self.mc, self.ap, self.fz, climb, self.z, self.D) == pytest.approx(
            torque, rel=1e-9
        )
        assert torque == pytest.approx(0.0387205, rel=0.05)  # both forms agree within 5 %

    def test_integral_against_adaptive_quadrature(self):
        arc = (0.0, 137.0)
        whole, _ = quad(lambda a: (self.fz * math.sin(a)) ** (1 - self.mc), 0.0, math.radians(137.0), epsabs=1e-13)
        expected = self.z * self.kc11 * self.ap * whole * self.D / 2 / (2 * math.pi) / 1000
        assert kienzle_mean_torque_Nm(self.kc11, self.mc, self.ap, self.fz, arc, self.z, self.D) == pytest.approx(
            expected, rel=1e-7
        )

    def test_teeth_that_cut_together_add_up(self):
        one = kienzle_peak_force_N(self.kc11, self.mc, self.ap, self.fz, SLOT, 1)
        assert kienzle_peak_force_N(self.kc11, self.mc, self.ap, self.fz, SLOT, 2) == pytest.approx(one)  # they take turns
        # derived: four teeth in a slot, the largest sum stands at 45 degrees: 2 x sin(45)^(1 - mc)
        four = kienzle_peak_force_N(self.kc11, self.mc, self.ap, self.fz, SLOT, 4)
        assert four == pytest.approx(2 * one * math.sin(math.pi / 4) ** 0.75, rel=1e-9)


@pytest.mark.parametrize(
    ("alloy", "Fx", "Fy", "torque", "power"),
    [("6061-T6", -7.822233, 10.887997, 45.868320, 57.639832), ("7075-T6", -17.523776, 26.406994, 111.039706, 139.536610)],
)
def test_linear_edge_means_in_a_slot(alloy, Fx, Fy, torque, power):
    """Derived from published coefficients: z 2, D 6, ap 1, fz 0.05; the closed form, and the sum over a turn."""
    K = PUBLISHED_EDGE_COEFFICIENTS[alloy][0]
    load = linear_edge_mean_load(K, 1.0, 0.05, SLOT, 2, 6.0)
    assert (load.feed_N, load.across_N) == pytest.approx((Fx, Fy), abs=5e-7)
    assert 1000 * load.torque_Nm == pytest.approx(torque, abs=5e-7)
    assert power_from_torque_W(load.torque_Nm, 12_000.0) == pytest.approx(power, abs=1e-6)
    turn = linear_edge_forces_over_turn(K, 1.0, 0.05, SLOT, Teeth(2, 6.0), steps=3600)
    assert turn.mean(axis=0) == pytest.approx([Fx, Fy, load.axial_N, load.torque_Nm], rel=1e-6)
    # derived: specific energy = power / removal rate = 57.64 W over 120 mm3/s
    assert power_from_torque_W(load.torque_Nm, 12_000.0) / (6.0 * 1.0 * 1200 / 60) == pytest.approx(power / 120.0, rel=1e-7)


@pytest.mark.parametrize("arc", [(0.0, 60.0), (120.0, 180.0), (30.0, 150.0)])
def test_linear_edge_means_elsewhere_agree_with_the_sum_over_a_turn(arc):
    K = PUBLISHED_EDGE_COEFFICIENTS["7075-T6"][1]  # the one with axial terms
    load = linear_edge_mean_load(K, 2.0, 0.03, arc, 3, 4.0)
    turn = linear_edge_forces_over_turn(K, 2.0, 0.03, arc, Teeth(3, 4.0), steps=3600).mean(axis=0)
    assert turn == pytest.approx([load.feed_N, load.across_N, load.axial_N, load.torque_Nm], rel=2e-3)


def test_a_helix_spreads_the_force_and_keeps_its_mean():
    K = PUBLISHED_EDGE_COEFFICIENTS["6061-T6"][0]
    arc = (0.0, 60.0)
    straight = linear_edge_forces_over_turn(K, 4.0, 0.05, arc, Teeth(2, 6.0))
    helix = linear_edge_forces_over_turn(K, 4.0, 0.05, arc, Teeth(2, 6.0, helix_deg=35.0))
    assert helix[:, 3].mean() == pytest.approx(straight[:, 3].mean(), rel=1e-2)
    assert helix[:, 3].max() < straight[:, 3].max()
    assert np.ptp(helix[:, 3]) < np.ptp(straight[:, 3])


def test_climb_and_conventional_push_the_other_way_across_the_feed():
    K = PUBLISHED_EDGE_COEFFICIENTS["6061-T6"][0]
    up = linear_edge_mean_load(K, 1.0, 0.05, engaged_from_to_deg(1.0, 6.0, climb=False), 2, 6.0)
    down = linear_edge_mean_load(K, 1.0, 0.05, engaged_from_to_deg(1.0, 6.0, climb=True), 2, 6.0)
    assert up.torque_Nm == pytest.approx(down.torque_Nm)
    assert up.feed_N < 0 < down.feed_N  # conventional pushes the cutter back, climb pulls it along


def test_edge_terms_are_much_of_the_force_of_a_small_cutter():
    """Derived from the published 6061-T6 row: 38 % of the tangential force at a chip of 0.05 mm, 61 % at 0.02 mm."""
    K = PUBLISHED_EDGE_COEFFICIENTS["6061-T6"][0]
    assert K.K_te / (K.K_tc * 0.05 + K.K_te) == pytest.approx(0.38, abs=0.005)
    assert K.K_te / (K.K_tc * 0.02 + K.K_te) == pytest.approx(0.61, abs=0.005)


def test_published_rows():
    """Published: table 5, one row typed again: 7075, reference 47."""
    K = PUBLISHED_EDGE_COEFFICIENTS["7075-T6"][3]
    assert (K.K_tc, K.K_te, K.K_rc, K.K_re, K.K_ac, K.K_ae) == (1319.41, 19.65, 788.83, 26.77, 48.75, 2.05)
    assert all(row.source.startswith("published: ") for rows in PUBLISHED_EDGE_COEFFICIENTS.values() for row in rows)


def test_spindle_has_less_power_below_its_corner_speed():
    """Derived: 0.3 N m and 600 W meet at 60 x 600 / (2 pi 0.3) = 19 098.6 rpm."""
    spindle = Spindle(3000, 24_000, 600.0, 0.3, 60, 60)
    assert spindle_power_at_W(spindle, 6000) == pytest.approx(0.3 * 2 * math.pi * 100)
    assert spindle_power_at_W(spindle, 24_000) == 600.0
    assert spindle_torque_at_Nm(spindle, 24_000) == pytest.approx(600 / (2 * math.pi * 400))
    assert spindle_power_at_W(spindle, 19_098.6) == pytest.approx(600.0, rel=1e-5)
