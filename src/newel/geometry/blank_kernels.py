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
from numba import njit, prange

FAR = 1e30


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

    lo: np.ndarray  # (slabs, nodes) float32; FAR where the ray is empty
    hi: np.ndarray
    tag_lo: np.ndarray  # (slabs, nodes) int32: what made each end
    tag_hi: np.ndarray
    nxt: np.ndarray  # (slabs, nodes) int32: next node of the ray, or of the free list; -1 ends it
    free: np.ndarray  # (slabs, 2) int32: first free node, number of free nodes


class Pieces(NamedTuple):
    """Convex pieces of a cutter: each the solid between h = H(r), of lines and arcs with r growing, and its top."""

    r0: np.ndarray  # of each segment
    r1: np.ndarray
    h0: np.ndarray
    h1: np.ndarray
    cr: np.ndarray
    ch: np.ndarray
    rad: np.ndarray  # radius of an arc, 0 for a line
    first: np.ndarray  # (pieces + 1,) first segment of each piece
    radius: np.ndarray  # (pieces,)
    bottom: np.ndarray
    top: np.ndarray
    edges: int  # pieces before this one are edge, the others body


class Limits(NamedTuple):
    """How finely to sweep, in mm and rad: ring chord; turn, X advance and length of a small step; X ray samples; slivers."""

    chord: float
    turn: float
    advance: float
    length: float
    spacing: float
    sliver: float


@njit(cache=True, error_model="numpy", forceinline=True)
def _cut(pool, s, ray, from_mm, to_mm, tag, sliver):
    """Subtract [from, to] from a ray; return the length removed."""
    a = np.float32(from_mm)
    b = np.float32(to_mm)
    removed = 0.0
    i = ray
    before = -1
    while i >= 0:
        low = pool.lo[s, i]
        high = pool.hi[s, i]
        if low >= b:
            break
        if high <= a:
            before = i
            i = pool.nxt[s, i]
            continue
        left = a - low > sliver
        right = high - b > sliver
        if left and right:
            j = pool.free[s, 0]
            pool.free[s, 0] = pool.nxt[s, j]
            pool.free[s, 1] -= 1
            pool.lo[s, j] = b
            pool.hi[s, j] = high
            pool.tag_lo[s, j] = tag
            pool.tag_hi[s, j] = pool.tag_hi[s, i]
            pool.nxt[s, j] = pool.nxt[s, i]
            pool.nxt[s, i] = j
            pool.hi[s, i] = a
            pool.tag_hi[s, i] = tag
            return removed + (np.float64(b) - np.float64(a))
        if left:
            pool.hi[s, i] = a
            pool.tag_hi[s, i] = tag
            removed += np.float64(high) - np.float64(a)
            before = i
            i = pool.nxt[s, i]
        elif right:
            pool.lo[s, i] = b
            pool.tag_lo[s, i] = tag
            return removed + (np.float64(b) - np.float64(low))
        else:
            removed += np.float64(high) - np.float64(low)
            i = _drop_node(pool, s, before, i)
    return removed


@njit(cache=True, error_model="numpy")
def _drop_node(pool, s, before, i):
    """Take node i out of its ray and return the node that now stands in its place (-1: none)."""
    after = pool.nxt[s, i]
    gone = i
    if before >= 0:
        pool.nxt[s, before] = after
    elif after < 0:
        pool.lo[s, i] = FAR
        pool.hi[s, i] = -FAR
        return -1
    else:  # the first node has its fixed place: the next one moves into it
        pool.lo[s, i] = pool.lo[s, after]
        pool.hi[s, i] = pool.hi[s, after]
        pool.tag_lo[s, i] = pool.tag_lo[s, after]
        pool.tag_hi[s, i] = pool.tag_hi[s, after]
        pool.nxt[s, i] = pool.nxt[s, after]
        gone = after
        after = i
    pool.nxt[s, gone] = pool.free[s, 0]
    pool.free[s, 0] = gone
    pool.free[s, 1] += 1
    return after


@njit(cache=True, error_model="numpy", forceinline=True)
def _overlap(pool, s, ray, a, b):
    """Return the longest stretch of material of a ray inside [a, b]."""
    most = 0.0
    i = ray
    while i >= 0:
        low = pool.lo[s, i]
        if low >= b:
            break
        most = max(most, min(np.float64(pool.hi[s, i]), b) - max(np.float64(low), a))
        i = pool.nxt[s, i]
    return most


