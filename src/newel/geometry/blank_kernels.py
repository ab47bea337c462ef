"""Kernels of the blank: sweep cutter pieces through slices of the bar, and subtract them from ray intervals.

The tool axis is square to X, so in the slice at x a convex piece of the cutter is a convex plane figure, a *ring* of
corners. A small step of a move is swept by scanning the rings at a few poses of the step, and the tracks of their
corners between those poses, onto the slice's Y and Z rays, least and greatest crossing each: exact for a straight step
but for the chord tolerance of the ring, and off by the chord of the turn for a turning one.
Lengths inside the scan are in cells of the ray grid, so that ray number j lies at j. Nothing here raises: a slab that
runs out of interval nodes stops before the move and is resumed from it (subtracting twice removes nothing twice).
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numba import config, njit, prange
from numba.core import cgutils
from numba.extending import intrinsic

FAR = 1e30


if config.DISABLE_JIT:

    def _loan(array):
        """Return the array itself."""
        return array

else:

    @intrinsic
    def _loan(typingctx, array):
        """Return the array without a share in its ownership; the owner must outlive it.

        Each pass of an owned array into a function counts owners, with a locked instruction on a counter that all
        threads share: measured at half of the carving's time.
        """

        def codegen(context, builder, sig, args):
            loan = context.make_array(sig.args[0])(context, builder, value=args[0])
            loan.meminfo = cgutils.get_null_value(loan.meminfo.type)
            loan.parent = cgutils.get_null_value(loan.parent.type)
            return loan._getvalue()

        return array(array), codegen


class Grid(NamedTuple):
    """Ray grid: coordinate of ray or slice 0, spacing and count along each axis of the bar frame; rows in a slab and a band."""

    x0: float
    y0: float
    z0: float
    px: float
    py: float
    pz: float
    nx: int
    ny: int
    nz: int
    slab: int
    band: int


class Pool(NamedTuple):
    """Interval nodes, one row of the arrays a slab: node r < rays is the first of ray r, the rest are linked or free."""

    ends: np.ndarray  # (slabs, nodes, 2) float32: low, high; FAR, -FAR where the ray is empty
    links: np.ndarray  # (slabs, nodes, 3) int32: what made the low and the high end; next node of the ray or free list (-1: none)
    free: np.ndarray  # (slabs, 2) int32: first free node, number of free nodes


class Pieces(NamedTuple):
    """Convex pieces of a cutter: each the solid between h = H(r), of lines and arcs with r growing, and its top."""

    seg: np.ndarray  # (segments, 7): r and h where it begins (0, 2) and ends (1, 3), its centre (4, 5) and radius (6; 0: a line)
    first: np.ndarray  # (pieces + 1,) first segment of each piece
    size: np.ndarray  # (pieces, 3): radius, bottom, top
    edges: int  # pieces before this one are edge, the others body


class Moves(NamedTuple):
    """Poses (n + 1, 4), x, y, z, turn in rad, and the tag of each move from a row to the next."""

    poses: np.ndarray
    tags: np.ndarray


class Work(NamedTuple):
    """Working arrays, one row a slab or band, owned by the door."""

    half: np.ndarray  # (2, corners) half figure: u, h
    rings: np.ndarray  # (2, 2, 2 corners + 4) two rings: y, z in cells
    counts: np.ndarray  # (segments,) int64
    shares: np.ndarray  # (64,)
    poses: np.ndarray  # (6, 6): x, y, z, cos turn, sin turn, turn of the step's start, its end, one between; X span and way
    spans: np.ndarray  # (4, rays): Y rays low, high, Z rays low, high, in cells; FAR, -FAR where untouched
    ext: np.ndarray  # (8,) int64: first and last touched Y ray, Z ray; window of Y rays, of Z rays (from, to)
    hits: np.ndarray  # (slices,) int64: cuts of each slice since its reach was measured


class Limits(NamedTuple):
    """How finely to sweep, in mm and rad: ring chord; turn, X advance and length of a small step; X ray samples; slivers."""

    chord: float
    turn: float
    advance: float
    length: float
    spacing: float
    sliver: float


@njit(cache=True, error_model="numpy")
def _cut(ends, links, free, s, ray, from_mm, to_mm, tag, sliver):
    """Subtract [from, to] from a ray; return the length removed."""
    a = np.float32(from_mm)
    b = np.float32(to_mm)
    removed = 0.0
    i = ray
    before = -1
    while i >= 0:
        low = ends[s, i, 0]
        high = ends[s, i, 1]
        if low >= b:
            break
        if high <= a:
            before = i
            i = links[s, i, 2]
            continue
        left = a - low > sliver
        right = high - b > sliver
        if left and right:
            j = free[s, 0]
            free[s, 0] = links[s, j, 2]
            free[s, 1] -= 1
            ends[s, j, 0] = b
            ends[s, j, 1] = high
            links[s, j, 0] = tag
            links[s, j, 1] = links[s, i, 1]
            links[s, j, 2] = links[s, i, 2]
            links[s, i, 2] = j
            ends[s, i, 1] = a
            links[s, i, 1] = tag
            return removed + (np.float64(b) - np.float64(a))
        if left:
            ends[s, i, 1] = a
            links[s, i, 1] = tag
            removed += np.float64(high) - np.float64(a)
            before = i
            i = links[s, i, 2]
        elif right:
            ends[s, i, 0] = b
            links[s, i, 0] = tag
            return removed + (np.float64(b) - np.float64(low))
        else:
            removed += np.float64(high) - np.float64(low)
            i = _drop_node(ends, links, free, s, before, i)
    return removed


@njit(cache=True, error_model="numpy")
def _drop_node(ends, links, free, s, before, i):
    """Take node i out of its ray and return the node that now stands in its place (-1: none)."""
    after = links[s, i, 2]
    gone = i
    if before >= 0:
        links[s, before, 2] = after
    elif after < 0:
        ends[s, i, 0] = FAR
        ends[s, i, 1] = -FAR
        return -1
    else:  # the first node has its fixed place: the next one moves into it
        ends[s, i, 0] = ends[s, after, 0]
        ends[s, i, 1] = ends[s, after, 1]
        links[s, i, 0] = links[s, after, 0]
        links[s, i, 1] = links[s, after, 1]
        links[s, i, 2] = links[s, after, 2]
        gone = after
        after = i
    links[s, gone, 2] = free[s, 0]
    free[s, 0] = gone
    free[s, 1] += 1
    return after


@njit(cache=True, error_model="numpy")
def _overlap(ends, links, s, ray, a, b):
    """Return the longest stretch of material of a ray inside [a, b]."""
    most = 0.0
    i = ray
    while i >= 0:
        low = ends[s, i, 0]
        if low >= b:
            break
        most = max(most, min(np.float64(ends[s, i, 1]), b) - max(np.float64(low), a))
        i = links[s, i, 2]
    return most


@njit(cache=True, error_model="numpy")
def _touches(ends, links, s, ray, a, b):
    """Tell whether a ray has material inside [a, b]."""
    i = ray
    while i >= 0 and ends[s, i, 0] < b:
        if ends[s, i, 1] > a:
            return True
        i = links[s, i, 2]
    return False


@njit(cache=True, error_model="numpy")
def _height(seg, k, r):
    """Return H(r) of segment k."""
    if seg[k, 6] > 0.0:
        d = r - seg[k, 4]
        return seg[k, 5] - math.sqrt(max(0.0, seg[k, 6] * seg[k, 6] - d * d))
    span = seg[k, 1] - seg[k, 0]
    if span <= 0.0:
        return seg[k, 2]
    return seg[k, 2] + (seg[k, 3] - seg[k, 2]) * (r - seg[k, 0]) / span


@njit(cache=True, error_model="numpy")
def _radius(seg, first, size, p, h):
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


@njit(cache=True, error_model="numpy")
def _corners(seg, k, clip, chord):
    """Return how many chords segment k needs when it is cut off at radius `clip`, in any slice."""
    r0 = seg[k, 0]
    r1 = min(seg[k, 1], clip)
    if r1 <= r0:
        return 0
    rad = seg[k, 6]
    if rad > 0.0:
        a0 = math.asin(max(-1.0, min(1.0, (r0 - seg[k, 4]) / rad)))
        a1 = math.asin(max(-1.0, min(1.0, (r1 - seg[k, 4]) / rad)))
        return 1 + int((a1 - a0) / math.sqrt(8.0 * chord / rad))
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
            n += _corners(pieces.seg, k, pieces.size[p, 0], chord)
        most = max(most, n)
    return most


@njit(cache=True, error_model="numpy")
def _figure(seg, first, p, counts, clip, dx, half):
    """Write the right half of the slice at dx from the axis, from its lowest point outwards; return its corners (0: no slice)."""
    dx = abs(dx)
    if dx >= clip:
        return 0
    n = 1
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


@njit(cache=True, error_model="numpy")
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
    for i in range(m):
        sine, cosine = sine * cd + cosine * sd, cosine * cd - sine * sd
        u = u1 if i == m - 1 else full * sine
        half[0, n + i] = u
        half[1, n + i] = _height(seg, k, math.sqrt(u * u + d2))


@njit(cache=True, error_model="numpy")
def _line_corners(seg, k, m, d2, u0, u1, half, n):
    """Corners along the slice of a cone, spaced as u = a sinh t, which is even on its hyperbola."""
    a = max(math.sqrt(d2), 0.02 * seg[k, 1])
    t0 = math.asinh(u0 / a)
    step = (math.asinh(u1 / a) - t0) / m
    for i in range(m):
        u = u1 if i == m - 1 else a * math.sinh(t0 + step * (i + 1))
        half[0, n + i] = u
        half[1, n + i] = _height(seg, k, math.sqrt(u * u + d2))


@njit(cache=True, error_model="numpy")
def _ring(half, n, top, ways, grid, rings, q):
    """Stand the figure at the pose ways[2] and write its ring in cells of the bar frame; return its corners."""
    c = ways[2, 3]
    s = ways[2, 4]
    cy = (ways[2, 1] * c + ways[2, 2] * s - grid.y0) / grid.py
    cz = (ways[2, 2] * c - ways[2, 1] * s - grid.z0) / grid.pz
    for i in range(n + 1):
        u = half[0, min(i, n - 1)]
        h = half[1, i] if i < n else top
        hy = h * s / grid.py
        hz = h * c / grid.pz
        uy = u * c / grid.py
        uz = u * s / grid.pz
        rings[q, 0, n - i] = cy - uy + hy  # left half: corner n - i, its lowest point at n
        rings[q, 1, n - i] = cz + uz + hz
        rings[q, 0, n + 1 + i] = cy + uy + hy
        rings[q, 1, n + 1 + i] = cz - uz + hz
    return 2 * (n + 1)


@njit(cache=True, error_model="numpy")
def _scan(ay, az, by, bz, spans, ext):
    """Widen the spans of the rays that a line from a to b crosses; spans rows: Y rays low, high, Z rays low, high."""
    if az > bz:
        ay, az, by, bz = by, bz, ay, az
    j0 = max(int(math.ceil(az)), ext[4])
    j1 = min(int(math.floor(bz)), ext[5] - 1)
    if j0 <= j1:
        slope = (by - ay) / (bz - az) if bz > az else 0.0
        at = ay + (j0 - az) * slope
        for j in range(j0, j1 + 1):
            spans[0, j] = min(spans[0, j], at)
            spans[1, j] = max(spans[1, j], at)
            at += slope
        if bz == az:
            spans[0, j0] = min(spans[0, j0], by)
            spans[1, j0] = max(spans[1, j0], by)
        ext[0] = min(ext[0], j0)
        ext[1] = max(ext[1], j1)
    if ay > by:
        ay, az, by, bz = by, bz, ay, az
    j0 = max(int(math.ceil(ay)), ext[6])
    j1 = min(int(math.floor(by)), ext[7] - 1)
    if j0 <= j1:
        slope = (bz - az) / (by - ay) if by > ay else 0.0
        at = az + (j0 - ay) * slope
        for j in range(j0, j1 + 1):
            spans[2, j] = min(spans[2, j], at)
            spans[3, j] = max(spans[3, j], at)
            at += slope
        if by == ay:
            spans[2, j0] = min(spans[2, j0], bz)
            spans[3, j0] = max(spans[3, j0], bz)
        ext[2] = min(ext[2], j0)
        ext[3] = max(ext[3], j1)


@njit(cache=True, error_model="numpy")
def _scan_ring(rings, q, size, spans, ext):
    """Scan a ring that stands alone."""
    last = size - 1
    for i in range(size):
        _scan(rings[q, 0, last], rings[q, 1, last], rings[q, 0, i], rings[q, 1, i], spans, ext)
        last = i


@njit(cache=True, error_model="numpy")
def _scan_pair(rings, q, size, spans, ext):
    """Scan what two poses of a ring sweep: the back of ring 1 - q, the front of ring q, and the tracks of the corners between the two.

    Rings run anticlockwise, so a corner's motion m leaves through edge e where m x e > 0.
    """
    last = size - 1
    my = rings[q, 0, last] - rings[1 - q, 0, last]
    mz = rings[q, 1, last] - rings[1 - q, 1, last]
    low0 = 0.0
    high0 = 0.0
    low = 0.0
    high = 0.0
    for i in range(size + 1):
        k = i if i < size else 0
        ny = rings[q, 0, k] - rings[1 - q, 0, k]
        nz = rings[q, 1, k] - rings[1 - q, 1, k]
        ay = rings[1 - q, 0, k] - rings[1 - q, 0, last]
        az = rings[1 - q, 1, k] - rings[1 - q, 1, last]
        by = rings[q, 0, k] - rings[q, 0, last]
        bz = rings[q, 1, k] - rings[q, 1, last]
        a0 = my * az - mz * ay
        a1 = ny * az - nz * ay
        b0 = my * bz - mz * by
        b1 = ny * bz - nz * by
        if i < size:
            if min(a0, a1) <= 1e-9:
                _scan(rings[1 - q, 0, last], rings[1 - q, 1, last], rings[1 - q, 0, k], rings[1 - q, 1, k], spans, ext)
            if max(b0, b1) >= -1e-9:
                _scan(rings[q, 0, last], rings[q, 1, last], rings[q, 0, k], rings[q, 1, k], spans, ext)
        # the corner between the edge before and this one: its track bounds the sweep where the two face opposite ways
        low = min(a0, b0)
        high = max(a0, b0)
        if i > 0 and not (min(low, low0) > 1e-9 or max(high, high0) < -1e-9):
            _scan(rings[1 - q, 0, last], rings[1 - q, 1, last], rings[q, 0, last], rings[q, 1, last], spans, ext)
        low0 = min(a1, b1)
        high0 = max(a1, b1)
        last = k
        my = ny
        mz = nz


@njit(cache=True, error_model="numpy")
def _pose_at(ways, t, straight):
    """Write into ways[2] the pose at share t of the step from ways[0] to ways[1]."""
    for k in range(6):
        ways[2, k] = ways[0, k] + t * (ways[1, k] - ways[0, k])
    if not straight and 0.0 < t < 1.0:
        ways[2, 3] = math.cos(ways[2, 5])
        ways[2, 4] = math.sin(ways[2, 5])


@njit(cache=True, error_model="numpy")
def _step_pose(poses, i, t, out, k):
    """Write into out[k] the pose at share t of move i (from row i to row i + 1 of `poses`: x, y, z, turn in rad)."""
    for j in range(3):
        out[k, j] = poses[i, j] + t * (poses[i + 1, j] - poses[i, j])
    out[k, 5] = poses[i, 3] + t * (poses[i + 1, 3] - poses[i, 3])
    out[k, 3] = math.cos(out[k, 5])
    out[k, 4] = math.sin(out[k, 5])


@njit(cache=True, error_model="numpy")
def _steps(poses, i, limits):
    """Return into how many small steps move i is split."""
    dx = abs(poses[i + 1, 0] - poses[i, 0])
    dy = poses[i + 1, 1] - poses[i, 1]
    dz = poses[i + 1, 2] - poses[i, 2]
    turn = abs(poses[i + 1, 3] - poses[i, 3])
    n = math.sqrt(dx * dx + dy * dy + dz * dz) / limits.length
    if turn > 0.0:
        n = max(n, max(turn / limits.turn, dx / limits.advance))
    return max(1, int(math.ceil(n - 1e-9)))


@njit(cache=True, error_model="numpy")
def _contact_reach(seg, first, p, slope):
    """Return how far ahead of its axis a piece touches the floor that it leaves when it climbs at this slope (dz / way)."""
    if slope == 0.0:
        return 0.0
    m = abs(slope)
    r = 0.0
    for k in range(first[p], first[p + 1]):
        if seg[k, 6] > 0.0:
            reach = seg[k, 4] + seg[k, 6] * m / math.sqrt(1.0 + m * m)
            r = max(r, min(seg[k, 1], reach))
            if reach < seg[k, 1]:
                break
        elif (seg[k, 3] - seg[k, 2]) < m * (seg[k, 1] - seg[k, 0]):
            r = seg[k, 1]
        else:
            break
    return r if slope > 0.0 else -r


@njit(cache=True, error_model="numpy")
def _shares(seg, first, size, p, ways, x, clip, straight, limits, out):
    """Write the shares t of the step at which the piece is sliced; return their number (0: nothing new in this slice).

    The step's start was cut by the row before, so a slice that only its start reaches is skipped. A straight step along X
    touches its floor between the foot (axis in the slice) and the contact ahead of it; else all the way in the slice
    counts. Shares are even in the angle at which the slice sees the axis, so that none is missed where it enters.
    """
    dx = ways[1, 0] - ways[0, 0]
    dy = ways[1, 1] - ways[0, 1]
    dz = ways[1, 2] - ways[0, 2]
    if abs(dx) < 1e-9:
        if abs(x - ways[0, 0]) >= clip:
            return 0
        out[0] = 0.0
        out[1] = 1.0
        return 1 if (straight and dy == 0.0 and dz == 0.0) else 2
    foot = (x - ways[0, 0]) / dx
    width = clip / abs(dx) * (1.0 - 1e-9)
    if straight and abs(dy) < 1e-3 * abs(dx):
        touch = _contact_reach(seg, first, p, dz / abs(dx))
        unit = max(-width, min(width, touch / abs(dx)))
        low = min(0.0, -unit)
        high = max(0.0, -unit)
        n = math.sqrt(abs(dz * unit) / (8.0 * limits.chord))  # the touched points run over an ellipse, dz * unit high
    else:
        unit = width
        low = -width
        high = width
        n = math.sqrt(clip / (8.0 * limits.chord)) if straight else 0.0
    t0 = min(1.0, max(0.0, foot + low))
    t1 = min(1.0, max(0.0, foot + high))
    if t1 <= 0.0 or foot - width >= 1.0 or foot + width <= 0.0:
        return 0
    if t1 - t0 < 1e-9:
        out[0] = t1
        return 1
    p0 = math.asin(max(-1.0, min(1.0, (t0 - foot) / abs(unit))))
    p1 = math.asin(max(-1.0, min(1.0, (t1 - foot) / abs(unit))))
    count = min(2 + int((p1 - p0) * n), len(out) - 1)
    m = 0
    for j in range(count):
        t = t0 if j == 0 else (t1 if j == count - 1 else foot + abs(unit) * math.sin(p0 + (p1 - p0) * j / (count - 1)))
        if m > 0 and out[m - 1] < foot < t:
            out[m] = foot
            m += 1
        out[m] = t
        m += 1
    return m


@njit(cache=True, error_model="numpy")
def _sweep(seg, first, size, p, ways, x, reach, straight, grid, limits, half, rings, counts, shares, spans, ext):
    """Scan a piece's step from a to b in the slice at x onto the spans; True if any ray may be touched."""
    clip_h = reach - min(ways[0, 2], ways[1, 2])
    if size[p, 1] >= clip_h:
        return False
    top = min(size[p, 2], clip_h)
    clip = _radius(seg, first, size, p, top)
    for k in range(first[p], first[p + 1]):
        counts[k - first[p]] = _corners(seg, k, clip, limits.chord)
    asked = _shares(seg, first, size, p, ways, x, clip, straight, limits, shares)
    corners = 0
    paired = False
    for j in range(asked):
        _pose_at(ways, shares[j], straight)
        n = _figure(seg, first, p, counts, clip, x - ways[2, 0], half)
        if n == 0:
            if corners > 0 and not paired:
                _scan_ring(rings, 1 - j % 2, corners, spans, ext)
            corners = 0
            continue
        before = corners
        corners = _ring(half, n, top, ways, grid, rings, j % 2)
        paired = before == corners
        if paired:
            _scan_pair(rings, j % 2, corners, spans, ext)
        elif j == asked - 1:
            _scan_ring(rings, j % 2, corners, spans, ext)
    return ext[0] <= ext[1] or ext[2] <= ext[3]


