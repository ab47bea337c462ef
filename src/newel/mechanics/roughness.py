"""How rough the cusps between neighbouring passes leave a surface: Rt, Ra, Rq (ISO 4287:1997, now ISO 21920-2:2021)."""

from __future__ import annotations

import math

import numpy as np

_NODES, _WEIGHTS = np.polynomial.legendre.leggauss(48)


def cusp_mm(step_mm: float, radius_mm: float) -> float:
    """Height of the cusp that a round tip leaves on a flat: R - sqrt(R2 - s2/4), s up to 2R. Derived."""
    return radius_mm - math.sqrt(radius_mm**2 - 0.25 * step_mm**2)


def step_for_cusp_mm(cusp: float, radius_mm: float) -> float:
    """Step that leaves a cusp on a flat: 2 sqrt(2 R h - h2). Derived."""
    return 2.0 * math.sqrt(2.0 * radius_mm * cusp - cusp**2)


def arc_Ra_mm(step_mm: float, radius_mm: float) -> float:
    """Arithmetic mean roughness of a row of circular cusps: the exact integral; about s2 / (18 sqrt(3) R). Derived."""
    half = 0.5 * step_mm
    mean = _arc_mean_mm(half, radius_mm)
    # |z - mean| changes sign at one place in each half step: integrate exactly on either side of it.
    crossing = math.sqrt(radius_mm**2 - (radius_mm - mean) ** 2)
    below = mean * crossing - (_arc_integral(crossing, radius_mm))
    return 2.0 * below / half


def arc_Rq_mm(step_mm: float, radius_mm: float) -> float:
    """Root mean square roughness of a row of circular cusps: about s2 / (12 sqrt(5) R). Derived, by quadrature."""
    half = 0.5 * step_mm
    x = 0.5 * half * (_NODES + 1.0)
    z = radius_mm - np.sqrt(radius_mm**2 - x**2) - _arc_mean_mm(half, radius_mm)
    return float(np.sqrt(0.5 * (_WEIGHTS * z**2).sum()))


def v_Ra_mm(cusp: float) -> float:
    """Arithmetic mean roughness of a row of V cusps: Rt / 4. Derived."""
    return 0.25 * cusp


def _arc_integral(x: float, R: float) -> float:
    """Integral of R - sqrt(R2 - x2) from 0 to x."""
    return R * x - 0.5 * (x * math.sqrt(R * R - x * x) + R * R * math.asin(x / R))


def _arc_mean_mm(half: float, R: float) -> float:
    return _arc_integral(half, R) / half