@njit(cache=True, error_model="numpy", forceinline=True)
def _touches(pool, s, ray, a, b):
    """Tell whether a ray has material inside [a, b]."""
    i = ray
    while i >= 0 and pool.lo[s, i] < b:
        if pool.hi[s, i] > a:
            return True
        i = pool.nxt[s, i]
    return False


@njit(cache=True, error_model="numpy", forceinline=True)
def _height(pieces, k, r):
    """Return H(r) of segment k."""
    if pieces.rad[k] > 0.0:
        d = r - pieces.cr[k]
        return pieces.ch[k] - math.sqrt(max(0.0, pieces.rad[k] * pieces.rad[k] - d * d))
    span = pieces.r1[k] - pieces.r0[k]
    if span <= 0.0:
        return pieces.h0[k]
    return pieces.h0[k] + (pieces.h1[k] - pieces.h0[k]) * (r - pieces.r0[k]) / span


@njit(cache=True, error_model="numpy", forceinline=True)
def _radius(pieces, p, h):
    """Return the largest radius of piece p at height h above the tip (negative: none)."""
    if h < pieces.bottom[p] or h > pieces.top[p]:
        return -1.0
    r = 0.0
    for k in range(pieces.first[p], pieces.first[p + 1]):
        if h >= pieces.h1[k]:
            r = pieces.r1[k]
            continue
        if h > pieces.h0[k]:
            if pieces.rad[k] > 0.0:
                d = pieces.ch[k] - h
                r = pieces.cr[k] + math.sqrt(max(0.0, pieces.rad[k] * pieces.rad[k] - d * d))
            else:
                r = pieces.r0[k] + (pieces.r1[k] - pieces.r0[k]) * (h - pieces.h0[k]) / (pieces.h1[k] - pieces.h0[k])
        break
    return r


@njit(cache=True, error_model="numpy")
def _corners(pieces, k, clip, chord):
    """Return how many chords segment k needs when it is cut off at radius `clip`, in any slice."""
    r0 = pieces.r0[k]
    r1 = min(pieces.r1[k], clip)
    if r1 <= r0:
        return 0
    rad = pieces.rad[k]
    if rad > 0.0:
        a0 = math.asin(max(-1.0, min(1.0, (r0 - pieces.cr[k]) / rad)))
        a1 = math.asin(max(-1.0, min(1.0, (r1 - pieces.cr[k]) / rad)))
        return 1 + int((a1 - a0) / math.sqrt(8.0 * chord / rad))
    rise = pieces.h1[k] - pieces.h0[k]
    if rise <= 0.0:
        return 1
    # a slice of a cone is a hyperbola u = a sinh t; its chords fall short by 1.1 r1 (rise / slant) / (8 n^2) at most
    return 1 + int(math.sqrt(1.1 * r1 * rise / math.hypot(rise, pieces.r1[k] - pieces.r0[k]) / (8.0 * chord)))


@njit(cache=True, error_model="numpy")
def most_corners(pieces, chord):
    """Return the corners that the half figure of the largest piece can have."""
    most = 0
    for p in range(len(pieces.radius)):
        n = 2
        for k in range(pieces.first[p], pieces.first[p + 1]):
            n += _corners(pieces, k, pieces.radius[p], chord)
        most = max(most, n)
    return most


@njit(cache=True, error_model="numpy")
def _figure(pieces, p, counts, clip, dx, us, hs):
    """Write the right half of the slice at dx from the axis, from its lowest point outwards; return its corners (0: no slice)."""
    dx = abs(dx)
    if dx >= clip:
        return 0
    n = 1
    d2 = dx * dx
    for k in range(pieces.first[p], pieces.first[p + 1]):
        m = counts[k - pieces.first[p]]
        if m == 0:
            break
        r0 = pieces.r0[k]
        r1 = min(pieces.r1[k], clip)
        if r1 <= dx:
            n += m  # filled in below, with the lowest point
            continue
        if r0 <= dx:
            us[:n] = 0.0
            hs[:n] = _height(pieces, k, dx)
        u0 = math.sqrt(max(0.0, r0 * r0 - d2))
        u1 = math.sqrt(max(0.0, r1 * r1 - d2))
        if pieces.rad[k] > 0.0:
            _arc_corners(pieces, k, m, d2, u0, u1, us[n : n + m], hs[n : n + m])
        else:
            _line_corners(pieces, k, m, d2, u0, u1, us[n : n + m], hs[n : n + m])
        n += m
    return n


