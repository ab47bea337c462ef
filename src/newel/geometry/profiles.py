"""Outlines of cutters, asked and reshaped: height at a radius, radius at a height, growing, cutting into convex pieces.

Everything here looks at the solid from below: what counts is how low the outline stands at a radius (its *underside*),
for that is what meets the work first. Where an outline draws in again (a neck behind an edge), the neck stands in the
shadow of the edge and its underside is no part of it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from newel.core.errors import BadInput
from newel.core.profile import Profile

Floats = NDArray[np.float64]

_TINY_MM = 1e-12  # shorter than this, a run outwards is a wall
_KINK_RAD = 1e-7  # two pieces that meet within this angle meet smoothly


@dataclass(frozen=True)
class Stretch:
    """One line or arc of an underside, from radius `r0` outwards to `r1`; `cr` and `ch` are nan for a line. All in mm."""

    r0: float
    h0: float
    r1: float
    h1: float
    cr: float = math.nan
    ch: float = math.nan

    @property
    def arc_radius(self) -> float:
        """Radius of the arc, nan for a line."""
        return math.hypot(self.r0 - self.cr, self.h0 - self.ch)

    def height(self, r: float) -> float:
        """Height at a radius between the ends."""
        if math.isnan(self.cr):
            return self.h0 + (self.h1 - self.h0) * (r - self.r0) / (self.r1 - self.r0)
        a = self.arc_radius
        return self.ch - math.sqrt(max(a * a - (r - self.cr) ** 2, 0.0))

    def steepness(self, r: float) -> float:
        """Angle of the outline above the horizontal at a radius, in radians from 0 to a quarter turn."""
        if math.isnan(self.cr):
            return math.atan2(self.h1 - self.h0, self.r1 - self.r0)
        return math.asin(min(max((r - self.cr) / self.arc_radius, 0.0), 1.0))

    def between(self, r0: float, r1: float) -> Stretch:
        """Return the part between two radii."""
        h0 = self.h0 if r0 == self.r0 else self.height(r0)
        h1 = self.h1 if r1 == self.r1 else self.height(r1)
        return Stretch(r0, h0, r1, h1, self.cr, self.ch)


def underside(profile: Profile) -> list[Stretch]:
    """Return the outline as seen from below: stretches from the axis outwards, each beginning where the last one ends.

    Heights never fall; where a wall rises the next stretch begins higher. An outline that begins off the axis is
    closed by a flat at its first height.
    """
    first_r, first_h = float(profile.r_mm[0]), float(profile.h_mm[0])
    out: list[Stretch] = []
    if first_r > _TINY_MM:
        out.append(Stretch(0.0, first_h, first_r, first_h))
    widest = first_r
    for i in range(len(profile.r_mm) - 1):
        r0, r1 = float(profile.r_mm[i]), float(profile.r_mm[i + 1])
        if r1 - max(r0, widest) <= _TINY_MM:
            widest = max(widest, r1)
            continue
        whole = Stretch(
            r0,
            float(profile.h_mm[i]),
            r1,
            float(profile.h_mm[i + 1]),
            float(profile.centre_r_mm[i]),
            float(profile.centre_h_mm[i]),
        )
        out.append(whole if r0 >= widest else whole.between(widest, r1))
        widest = r1
    return out


def height_at(profile: Profile, r_mm: ArrayLike) -> Floats:
    """Height above the tip at which the solid begins at a radius, in mm; any shape.

    The lowest height of the outline at that radius: infinite beyond `profile.radius_mm`, constant inside the first
    radius of an outline that begins off the axis. Radii are taken without sign.
    """
    r = np.abs(np.asarray(r_mm, dtype=float))
    h = np.full(r.shape, np.inf)
    for s in reversed(underside(profile)):
        at = (r <= s.r1) & (r >= s.r0)
        if math.isnan(s.cr):
            h[at] = s.h0 + (s.h1 - s.h0) * (r[at] - s.r0) / (s.r1 - s.r0)
        else:
            h[at] = s.ch - np.sqrt(np.maximum(s.arc_radius**2 - (r[at] - s.cr) ** 2, 0.0))
    return h


def radius_at(profile: Profile, h_mm: ArrayLike) -> Floats:
    """Largest radius of the solid at or below a height above the tip, in mm; any shape. 0 below the solid."""
    h = np.asarray(h_mm, dtype=float)
    r = np.zeros(h.shape)
    for s in underside(profile):
        above = h >= s.h0
        if math.isnan(s.cr):
            rise = s.h1 - s.h0
            part = np.ones(h.shape) if rise <= 0.0 else np.clip((h - s.h0) / rise, 0.0, 1.0)
            at = s.r0 + part * (s.r1 - s.r0)
        else:
            up = np.minimum(h, s.h1) - s.ch
            at = np.minimum(s.cr + np.sqrt(np.maximum(s.arc_radius**2 - up**2, 0.0)), s.r1)
        r = np.where(above, np.maximum(r, at), r)
    return r


def polyline(profile: Profile, chord_mm: float) -> Floats:
    """Points (r, h) along the whole outline, shape (k, 2), the tip first; arcs become chords.

    The corners of the chords lie on the arc; no chord strays from it by more than `chord_mm` (> 0).
    """
    if not chord_mm > 0.0:
        raise BadInput(f"a chord error must be more than 0 mm, not {chord_mm}")
    points = [(float(profile.r_mm[0]), float(profile.h_mm[0]))]
    for i in range(len(profile.r_mm) - 1):
        r1, h1 = float(profile.r_mm[i + 1]), float(profile.h_mm[i + 1])
        cr, ch = float(profile.centre_r_mm[i]), float(profile.centre_h_mm[i])
        if not math.isnan(cr):
            r0, h0 = points[-1]
            a = math.hypot(r1 - cr, h1 - ch)
            from_rad, to_rad = math.atan2(h0 - ch, r0 - cr), math.atan2(h1 - ch, r1 - cr)
            step_rad = 2.0 * math.acos(max(1.0 - chord_mm / a, -1.0))  # sagitta a(1 - cos(step/2)), as references G13
            count = max(1, math.ceil(abs(to_rad - from_rad) / step_rad))
            turns = np.linspace(from_rad, to_rad, count + 1)[1:-1]
            points += [(cr + a * math.cos(t), ch + a * math.sin(t)) for t in turns]
        points.append((r1, h1))
    return np.array(points)


def joined(lower: Profile, upper: Profile) -> Profile:
    """One outline of two: `upper` (shank, holder, nose) carries on where `lower` (the edge) ends; heights from one tip."""
    r, h = [lower.r_mm, upper.r_mm], [lower.h_mm, upper.h_mm]
    nan = np.array([np.nan])
    return Profile(
        np.concatenate(r),
        np.concatenate(h),
        np.concatenate([lower.centre_r_mm, nan, upper.centre_r_mm]),
        np.concatenate([lower.centre_h_mm, nan, upper.centre_h_mm]),
    )


def convex_pieces(profile: Profile) -> tuple[Profile, ...]:
    """Cut a stepped outline into pieces that are convex as seen from below, lowest first.

    Each piece begins on the axis, filled at its own lowest height, and its height never rises less steeply further
    out; the solid's underside is the lowest of all pieces'. A cutter without a step is one piece.
    """
    return tuple(_profile_of(piece) for piece in convex_undersides(profile))


def convex_undersides(profile: Profile) -> list[list[Stretch]]:
    """Return the pieces of `convex_pieces` as stretches (no walls)."""
    pieces: list[list[Stretch]] = []
    for s in underside(profile):
        if pieces and not _breaks(pieces[-1][-1], s):
            pieces[-1].append(s)
            continue
        flat = [Stretch(0.0, s.h0, s.r0, s.h0)] if s.r0 > 0.0 else []
        if flat and s.h1 - s.h0 <= _TINY_MM:  # a step outwards at one height: one flat, not two
            pieces.append([Stretch(0.0, s.h0, s.r1, s.h0)])
        else:
            pieces.append([*flat, s])
    return pieces


def grown(profile: Profile, by_mm: float) -> Profile:
    """Outline of all points within `by_mm` (>= 0) of the solid, as seen from below: what leaves an allowance standing.

    Told from a tip that lies `by_mm` below the real one, so that an outline that began at h = 0 does so again: a drop
    of the grown outline plus `by_mm` is where the real tip stands.
    """
    if not by_mm >= 0.0:
        raise BadInput(f"a cutter can be grown by 0 mm or more, not by {by_mm}")
    if by_mm == 0.0:
        return profile
    outer: list[Stretch] = []
    for piece in convex_undersides(profile):
        outer = _lower_of(outer, _grown_piece(piece, by_mm))
    return _profile_of(outer, top=float(profile.h_mm[-1]) + by_mm)


def _breaks(before: Stretch, after: Stretch) -> bool:
    """Whether the underside stops being convex where one stretch follows another."""
    if after.h0 - before.h1 > 1e-9:
        return True
    return after.steepness(after.r0) < before.steepness(before.r1) - _KINK_RAD


def _grown_piece(piece: list[Stretch], by: float) -> list[Stretch]:
    """Offset a convex underside by a ball of radius `by` and lift it by as much."""
    out: list[Stretch] = []
    steep = 0.0
    for s in piece:
        begins = s.steepness(s.r0)
        if begins > steep + 1e-12:
            out.append(_rolled(s.r0, s.h0, by, steep, begins))
        if math.isnan(s.cr):
            dr, dh = by * math.sin(begins), by * (1.0 - math.cos(begins))
            out.append(Stretch(s.r0 + dr, s.h0 + dh, s.r1 + dr, s.h1 + dh))
            steep = begins
        else:
            steep = s.steepness(s.r1)
            out.append(_rolled(s.cr, s.ch, s.arc_radius + by, begins, steep, lift=by))
    last = piece[-1]
    if steep < math.pi / 2 - 1e-12:
        out.append(_rolled(last.r1, last.h1, by, steep, math.pi / 2))
    return out


def _rolled(cr: float, ch: float, radius: float, from_rad: float, to_rad: float, lift: float | None = None) -> Stretch:
    """Arc about a centre between two steepnesses, lifted (by its radius if not told otherwise)."""
    up = ch + (radius if lift is None else lift)
    return Stretch(
        cr + radius * math.sin(from_rad),
        up - radius * math.cos(from_rad),
        cr + radius * math.sin(to_rad),
        up - radius * math.cos(to_rad),
        cr,
        up,
    )


def _lower_of(inner: list[Stretch], outer: list[Stretch]) -> list[Stretch]:
    """Lower envelope of two undersides of which `outer` reaches further out and begins higher."""
    if not inner:
        return outer
    low, high = 0.0, inner[-1].r1
    if _height(outer, 0.0) <= _height(inner, 0.0):
        return outer
    if _height(outer, high) < _height(inner, high):
        while high - low > 1e-13 * max(high, 1.0):  # bisection: the two undersides cross once
            middle = 0.5 * (low + high)
            if middle in (low, high):
                break
            if _height(outer, middle) < _height(inner, middle):
                high = middle
            else:
                low = middle
    kept = [s if s.r1 <= high else s.between(s.r0, high) for s in inner if s.r0 < high - _TINY_MM]
    return kept + [s if s.r0 >= high else s.between(high, s.r1) for s in outer if s.r1 > high + _TINY_MM]


def _height(stretches: list[Stretch], r: float) -> float:
    for s in stretches:
        if r <= s.r1:
            return s.height(max(r, s.r0))
    return math.inf


def _profile_of(stretches: list[Stretch], top: float | None = None) -> Profile:
    """Make an outline of an underside, with walls where it jumps, up to `top`."""
    first = stretches[0]
    rows: list[tuple[float, float, float, float]] = []
    r, h = first.r0, first.h0
    for s in stretches:
        if s.h0 - h > _TINY_MM:
            rows.append((r, s.h0, math.nan, math.nan))
        rows.append((s.r1, max(s.h1, s.h0), s.cr, s.ch))
        r, h = s.r1, s.h1
    if top is not None and top - h > _TINY_MM:
        rows.append((r, top, math.nan, math.nan))
    table = np.array(rows)
    corners = np.vstack([[first.r0, first.h0], table[:, :2]])
    corners[:, 1] = np.maximum.accumulate(corners[:, 1])
    return Profile(corners[:, 0].copy(), corners[:, 1].copy(), table[:, 2].copy(), table[:, 3].copy())
