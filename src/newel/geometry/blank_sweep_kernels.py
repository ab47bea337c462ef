"""Kernels that sweep cutter pieces through the slices of a blank: rings of their figures, and their scan onto rays.

The tool axis is square to X, so in the slice at x a convex piece of the cutter is a convex plane figure, a *ring* of
corners. A small step of a move is swept by scanning the rings at a few poses of the step, and the tracks of their
corners between those poses, onto the slice's Y and Z rays, least and greatest crossing each: exact for a straight step
but for the chord tolerance of the ring, and off by the chord of the turn for a turning one. What a ball sweeps on a
straight way without side step is one figure, and is scanned alone.
Lengths inside the scan are in cells of the ray grid, so that ray number j lies at j. Nothing here raises.

The carving kernels of blank_kernels.py call these from another file, so a stale cache is possible where the cache is
not keyed by all kernel sources; the program keys it so (app/kernel_cache.py), CI starts from an empty one.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numba import njit

from newel.geometry.blank_figure_kernels import ball_along, corner_count, figure, is_ball_along, radius_at
from newel.geometry.loan_kernels import loan

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


class Pieces(NamedTuple):
    """Convex pieces of a cutter: each the solid between h = H(r), of lines and arcs with r growing, and its top."""

    seg: np.ndarray  # (segments, 7): r, h of its begin (0, 2) and end (1, 3), centre (4, 5), radius (6; 0: a line)
    first: np.ndarray  # (pieces + 1,) first segment of each piece
    size: np.ndarray  # (pieces, 3): radius, bottom, top
    edges: int  # pieces before this one are edge, the others body


class Moves(NamedTuple):
    """Poses (n + 1, 4), x, y, z, turn in rad; tag of each move from a row to the next, and from where to where it may cut."""

    poses: np.ndarray
    tags: np.ndarray
    span: np.ndarray  # (n, 2) least and greatest X of what may meet material; the first is larger where nothing may


class Work(NamedTuple):
    """Working arrays, one row a slab or band, owned by the door."""

    half: np.ndarray  # (2, corners) half figure: u, h
    rings: np.ndarray  # (2, 3, 2 corners + 4) two rings: y, z in cells, and whether the edge that ends here led the way
    counts: np.ndarray  # (segments,) int64
    shares: np.ndarray  # (64,)
    ways: np.ndarray  # (6, 6): x, y, z, cos, sin, turn of the step's start, end and one between; an X ray: yz, span, way
    spans: np.ndarray  # (4, rays): Y rays low, high, Z rays low, high, in cells; FAR, -FAR where untouched
    ext: np.ndarray  # (8,) int64: first and last touched Y ray, Z ray; window of Y rays, of Z rays (from, to)
    hits: np.ndarray  # (slices,) int64: cuts of each slice since its reach was measured


class Limits(NamedTuple):
    """How finely to sweep, in mm: ring chord; chord of a turn; X advance and length of a small step; slivers dropped.

    `x_turn`: rad that a step may turn for X rays, whose way is bent by then.
    """

    chord: float
    turn_chord: float
    x_turn: float
    advance: float
    length: float
    sliver: float


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


@njit(cache=True, error_model="numpy", forceinline=True)
def _scan(ay, az, by, bz, spans, ext):
    """Widen the spans of the rays that a line from a to b crosses; spans rows: Y rays low, high, Z rays low, high."""
    if az > bz:
        ay, az, by, bz = by, bz, ay, az
    j0 = max(math.ceil(az), ext[4])
    j1 = min(math.floor(bz), ext[5] - 1)
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
    j0 = max(math.ceil(ay), ext[6])
    j1 = min(math.floor(by), ext[7] - 1)
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
    rings = loan(rings)
    spans = loan(spans)
    ext = loan(ext)
    last = size - 1
    for i in range(size):
        _scan(rings[q, 0, last], rings[q, 1, last], rings[q, 0, i], rings[q, 1, i], spans, ext)
        last = i


@njit(cache=True, error_model="numpy")
def _scan_pair(rings, q, size, spans, ext, head, tail):
    """Scan what two poses of a ring sweep: the back of ring 1 - q, the front of ring q, the tracks of corners between.

    Rings run anticlockwise, so a corner's motion m leaves through edge e where m x e > 0. In a chain of poses only the
    first pair (`head`) has a back and the last one (`tail`) a front; between them an edge bounds what is swept only
    where it led the way to its pose and trails behind from there.
    """
    rings = loan(rings)
    spans = loan(spans)
    ext = loan(ext)
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
            if min(a0, a1) <= 1e-9 and (head or rings[1 - q, 2, k] != 0.0):
                _scan(rings[1 - q, 0, last], rings[1 - q, 1, last], rings[1 - q, 0, k], rings[1 - q, 1, k], spans, ext)
            leads = max(b0, b1) >= -1e-9
            rings[q, 2, k] = 1.0 if leads else 0.0
            if leads and tail:
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


@njit(cache=True, error_model="numpy", forceinline=True)
def _pose_at(ways, t, straight):
    """Write into ways[2] the pose at share t of the step from ways[0] to ways[1]."""
    for k in range(6):
        ways[2, k] = ways[0, k] + t * (ways[1, k] - ways[0, k])
    if not straight and 0.0 < t < 1.0:
        ways[2, 3] = math.cos(ways[2, 5])
        ways[2, 4] = math.sin(ways[2, 5])


@njit(cache=True, error_model="numpy", forceinline=True)
def step_pose(poses, i, t, out, k):
    """Write into out[k] the pose at share t of move i (from row i to row i + 1 of `poses`: x, y, z, turn in rad)."""
    for j in range(3):
        out[k, j] = poses[i, j] + t * (poses[i + 1, j] - poses[i, j])
    out[k, 5] = poses[i, 3] + t * (poses[i + 1, 3] - poses[i, 3])
    out[k, 3] = math.cos(out[k, 5])
    out[k, 4] = math.sin(out[k, 5])


@njit(cache=True, error_model="numpy")
def step_count(poses, i, limits, turn_most):
    """Return into how many small steps move i is split, none turning by more than `turn_most`."""
    dx = abs(poses[i + 1, 0] - poses[i, 0])
    dy = poses[i + 1, 1] - poses[i, 1]
    dz = poses[i + 1, 2] - poses[i, 2]
    turn = abs(poses[i + 1, 3] - poses[i, 3])
    n = math.sqrt(dx * dx + dy * dy + dz * dz) / limits.length
    if turn > 0.0:
        n = max(n, max(turn / turn_most, dx / limits.advance))
    return max(1, math.ceil(n - 1e-9))


@njit(cache=True, error_model="numpy")
def _contact_reach(seg, first, p, slope, clip):
    """Return how far ahead of its axis a piece touches, at most, what it leaves when it climbs at this slope (dz / way).

    The contact at radius r lies r m / H'(r) ahead, at most r: on an arc that is most where H' = m, on a cone at its rim.
    """
    seg = loan(seg)
    first = loan(first)
    m = abs(slope)
    if m < 1e-12:
        return 0.0
    most = 0.0
    for k in range(first[p], first[p + 1]):
        r0 = seg[k, 0]
        r1 = min(seg[k, 1], clip)
        if r1 <= r0:
            break
        if seg[k, 6] > 0.0:
            r = max(r0, min(r1, seg[k, 4] + seg[k, 6] * m / math.sqrt(1.0 + m * m)))
            side = r - seg[k, 4]
            run = math.sqrt(max(0.0, seg[k, 6] * seg[k, 6] - side * side))
            most = max(most, r * min(1.0, m * run / side) if side > 0.0 else r)
        else:
            rise = seg[k, 3] - seg[k, 2]
            most = max(most, r1 * min(1.0, m * (seg[k, 1] - r0) / rise) if rise > 0.0 else r1)
    return most if slope > 0.0 else -most


@njit(cache=True, error_model="numpy")
def _window(seg, first, p, ways, x, clip, straight, chord):
    """Return the shares of the step between which the slice at x is cut, the foot's share, the half way, and how many to ask.

    None are asked where the slice has nothing new: the step's start was cut by the row before. A straight step along X
    touches its floor between the foot (axis in the slice) and the contact ahead of it; else all the way in the slice
    counts. No half way: the two ends are enough.
    """
    seg = loan(seg)
    first = loan(first)
    ways = loan(ways)
    dx = ways[1, 0] - ways[0, 0]
    dy = ways[1, 1] - ways[0, 1]
    dz = ways[1, 2] - ways[0, 2]
    if abs(dx) < 1e-9:
        if abs(x - ways[0, 0]) >= clip:
            return 0.0, 0.0, 0.0, 0.0, 0
        return 0.0, 1.0, 0.0, 0.0, 1 if (straight and dy == 0.0 and dz == 0.0) else 2
    foot = (x - ways[0, 0]) / dx
    width = clip / abs(dx) * (1.0 - 1e-9)
    if straight and abs(dy) < 1e-3 * abs(dx):
        touch = _contact_reach(seg, first, p, dz / abs(dx), clip)
        unit = max(-width, min(width, touch / abs(dx)))
        low = min(0.0, -unit)
        high = max(0.0, -unit)
        per_rad = math.sqrt(abs(dz * unit) / (8.0 * chord))  # the touched points run over an ellipse, dz * unit high
    else:
        unit = width
        low = -width
        high = width
        per_rad = math.sqrt(clip / (8.0 * chord)) if straight else 0.0
    t0 = min(1.0, max(0.0, foot + low))
    t1 = min(1.0, max(0.0, foot + high))
    if t1 <= 0.0 or foot - width >= 1.0 or foot + width <= 0.0:
        return 0.0, 0.0, 0.0, 0.0, 0
    if t1 - t0 < 1e-9:
        return t1, t1, foot, 0.0, 1
    unit = abs(unit)
    angle = math.asin(max(-1.0, min(1.0, (t1 - foot) / unit))) - math.asin(max(-1.0, min(1.0, (t0 - foot) / unit)))
    return t0, t1, foot, unit, 2 + int(angle * per_rad)


@njit(cache=True, error_model="numpy")
def _shares(seg, first, p, x, clip, parts, chord, work):
    """Write the shares of the step at which the piece is sliced; return their number.

    They are even in the angle at which the slice sees the axis, so that none is missed where it enters; the foot is added.
    A turning step of several parts is sliced at the ends of each.
    """
    seg = loan(seg)
    first = loan(first)
    out = loan(work.shares)
    t0, t1, foot, unit, count = _window(seg, first, p, loan(work.ways), x, clip, parts == 0, chord)
    if count < 2 or (unit == 0.0 and parts < 2):
        out[0] = t0
        out[1] = t1
        return count
    if parts > 1:
        count = 1 + max(1, math.ceil((t1 - t0) * parts - 1e-9))
        m = 0
        for j in range(count):
            t = t1 if j == count - 1 else t0 + (t1 - t0) * j / (count - 1)
            if m > 0 and out[m - 1] < foot < t:
                out[m] = foot
                m += 1
            out[m] = t
            m += 1
        return m
    p0 = math.asin(max(-1.0, min(1.0, (t0 - foot) / unit)))
    p1 = math.asin(max(-1.0, min(1.0, (t1 - foot) / unit)))
    count = min(count, len(out) - 1)
    m = 0
    for j in range(count):
        t = t0 if j == 0 else (t1 if j == count - 1 else foot + unit * math.sin(p0 + (p1 - p0) * j / (count - 1)))
        if m > 0 and out[m - 1] < foot < t:
            out[m] = foot
            m += 1
        out[m] = t
        m += 1
    return m


@njit(cache=True, error_model="numpy")
def sweep(pieces, p, x, reach, parts, grid, chord, work):
    """Scan piece p's step (work.ways) in the slice at x onto the spans, as high as reach; True if any ray may be touched.

    `parts`: 0 for a straight step, else into how many chords a turning one is split.
    """
    seg = loan(pieces.seg)
    first = loan(pieces.first)
    size = loan(pieces.size)
    half = loan(work.half)
    rings = loan(work.rings)
    counts = loan(work.counts)
    shares = loan(work.shares)
    ways = loan(work.ways)
    spans = loan(work.spans)
    ext = loan(work.ext)
    clip_h = reach - min(ways[0, 2], ways[1, 2])
    if size[p, 1] >= clip_h:
        return False
    top = min(size[p, 2], clip_h)
    clip = radius_at(seg, first, size, p, top)
    if is_ball_along(pieces, p, clip_h, ways):
        n = ball_along(seg, first[p], x, clip, ways, chord, half)
        if n == 0:
            return False
        _pose_at(ways, 0.0, parts == 0)
        top = max(half[1, n - 1], reach - ways[0, 2])
        one = np.int64(0)
        _scan_ring(rings, one, _ring(half, n, top, ways, grid, rings, one), spans, ext)
        return ext[0] <= ext[1] or ext[2] <= ext[3]
    asked = _shares(seg, first, p, x, clip, parts, chord, work)
    if asked == 0:
        return False
    for k in range(first[p], first[p + 1]):
        counts[k - first[p]] = corner_count(seg, k, clip, chord)
    corners = np.int64(0)  # typed, not plain numbers: the kernels below are compiled once for them
    paired = False
    n = np.int64(0)
    chain = parts > 1
    same = abs(ways[1, 0] - ways[0, 0]) < 1e-9
    for j in range(asked):
        _pose_at(ways, shares[j], parts == 0)
        if j == 0 or not same:
            n = figure(seg, first, p, counts, clip, x - ways[2, 0], half)
        if n == 0:
            if corners > 0 and (chain or not paired):
                _scan_ring(rings, 1 - j % 2, corners, spans, ext)
            corners = 0
            paired = False
            continue
        before = corners
        head = not (chain and paired)
        corners = _ring(half, n, top, ways, grid, rings, j % 2)
        paired = before == corners
        if paired:
            _scan_pair(rings, j % 2, corners, spans, ext, head, not chain or j == asked - 1)
        elif j == asked - 1:
            _scan_ring(rings, j % 2, corners, spans, ext)
    return ext[0] <= ext[1] or ext[2] <= ext[3]


@njit(cache=True, error_model="numpy")
def one_way(ways, low_z, clip):
    """Tell whether no point of the cutter below `clip` mm of radius turns back along Y or Z of the bar in a turning step.

    Then each ray meets what is swept in one span. A point (u, v) of the tool's plane moves along (dy + turn v, dz - turn u)
    before the bar's own turn is taken off.
    """
    turn = abs(ways[1, 5] - ways[0, 5])
    along = turn * low_z - abs(ways[1, 1] - ways[0, 1])
    if along <= 0.0:
        return False
    aside = abs(ways[1, 2] - ways[0, 2]) + turn * (max(abs(ways[0, 1]), abs(ways[1, 1])) + clip)
    half = math.atan2(aside, along) + 0.5 * turn
    if half >= 0.25 * math.pi:
        return False
    middle = 0.5 * (ways[0, 5] + ways[1, 5])
    return min(abs(math.sin(middle)), abs(math.cos(middle))) > math.sin(half)


@njit(cache=True, error_model="numpy")
def lend_work(work, grid, s):
    """Return slab s's own working arrays, on loan, with the scan cleared."""
    spans = loan(work.spans[s])
    spans[0::2] = FAR
    spans[1::2] = -FAR
    ext = loan(work.ext[s])
    ext[0] = grid.nz
    ext[1] = -1
    ext[2] = grid.ny
    ext[3] = -1
    half = loan(work.half[s])
    rings = loan(work.rings[s])
    counts = loan(work.counts[s])
    return Work(half, rings, counts, loan(work.shares[s]), loan(work.ways[s]), spans, ext, loan(work.hits[s]))


@njit(cache=True, error_model="numpy")
def clear_spans(work, grid):
    """Forget the last scan."""
    spans = loan(work.spans)
    ext = loan(work.ext)
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
