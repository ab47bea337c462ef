"""How far apart neighbouring passes may lie so that the cusp between them stays under the asked value.

Everything follows from the cutter's own outline, so that ball, flat, V, bull nose and tapered ball need no cases of their
own: two copies of the outline stand side by side, and the cusp is what their crossing leaves above the line that both touch.
For a ball this is R - sqrt(R^2 - s^2/4), for a pointed V (s/2)/tan(SIG/2) (plane geometry).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike, NDArray

from newel.core.profile import Profile
from newel.geometry.profiles import underside as stretches_of

Floats = NDArray[np.float64]

_ARC_POINTS = 2000  # per arc: chords of a quarter turn stray by R (pi/4/2000)^2 / 2, 0.23 um at R 3
_SAME_MM = 1e-12
_HAIR_MM = 1e-9
_STEEPEST_DEG = 89.9
_SLOPES = 121
_BISECTIONS = 40


@dataclass(frozen=True, eq=False)  # asked for the same profile again it is the same object
class Underside:
    """The outline as seen from below: height `h_mm` of the lowest point of the cutter at or beyond radius `r_mm` (rising).

    Arrays are read-only.
    """

    r_mm: Floats
    h_mm: Floats

    @property
    def radius_mm(self) -> float:
        """The largest radius."""
        return float(self.r_mm[-1])

    def height(self, radius_mm: Floats) -> Floats:
        """Return the height over the tip at a distance from the axis; infinite beyond the largest radius."""
        away = np.abs(radius_mm)
        return np.where(away > self.radius_mm + 1e-12, np.inf, np.interp(away, self.r_mm, self.h_mm))


def underside(profile: Profile) -> Underside:
    """Return a profile's lower envelope as a dense chain of points; a wall is a step a hair wide."""
    corners = (profile.r_mm, profile.h_mm, profile.centre_r_mm, profile.centre_h_mm)
    return _underside(*(np.asarray(column, dtype=float).tobytes() for column in corners))


@lru_cache(maxsize=64)  # every cut asks for the same few cutters again and again, and so does the next job of a batch
def _underside(*columns: bytes) -> Underside:
    profile = Profile(*(np.frombuffer(column) for column in columns))
    r: list[float] = [0.0]
    h: list[float] = [math.nan]
    for stretch in stretches_of(profile):
        if stretch.h0 > h[-1] + _SAME_MM:
            r.append(r[-1] + _HAIR_MM)
            h.append(stretch.h0)
        count = 1 if math.isnan(stretch.cr) else _ARC_POINTS
        if math.isnan(h[-1]):
            h[-1] = stretch.h0
        # even steps of angle: even steps of radius would be coarse on the flank of a ball
        angle = np.linspace(stretch.steepness(stretch.r0), stretch.steepness(stretch.r1), count + 1)[1:]
        for a in angle[:-1]:
            r.append(stretch.cr + stretch.arc_radius * math.sin(a))
            h.append(stretch.height(r[-1]))
        r.append(max(stretch.r1, r[-1]))
        h.append(stretch.h1)
    return Underside(_fixed(np.array(r)), _fixed(np.array(h)))


def _fixed(array: Floats) -> Floats:
    array.setflags(write=False)
    return array


