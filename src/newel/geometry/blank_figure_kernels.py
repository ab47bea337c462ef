"""Kernels of a cutter's figures: the plane figure that a convex piece shows in a slice of the blank, by its corners.

The right half alone is written, lowest point first: half widths and heights over the tip. What a ball sweeps on a straight
way is a convex figure in every slice, too. Called by the sweeping and carving kernels; the program keys its kernel cache
by all kernel sources.
"""

from __future__ import annotations

import math

import numpy as np
from numba import njit

from newel.geometry.loan_kernels import loan

STEEPEST = 4.0  # slope up to which a ball's way is swept as one figure: by then it needs twice the corners
BALL_SAGITTA = 1.5  # the chords of a ball straddle it, so that they may be so much longer: a third of it inside, the rest out


@njit(cache=True, error_model="numpy", forceinline=True)
def _height(seg, k, r):
    """Return H(r) of segment k."""
    if seg[k, 6] > 0.0:
        d = r - seg[k, 4]
        return seg[k, 5] - math.sqrt(max(0.0, seg[k, 6] * seg[k, 6] - d * d))
    span = seg[k, 1] - seg[k, 0]
    if span <= 0.0:
        return seg[k, 2]
    return seg[k, 2] + (seg[k, 3] - seg[k, 2]) * (r - seg[k, 0]) / span


@njit(cache=True, error_model="numpy", forceinline=True)
def radius_at(seg, first, size, p, h):
    """Return the largest radius of piece p at height h above the tip (negative: none)."""
    if h < size[p, 1] or h > size[p, 2]:
        return -1.0
    r = 0.0
    for k in range(first[p], first[p + 1]):
        if h >= seg[k, 3]:
            r = seg[k, 1]
            continue
        if h > seg[k, 2]:
            if seg[k, 6] > 0.0:
                d = seg[k, 5] - h
                r = seg[k, 4] + math.sqrt(max(0.0, seg[k, 6] * seg[k, 6] - d * d))
            else:
                r = seg[k, 0] + (seg[k, 1] - seg[k, 0]) * (h - seg[k, 2]) / (seg[k, 3] - seg[k, 2])
        break
    return r


@njit(cache=True, error_model="numpy", forceinline=True)
def corner_count(seg, k, clip, chord):
    """Return how many chords segment k needs when it is cut off at radius `clip`, in any slice."""
    r0 = seg[k, 0]
    r1 = min(seg[k, 1], clip)
    if r1 <= r0:
        return 0
    rad = seg[k, 6]
    if rad > 0.0:
        a0 = math.asin(max(-1.0, min(1.0, (r0 - seg[k, 4]) / rad)))
        a1 = math.asin(max(-1.0, min(1.0, (r1 - seg[k, 4]) / rad)))
        sagitta = chord if seg[k, 4] > 0.0 else BALL_SAGITTA * chord
        return 1 + int((a1 - a0) / math.sqrt(8.0 * sagitta / rad))
    rise = seg[k, 3] - seg[k, 2]
    if rise <= 0.0:
        return 1
    # a slice of a cone is a hyperbola u = a sinh t; its chords fall short by 1.1 r1 (rise / slant) / (8 n^2) at most
    return 1 + int(math.sqrt(1.1 * r1 * rise / math.hypot(rise, seg[k, 1] - seg[k, 0]) / (8.0 * chord)))


@njit(cache=True, error_model="numpy")
def most_corners(pieces, chord):
    """Return the corners that the half figure of the largest piece can have."""
    most = 0
    for p in range(len(pieces.size)):
        n = 2
        for k in range(pieces.first[p], pieces.first[p + 1]):
            n += corner_count(pieces.seg, k, pieces.size[p, 0], chord)
        most = max(most, n)
    return most


@njit(cache=True, error_model="numpy")
def figure(seg, first, p, counts, clip, dx, half):
    """Write the right half of the slice at dx from the axis, lowest point first; return its corners (0: no slice)."""
    seg = loan(seg)
    first = loan(first)
    counts = loan(counts)
    half = loan(half)
    dx = abs(dx)
    if dx >= clip:
        return 0
    n = np.int64(1)  # typed, not a plain number: the kernels below are compiled once for it
    d2 = dx * dx
    for k in range(first[p], first[p + 1]):
        m = counts[k - first[p]]
        if m == 0:
            break
        r0 = seg[k, 0]
        r1 = min(seg[k, 1], clip)
        if r1 <= dx:
            n += m  # filled in below, with the lowest point
            continue
        if r0 <= dx:
            foot = _height(seg, k, dx)
            for i in range(n):
                half[0, i] = 0.0
                half[1, i] = foot
        u0 = math.sqrt(max(0.0, r0 * r0 - d2))
        u1 = math.sqrt(max(0.0, r1 * r1 - d2))
        if seg[k, 6] > 0.0:
            _arc_corners(seg, k, m, d2, u0, u1, half, n)
        else:
            _line_corners(seg, k, m, d2, u0, u1, half, n)
        n += m
    return n


