"""First natural frequencies of bars and cutters, and hints against chatter."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from newel.core.errors import BadInput

Floats = NDArray[np.float64]

# Roots of cos x cosh x = -1. Published: W. T. Thomson, Theory of Vibration, app. D.3: 1.8751, 4.6941, 7.8548; more
# digits derived.
CLAMPED_FREE = (1.8751040687, 4.6940911330, 7.8547574382)
# Roots of tan x = tanh x. Derived.
CLAMPED_PINNED = (3.9266023120, 7.0685827456, 10.2101761228)


def beam_frequency_Hz(root: float, length_mm: float, EI_N_mm2: float, kg_per_mm: float) -> float:
    """Natural frequency of a uniform beam: root2 / (2 pi L2) sqrt(EI / mass per length). Thomson, Theory of Vibration.

    `root` is CLAMPED_FREE or CLAMPED_PINNED; L in mm, EI in N mm2.
    """
    if not (length_mm > 0 and EI_N_mm2 > 0 and kg_per_mm > 0):
        raise BadInput("length, stiffness and mass must be greater than 0")
    # N mm2 / (kg/mm) = 1000 mm4/s2: a newton moves a kilogram by 1000 mm/s2.
    return root**2 / (2.0 * math.pi * length_mm**2) * math.sqrt(1000.0 * EI_N_mm2 / kg_per_mm)


def chatter_limit_mm(stiffness_N_per_mm: float, damping: float, kc_N_per_mm2: float) -> float:
    """Depth of cut that never chatters at any speed, one mode: b = 2 k z (1 + z) / Ks.

    The Tlusty and Tobias form -1 / (2 Ks min Re G) (from memory) with min Re G = -1 / (4 k z (1 + z)) (derived).
    """
    return 2.0 * stiffness_N_per_mm * damping * (1.0 + damping) / kc_N_per_mm2


def chatter_frequency_Hz(natural_Hz: float, damping: float) -> float:
    """Frequency of chatter at that limit: f sqrt(1 + 2 z). Derived."""
    return natural_Hz * math.sqrt(1.0 + 2.0 * damping)


def quiet_speeds_rpm(natural_Hz: float, teeth: int, count: int = 4) -> Floats:
    """Spindle speeds between the lobes, where a tooth comes once in whole turns of the vibration: 60 f / (z j). Tlusty."""
    return 60.0 * natural_Hz / (teeth * np.arange(1, count + 1))


def lobe_point(
    chatter_Hz: float, natural_Hz: float, damping: float, stiffness_N_per_mm: float, kc_N_per_mm2: float, teeth: int, lobe: int
) -> tuple[float, float]:
    """One point of a stability lobe, one mode: spindle speed in rpm and depth of cut in mm at a chatter frequency.

    G = 1 / k / (1 - r2 + 2 i z r), r = f / fn; b = -1 / (2 Ks Re G); the wave left behind by a tooth lags by
    3 pi + 2 atan(Im G / Re G), n = 60 f / (z (j + lag / 2 pi)). Tlusty and Tobias (from memory).
    """
    r = chatter_Hz / natural_Hz
    if not r > 1.0:
        raise BadInput("chatter of one mode lies above its natural frequency")
    G = 1.0 / stiffness_N_per_mm / complex(1.0 - r * r, 2.0 * damping * r)
    depth = -1.0 / (2.0 * kc_N_per_mm2 * G.real)
    lag = 3.0 * math.pi + 2.0 * math.atan2(G.imag, G.real)
    lag %= 2.0 * math.pi
    return 60.0 * chatter_Hz / (teeth * (lobe + lag / (2.0 * math.pi))), depth