@njit(cache=True, error_model="numpy")
def _lend_work(work, grid, s):
    """Return slab s's own working arrays, on loan, with the scan cleared."""
    spans = _loan(work.spans[s])
    spans[0::2] = FAR
    spans[1::2] = -FAR
    ext = _loan(work.ext[s])
    ext[0] = grid.nz
    ext[1] = -1
    ext[2] = grid.ny
    ext[3] = -1
    half = _loan(work.half[s])
    rings = _loan(work.rings[s])
    counts = _loan(work.counts[s])
    return half, rings, counts, _loan(work.shares[s]), _loan(work.poses[s]), spans, ext, _loan(work.hits[s])


@njit(cache=True, error_model="numpy")
def _lend(pool, pieces):
    """Return nodes and pieces on loan."""
    nodes = Pool(_loan(pool.ends), _loan(pool.links), _loan(pool.free))
    return nodes, Pieces(_loan(pieces.seg), _loan(pieces.first), _loan(pieces.size), pieces.edges)


@njit(cache=True, error_model="numpy")
def _clear_spans(spans, ext, grid):
    """Forget the last scan."""
    for j in range(ext[0], ext[1] + 1):
        spans[0, j] = FAR
        spans[1, j] = -FAR
    for j in range(ext[2], ext[3] + 1):
        spans[2, j] = FAR
        spans[3, j] = -FAR
    ext[0] = grid.nz
    ext[1] = -1
    ext[2] = grid.ny
    ext[3] = -1