@njit(cache=True, error_model="numpy", forceinline=True)
def is_ball_along(pieces, p, high, ways):
    """Tell whether all that counts of piece p, up to `high` over its tip, is a ball, on a way without side step or turn.

    A wall on the ball counts, too, where it is all that follows. The way must not be too steep for `ball_along`.
    """
    seg, first, size, _ = pieces
    k = first[p]
    ball = seg[k, 6] > 0.0 and seg[k, 4] == 0.0 and seg[k, 0] == 0.0
    ball &= high <= seg[k, 3] or (high <= size[p, 2] and first[p + 1] == k + 1)
    dx = ways[1, 0] - ways[0, 0]
    straight = ways[0, 1] == ways[1, 1] and ways[0, 5] == ways[1, 5]
    return ball and straight and (dx == 0.0 or abs(ways[1, 2] - ways[0, 2]) <= STEEPEST * abs(dx))


@njit(cache=True, error_model="numpy")
def ball_along(seg, k, x, clip, ways, chord, half):
    """Write the right half of what a ball sweeps in the slice at x on a straight way without side step.

    Heights are over the tip at the step's start. Return its corners (0: no slice, or nothing but what stood in the start,
    which is cut already). The swept body is convex, so its slice is one figure: at half width u the ball touches lowest
    where it stands s before the slice, s = slope sqrt((R^2 - u^2) / (1 + slope^2)), kept to the way and to the clip radius.
    """
    radius = seg[k, 6]
    dx = ways[1, 0] - ways[0, 0]
    dz = ways[1, 2] - ways[0, 2]
    begin = x - ways[0, 0]
    low = min(begin, x - ways[1, 0])
    high = max(begin, x - ways[1, 0])
    near = max(0.0, max(low, -high))
    if near >= clip:
        return 0
    slope = 0.0
    rise = min(0.0, dz)  # straight down or up: the lower end is what counts
    share = 0.0
    if dx != 0.0:
        slope = dz / dx
        rise = slope * begin
        share = slope / math.sqrt(1.0 + slope * slope)
        deepest = min(clip, max(-clip, share * radius))
        if (dx > 0.0 and begin <= min(0.0, deepest)) or (dx < 0.0 and begin >= max(0.0, deepest)):
            return 0
    wide = math.sqrt(radius * radius - near * near)
    most = math.sqrt(clip * clip - near * near)
    ellipse = min(0.0, share) * radius < high and max(0.0, share) * radius > low
    bow = radius * math.sqrt(1.0 + slope * slope) if ellipse else wide
    end = math.asin(min(1.0, most / wide))
    n = min(half.shape[1] - 1, 1 + int(end / math.sqrt(8.0 * BALL_SAGITTA * chord / bow)))
    step = end / n
    out = step * step / 12.0  # the chords straddle the curve: their corners stand out by two thirds of the sagitta
    sd = math.sin(step)
    cd = math.cos(step)
    sine = 0.0
    cosine = 1.0
    for i in range(n + 1):
        u = most if i == n else wide * sine
        reach = math.sqrt(max(0.0, clip * clip - u * u))
        square = radius * radius - u * u
        free = share * math.sqrt(square)
        s = max(max(low, -reach), min(min(high, reach), free))
        down = math.sqrt(max(0.0, square - s * s))
        more = 0.0 if i == n else out
        half[0, i] = u * (1.0 + more)
        half[1, i] = rise - slope * s + seg[k, 5] - down - more * (down + (slope * s if s == free else 0.0))
        sine, cosine = sine * cd + cosine * sd, cosine * cd - sine * sd
    return n + 1


@njit(cache=True, error_model="numpy", forceinline=True)
def _arc_corners(seg, k, m, d2, u0, u1, half, n):
    """Corners along the slice of an arc, spaced as u = U sin t, which is even on a ball."""
    out = seg[k, 4] + seg[k, 6]
    full = math.sqrt(out * out - d2)
    t0 = math.asin(min(1.0, u0 / full))
    t1 = math.asin(min(1.0, u1 / full))
    step = (t1 - t0) / m
    sine = math.sin(t0)
    cosine = math.cos(t0)
    sd = math.sin(step)
    cd = math.cos(step)
    if seg[k, 4] == 0.0:
        # a circle: its chords stand out of it by as much as they cut off, two thirds of the sagitta
        wide = full * (1.0 + step * step / 12.0)
        if u0 == 0.0:
            for i in range(n):
                half[1, i] = seg[k, 5] - wide
        for i in range(m - 1):
            sine, cosine = sine * cd + cosine * sd, cosine * cd - sine * sd
            half[0, n + i] = wide * sine
            half[1, n + i] = seg[k, 5] - wide * cosine
        half[0, n + m - 1] = u1
        half[1, n + m - 1] = _height(seg, k, math.sqrt(u1 * u1 + d2))
        return
    for i in range(m):
        sine, cosine = sine * cd + cosine * sd, cosine * cd - sine * sd
        u = u1 if i == m - 1 else full * sine
        half[0, n + i] = u
        half[1, n + i] = _height(seg, k, math.sqrt(u * u + d2))


@njit(cache=True, error_model="numpy", forceinline=True)
def _line_corners(seg, k, m, d2, u0, u1, half, n):
    """Corners along the slice of a cone, spaced as u = a sinh t, which is even on its hyperbola."""
    a = max(math.sqrt(d2), 0.02 * seg[k, 1])
    t0 = math.asinh(u0 / a)
    step = (math.asinh(u1 / a) - t0) / m
    for i in range(m):
        u = u1 if i == m - 1 else a * math.sinh(t0 + step * (i + 1))
        half[0, n + i] = u
        half[1, n + i] = _height(seg, k, math.sqrt(u * u + d2))
