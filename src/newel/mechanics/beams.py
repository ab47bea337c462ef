"""Deflection of uniform beams under one side load: the handbook cases that a bar in a chuck lies between.

Euler and Bernoulli's beam: small deflections, shear left out. Roark, Formulas for Stress and Strain, beam table (cases
from memory), checked against a 200-element model. Lengths in mm, forces in N, `EI` in N mm2; x and the load's place
`a` are measured from the chuck.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]


def cantilever_mm(x_mm: ArrayLike, force_N: float, a_mm: float, EI: float) -> Floats:
    """Deflection at x of a beam clamped at 0 and free beyond, loaded at a: F x2 (3a - x) / 6EI up to a, then straight on."""
    x = np.asarray(x_mm, float)
    inside = x**2 * (3.0 * a_mm - x)
    outside = a_mm**2 * (3.0 * x - a_mm)
    return force_N * np.where(x <= a_mm, inside, outside) / (6.0 * EI)


def fixed_pinned_reaction_N(force_N: float, a_mm: float, length_mm: float) -> float:
    """Force on the centre of a beam clamped at 0 and pinned at its end: F a2 (3L - a) / 2L3."""
    return force_N * a_mm**2 * (3.0 * length_mm - a_mm) / (2.0 * length_mm**3)


def fixed_pinned_moment_Nmm(force_N: float, a_mm: float, length_mm: float) -> float:
    """Moment in the jaws of a beam clamped at 0 and pinned at its end: F a b (L + b) / 2L2, b = L - a."""
    b = length_mm - a_mm
    return force_N * a_mm * b * (length_mm + b) / (2.0 * length_mm**2)


def fixed_pinned_mm(x_mm: ArrayLike, force_N: float, a_mm: float, length_mm: float, EI: float) -> Floats:
    """Deflection at x of a beam clamped at 0 and pinned at its end, loaded at a: the cantilever less its end's reaction.

    Under the load it is F a3 b2 (3L + b) / 12EI L3. The stiffest that a chuck and a centre can be.
    """
    reaction = fixed_pinned_reaction_N(force_N, a_mm, length_mm)
    return cantilever_mm(x_mm, force_N, a_mm, EI) - cantilever_mm(x_mm, reaction, length_mm, EI)


def pinned_pinned_mid_mm(force_N: float, length_mm: float, EI: float) -> float:
    """Deflection at mid span of a beam pinned at both ends, loaded there: F L3 / 48EI. A soft bound for chuck and centre."""
    return force_N * length_mm**3 / (48.0 * EI)


def fixed_fixed_mid_mm(force_N: float, length_mm: float, EI: float) -> float:
    """Deflection at mid span of a beam clamped at both ends, loaded there: F L3 / 192EI."""
    return force_N * length_mm**3 / (192.0 * EI)


def round_second_moment_mm4(diameter_mm: float) -> float:
    """Second moment of a round bar: pi d4 / 64. Exact."""
    return math.pi * diameter_mm**4 / 64.0


def rectangle_second_moment_mm4(width_mm: float, height_mm: float) -> float:
    """Second moment of a rectangle that bends along its height: w h3 / 12. Exact; of a square the same every way."""
    return width_mm * height_mm**3 / 12.0


def hexagon_second_moment_mm4(across_flats_mm: float) -> float:
    """Second moment of a hexagon, the same every way: 5 sqrt(3) w4 / 144. Exact."""
    return 5.0 * math.sqrt(3.0) / 144.0 * across_flats_mm**4