@njit(cache=True, error_model="numpy")
def _cut_slice(ends, links, free, s, base, spans, ext, grid, tag, sliver):
    """Subtract the spans from a slice's rays; return the volume removed, the mean of what Y and Z rays say."""
    y = 0.0
    for j in range(ext[0], ext[1] + 1):
        y += _cut(ends, links, free, s, base + j, grid.y0 + spans[0, j] * grid.py, grid.y0 + spans[1, j] * grid.py, tag, sliver)
    z = 0.0
    base += grid.nz
    for j in range(ext[2], ext[3] + 1):
        z += _cut(ends, links, free, s, base + j, grid.z0 + spans[2, j] * grid.pz, grid.z0 + spans[3, j] * grid.pz, tag, sliver)
    return 0.5 * grid.px * (y * grid.pz + z * grid.py)


@njit(cache=True, error_model="numpy")
def _strike_slice(ends, links, s, base, spans, ext, grid):
    """Return how deep the spans lie in material: the lesser of the longest overlaps along Y and Z rays (if both see any)."""
    y = 0.0
    for j in range(ext[0], ext[1] + 1):
        y = max(y, _overlap(ends, links, s, base + j, grid.y0 + spans[0, j] * grid.py, grid.y0 + spans[1, j] * grid.py))
    z = 0.0
    base += grid.nz
    for j in range(ext[2], ext[3] + 1):
        z = max(z, _overlap(ends, links, s, base + j, grid.z0 + spans[2, j] * grid.pz, grid.z0 + spans[3, j] * grid.pz))
    return min(y, z) if (y > 0.0 and z > 0.0) else max(y, z)


