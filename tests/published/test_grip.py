"""Grip of jaws and growth between chuck and centre.

Formulas are Coulomb's and Hooke's (*derived* values). Friction and safety: Roehm works standard RN-1391, tables 4 and 5
(*published*, read in a copy). VDI 3106 holds the full method and was not read.
"""

from __future__ import annotations

import math

import pytest

from newel.mechanics.grip import (
    FRICTION_FACTOR,
    JAW_FRICTION,
    SAFETY_BETWEEN_CENTRES,
    SAFETY_OVERHUNG,
    blocked_growth_N,
    free_growth_mm,
    grip_axial_N,
    grip_torque_Nm,
    grip_torque_with_pull_Nm,
    grip_used,
    lift_out_moment_Nmm,
    screw_force_N,
)


def test_four_jaws():
    """Derived: N 2000, mu 0.15, r 10: 12.0 N m, 1200 N; with a pull of 600 N 10.392305 N m are left."""
    assert grip_torque_Nm(4, 2000.0, 0.15, 10.0) == pytest.approx(12.0)
    assert grip_axial_N(4, 2000.0, 0.15) == pytest.approx(1200.0)
    assert grip_torque_with_pull_Nm(4, 2000.0, 0.15, 10.0, 600.0) == pytest.approx(10.392305, abs=5e-7)
    assert grip_torque_with_pull_Nm(4, 2000.0, 0.15, 10.0, 1300.0) == 0.0
    assert grip_used(10.392305, 600.0, 10.0, 1200.0) == pytest.approx(1.0, abs=1e-7)
    assert grip_used(6.0, 0.0, 10.0, 1200.0) == pytest.approx(0.5)


def test_jaw_screw():
    """Derived: 2 pi 0.15 x 10 N m / 2 mm."""
    assert screw_force_N(10.0, 2.0, 0.15) == pytest.approx(4712.39, abs=5e-3)


def test_friction_table():
    """Published: RN-1391 table 4, a row and a factor; table 5."""
    assert JAW_FRICTION["rough to medium turned"] == (0.10, 0.20, 0.35)
    assert FRICTION_FACTOR["aluminium"] == 0.95
    assert (SAFETY_BETWEEN_CENTRES, SAFETY_OVERHUNG) == (2.0, 4.0)


def test_growth_between_chuck_and_centre():
    """Derived: aluminium, 20 mm, E 68.9 GPa, 23.6e-6/K, 10 K: 16.2604 N/mm2, 5108.4 N if blocked; 150 mm grow by 0.0354 mm."""
    area = math.pi * 100.0
    assert blocked_growth_N(68_900.0, 23.6e-6, 10.0, 1.0) == pytest.approx(16.2604, abs=5e-5)
    assert blocked_growth_N(68_900.0, 23.6e-6, 10.0, area) == pytest.approx(5108.4, abs=0.05)
    assert free_growth_mm(150.0, 23.6e-6, 10.0) == pytest.approx(0.0354)


def test_a_bar_lifts_out_when_the_pressure_reaches_nil_at_one_end():
    """Derived: 2000 N a jaw along 18 mm; pressure p (1 + 6 e s / L) over s = -1/2 .. 1/2 is nil at one end for e = L / 6."""
    assert lift_out_moment_Nmm(2000.0, 18.0) == pytest.approx(2.0 * 2000.0 * 18.0 / 6.0)