@njit(cache=True, error_model="numpy", forceinline=True)
def _arc_corners(pieces, k, m, d2, u0, u1, us, hs):
    """Corners along the slice of an arc, spaced as u = U sin t, which is even on a ball."""
    out = pieces.cr[k] + pieces.rad[k]
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
        us[i] = u
        hs[i] = _height(pieces, k, math.sqrt(u * u + d2))


@njit(cache=True, error_model="numpy", forceinline=True)
def _line_corners(pieces, k, m, d2, u0, u1, us, hs):
    """Corners along the slice of a cone, spaced as u = a sinh t, which is even on its hyperbola."""
    a = max(math.sqrt(d2), 0.02 * pieces.r1[k])
    t0 = math.asinh(u0 / a)
    step = (math.asinh(u1 / a) - t0) / m
    for i in range(m):
        u = u1 if i == m - 1 else a * math.sinh(t0 + step * (i + 1))
        us[i] = u
        hs[i] = _height(pieces, k, math.sqrt(u * u + d2))


@njit(cache=True, error_model="numpy")
def _ring(us, hs, n, top, pose, grid, ring_y, ring_z):
    """Stand the figure at a pose (y, z, cos, sin) and write its ring in cells of the bar frame; return its corners."""
    c = pose[3]
    s = pose[4]
    cy = (pose[1] * c + pose[2] * s - grid.y0) / grid.py
    cz = (pose[2] * c - pose[1] * s - grid.z0) / grid.pz
    for i in range(n + 1):
        u = us[min(i, n - 1)]
        h = hs[i] if i < n else top
        hy = h * s / grid.py
        hz = h * c / grid.pz
        uy = u * c / grid.py
        uz = u * s / grid.pz
        ring_y[n - i] = cy - uy + hy  # left half: corner n - i, its lowest point at n
        ring_z[n - i] = cz + uz + hz
        ring_y[n + 1 + i] = cy + uy + hy
        ring_z[n + 1 + i] = cz - uz + hz
    return 2 * (n + 1)


@njit(cache=True, error_model="numpy", forceinline=True)
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
def _scan_ring(ring, size, spans, ext):
    """Scan a ring that stands alone."""
    last = size - 1
    for i in range(size):
        _scan(ring[0, last], ring[1, last], ring[0, i], ring[1, i], spans, ext)
        last = i


@njit(cache=True, error_model="numpy")
def _scan_pair(a, b, size, spans, ext):
    """Scan what two poses of a ring sweep: the back of a, the front of b, and the tracks of the corners between the two.

    Rings run anticlockwise, so a corner's motion m leaves through edge e where m x e > 0.
    """
    last = size - 1
    my = b[0, last] - a[0, last]
    mz = b[1, last] - a[1, last]
    low0 = 0.0
    high0 = 0.0
    low = 0.0
    high = 0.0
    for i in range(size + 1):
        k = i if i < size else 0
        ny = b[0, k] - a[0, k]
        nz = b[1, k] - a[1, k]
        ay = a[0, k] - a[0, last]
        az = a[1, k] - a[1, last]
        by = b[0, k] - b[0, last]
        bz = b[1, k] - b[1, last]
        a0 = my * az - mz * ay
        a1 = ny * az - nz * ay
        b0 = my * bz - mz * by
        b1 = ny * bz - nz * by
        if i < size:
            if min(a0, a1) <= 1e-9:
                _scan(a[0, last], a[1, last], a[0, k], a[1, k], spans, ext)
            if max(b0, b1) >= -1e-9:
                _scan(b[0, last], b[1, last], b[0, k], b[1, k], spans, ext)
        # the corner between the edge before and this one: its track bounds the sweep where the two face opposite ways
        low = min(a0, b0)
        high = max(a0, b0)
        if i > 0 and not (min(low, low0) > 1e-9 or max(high, high0) < -1e-9):
            _scan(a[0, last], a[1, last], b[0, last], b[1, last], spans, ext)
        low0 = min(a1, b1)
        high0 = max(a1, b1)
        last = k
        my = ny
        mz = nz


@njit(cache=True, error_model="numpy")
def _pose_at(a, b, t, straight, out):
    """Write the pose (x, y, z, cos turn, sin turn, turn) at share t of the step from a to b."""
    for k in range(3):
        out[k] = a[k] + t * (b[k] - a[k])
    out[5] = a[5] + t * (b[5] - a[5])
    if straight or t == 0.0:
        out[3] = a[3]
        out[4] = a[4]
    elif t == 1.0:
        out[3] = b[3]
        out[4] = b[4]
    else:
        out[3] = math.cos(out[5])
        out[4] = math.sin(out[5])


