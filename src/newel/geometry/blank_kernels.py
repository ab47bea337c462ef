"""Kernels of the blank: subtract what a cutter sweeps from ray intervals, slab by slab.

Slabs of X slices (Y and Z rays) and bands of Y rows (X rays) are independent: each goes through all moves in order and
writes its own slots, so the thread count changes nothing. Nothing here raises: a slab that runs out of interval nodes
stops before the move and is resumed from it (subtracting twice removes nothing twice).
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numba import njit

from newel.geometry.blank_reach_kernels import look, sector_reach, slice_reach, spread
from newel.geometry.blank_sweep_kernels import (
    FAR,
    Grid,
    Limits,
    Moves,
    Pieces,
    Work,
    clear_spans,
    is_ball_along,
    lend_work,
    loan,
    one_way,
    radius_at,
    step_count,
    step_pose,
    sweep,
)

PARTS = 4  # chords in one step of a turning move, at most


class Pool(NamedTuple):
    """Interval nodes, one row of the arrays a slab: node r < rays is the first of ray r, the rest are linked or free."""

    ends: np.ndarray  # (slabs, nodes, 2) float32: low, high; FAR, -FAR where the ray is empty
    links: np.ndarray  # (slabs, nodes, 3) int32: what made low and high end; next node of ray or free list, -1 none
    free: np.ndarray  # (slabs, 2) int32: first free node, number of free nodes


class Task(NamedTuple):
    """One batch of carving: what cuts, how it moves, how finely, and the arrays to work in."""

    grid: Grid
    pieces: Pieces
    moves: Moves
    limits: Limits
    work: Work


class Looks(NamedTuple):
    """Points to look at on the way: before move `row[k]` whether points `first[k]` to `first[k + 1]` lie in material."""

    row: np.ndarray  # (k,) int64, rising
    first: np.ndarray  # (k + 1,) int64
    span: np.ndarray  # (k, 2) the least and largest X of its points
    points: np.ndarray  # (n, 3) bar frame
    out: np.ndarray  # (n,) uint8, 0 to begin with
    done: np.ndarray  # (slabs,) int64: the next look of each slab


class Ledger(NamedTuple):
    """What the slabs or bands keep: the next move of each, and what slices and moves come to."""

    start: np.ndarray  # (slabs,) int64
    reach: np.ndarray  # (nx, 1 + sectors) largest radius of the material in each slice and its sectors; for bands (n, 3) boxes
    removed: np.ndarray  # (slabs, n) mm3; not for bands
    struck: np.ndarray  # (slabs, n) mm; not for bands
    met: np.ndarray  # (slabs, n) largest radius of the material that the edge could meet; not for bands


class Slab(NamedTuple):
    """All that one slab or band is carved with, on loan: nodes, task, and what each slice and move comes to."""

    nodes: Pool
    task: Task
    reach: np.ndarray  # (nx, 1 + sectors) largest radius in each slice and its sectors; for a band (n, 3) boxes of the moves
    removed: np.ndarray  # (n,) mm3
    struck: np.ndarray  # (n,) mm
    met: np.ndarray  # (n,) mm


@njit(cache=True, error_model="numpy", forceinline=True)
def _cut(ends, links, free, s, ray, span, tag, sliver):
    """Subtract the interval in span[4] from a ray; return the length removed."""
    a = np.float32(span[4, 0])
    b = np.float32(span[4, 1])
    removed = 0.0
    i = ray
    before = np.int64(-1)  # typed, not a plain number: see _steps_in_slab
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


@njit(cache=True, error_model="numpy", forceinline=True)
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


@njit(cache=True, error_model="numpy", forceinline=True)
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


@njit(cache=True, error_model="numpy", forceinline=True)
def _touches(ends, links, s, ray, a, b):
    """Tell whether a ray has material inside [a, b]."""
    i = ray
    while i >= 0 and ends[s, i, 0] < b:
        if ends[s, i, 1] > a:
            return True
        i = links[s, i, 2]
    return False


@njit(cache=True, error_model="numpy")
def _cut_slice(nodes, s, base, work, grid, tag, sliver):
    """Subtract the spans from a slice's rays; return the volume removed, the mean of what Y and Z rays say."""
    ends, links, free = nodes
    spans = work.spans
    ext = work.ext
    ways = work.ways
    y = 0.0
    for j in range(ext[0], ext[1] + 1):
        ways[4, 0] = grid.y0 + spans[0, j] * grid.py
        ways[4, 1] = grid.y0 + spans[1, j] * grid.py
        y += _cut(ends, links, free, s, base + j, ways, tag, sliver)
    z = 0.0
    base += grid.nz
    for j in range(ext[2], ext[3] + 1):
        ways[4, 0] = grid.z0 + spans[2, j] * grid.pz
        ways[4, 1] = grid.z0 + spans[3, j] * grid.pz
        z += _cut(ends, links, free, s, base + j, ways, tag, sliver)
    return 0.5 * grid.px * (y * grid.pz + z * grid.py)


