"""Kernels of the blank's X rays: subtract what a cutter's edge sweeps, in bands of Y rows.

The widest figure of a step, scanned onto a slice, tells which rays it can meet; how far it reaches along each is worked out
ray by ray. Nothing here raises; a band out of nodes is resumed, as a slab is (blank_kernels.py).
"""

from __future__ import annotations

import math

from numba import njit

from newel.geometry.blank_figure_kernels import is_ball_along, radius_at
from newel.geometry.blank_kernels import cut, lend, touches
from newel.geometry.blank_sweep_kernels import FAR, clear_spans, step_count, step_pose, sweep
from newel.geometry.loan_kernels import loan


@njit(cache=True, error_model="numpy", forceinline=True)
def _widen(seg, first, size, p, ways, t):
    """Widen an X span by what piece p covers of the ray at share t of the step; return rho^2 - u^2 there."""
    bent = 4.0 * t * (1.0 - t)
    u = ways[5, 0] + t * (ways[5, 2] - ways[5, 0]) + bent * ways[5, 4]
    v = ways[5, 1] + t * (ways[5, 3] - ways[5, 1]) + bent * ways[5, 5]
    r = max(0.0, radius_at(seg, first, size, p, min(max(v, size[p, 1]), size[p, 2])))
    square = r * r - u * u
    if square > 0.0:
        w = math.sqrt(square)
        x = ways[0, 0] + t * (ways[1, 0] - ways[0, 0])
        ways[4, 0] = min(ways[4, 0], x - w)
        ways[4, 1] = max(ways[4, 1], x + w)
    return square


@njit(cache=True, error_model="numpy", forceinline=True)
def _x_bound(seg, first, size, p, ways, more):
    """Write the X span that a step can reach at most on the ray at (y, z) = ways[3]; 0 nothing new, 1 just that, 2 at most.

    `more`: another step of the same move follows.

    In the tool's frame the ray runs from (ua, va) to (ub, vb), and half way it is (bu, bv) off that chord: written to ways[5].
    """
    y = ways[3, 0]
    z = ways[3, 1]
    ua = y * ways[0, 3] - z * ways[0, 4] - ways[0, 1]
    va = y * ways[0, 4] + z * ways[0, 3] - ways[0, 2]
    ub = y * ways[1, 3] - z * ways[1, 4] - ways[1, 1]
    vb = y * ways[1, 4] + z * ways[1, 3] - ways[1, 2]
    ways[5, 0] = ua
    ways[5, 1] = va
    ways[5, 2] = ub
    ways[5, 3] = vb
    bu = 0.0
    bv = 0.0
    if ways[0, 5] != ways[1, 5]:
        bu = y * ways[2, 3] - z * ways[2, 4] - ways[2, 1] - 0.5 * (ua + ub)
        bv = y * ways[2, 4] + z * ways[2, 3] - ways[2, 2] - 0.5 * (va + vb)
    ways[5, 4] = bu
    ways[5, 5] = bv
    bent = 4.0 * abs(bu) > abs(ub - ua) or 4.0 * abs(bv) > abs(vb - va)  # it turns back on its way
    around = ways[0, 0] == ways[1, 0] and not bent
    high = max(va, vb) + (abs(bv) if bent else 0.0)
    wall = min(va, vb) - (abs(bv) if bent else 0.0) >= seg[first[p + 1] - 1, 3] and high <= size[p, 2]
    if around and (ua != ub or va != vb) and ua * ub >= 0.0 and abs(ub) >= abs(ua) and (wall or vb <= va <= size[p, 2]):
        return 0  # behind the cutter: the step's start, which is cut already, was as wide here
    smooth = 8.0 * abs(bu) <= abs(ub - ua)
    if around and more and smooth and ua * ub > 0.0 and abs(ub) < abs(ua) and (wall or va <= vb <= size[p, 2]):
        return 0  # before the cutter, and nearing it still as the step ends: the next one begins as wide here, or wider
    aside = 0.0 if ua * ub <= 0.0 else max(0.0, min(abs(ua), abs(ub)) - (abs(bu) if bent else 0.0))
    r = size[p, 0] if wall else radius_at(seg, first, size, p, min(high, size[p, 2]))
    if r <= aside:
        return 0
    most = math.sqrt(r * r - aside * aside)
    ways[4, 0] = min(ways[0, 0], ways[1, 0]) - most
    ways[4, 1] = max(ways[0, 0], ways[1, 0]) + most
    return 1 if around and wall else 2