@njit(cache=True, error_model="numpy")
def _slice_reach(ends, links, s, base, grid):
    """Return the largest radius that the material of a slice can have, half a cell allowed on either side of each ray."""
    most = 0.0
    for j in range(grid.nz + grid.ny):
        at = abs(grid.z0 + j * grid.pz) + 0.5 * grid.pz if j < grid.nz else abs(grid.y0 + (j - grid.nz) * grid.py) + 0.5 * grid.py
        low = ends[s, base + j, 0]
        if low > 0.5 * FAR:
            continue
        i = base + j
        high = ends[s, i, 1]
        while links[s, i, 2] >= 0:
            i = links[s, i, 2]
            high = ends[s, i, 1]
        far = max(abs(np.float64(low)), abs(np.float64(high)))
        most = max(most, at * at + far * far)
    return math.sqrt(most)


@njit(cache=True, error_model="numpy")
def _move_in_slab(pool, s, grid, pieces, poses, i, tag, limits, reach, work, removed, struck):
    """Carve move i in slab s, adding to removed[i] and struck[i]; 0 done, 1 out of nodes."""
    size = pieces.size
    first = s * grid.slab
    last = min(grid.nx, first + grid.slab)
    far = 0.0
    for k in range(first, last):
        far = max(far, reach[k])
    low_z = min(poses[i, 2], poses[i + 1, 2])
    low_x = min(poses[i, 0], poses[i + 1, 0]) - (grid.x0 + (last - 1) * grid.px)
    high_x = (grid.x0 + first * grid.px) - max(poses[i, 0], poses[i + 1, 0])
    aside = min(abs(poses[i, 1]), abs(poses[i + 1, 1])) if poses[i, 1] * poses[i + 1, 1] > 0.0 else 0.0
    near = False
    for p in range(len(size)):
        r = size[p, 0]
        near |= low_z + size[p, 1] < far and low_x < r and high_x < r and aside < far + r
    if not near:
        return 0
    straight = poses[i, 3] == poses[i + 1, 3]
    steps = _steps(poses, i, limits)
    ends = work[4]
    for step in range(steps):
        _step_pose(poses, i, step / steps, ends, 0)
        _step_pose(poses, i, (step + 1) / steps, ends, 1)
        if min(ends[0, 2], ends[1, 2]) >= far:
            continue
        if not _step_in_slab(pool, s, grid, pieces, straight, i, tag, limits, reach, work, removed, struck):
            return 1
    return 0


