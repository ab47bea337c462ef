"""What jaws hold by friction, and what the live centre adds by heat."""

from __future__ import annotations

import math

from newel.core.errors import BadInput

# Jaw friction on turned steel work, by jaw surface (smooth, cross or diamond, serrated) and by the bar's surface.
# Published: Roehm works standard RN-1391, table 4 (read in a copy of the maker's calculation note).
JAW_FRICTION = {
    "ground or smooth": (0.07, 0.12, 0.20),
    "rough to medium turned": (0.10, 0.20, 0.35),
    "unmachined": (0.15, 0.30, 0.45),
}
# Factor on it by the bar's material; same table. For wood and plastics no source was found.
FRICTION_FACTOR = {"aluminium": 0.95, "brass": 0.90, "cast iron": 0.80}
# Published: same standard, table 5.
SAFETY_BETWEEN_CENTRES = 2.0
SAFETY_OVERHUNG = 4.0


def grip_torque_Nm(jaws: int, force_N: float, friction: float, radius_mm: float) -> float:
    """Torque at which jaws slip round: n mu N r. Coulomb; a bar with flats is held by its shape too, so a lower bound."""
    return jaws * friction * force_N * radius_mm / 1000.0


def grip_axial_N(jaws: int, force_N: float, friction: float) -> float:
    """Pull at which jaws let a bar slide out: n mu N. Coulomb."""
    return jaws * friction * force_N


def grip_torque_with_pull_Nm(jaws: int, force_N: float, friction: float, radius_mm: float, pull_N: float) -> float:
    """Torque that jaws still hold under an axial pull: friction points one way, sqrt((T/r)2 + F2) <= n mu N. Derived."""
    holds = grip_axial_N(jaws, force_N, friction)
    return math.sqrt(max(holds**2 - pull_N**2, 0.0)) * radius_mm / 1000.0


def grip_used(torque_Nm: float, pull_N: float, radius_mm: float, holds_N: float) -> float:
    """Share of the grip that a torque and an axial force use up together; slipping begins at 1. Derived."""
    if not (radius_mm > 0 and holds_N > 0):
        raise BadInput("a grip needs a radius and a friction force greater than 0")
    return math.hypot(1000.0 * torque_Nm / radius_mm, pull_N) / holds_N


def lift_out_moment_Nmm(force_N: float, grip_mm: float) -> float:
    """Moment at which a bar begins to lift out of a pair of opposite jaws of that force each: 2 N L / 6.

    Derived: pressure that falls straight along the grip L reaches 0 at one end where its middle has moved by L / 6.
    """
    return force_N * grip_mm / 3.0


def screw_force_N(torque_Nm: float, pitch_mm: float, efficiency: float) -> float:
    """Force of a jaw's screw: 2 pi e T / p. Energy balance; efficiency 0.1 to 0.2 from memory."""
    return 2.0 * math.pi * efficiency * torque_Nm * 1000.0 / pitch_mm


def blocked_growth_N(E_N_per_mm2: float, expansion_per_K: float, warming_K: float, area_mm2: float) -> float:
    """Force of a bar that warms between a chuck and a centre that do not give: E alpha dT A. Hooke; an upper bound."""
    return E_N_per_mm2 * expansion_per_K * warming_K * area_mm2


def free_growth_mm(length_mm: float, expansion_per_K: float, warming_K: float) -> float:
    """How much a bar grows when it warms and is let: L alpha dT. Exact."""
    return length_mm * expansion_per_K * warming_K