@njit(cache=True, error_model="numpy", forceinline=True)
def _share_at(ways, v):
    """Return the share of the step at which the ray stands at v in the tool's frame: the chord's, and one step of Newton."""
    rise = ways[5, 3] - ways[5, 1]
    t = (v - ways[5, 1]) / rise
    slope = rise + 4.0 * ways[5, 5] * (1.0 - 2.0 * t)
    if t <= 0.0 or t >= 1.0 or slope * rise <= 0.0:
        return t
    return t - 4.0 * ways[5, 5] * t * (1.0 - t) / slope


@njit(cache=True, error_model="numpy", forceinline=True)
def _x_span(seg, first, size, p, ways):
    """Write the X span that piece p sweeps on a ray in the step, its way in the tool's frame in ways[5]; True if any.

    rho(v)^2 - u^2 is a parabola of the share on walls, cones and balls: three shares between those at which the ray
    passes the piece's bottom and top, and the parabola's top, find the widest place.
    """
    ways[4, 0] = FAR
    ways[4, 1] = -FAR
    rise = ways[5, 3] - ways[5, 1]
    t0 = 0.0
    t1 = 1.0
    if rise != 0.0:
        bottom = _share_at(ways, size[p, 1])
        top = _share_at(ways, size[p, 2])
        t0 = max(0.0, min(bottom, top) + 1e-9)
        t1 = min(1.0, max(bottom, top) - 1e-9)
        if t1 < t0:
            return False
    half = 0.5 * (t1 - t0)
    g0 = _widen(seg, first, size, p, ways, t0)
    g1 = _widen(seg, first, size, p, ways, t0 + half)
    g2 = _widen(seg, first, size, p, ways, t1)
    bend = g0 - 2.0 * g1 + g2
    if bend < 0.0:
        # rho^2 - u^2 = top - c (t - at)^2 from the middle on, and x runs along by dx: either end has its own extreme
        at = 0.5 * (g0 - g2) / bend
        c = -0.5 * bend
        dx = half * (ways[1, 0] - ways[0, 0])
        apart = dx * math.sqrt(max(0.0, g1 + c * at * at) / (c * (c + dx * dx)))
        _widen(seg, first, size, p, ways, min(t1, max(t0, t0 + half * (1.0 + at + apart))))
        if apart != 0.0:
            _widen(seg, first, size, p, ways, min(t1, max(t0, t0 + half * (1.0 + at - apart))))
    return ways[4, 1] > ways[4, 0]


@njit(cache=True, error_model="numpy", forceinline=True)
def _ball_x_span(seg, k, y, z, ways):
    """Write the X span that a ball, with a wall on it, sweeps on the ray at (y, z) on a straight way; True if any.

    At either end the ball's centre stands as high over the ray as the way's own slope asks, as far as the way goes.
    """
    radius = seg[k, 6]
    u = y * ways[0, 3] - z * ways[0, 4] - ways[0, 1]
    v = y * ways[0, 4] + z * ways[0, 3] - ways[0, 2] - radius
    square = radius * radius - u * u
    if square <= 0.0:
        return False
    wide = math.sqrt(square)
    dx = ways[1, 0] - ways[0, 0]
    dz = ways[1, 2] - ways[0, 2]
    t0 = 0.0
    t1 = 1.0
    if dz > 0.0:
        t1 = min(t1, (v + wide) / dz)
    elif dz < 0.0:
        t0 = max(t0, (v + wide) / dz)
    elif v < -wide:
        return False
    if t1 <= t0:
        return False
    # nearing the ray while it runs the other way, the ball is widest at the end; else where the way touches it
    under = wide * abs(dx) / math.sqrt(dx * dx + dz * dz) if dz != 0.0 else 0.0
    for side in range(2):
        ahead = dx if side == 1 else -dx
        t = t1 if ahead > 0.0 else t0
        if ahead * dz > 0.0:
            t = min(t1, max(t0, (v + under) / dz))
        elif ahead == 0.0:
            t = t0 if dz > 0.0 else t1
        below = min(0.0, v - dz * t)
        w = math.sqrt(max(0.0, square - below * below))
        x = ways[0, 0] + t * dx
        ways[4, side] = x + w if side == 1 else x - w
    return True