@njit(cache=True, error_model="numpy")
def _step_in_slab(pool, s, grid, pieces, straight, i, tag, limits, reach, work, removed, struck):
    """Carve one small step in slab s: edge pieces first, then the body where it reaches; False where nodes run out."""
    ends, links, free = pool
    seg, first, size, edges = pieces
    half, rings, counts, shares, ways, spans, ext, hits = work
    low_z = min(ways[0, 2], ways[1, 2])
    for p in range(len(size)):
        r = size[p, 0]
        k0 = max(s * grid.slab, int(math.ceil((min(ways[0, 0], ways[1, 0]) - r - grid.x0) / grid.px)))
        k1 = min(min(grid.nx, (s + 1) * grid.slab) - 1, int(math.floor((max(ways[0, 0], ways[1, 0]) + r - grid.x0) / grid.px)))
        for k in range(k0, k1 + 1):
            if low_z + size[p, 1] >= reach[k]:
                continue
            if free[s, 1] < grid.ny + grid.nz:
                return False
            base = (k - s * grid.slab) * (grid.ny + grid.nz)
            if _sweep(seg, first, size, p, ways, grid.x0 + k * grid.px, reach[k], straight, grid, limits,
                      half, rings, counts, shares, spans, ext):  # fmt: skip
                if p < edges:
                    gone = _cut_slice(ends, links, free, s, base, spans, ext, grid, tag, limits.sliver)
                    if gone > 0.0:
                        removed[i] += gone
                        hits[k - s * grid.slab] += 1
                        if hits[k - s * grid.slab] >= 32:
                            hits[k - s * grid.slab] = 0
                            reach[k] = _slice_reach(ends, links, s, base, grid)
                else:
                    struck[i] = max(struck[i], _strike_slice(ends, links, s, base, spans, ext, grid))
            _clear_spans(spans, ext, grid)
    return True