@njit(cache=True, error_model="numpy")
def _strike_slice(nodes, s, base, work, grid):
    """Return how deep the spans lie in material: the lesser of the longest overlaps along Y and Z rays (if both see any)."""
    ends = nodes.ends
    links = nodes.links
    spans = work.spans
    ext = work.ext
    y = 0.0
    for j in range(ext[0], ext[1] + 1):
        y = max(y, _overlap(ends, links, s, base + j, grid.y0 + spans[0, j] * grid.py, grid.y0 + spans[1, j] * grid.py))
    z = 0.0
    base += grid.nz
    for j in range(ext[2], ext[3] + 1):
        z = max(z, _overlap(ends, links, s, base + j, grid.z0 + spans[2, j] * grid.pz, grid.z0 + spans[3, j] * grid.pz))
    return min(y, z) if (y > 0.0 and z > 0.0) else max(y, z)


@njit(cache=True, error_model="numpy")
def _lend(pool, task, ledger, s):
    """Return slab s with all its arrays on loan."""
    nodes = Pool(loan(pool.ends), loan(pool.links), loan(pool.free))
    pieces = Pieces(loan(task.pieces.seg), loan(task.pieces.first), loan(task.pieces.size), task.pieces.edges)
    moves = Moves(loan(task.moves.poses), loan(task.moves.tags), loan(task.moves.span))
    lent = Task(task.grid, pieces, moves, task.limits, lend_work(task.work, task.grid, s))
    return Slab(nodes, lent, loan(ledger.reach), loan(ledger.removed[s]), loan(ledger.struck[s]), loan(ledger.met[s]))


@njit(cache=True, error_model="numpy")
def _move_in_slab(slab, s, i):
    """Carve move i in slab s; False where nodes run out."""
    grid, pieces, moves, _, _ = slab.task
    size = pieces.size
    poses = moves.poses
    reach = slab.reach
    first = s * grid.slab
    last = min(grid.nx, first + grid.slab)
    far = 0.0
    for k in range(first, last):
        far = max(far, reach[k, 0])
    low_z = min(poses[i, 2], poses[i + 1, 2])
    low_x = min(poses[i, 0], poses[i + 1, 0]) - (grid.x0 + (last - 1) * grid.px)
    high_x = (grid.x0 + first * grid.px) - max(poses[i, 0], poses[i + 1, 0])
    aside = min(abs(poses[i, 1]), abs(poses[i + 1, 1])) if poses[i, 1] * poses[i + 1, 1] > 0.0 else 0.0
    near = False
    for p in range(len(size)):
        r = size[p, 0]
        near |= low_z + size[p, 1] < far and low_x < r + grid.px and high_x < r + grid.px and aside < far + r
    if not near:
        return True
    return _steps_in_slab(slab, s, i, far)