@njit(cache=True, error_model="numpy")
def _step_pose(poses, i, t, out):
    """Write the pose at share t of move i (from row i to row i + 1 of `poses`: x, y, z, turn in rad)."""
    for k in range(3):
        out[k] = poses[i, k] + t * (poses[i + 1, k] - poses[i, k])
    out[5] = poses[i, 3] + t * (poses[i + 1, 3] - poses[i, 3])
    out[3] = math.cos(out[5])
    out[4] = math.sin(out[5])


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
def _contact_reach(pieces, p, slope):
    """Return how far ahead of the axis a piece touches the floor that it leaves when it moves at this slope (dz / way)."""
    if slope == 0.0:
        return 0.0
    m = abs(slope)
    r = 0.0
    for k in range(pieces.first[p], pieces.first[p + 1]):
        if pieces.rad[k] > 0.0:
            reach = pieces.cr[k] + pieces.rad[k] * m / math.sqrt(1.0 + m * m)
            r = max(r, min(pieces.r1[k], reach))
            if reach < pieces.r1[k]:
                break
        elif (pieces.h1[k] - pieces.h0[k]) < m * (pieces.r1[k] - pieces.r0[k]):
            r = pieces.r1[k]
        else:
            break
    return -r if slope > 0.0 else r


@njit(cache=True, error_model="numpy")
def _shares(pieces, p, a, b, x, clip, straight, limits, out):
    """Write the shares t of the step at which the piece is sliced; return their number (0: nothing new in this slice).

    The step's start was cut by the row before, so a slice that only its start reaches is skipped. A straight step along X
    touches its floor between the foot (axis in the slice) and the contact ahead of it; else the whole way is sampled.
    """
    dx = b[0] - a[0]
    dy = b[1] - a[1]
    dz = b[2] - a[2]
    if abs(dx) < 1e-9:
        if abs(x - a[0]) >= clip:
            return 0
        out[0] = 0.0
        out[1] = 1.0
        return 1 if (straight and dy == 0.0 and dz == 0.0) else 2
    foot = (x - a[0]) / dx
    width = clip / abs(dx)
    if straight and abs(dy) < 1e-3 * abs(dx):
        touch = _contact_reach(pieces, p, dz / abs(dx)) / abs(dx)
        # t of the pose whose axis is `touch` of a step before or behind the slice
        t0 = min(1.0, max(0.0, min(foot, foot - touch)))
        t1 = min(1.0, max(0.0, max(foot, foot - touch)))
        if t1 <= 0.0 or abs(min(1.0, max(0.0, foot)) - foot) >= width:
            return 0
        n = 1
        if t1 - t0 > 1e-9:  # the touched points run over a quarter of an ellipse, dz * touch high
            n = 2 + int((t1 - t0) / abs(touch) * 0.5 * math.pi * math.sqrt(abs(dz * touch) / (8.0 * limits.chord)))
        n = min(n, len(out))
        for j in range(n):
            out[j] = t1 if j == n - 1 else t0 + (t1 - t0) * j / (n - 1)
        return n
    t0 = max(0.0, foot - width)
    t1 = min(1.0, foot + width)
    if t1 <= t0:
        return 0
    if straight:
        way = (t1 - t0) * math.sqrt(dx * dx + dy * dy + dz * dz)
        n = min(len(out) - 1, 2 + int(way / math.sqrt(8.0 * limits.chord * max(0.25, 0.5 * pieces.radius[p]))))
    else:
        n = 2
        t0 = 0.0
        t1 = 1.0
    m = 0
    for j in range(n):
        t = t0 + (t1 - t0) * j / (n - 1)
        if m > 0 and out[m - 1] < foot < t:
            out[m] = foot
            m += 1
        out[m] = t
        m += 1
    return m


