"""Speeds, engagement and chip thickness of milling, one function one published formula.

Symbols are those of ISO 3002: vc cutting speed (m/min), n spindle speed (rpm), fz feed per tooth (mm), ap depth and ae
width of cut (mm), h chip thickness (mm). Angles are measured at the tool axis, in degrees. Every function takes numbers
or arrays. The tooth's path is taken as a circle (M. E. Martellotti, "An analysis of the milling process", Trans. ASME
63, 1941: the true trochoid differs by less than fz / (pi DC) where fz is small beside DC).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]


def spindle_speed_rpm(vc_m_per_min: ArrayLike, diameter_mm: ArrayLike) -> Floats:
    """Spindle speed that gives a cutting speed: n = 1000 vc / (pi D). ISO 3002-1; exact."""
    return 1000.0 * np.asarray(vc_m_per_min, float) / (np.pi * np.asarray(diameter_mm, float))


def cutting_speed_m_per_min(spindle_rpm: ArrayLike, diameter_mm: ArrayLike) -> Floats:
    """Cutting speed at a diameter: vc = pi D n / 1000. ISO 3002-1; exact."""
    return np.pi * np.asarray(diameter_mm, float) * np.asarray(spindle_rpm, float) / 1000.0


def feed_speed_mm_per_min(spindle_rpm: ArrayLike, teeth: ArrayLike, fz_mm: ArrayLike) -> Floats:
    """Feed speed: vf = n z fz. ISO 3002-3; exact."""
    return np.asarray(spindle_rpm, float) * np.asarray(teeth, float) * np.asarray(fz_mm, float)


def engagement_angle_deg(ae_mm: ArrayLike, diameter_mm: ArrayLike) -> Floats:
    """Angle over which a tooth cuts at a straight wall: arccos(1 - 2 ae / D), 0..180; ae is held to 0..D. Derived."""
    share = np.clip(np.asarray(ae_mm, float) / np.asarray(diameter_mm, float), 0.0, 1.0)
    return np.degrees(np.arccos(1.0 - 2.0 * share))


def engaged_from_to_deg(ae_mm: float, diameter_mm: float, *, climb: bool) -> tuple[float, float]:
    """Where a tooth enters and leaves, in degrees from the direction square to the feed at which its chip is nil.

    Conventional (up) cutting starts at 0 with no chip; climb (down) cutting ends at 180 with none. Derived.
    """
    angle = float(engagement_angle_deg(ae_mm, diameter_mm))
    return (180.0 - angle, 180.0) if climb else (0.0, angle)


def chip_at_mm(fz_mm: ArrayLike, angle_deg: ArrayLike) -> Floats:
    """Chip thickness at an angle of the tooth: h = fz sin(angle). Martellotti 1941, circular form."""
    return np.asarray(fz_mm, float) * np.sin(np.radians(np.asarray(angle_deg, float)))


def largest_chip_mm(fz_mm: ArrayLike, ae_mm: ArrayLike, diameter_mm: ArrayLike) -> Floats:
    """Largest chip thickness: fz sin(angle) while ae <= D/2, else fz. Martellotti 1941, circular form."""
    angle = np.radians(engagement_angle_deg(ae_mm, diameter_mm))
    return np.asarray(fz_mm, float) * np.sin(np.minimum(angle, np.pi / 2))


def mean_chip_mm(fz_mm: ArrayLike, ae_mm: ArrayLike, diameter_mm: ArrayLike) -> Floats:
    """Mean chip thickness over the engaged arc: hm = 2 ae fz / (D angle), the angle in radians; 0 where ae is 0.

    The exact mean of fz sin(angle); the short form fz sqrt(ae / D) is 11 % high at half engagement. Martellotti 1941.
    """
    share = np.clip(np.asarray(ae_mm, float) / np.asarray(diameter_mm, float), 0.0, 1.0)
    angle = np.arccos(1.0 - 2.0 * share)
    return np.asarray(fz_mm, float) * np.divide(2.0 * share, angle, out=np.zeros_like(angle), where=angle > 0)


def feed_for_mean_chip_mm(hm_mm: ArrayLike, ae_mm: ArrayLike, diameter_mm: ArrayLike) -> Floats:
    """Feed per tooth that gives a mean chip: `mean_chip_mm` turned round; infinite where ae is 0."""
    with np.errstate(divide="ignore"):
        return np.asarray(hm_mm, float) / mean_chip_mm(1.0, ae_mm, diameter_mm)


def ball_diameter_mm(DC: ArrayLike, ap_mm: ArrayLike) -> Floats:
    """Diameter at which a ball cuts at depth ap, held to the ball's own: 2 sqrt(a (D - a)). Derived (chord of a circle)."""
    ball = np.asarray(DC, float)
    a = np.clip(np.asarray(ap_mm, float), 0.0, 0.5 * ball)
    return 2.0 * np.sqrt(a * (ball - a))


def tilted_ball_diameter_mm(DC: float, ap_mm: float, tilt_deg: float) -> float:
    """Largest cutting diameter of a ball whose axis leans by `tilt_deg` from the surface's normal at depth ap.

    D sin(tilt + arccos((D - 2 ap) / D)), and D once that angle passes 90 degrees. Derived.
    """
    angle = np.radians(tilt_deg) + np.arccos(1.0 - 2.0 * min(max(ap_mm / DC, 0.0), 0.5))
    return float(DC * np.sin(min(angle, np.pi / 2)))
