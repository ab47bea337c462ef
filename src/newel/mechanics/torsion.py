"""Twist of a bar: Saint-Venant's torsion constants of plain sections, and the angle they give by."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from newel.core.errors import BadInput

Floats = NDArray[np.float64]

_TERMS = np.arange(1, 400, 2)  # odd terms; the series falls as n^-5

# J / w4 of a hexagon of width w across flats. Published: none found; computed with sectionproperties 3.10.2, good to 0.1 %.
HEXAGON_J_PER_W4 = 0.115066


def round_torsion_constant_mm4(diameter_mm: float) -> float:
    """Torsion constant of a round bar: pi d4 / 32. Exact."""
    return math.pi * diameter_mm**4 / 32.0


def rectangle_torsion_constant_mm4(width_mm: float, height_mm: float) -> float:
    """Torsion constant of a rectangle: a b3 (1/3 - 64 b / (pi5 a) * sum tanh(n pi a / 2b) / n5), n odd, b the shorter side.

    Saint-Venant's series; of a square 0.14057701 a4.
    """
    a, b = max(width_mm, height_mm), min(width_mm, height_mm)
    if not b > 0:
        raise BadInput("a rectangle's sides must be greater than 0")
    series = (np.tanh(_TERMS * np.pi * a / (2.0 * b)) / _TERMS**5.0).sum()
    return float(a * b**3 * (1.0 / 3.0 - 64.0 * b / (np.pi**5 * a) * series))


def rectangle_torsion_modulus_mm3(width_mm: float, height_mm: float) -> float:
    """Torque over the largest shear stress of a rectangle (at the middle of its longer side). Saint-Venant's series.

    Of a square 0.20816526 a3, of 1 to 2 0.24587834 a b2.
    """
    a, b = max(width_mm, height_mm), min(width_mm, height_mm)
    drop = (1.0 / (_TERMS**2.0 * np.cosh(np.minimum(_TERMS * np.pi * a / (2.0 * b), 300.0)))).sum()
    return rectangle_torsion_constant_mm4(a, b) / (b * float(1.0 - 8.0 / np.pi**2 * drop))


def round_torsion_modulus_mm3(diameter_mm: float) -> float:
    """Torque over the largest shear stress of a round bar: pi d3 / 16. Exact."""
    return math.pi * diameter_mm**3 / 16.0


def hexagon_torsion_constant_mm4(across_flats_mm: float) -> float:
    """Torsion constant of a hexagon, to 0.1 %: see HEXAGON_J_PER_W4."""
    return HEXAGON_J_PER_W4 * across_flats_mm**4


def twist_deg(torque_Nmm: float, length_mm: float, G_N_per_mm2: float, J_mm4: float) -> float:
    """Twist of a uniform bar: T L / G J, in degrees. Saint-Venant, free to warp."""
    return math.degrees(torque_Nmm * length_mm / (G_N_per_mm2 * J_mm4))


def twist_along_deg_per_Nmm(x_mm: Floats, GJ_N_mm2: Floats, at_x_mm: Floats) -> Floats:
    """Twist at places along a bar for 1 N mm of torque there, the bar held at x[0] and free to turn at its far end.

    `x_mm` (n + 1,) bounds of the slices, `GJ_N_mm2` (n,). The integral of 1 / GJ from the jaws. Derived.
    """
    if len(x_mm) != len(GJ_N_mm2) + 1 or not (np.diff(x_mm) > 0).all() or not (GJ_N_mm2 > 0).all():
        raise BadInput("a bar needs slices that follow one another along X, each with a stiffness against twist above 0")
    total = np.concatenate([[0.0], np.cumsum(np.diff(x_mm) / GJ_N_mm2)])
    return np.degrees(np.interp(at_x_mm, x_mm, total))