@njit(cache=True, error_model="numpy")
def _sweep(pieces, p, a, b, x, reach, straight, grid, limits, scratch):
    """Scan a piece's step from a to b in the slice at x onto the spans; True if any ray may be touched."""
    low = min(a[2], b[2])
    clip_h = reach - low
    if pieces.bottom[p] >= clip_h:
        return False
    top = min(pieces.top[p], clip_h)
    clip = _radius(pieces, p, top)
    counts = scratch.counts
    for k in range(pieces.first[p], pieces.first[p + 1]):
        counts[k - pieces.first[p]] = _corners(pieces, k, clip, limits.chord)
    shares = _shares(pieces, p, a, b, x, clip, straight, limits, scratch.shares)
    pose = scratch.pose
    spans = scratch.spans
    ext = scratch.ext
    size = 0
    paired = False
    for j in range(shares):
        _pose_at(a, b, scratch.shares[j], straight, pose)
        n = _figure(pieces, p, counts, clip, x - pose[0], scratch.us, scratch.hs)
        if n == 0:
            if size > 0 and not paired:
                _scan_ring(scratch.rings[1 - j % 2], size, spans, ext)
            size = 0
            continue
        ring_y = scratch.rings[j % 2, 0]
        ring_z = scratch.rings[j % 2, 1]
        before = size
        size = _ring(scratch.us, scratch.hs, n, top, pose, grid, ring_y, ring_z)
        if before == size:
            _scan_pair(scratch.rings[1 - j % 2], scratch.rings[j % 2], size, spans, ext)
            paired = True
        elif j == shares - 1:
            _scan_ring(scratch.rings[j % 2], size, spans, ext)
        else:
            paired = False
    return ext[0] <= ext[1] or ext[2] <= ext[3]


class Scratch(NamedTuple):
    """Working arrays of one slab or band."""

    us: np.ndarray
    hs: np.ndarray
    rings: np.ndarray
    counts: np.ndarray
    shares: np.ndarray
    pose: np.ndarray
    spans: np.ndarray  # (4, rays): Y rays low, high, Z rays low, high, in cells
    ext: np.ndarray  # first and last touched Y ray, Z ray; window of Y rays, of Z rays (from, to)


@njit(cache=True, error_model="numpy")
def _scratch(grid, corners, segments):
    """Make the working arrays of one slab."""
    spans = np.empty((4, max(grid.ny, grid.nz)))
    spans[0::2] = FAR
    spans[1::2] = -FAR
    ext = np.array([grid.nz, -1, grid.ny, -1, 0, grid.nz, 0, grid.ny])
    return Scratch(
        np.zeros(corners), np.zeros(corners), np.zeros((2, 2, 2 * corners + 4)), np.zeros(segments, np.int64),
        np.zeros(64), np.zeros(6), spans, ext,
    )  # fmt: skip


@njit(cache=True, error_model="numpy")
def _clear_spans(scratch, grid):
    """Forget the last scan."""
    spans = scratch.spans
    ext = scratch.ext
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
def _cut_slice(pool, s, base, scratch, grid, tag, sliver):
    """Subtract the spans from a slice's rays; return the volume removed, the mean of what Y and Z rays say."""
    spans = scratch.spans
    ext = scratch.ext
    y = 0.0
    for j in range(ext[0], ext[1] + 1):
        y += _cut(pool, s, base + j, grid.y0 + spans[0, j] * grid.py, grid.y0 + spans[1, j] * grid.py, tag, sliver)
    z = 0.0
    base += grid.nz
    for j in range(ext[2], ext[3] + 1):
        z += _cut(pool, s, base + j, grid.z0 + spans[2, j] * grid.pz, grid.z0 + spans[3, j] * grid.pz, tag, sliver)
    return 0.5 * grid.px * (y * grid.pz + z * grid.py)


@njit(cache=True, error_model="numpy")
def _strike_slice(pool, s, base, scratch, grid):
    """Return how deep the spans lie in material: the lesser of the longest overlaps along Y and Z rays (if both see any)."""
    spans = scratch.spans
    ext = scratch.ext
    y = 0.0
    for j in range(ext[0], ext[1] + 1):
        y = max(y, _overlap(pool, s, base + j, grid.y0 + spans[0, j] * grid.py, grid.y0 + spans[1, j] * grid.py))
    z = 0.0
    base += grid.nz
    for j in range(ext[2], ext[3] + 1):
        z = max(z, _overlap(pool, s, base + j, grid.z0 + spans[2, j] * grid.pz, grid.z0 + spans[3, j] * grid.pz))
    return min(y, z) if (y > 0.0 and z > 0.0) else max(y, z)