@njit(cache=True, error_model="numpy", parallel=True)
def carve_slabs(pool, grid, pieces, moves, limits, reach, order, start, removed, struck, work):
    """Carve all moves in every slab; a slab out of nodes stops with its move in `start` (else the number of moves)."""
    n = len(moves.tags)
    for turn in prange(len(order)):
        s = order[turn]
        nodes, shape = _lend(pool, pieces)
        lent = _lend_work(work, grid, s)
        poses = _loan(moves.poses)
        tags = _loan(moves.tags)
        far = _loan(reach)
        gone = _loan(removed[s])
        hit = _loan(struck[s])
        at = start[s]
        while at < n:
            if _move_in_slab(nodes, s, grid, shape, poses, at, tags[at], limits, far, lent, gone, hit) == 1:
                break
            at += 1
        start[s] = at
        for k in range(min(grid.slab, grid.nx - s * grid.slab)):
            if lent[7][k] > 0:
                lent[7][k] = 0
                far[s * grid.slab + k] = _slice_reach(nodes.ends, nodes.links, s, k * (grid.ny + grid.nz), grid)


@njit(cache=True, error_model="numpy")
def _widen(seg, first, size, p, ways, t):
    """Widen an X span by what piece p covers of the ray at share t of the step; return rho^2 - u^2 there."""
    u = ways[5, 0] + t * (ways[5, 2] - ways[5, 0])
    r = _radius(seg, first, size, p, ways[5, 1] + t * (ways[5, 3] - ways[5, 1]))
    square = r * r - u * u
    if r > 0.0 and square > 0.0:
        w = math.sqrt(square)
        x = ways[0, 0] + t * (ways[1, 0] - ways[0, 0])
        ways[4, 0] = min(ways[4, 0], x - w)
        ways[4, 1] = max(ways[4, 1], x + w)
    return square if r > 0.0 else -FAR