def cusp_between(below: Underside, run_mm: ArrayLike, rise_mm: ArrayLike) -> Floats:
    """Return the cusp between two passes whose tips lie `run_mm` apart across and `rise_mm` in height, in mm; any shape.

    Measured square to the straight surface that both passes touch; infinite where the passes do not overlap.
    """
    run, rise = np.broadcast_arrays(np.abs(np.asarray(run_mm, dtype=float)), np.abs(np.asarray(rise_mm, dtype=float)))
    way = np.hypot(run, rise)
    widest = below.radius_mm
    r, h = below.r_mm, below.h_mm
    one, other = run[..., None] * h, rise[..., None] * r
    touch = np.minimum(one - other, one + other).min(axis=-1)
    low, high = run - widest, np.full(run.shape, widest)
    for _ in range(_BISECTIONS):
        mid = 0.5 * (low + high)
        inside = below.height(mid) < rise + below.height(mid - run)
        low, high = np.where(inside, mid, low), np.where(inside, high, mid)
    across = 0.5 * (low + high)
    # on the lower cutter's wall the higher cutter's outline closes the cusp
    height = rise + below.height(np.clip(across - run, -widest, widest))
    cusp = (run * height - rise * across - touch) / np.where(way > 0.0, way, 1.0)
    return np.where(run >= 2.0 * widest, np.inf, np.where(way > 0.0, cusp, 0.0))


def widest_spacing(below: Underside, cusp_mm: float, slope_deg: ArrayLike) -> Floats:
    """Return the widest distance between two passes along a surface of a slope that keeps the cusp, in mm; any shape.

    `slope_deg` is measured from square to the tool axis, 0 to 90; never more than twice the cutter's radius.
    """
    slope = np.radians(np.minimum(np.abs(np.asarray(slope_deg, dtype=float)), _STEEPEST_DEG))
    most = np.full(slope.shape, 2.0 * below.radius_mm)
    low, high = np.zeros(slope.shape), most.copy()
    for _ in range(_BISECTIONS):
        mid = 0.5 * (low + high)
        fits = cusp_between(below, mid * np.cos(slope), mid * np.sin(slope)) <= cusp_mm
        low, high = np.where(fits, mid, low), np.where(fits, high, mid)
    return np.where(cusp_between(below, most * np.cos(slope), most * np.sin(slope)) <= cusp_mm, most, low)


def widest_turn_deg(below: Underside, cusp_mm: float, radius_mm: float) -> float:
    """Return the largest turn between two passes along a cylinder of `radius_mm` that keeps the cusp, in degrees.

    The corner that is left lies on the half angle: at radius R + h it must be inside both outlines. For a ball this is
    2 acos[((R+r)^2 + (R+h)^2 - r^2) / (2 (R+r)(R+h))], for a flat end 2 acos[R/(R+h)] (plane trigonometry).
    """
    outer = radius_mm + cusp_mm
    low, high = 0.0, np.pi / 2.0
    for _ in range(60):
        half = 0.5 * (low + high)
        cleared = outer * np.cos(half) - radius_mm - float(below.height(np.array(outer * np.sin(half))))
        if cleared >= 0.0:
            low = half
        else:
            high = half
    return float(np.degrees(2.0 * low))


@dataclass(frozen=True)
class SpacingRule:
    """The widest spacing for every slope: a table over the slope between two neighbouring passes."""

    slope_deg: Floats
    spacing_mm: Floats

    def spacing(self, run_mm: Floats, rise_mm: Floats) -> Floats:
        """Return the widest allowed distance for passes that lie apart in the direction (run, rise)."""
        slope = np.degrees(np.arctan2(np.abs(rise_mm), np.abs(run_mm)))
        return np.exp(np.interp(slope, self.slope_deg, np.log(self.spacing_mm)))


@lru_cache(maxsize=64)  # the same cutter leaves the same cusp in each cut and in the next job of a batch
def spacing_rule(below: Underside, cusp_mm: float, widest_mm: float) -> SpacingRule:
    """Tabulate the widest spacing against slope for a cutter, an asked cusp and a cap on the spacing."""
    # the spacing changes fastest near level ground (a flat end) and near the wall: the table is denser at both ends
    slopes = _STEEPEST_DEG * 0.5 * (1.0 - np.cos(np.linspace(0.0, np.pi, _SLOPES)))
    spacing = np.minimum(widest_spacing(below, cusp_mm, slopes), widest_mm)
    return SpacingRule(_fixed(slopes), _fixed(np.maximum(spacing, 1e-4)))