@njit(cache=True, error_model="numpy")
def _cut_row(slab, s, i, j, p, more):
    """Cut what piece p sweeps in the step of move i out of the X rays of row j, inside the row's span; `more` steps follow."""
    grid, pieces, moves, limits, work = slab.task
    ends = loan(slab.nodes.ends)
    links = loan(slab.nodes.links)
    free = loan(slab.nodes.free)
    seg = loan(pieces.seg)
    first = loan(pieces.first)
    size = loan(pieces.size)
    ways = loan(work.ways)
    spans = loan(work.spans)
    base = (j - s * grid.band) * grid.nz
    tag = moves.tags[i]
    low_x = min(ways[0, 0], ways[1, 0]) - size[p, 0] + limits.sliver
    high_x = max(ways[0, 0], ways[1, 0]) + size[p, 0] - limits.sliver
    k0 = first[p]
    ball = is_ball_along(pieces, p, 0.0, ways)
    full = first[p + 1] == k0 + 1 and seg[k0, 1] >= seg[k0, 6]
    ball_top = (size[p, 2] if full else seg[k0, 3]) + min(ways[0, 2], ways[1, 2])
    y = grid.y0 + j * grid.py
    slack = 0.02 / grid.pz  # a turning step's bent way keeps within 0.02 mm of the chords that the spans were scanned along
    for k in range(max(0, math.ceil(spans[2, j] - slack)), min(grid.nz - 1, math.floor(spans[3, j] + slack)) + 1):
        if not touches(ends, links, s, base + k, low_x, high_x):
            continue
        z = grid.z0 + k * grid.pz
        known = 2
        if ball and y * ways[0, 4] + z * ways[0, 3] <= ball_top:
            known = 1 if _ball_x_span(seg, k0, y, z, ways) else 0
        else:
            ways[3, 0] = y
            ways[3, 1] = z
            known = _x_bound(seg, first, size, p, ways, more)
        if known == 0 or not touches(ends, links, s, base + k, ways[4, 0] + limits.sliver, ways[4, 1] - limits.sliver):
            continue
        if known == 1 or _x_span(seg, first, size, p, ways):
            cut(ends, links, free, s, base + k, ways, tag, limits.sliver)


@njit(cache=True, error_model="numpy")
def _move_in_band(slab, s, i):
    """Carve the edge's move i out of the X rays of band s (rows of equal y); False where nodes run out."""
    grid, pieces, moves, limits, work = slab.task
    poses = loan(moves.poses)
    ways = loan(work.ways)
    ext = loan(work.ext)
    free = loan(slab.nodes.free)
    parts = 0 if poses[i, 3] == poses[i + 1, 3] else 1
    steps = step_count(poses, i, limits, limits.x_turn)
    for step in range(steps):
        for k in range(2):
            step_pose(poses, i, (step + k) / steps, ways, k)
        for p in range(pieces.edges):
            from_x = ways[0, 0]
            to_x = ways[1, 0]
            ways[0, 0] = 0.0  # the widest figure, in the plane of the axis
            ways[1, 0] = 0.0
            some = sweep(pieces, p, 0.0, slab.reach[i, 0], parts, grid, limits.chord, work)
            ways[0, 0] = from_x
            ways[1, 0] = to_x
            step_pose(poses, i, (step + 0.5) / steps, ways, k + 1)
            for j in range(ext[2], ext[3] + 1):
                if some and free[s, 1] >= grid.nz:
                    _cut_row(slab, s, i, j, p, step + 1 < steps)
            clear_spans(work, grid)
            if free[s, 1] < grid.nz:
                return False
    return True


@njit(cache=True, error_model="numpy")
def _carve_band(pool, task, ledger, s):
    """Carve all moves out of the X rays of band s, from where it stopped."""
    band = lend(pool, task, ledger, s)
    boxes = band.reach
    low = s * task.grid.band
    high = min(task.grid.ny, low + task.grid.band)
    ext = band.task.work.ext
    ext[5] = 0  # only the rows of this band are scanned
    ext[6] = low
    ext[7] = high
    at = ledger.start[s]
    while at < len(boxes):
        if boxes[at, 1] <= high and boxes[at, 2] >= low and not _move_in_band(band, s, at):
            break
        at += 1
    ledger.start[s] = at


@njit(cache=True, error_model="numpy", nogil=True)
def carve_bands(pool, task, ledger, begin, end):
    """Carve all moves out of the X rays of some bands; `ledger.reach` (n, 3): each move's reach and Y extent in cells."""
    for s in range(begin, end):
        _carve_band(pool, task, ledger, s)