@njit(cache=True, error_model="numpy")
def _cut_x_ray(ends, links, free, s, ray, seg, first, size, p, ways, y, z, tag, limits):
    """Subtract from the X ray at (y, z) what piece p sweeps on it in the step from a to b.

    In the tool's frame the ray runs straight from (ua, va) to (ub, vb); rho(v)^2 - u^2 is a parabola of the share on
    walls, cones and balls, so three shares and the parabola's top find the widest place.
    """
    ways[5, 0] = y * ways[0, 3] - z * ways[0, 4] - ways[0, 1]
    ways[5, 1] = y * ways[0, 4] + z * ways[0, 3] - ways[0, 2]
    ways[5, 2] = y * ways[1, 3] - z * ways[1, 4] - ways[1, 1]
    ways[5, 3] = y * ways[1, 4] + z * ways[1, 3] - ways[1, 2]
    around = ways[0, 0] == ways[1, 0]
    low = min(ways[5, 1], ways[5, 3])
    high = max(ways[5, 1], ways[5, 3])
    wall = low >= seg[first[p + 1] - 1, 3] and high <= size[p, 2]
    if around and ways[5, 0] * ways[5, 2] >= 0.0 and abs(ways[5, 2]) >= abs(ways[5, 0]):
        if wall or (ways[5, 1] <= size[p, 2] and ways[5, 3] <= ways[5, 1]):
            return  # behind the cutter: the step's start, which is cut already, was as wide here
    aside = 0.0 if ways[5, 0] * ways[5, 2] <= 0.0 else min(abs(ways[5, 0]), abs(ways[5, 2]))
    r = size[p, 0] if wall else _radius(seg, first, size, p, min(high, size[p, 2]))
    if r <= aside:
        return
    most = math.sqrt(r * r - aside * aside)
    from_x = min(ways[0, 0], ways[1, 0]) - most
    to_x = max(ways[0, 0], ways[1, 0]) + most
    if not _touches(ends, links, s, ray, from_x + limits.sliver, to_x - limits.sliver):
        return
    if around and wall:
        _cut(ends, links, free, s, ray, from_x, to_x, tag, limits.sliver)
        return
    ways[4, 0] = FAR
    ways[4, 1] = -FAR
    g0 = _widen(seg, first, size, p, ways, 0.0)
    if ways[5, 0] == ways[5, 2] and ways[5, 1] == ways[5, 3]:
        _widen(seg, first, size, p, ways, 1.0)
    else:
        g1 = _widen(seg, first, size, p, ways, 0.5)
        g2 = _widen(seg, first, size, p, ways, 1.0)
        bend = g0 - 2.0 * g1 + g2
        if min(g0, min(g1, g2)) <= -0.5 * FAR:  # the tip or the top passes by: no parabola
            n = 2 + int(math.hypot(ways[5, 2] - ways[5, 0], ways[5, 3] - ways[5, 1]) / limits.spacing)
            for j in range(n):
                _widen(seg, first, size, p, ways, (j + 0.5) / n)
        elif bend < 0.0:
            _widen(seg, first, size, p, ways, min(1.0, max(0.0, 0.5 + 0.25 * (g0 - g2) / bend)))
    if ways[4, 1] > ways[4, 0]:
        _cut(ends, links, free, s, ray, ways[4, 0], ways[4, 1], tag, limits.sliver)


