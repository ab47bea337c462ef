"""Cutting force: Kienzle's specific force, and the linear-edge model with its published coefficients.

Angles of a tooth are in degrees from the direction square to the feed at which its chip is nil (0: conventional
cutting begins; 180: climb cutting ends). Forces on the cutter: x along the feed, y square to it, z along the axis, as in
Y. Altintas, Manufacturing Automation, ch. 2 (mean forces; checked against numerical integration).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from newel.core.errors import BadInput

Floats = NDArray[np.float64]

# Nodes for the integrals over an engaged arc: exact to 1e-12 for the smooth powers of a sine away from 0, 1e-7 at 0.
_NODES, _WEIGHTS = np.polynomial.legendre.leggauss(64)


def specific_force_N_per_mm2(kc11_N_per_mm2: ArrayLike, mc: ArrayLike, h_mm: ArrayLike) -> Floats:
    """Kienzle's specific cutting force kc = kc1.1 h^-mc, h in mm (> 0).

    O. Kienzle, VDI-Z 94 (1952); kc1.1 is for a chip of 1 mm x 1 mm at 0 degrees rake. Fitted for h of about 0.05 to
    2.5 mm; thinner chips are beyond the fit: the law is kept there because its rise is what small cutters see.
    """
    return np.asarray(kc11_N_per_mm2, float) * np.asarray(h_mm, float) ** -np.asarray(mc, float)


def kienzle_tooth_force_N(kc11_N_per_mm2: ArrayLike, mc: ArrayLike, b_mm: ArrayLike, h_mm: ArrayLike) -> Floats:
    """Tangential force of one tooth: Ft = kc1.1 b h^(1 - mc), b chip width in mm. Kienzle 1952."""
    return (
        np.asarray(kc11_N_per_mm2, float) * np.asarray(b_mm, float) * np.asarray(h_mm, float) ** (1.0 - np.asarray(mc, float))
    )


def kienzle_peak_force_N(
    kc11_N_per_mm2: float, mc: float, b_mm: float, fz_mm: float, angle_deg: tuple[float, float], teeth: int = 1
) -> float:
    """Largest tangential force over a turn between two angles, of all teeth that cut at once (straight teeth, evenly set).

    One tooth: Kienzle's law at the thickest chip (exact). More: the largest sum over 1 degree steps of the turn.
    """
    thickest = float(kienzle_tooth_force_N(kc11_N_per_mm2, mc, b_mm, fz_mm * _thickest_sine(angle_deg)))
    if teeth == 1:
        return thickest
    angle = (np.arange(360.0)[:, None] + angle_deg[1] + np.arange(teeth) * 360.0 / teeth) % 360.0
    engaged = (angle >= angle_deg[0]) & (angle <= angle_deg[1])
    sine = np.where(engaged, np.abs(np.sin(np.radians(angle))), 0.0)
    sums = kienzle_tooth_force_N(kc11_N_per_mm2, mc, b_mm, fz_mm * sine).sum(axis=1)
    return max(thickest, float(sums.max()))


def kienzle_mean_torque_Nm(
    kc11_N_per_mm2: float, mc: float, b_mm: float, fz_mm: float, angle_deg: tuple[float, float], teeth: int, diameter_mm: float
) -> float:
    """Mean spindle torque of Kienzle's law integrated over the engaged arc.

    M = z R / (2 pi) * integral of kc1.1 b (fz sin a)^(1 - mc) da. Derived from Kienzle 1952 and Martellotti 1941.
    """
    a0, a1 = np.radians(angle_deg[0]), np.radians(angle_deg[1])
    # A substitution that bunches the nodes at both ends tames the root of the sine there.
    s = 0.5 * (_NODES + 1.0)
    angle = a0 + (a1 - a0) * s * s * (3.0 - 2.0 * s)
    step = (a1 - a0) * 6.0 * s * (1.0 - s) * 0.5 * _WEIGHTS
    force = kienzle_tooth_force_N(kc11_N_per_mm2, mc, b_mm, fz_mm * np.abs(np.sin(angle)))
    return float(teeth * 0.5e-3 * diameter_mm / (2.0 * np.pi) * (force * step).sum())


@dataclass(frozen=True)
class EdgeCoefficients:
    """Coefficients of the linear-edge model: K_c on the chip's area in N/mm2, K_e on the edge's length in N/mm.

    t tangential, r radial, a axial; `source` says where they were read.
    """

    K_tc: float
    K_te: float
    K_rc: float
    K_re: float
    K_ac: float
    K_ae: float
    source: str


_TABLE = (
    "published: Milling Force Model for Aviation Aluminum Alloy: Academic Insight and Perspective Analysis, "
    "Chinese J. Mech. Eng. (2021), doi 10.1186/s10033-021-00536-9, table 5 (carbide, dry unless said; the table prints "
    "the edge terms as N mm, they can only be N/mm), its reference "
)

# Axial terms that the table leaves open are 0. The same alloy differs by a factor of 2 and more between references.
PUBLISHED_EDGE_COEFFICIENTS: dict[str, tuple[EdgeCoefficients, ...]] = {
    "6082-T6": (EdgeCoefficients(631.0, 13.0, 99.0, 10.0, 273.0, 2.8, _TABLE + "189"),),
    "6061-T6": (EdgeCoefficients(243.77, 7.53, 113.5, 7.83, 0.0, 0.0, _TABLE + "160"),),
    "7075-T6": (
        EdgeCoefficients(600.46, 17.9, 180.96, 20.42, 0.0, 0.0, _TABLE + "160"),
        EdgeCoefficients(767.01, 27.7, 168.8, 26.6, 222.0, 0.7, _TABLE + "190"),
        EdgeCoefficients(951.365, 11.115, 262.597, 11.314, 323.33, 1.105, _TABLE + "156 (HSS tool)"),
        EdgeCoefficients(1319.41, 19.65, 788.83, 26.77, 48.75, 2.05, _TABLE + "47"),
    ),
    "AlMgSi0.5": (EdgeCoefficients(561.2, 204.3, 194.4, 16.2, 6.7, 2.2, _TABLE + "150 (minimum quantity lubrication)"),),
}


@dataclass(frozen=True)
class MeanLoad:
    """Mean over one turn: forces on the cutter along the feed, square to it and along the axis, and the spindle torque."""

    feed_N: float
    across_N: float
    axial_N: float
    torque_Nm: float


def linear_edge_mean_load(
    K: EdgeCoefficients, ap_mm: float, fz_mm: float, angle_deg: tuple[float, float], teeth: int, diameter_mm: float
) -> MeanLoad:
    """Mean forces and torque of the linear-edge model between two angles of engagement (entry < exit, 0..180 degrees).

    Ft = (K_tc h + K_te) b and so on, h = fz sin a, integrated in closed form. Altintas, Manufacturing Automation, ch. 2.
    """
    a0, a1 = float(np.radians(angle_deg[0])), float(np.radians(angle_deg[1]))
    c = fz_mm

    def feed(a: float) -> float:
        return c / 4 * (K.K_tc * np.cos(2 * a) - K.K_rc * (2 * a - np.sin(2 * a))) - K.K_te * np.sin(a) + K.K_re * np.cos(a)

    def across(a: float) -> float:
        return c / 4 * (K.K_tc * (2 * a - np.sin(2 * a)) + K.K_rc * np.cos(2 * a)) - K.K_te * np.cos(a) - K.K_re * np.sin(a)

    def axial(a: float) -> float:
        return -K.K_ac * c * np.cos(a) + K.K_ae * a

    def tangential(a: float) -> float:
        return -K.K_tc * c * np.cos(a) + K.K_te * a

    share = teeth * ap_mm / (2 * np.pi)
    return MeanLoad(
        float(share * (feed(a1) - feed(a0))),
        float(share * (across(a1) - across(a0))),
        float(share * (axial(a1) - axial(a0))),
        float(share * (tangential(a1) - tangential(a0)) * 0.5e-3 * diameter_mm),
    )


@dataclass(frozen=True)
class Teeth:
    """The teeth of an end mill: how many, on what diameter, at what helix angle (FHA; 0 straight)."""

    count: int
    diameter_mm: float
    helix_deg: float = 0.0


def linear_edge_forces_over_turn(
    K: EdgeCoefficients, ap_mm: float, fz_mm: float, angle_deg: tuple[float, float], teeth: Teeth, steps: int = 720
) -> Floats:
    """Force on the cutter at `steps` angles of one turn, shape (steps, 4): x, y, z in N and torque in N m.

    The edge is cut into short rings; each ring's tooth lags by the helix (2 z tan(helix) / D) and bears
    (K_c h + K_e) dz while it is engaged. Altintas, Manufacturing Automation, ch. 2; numerical.
    """
    if steps < 2 or teeth.count < 1:
        raise BadInput("a turn needs at least two steps and one tooth")
    rings = max(1, int(np.ceil(ap_mm / 0.05))) if teeth.helix_deg else 1
    z = (np.arange(rings) + 0.5) * ap_mm / rings
    lag = 2.0 * z * np.tan(np.radians(teeth.helix_deg)) / teeth.diameter_mm
    turn = (np.arange(steps) + 0.5) * 2.0 * np.pi / steps
    pitch = np.arange(teeth.count) * 2.0 * np.pi / teeth.count
    angle = (turn[:, None, None] + pitch[None, :, None] - lag[None, None, :]) % (2.0 * np.pi)
    engaged = (angle >= np.radians(angle_deg[0])) & (angle <= np.radians(angle_deg[1]))
    b = engaged * (ap_mm / rings)
    h = fz_mm * np.sin(angle)
    tangential = (K.K_tc * h + K.K_te) * b
    radial = (K.K_rc * h + K.K_re) * b
    axial = (K.K_ac * h + K.K_ae) * b
    x = -tangential * np.cos(angle) - radial * np.sin(angle)
    y = tangential * np.sin(angle) - radial * np.cos(angle)
    columns = (x, y, axial, tangential * 0.5e-3 * teeth.diameter_mm)
    return np.stack([column.sum(axis=(1, 2)) for column in columns], axis=1)


def _thickest_sine(angle_deg: tuple[float, float]) -> float:
    """Largest sine between two angles within 0..180 degrees."""
    a0, a1 = np.radians(angle_deg[0]), np.radians(angle_deg[1])
    return 1.0 if a0 <= np.pi / 2 <= a1 else float(max(np.sin(a0), np.sin(a1)))