@njit(cache=True, error_model="numpy")
def _slice_reach(pool, s, base, grid):
    """Return the largest radius that the material of a slice can have, half a cell allowed on either side of each ray."""
    most = 0.0
    for j in range(grid.nz + grid.ny):
        at = abs(grid.z0 + j * grid.pz) + 0.5 * grid.pz if j < grid.nz else abs(grid.y0 + (j - grid.nz) * grid.py) + 0.5 * grid.py
        low = pool.lo[s, base + j]
        if low > 0.5 * FAR:
            continue
        i = base + j
        high = pool.hi[s, i]
        while pool.nxt[s, i] >= 0:
            i = pool.nxt[s, i]
            high = pool.hi[s, i]
        far = max(abs(np.float64(low)), abs(np.float64(high)))
        most = max(most, at * at + far * far)
    return math.sqrt(most)


@njit(cache=True, error_model="numpy")
def _move_in_slab(pool, s, grid, pieces, poses, i, tag, limits, reach, hits, scratch, out):
    """Carve move i in slab s, adding to out (removed, struck); 0 done, 1 out of nodes."""
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
    for p in range(len(pieces.radius)):
        r = pieces.radius[p]
        near |= low_z + pieces.bottom[p] < far and low_x < r and high_x < r and aside < far + r
    if not near:
        return 0
    straight = poses[i, 3] == poses[i + 1, 3]
    steps = _steps(poses, i, limits)
    a = np.empty(6)
    b = np.empty(6)
    _step_pose(poses, i, 0.0, b)
    for step in range(steps):
        a[:] = b
        _step_pose(poses, i, (step + 1) / steps, b)
        if min(a[2], b[2]) >= far:
            continue
        if not _step_in_slab(pool, s, grid, pieces, a, b, straight, tag, limits, reach, hits, scratch, out):
            return 1
    return 0


@njit(cache=True, error_model="numpy")
def _step_in_slab(pool, s, grid, pieces, a, b, straight, tag, limits, reach, hits, scratch, out):
    """Carve one small step in slab s: edge pieces first, then the body where it reaches; False where nodes run out."""
    low_z = min(a[2], b[2])
    for p in range(len(pieces.radius)):
        r = pieces.radius[p]
        k0 = max(s * grid.slab, int(math.ceil((min(a[0], b[0]) - r - grid.x0) / grid.px)))
        k1 = min(min(grid.nx, (s + 1) * grid.slab) - 1, int(math.floor((max(a[0], b[0]) + r - grid.x0) / grid.px)))
        for k in range(k0, k1 + 1):
            if low_z + pieces.bottom[p] >= reach[k]:
                continue
            if pool.free[s, 1] < grid.ny + grid.nz:
                return False
            base = (k - s * grid.slab) * (grid.ny + grid.nz)
            if _sweep(pieces, p, a, b, grid.x0 + k * grid.px, reach[k], straight, grid, limits, scratch):
                if p < pieces.edges:
                    removed = _cut_slice(pool, s, base, scratch, grid, tag, limits.sliver)
                    if removed > 0.0:
                        out[0] += removed
                        hits[k - s * grid.slab] += 1
                        if hits[k - s * grid.slab] >= 32:
                            hits[k - s * grid.slab] = 0
                            reach[k] = _slice_reach(pool, s, base, grid)
                else:
                    out[1] = max(out[1], _strike_slice(pool, s, base, scratch, grid))
            _clear_spans(scratch, grid)
    return True


@njit(cache=True, error_model="numpy", parallel=True)
def carve_slabs(pool, grid, pieces, poses, tags, limits, reach, order, start, removed, struck, corners):
    """Carve all moves in every slab; a slab out of nodes stops with its move in `start` (else the number of moves)."""
    n = len(tags)
    segments = len(pieces.r0) + 1
    for turn in prange(len(order)):
        s = order[turn]
        scratch = _scratch(grid, corners, segments)
        hits = np.zeros(grid.slab, np.int64)
        out = np.zeros(2)
        at = start[s]
        while at < n:
            out[0] = removed[s, at]
            out[1] = struck[s, at]
            stop = _move_in_slab(pool, s, grid, pieces, poses, at, tags[at], limits, reach, hits, scratch, out)
            removed[s, at] = out[0]
            struck[s, at] = out[1]
            if stop == 1:
                break
            at += 1
        start[s] = at
        for k in range(grid.slab):
            if hits[k] > 0:
                reach[s * grid.slab + k] = _slice_reach(pool, s, k * (grid.ny + grid.nz), grid)