@njit(cache=True, error_model="numpy")
def _steps_in_slab(slab, s, i, far):
    """Carve move i in slab s, whose material has no radius beyond `far`, step by step; False where nodes run out.

    The chords of a turn keep to their tolerance at `far`. As many as may be are taken in one step of several parts; where
    the way bends back along a ray's direction each is a step of its own.
    """
    _, pieces, moves, limits, work = slab.task
    poses = moves.poses
    ways = work.ways
    turn = abs(poses[i + 1, 3] - poses[i, 3])
    fine = 2.0 * math.acos(1.0 - min(0.5, limits.turn_chord / max(far, 1.0)))
    steps = step_count(poses, i, limits, PARTS * fine)
    parts = max(math.ceil(turn / steps / fine - 1e-9), int(turn > 0.0))
    # one place each where a kernel is called, and no plain number in its stead: numba compiles one for every such number
    for step in range(steps):
        for k in range(2):
            step_pose(poses, i, (step + k) / steps, ways, k)
        low_z = min(ways[0, 2], ways[1, 2])
        if low_z >= far:
            continue
        calls = 1
        if parts > 1 and not one_way(ways, low_z, _widest(pieces, low_z, far)):
            calls = parts
        for call in range(calls):
            if calls > 1:
                for k in range(2):
                    step_pose(poses, i, (step + (call + k) / calls) / steps, ways, k)
            if not _step_in_slab(slab, s, i, parts // calls):
                return False
    return True


@njit(cache=True, error_model="numpy")
def _widest(pieces, low_z, far):
    """Return the largest radius that a cutter with its tip at low_z has below `far`."""
    most = 0.0
    for p in range(len(pieces.size)):
        if low_z + pieces.size[p, 1] < far:
            most = max(most, radius_at(pieces.seg, pieces.first, pieces.size, p, min(pieces.size[p, 2], far - low_z)))
    return most


@njit(cache=True, error_model="numpy")
def _step_in_slab(slab, s, i, parts):
    """Carve one small step of move i in slab s: edge first, then the body where it reaches; False where nodes run out."""
    grid, pieces, moves, limits, work = slab.task
    nodes = slab.nodes
    seg, first, size, edges = pieces
    ways = work.ways
    reach = slab.reach
    rays = grid.ny + grid.nz
    low_z = min(ways[0, 2], ways[1, 2])
    low_x = min(ways[0, 0], ways[1, 0])
    high_x = max(ways[0, 0], ways[1, 0])
    for p in range(len(size)):
        r = size[p, 0]
        k0 = math.ceil((low_x - r - grid.x0) / grid.px)
        k1 = math.floor((high_x + r - grid.x0) / grid.px)
        # X rays may meet what stands between the last slice that the cutter covers and the next one: that one counts, too
        around0 = max(s * grid.slab, k0 - 1)
        around1 = min(min(grid.nx, (s + 1) * grid.slab) - 1, k1 + 1)
        far = 0.0
        for k in range(around0, around1 + 1):
            far = max(far, reach[k, 0])
        over = far - low_z
        if over <= size[p, 1]:
            continue
        begin, count = spread(ways, low_z, radius_at(seg, first, size, p, min(size[p, 2], over)), (reach.shape[1] - 1) // 4)
        for k in range(around0, around1 + 1):
            high = sector_reach(reach, k, begin, count)
            if low_z + size[p, 1] >= high:
                continue
            if p < edges:
                slab.met[i] = max(slab.met[i], high)
            if k < k0 or k > k1:
                continue
            if nodes.free[s, 1] < rays:
                return False
            base = (k - s * grid.slab) * rays
            if sweep(pieces, p, grid.x0 + k * grid.px, high, parts, grid, limits.chord, work):
                if p >= edges:
                    slab.struck[i] = max(slab.struck[i], _strike_slice(nodes, s, base, work, grid))
                else:
                    gone = _cut_slice(nodes, s, base, work, grid, moves.tags[i], limits.sliver)
                    slab.removed[i] += gone
                    work.hits[k - s * grid.slab] += gone > 0.0
                    if work.hits[k - s * grid.slab] >= 32:
                        work.hits[k - s * grid.slab] = 0
                        slice_reach(nodes.ends, nodes.links, s, base, grid, reach[k])
            clear_spans(work, grid)
    return True


@njit(cache=True, error_model="numpy")
def _carve_slab(pool, task, ledger, looks, s):
    """Carve all moves in slab s, from where it stopped, and look at its points on the way."""
    slab = _lend(pool, task, ledger, s)
    grid = task.grid
    nodes = slab.nodes
    span = slab.task.moves.span
    low = grid.x0 + s * grid.slab * grid.px
    high = low + (grid.slab - 1) * grid.px
    at = ledger.start[s]
    going = True
    while going and at < len(span):
        stop = len(span)
        if looks.done[s] < len(looks.row):
            stop = looks.row[looks.done[s]]
            if stop == at:  # before the move is begun, and not again where it is resumed
                look(nodes.ends, nodes.links, s, grid, looks, looks.done[s])
                looks.done[s] += 1
                continue
        while going and at < stop:
            if span[at, 0] <= high and span[at, 1] >= low:
                going = _move_in_slab(slab, s, at)
            at += going
    ledger.start[s] = at
    hits = slab.task.work.hits
    for k in range(min(grid.slab, grid.nx - s * grid.slab)):
        if hits[k] > 0:
            hits[k] = 0
            base = k * (grid.ny + grid.nz)
            slice_reach(nodes.ends, nodes.links, s, base, grid, slab.reach[s * grid.slab + k])


@njit(cache=True, error_model="numpy", nogil=True)
def carve_slabs(pool, task, ledger, looks, begin, end):
    """Carve all moves in some slabs; one out of nodes stops with its move in `ledger.start` (else the number of moves)."""
    for s in range(begin, end):
        _carve_slab(pool, task, ledger, looks, s)


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
    ends, links, free = slab.nodes
    seg, first, size, _ = pieces
    ways = work.ways
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
    for k in range(max(0, math.ceil(work.spans[2, j] - slack)), min(grid.nz - 1, math.floor(work.spans[3, j] + slack)) + 1):
        if not _touches(ends, links, s, base + k, low_x, high_x):
            continue
        z = grid.z0 + k * grid.pz
        known = 2
        if ball and y * ways[0, 4] + z * ways[0, 3] <= ball_top:
            known = 1 if _ball_x_span(seg, k0, y, z, ways) else 0
        else:
            ways[3, 0] = y
            ways[3, 1] = z
            known = _x_bound(seg, first, size, p, ways, more)
        if known == 0 or not _touches(ends, links, s, base + k, ways[4, 0] + limits.sliver, ways[4, 1] - limits.sliver):
            continue
        if known == 1 or _x_span(seg, first, size, p, ways):
            _cut(ends, links, free, s, base + k, ways, tag, limits.sliver)


@njit(cache=True, error_model="numpy")
def _move_in_band(slab, s, i):
    """Carve the edge's move i out of the X rays of band s (rows of equal y); False where nodes run out."""
    grid, pieces, moves, limits, work = slab.task
    poses = moves.poses
    ways = work.ways
    ext = work.ext
    free = slab.nodes.free
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
    band = _lend(pool, task, ledger, s)
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