@njit(cache=True, error_model="numpy")
def _move_in_band(pool, s, grid, pieces, poses, i, tag, limits, reach, work):
    """Carve the edge's move i out of the X rays of band s (rows of equal y); 0 done, 1 out of nodes."""
    ends, links, free = pool
    seg, first, size, edges = pieces
    half, rings, counts, shares, ways, spans, ext, hits = work
    straight = poses[i, 3] == poses[i + 1, 3]
    steps = _steps(poses, i, limits)
    for step in range(steps):
        _step_pose(poses, i, step / steps, ways, 0)
        _step_pose(poses, i, (step + 1) / steps, ways, 1)
        for p in range(edges):
            a0 = ways[0, 0]
            b0 = ways[1, 0]
            ways[0, 0] = 0.0  # the widest figure, in the plane of the axis
            ways[1, 0] = 0.0
            some = _sweep(seg, first, size, p, ways, 0.0, reach, straight, grid, limits,
                          half, rings, counts, shares, spans, ext)  # fmt: skip
            ways[0, 0] = a0
            ways[1, 0] = b0
            for j in range(ext[2], ext[3] + 1):
                if not some or free[s, 1] < grid.nz:
                    break
                y = grid.y0 + j * grid.py
                base = (j - s * grid.band) * grid.nz
                k0 = max(0, int(math.ceil(spans[2, j])))
                for k in range(k0, min(grid.nz - 1, int(math.floor(spans[3, j]))) + 1):
                    if ends[s, base + k, 0] < FAR:
                        _cut_x_ray(ends, links, free, s, base + k, seg, first, size, p, ways, y, grid.z0 + k * grid.pz, tag, limits)
            _clear_spans(spans, ext, grid)
            if free[s, 1] < grid.nz:
                return 1
    return 0


@njit(cache=True, error_model="numpy", parallel=True)
def carve_bands(pool, grid, pieces, moves, limits, boxes, order, start, work):
    """Carve all moves out of the X rays, band by band; `boxes` (n, 3) holds each move's reach and Y extent in cells."""
    n = len(moves.tags)
    for turn in prange(len(order)):
        s = order[turn]
        nodes, shape = _lend(pool, pieces)
        lent = _lend_work(work, grid, s)
        poses = _loan(moves.poses)
        tags = _loan(moves.tags)
        box = _loan(boxes)
        low = s * grid.band
        high = min(grid.ny, low + grid.band)
        lent[6][5] = 0  # only the rows of this band are scanned
        lent[6][6] = low
        lent[6][7] = high
        at = start[s]
        while at < n:
            if box[at, 1] <= high and box[at, 2] >= low:
                if _move_in_band(nodes, s, grid, shape, poses, at, tags[at], limits, box[at, 0], lent) == 1:
                    break
            at += 1
        start[s] = at


@njit(cache=True, error_model="numpy")
def move_boxes(pieces, grid, poses, limits, reach, boxes):
    """Write each move's reach (largest material radius in its X window) and the Y extent of its edge, in cells."""
    r = 0.0
    for p in range(pieces.edges):
        r = max(r, pieces.size[p, 0])
    pose = np.empty((1, 6))
    for i in range(len(boxes)):
        k0 = max(0, int(math.floor((min(poses[i, 0], poses[i + 1, 0]) - r - grid.x0) / grid.px)))
        k1 = min(grid.nx - 1, int(math.ceil((max(poses[i, 0], poses[i + 1, 0]) + r - grid.x0) / grid.px)))
        far = 0.0
        for k in range(k0, k1 + 1):
            far = max(far, reach[k])
        boxes[i, 0] = far
        boxes[i, 1] = FAR
        boxes[i, 2] = -FAR
        if min(poses[i, 2], poses[i + 1, 2]) >= far:
            continue
        steps = _steps(poses, i, limits)
        for step in range(steps + 1):
            _step_pose(poses, i, step / steps, pose, 0)
            side = r * abs(pose[0, 3])
            for z in (pose[0, 2], far):
                y = (pose[0, 1] * pose[0, 3] + z * pose[0, 4] - grid.y0) / grid.py
                boxes[i, 1] = min(boxes[i, 1], y - side / grid.py - 1.0)
                boxes[i, 2] = max(boxes[i, 2], y + side / grid.py + 1.0)


@njit(cache=True, error_model="numpy", parallel=True)
def slice_reaches(pool, grid, slabs, out):
    """Write the largest radius of the material of each slice, half a cell allowed."""
    for s in prange(slabs):
        for k in range(min(grid.slab, grid.nx - s * grid.slab)):
            out[s * grid.slab + k] = _slice_reach(pool.ends, pool.links, s, k * (grid.ny + grid.nz), grid)