@njit(cache=True, error_model="numpy", forceinline=True)
def _widen(pieces, p, a, b, ways, t, span):
    """Widen an X span by what piece p covers of the ray at share t of the step; return rho^2 - u^2 there."""
    u = ways[0] + t * (ways[2] - ways[0])
    r = _radius(pieces, p, ways[1] + t * (ways[3] - ways[1]))
    square = r * r - u * u
    if r > 0.0 and square > 0.0:
        w = math.sqrt(square)
        x = a[0] + t * (b[0] - a[0])
        span[0] = min(span[0], x - w)
        span[1] = max(span[1], x + w)
    return square if r > 0.0 else -FAR


@njit(cache=True, error_model="numpy", forceinline=True)
def _cut_x_ray(pool, s, ray, pieces, p, a, b, y, z, tag, limits, span, ways):
    """Subtract from the X ray at (y, z) what piece p sweeps on it in the step from a to b.

    In the tool's frame the ray runs straight from (ua, va) to (ub, vb); rho(v)^2 - u^2 is a parabola of the share on
    walls, cones and balls, so three shares and the parabola's top find the widest place.
    """
    ways[0] = y * a[3] - z * a[4] - a[1]
    ways[1] = y * a[4] + z * a[3] - a[2]
    ways[2] = y * b[3] - z * b[4] - b[1]
    ways[3] = y * b[4] + z * b[3] - b[2]
    aside = 0.0 if ways[0] * ways[2] <= 0.0 else min(abs(ways[0]), abs(ways[2]))
    r = _radius(pieces, p, min(max(ways[1], ways[3]), pieces.top[p]))
    if r <= aside:
        return
    most = math.sqrt(r * r - aside * aside) - limits.sliver
    if not _touches(pool, s, ray, min(a[0], b[0]) - most, max(a[0], b[0]) + most):
        return
    span[0] = FAR
    span[1] = -FAR
    g0 = _widen(pieces, p, a, b, ways, 0.0, span)
    if ways[0] == ways[2] and ways[1] == ways[3]:
        _widen(pieces, p, a, b, ways, 1.0, span)
    else:
        g1 = _widen(pieces, p, a, b, ways, 0.5, span)
        g2 = _widen(pieces, p, a, b, ways, 1.0, span)
        bend = g0 - 2.0 * g1 + g2
        if min(g0, min(g1, g2)) <= -0.5 * FAR:  # the tip or the top passes by: no parabola
            n = 2 + int(math.hypot(ways[2] - ways[0], ways[3] - ways[1]) / limits.spacing)
            for j in range(n):
                _widen(pieces, p, a, b, ways, (j + 0.5) / n, span)
        elif bend < 0.0:
            _widen(pieces, p, a, b, ways, min(1.0, max(0.0, 0.5 + 0.25 * (g0 - g2) / bend)), span)
    if span[1] > span[0]:
        _cut(pool, s, ray, span[0], span[1], tag, limits.sliver)


@njit(cache=True, error_model="numpy")
def _move_in_band(pool, s, grid, pieces, poses, i, tag, limits, reach, scratch, span, ways):
    """Carve the edge's move i out of the X rays of band s (rows of equal y); 0 done, 1 out of nodes."""
    ext = scratch.ext
    straight = poses[i, 3] == poses[i + 1, 3]
    a = np.empty(6)
    b = np.empty(6)
    steps = _steps(poses, i, limits)
    _step_pose(poses, i, 0.0, b)
    for step in range(steps):
        a[:] = b
        _step_pose(poses, i, (step + 1) / steps, b)
        for p in range(pieces.edges):
            a0 = a[0]
            b0 = b[0]
            a[0] = 0.0  # the widest figure, in the plane of the axis
            b[0] = 0.0
            some = _sweep(pieces, p, a, b, 0.0, reach, straight, grid, limits, scratch)
            a[0] = a0
            b[0] = b0
            for j in range(ext[2], ext[3] + 1):
                if not some or pool.free[s, 1] < grid.nz:
                    break
                y = grid.y0 + j * grid.py
                base = (j - s * grid.band) * grid.nz
                k0 = max(0, int(math.ceil(scratch.spans[2, j])))
                for k in range(k0, min(grid.nz - 1, int(math.floor(scratch.spans[3, j]))) + 1):
                    if pool.lo[s, base + k] < FAR:
                        _cut_x_ray(pool, s, base + k, pieces, p, a, b, y, grid.z0 + k * grid.pz, tag, limits, span, ways)
            _clear_spans(scratch, grid)
            if pool.free[s, 1] < grid.nz:
                return 1
    return 0


@njit(cache=True, error_model="numpy", parallel=True)
def carve_bands(pool, grid, pieces, poses, tags, limits, boxes, order, start, corners):
    """Carve all moves out of the X rays, band by band; `boxes` (n, 3) holds each move's reach and Y extent in cells."""
    n = len(tags)
    segments = len(pieces.r0) + 1
    for turn in prange(len(order)):
        s = order[turn]
        scratch = _scratch(grid, corners, segments)
        scratch.ext[5] = 0  # only the rows of this band are scanned
        scratch.ext[6] = s * grid.band
        scratch.ext[7] = min(grid.ny, (s + 1) * grid.band)
        span = np.zeros(2)
        ways = np.zeros(4)
        at = start[s]
        while at < n:
            if boxes[at, 1] <= scratch.ext[7] and boxes[at, 2] >= scratch.ext[6]:
                stop = _move_in_band(pool, s, grid, pieces, poses, at, tags[at], limits, boxes[at, 0], scratch, span, ways)
                if stop == 1:
                    break
            at += 1
        start[s] = at


@njit(cache=True, error_model="numpy")
def move_boxes(pieces, grid, poses, limits, reach, boxes):
    """Write each move's reach (largest material radius in its X window) and the Y extent of its edge, in cells."""
    r = 0.0
    for p in range(pieces.edges):
        r = max(r, pieces.radius[p])
    pose = np.empty(6)
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
            _step_pose(poses, i, step / steps, pose)
            side = r * abs(pose[3])
            for z in (pose[2], far):
                y = (pose[1] * pose[3] + z * pose[4] - grid.y0) / grid.py
                boxes[i, 1] = min(boxes[i, 1], y - side / grid.py - 1.0)
                boxes[i, 2] = max(boxes[i, 2], y + side / grid.py + 1.0)


@njit(cache=True, error_model="numpy", parallel=True)
def slab_volumes(pool, grid, out):
    """Write the volume of each slab: the mean of what its Y rays and its Z rays say."""
    for s in prange(len(out)):
        y = 0.0
        z = 0.0
        for k in range(min(grid.slab, grid.nx - s * grid.slab)):
            for j in range(grid.ny + grid.nz):
                i = k * (grid.ny + grid.nz) + j
                if pool.lo[s, i] > 0.5 * FAR:
                    continue
                length = 0.0
                while i >= 0:
                    length += np.float64(pool.hi[s, i]) - np.float64(pool.lo[s, i])
                    i = pool.nxt[s, i]
                if j < grid.nz:
                    y += length
                else:
                    z += length
        out[s] = 0.5 * grid.px * (y * grid.pz + z * grid.py)


@njit(cache=True, error_model="numpy", parallel=True)
def slice_reaches(pool, grid, slabs, out):
    """Write the largest radius of the material of each slice, half a cell allowed."""
    for s in prange(slabs):
        for k in range(min(grid.slab, grid.nx - s * grid.slab)):
            out[s * grid.slab + k] = _slice_reach(pool, s, k * (grid.ny + grid.nz), grid)


@njit(cache=True, error_model="numpy")
def inside_points(pool, grid, points, out):
    """Write 1 for each point that lies in material, by the nearest Y ray and the nearest Z ray (both must say so)."""
    for i in range(len(points)):
        out[i] = 0
        k = int(math.floor((points[i, 0] - grid.x0) / grid.px + 0.5))
        jy = int(math.floor((points[i, 1] - grid.y0) / grid.py + 0.5))
        jz = int(math.floor((points[i, 2] - grid.z0) / grid.pz + 0.5))
        if k < 0 or k >= grid.nx or jy < 0 or jy >= grid.ny or jz < 0 or jz >= grid.nz:
            continue
        s = k // grid.slab
        base = (k - s * grid.slab) * (grid.ny + grid.nz)
        found = 0
        node = base + jz
        while node >= 0 and pool.lo[s, node] <= points[i, 1]:
            if points[i, 1] <= pool.hi[s, node]:
                found += 1
            node = pool.nxt[s, node]
        node = base + grid.nz + jy
        while node >= 0 and pool.lo[s, node] <= points[i, 2]:
            if points[i, 2] <= pool.hi[s, node]:
                found += 1
            node = pool.nxt[s, node]
        out[i] = found == 2
