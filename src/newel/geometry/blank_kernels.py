"""Kernels of the blank: subtract what a cutter sweeps from ray intervals, slab by slab.

Slabs of X slices (Y and Z rays) are independent, and so are the bands of Y rows (X rays) of blank_band_kernels.py: each
goes through all moves in order and writes its own slots, so the thread count changes nothing. Nothing here raises: a slab
that runs out of interval nodes stops before the move and is resumed from it (subtracting twice removes nothing twice).
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numba import njit

from newel.geometry.blank_figure_kernels import radius_at
from newel.geometry.blank_reach_kernels import look, sector_reach, slice_reach, spread
from newel.geometry.blank_sweep_kernels import (
    FAR,
    Grid,
    Limits,
    Moves,
    Pieces,
    Work,
    clear_spans,
    lend_work,
    one_way,
    step_count,
    step_pose,
    sweep,
)
from newel.geometry.loan_kernels import loan

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
    """Points to look at on the way: before move `row[k]` whether points `first[k]` to `first[k + 1]` lie in material.

    The nearest Z ray tells of those that are `upright`, the nearest Y ray of the others.
    """

    row: np.ndarray  # (k,) int64, rising
    first: np.ndarray  # (k + 1,) int64
    span: np.ndarray  # (k, 2) the least and largest X of its points
    points: np.ndarray  # (n, 3) bar frame
    upright: np.ndarray  # (n,) bool
    out: np.ndarray  # (n,) bool, False to begin with
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
def cut(ends, links, free, s, ray, span, tag, sliver):
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
def touches(ends, links, s, ray, a, b):
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
    ends = loan(nodes.ends)
    links = loan(nodes.links)
    free = loan(nodes.free)
    spans = loan(work.spans)
    ext = loan(work.ext)
    ways = loan(work.ways)
    y = 0.0
    for j in range(ext[0], ext[1] + 1):
        ways[4, 0] = grid.y0 + spans[0, j] * grid.py
        ways[4, 1] = grid.y0 + spans[1, j] * grid.py
        y += cut(ends, links, free, s, base + j, ways, tag, sliver)
    z = 0.0
    base += grid.nz
    for j in range(ext[2], ext[3] + 1):
        ways[4, 0] = grid.z0 + spans[2, j] * grid.pz
        ways[4, 1] = grid.z0 + spans[3, j] * grid.pz
        z += cut(ends, links, free, s, base + j, ways, tag, sliver)
    return 0.5 * grid.px * (y * grid.pz + z * grid.py)


@njit(cache=True, error_model="numpy")
def _strike_slice(nodes, s, base, work, grid):
    """Return how deep the spans lie in material: the lesser of the longest overlaps along Y and Z rays (if both see any)."""
    ends = loan(nodes.ends)
    links = loan(nodes.links)
    spans = loan(work.spans)
    ext = loan(work.ext)
    y = 0.0
    for j in range(ext[0], ext[1] + 1):
        y = max(y, _overlap(ends, links, s, base + j, grid.y0 + spans[0, j] * grid.py, grid.y0 + spans[1, j] * grid.py))
    z = 0.0
    base += grid.nz
    for j in range(ext[2], ext[3] + 1):
        z = max(z, _overlap(ends, links, s, base + j, grid.z0 + spans[2, j] * grid.pz, grid.z0 + spans[3, j] * grid.pz))
    return min(y, z) if (y > 0.0 and z > 0.0) else max(y, z)


@njit(cache=True, error_model="numpy")
def lend(pool, task, ledger, s):
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
    size = loan(pieces.size)
    poses = loan(moves.poses)
    reach = loan(slab.reach)
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
    poses = loan(moves.poses)
    ways = loan(work.ways)
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
    seg = loan(pieces.seg)
    first = loan(pieces.first)
    size = loan(pieces.size)
    most = 0.0
    for p in range(len(size)):
        if low_z + size[p, 1] < far:
            most = max(most, radius_at(seg, first, size, p, min(size[p, 2], far - low_z)))
    return most


@njit(cache=True, error_model="numpy")
def _step_in_slab(slab, s, i, parts):
    """Carve one small step of move i in slab s: edge first, then the body where it reaches; False where nodes run out."""
    grid, pieces, moves, limits, work = slab.task
    nodes = slab.nodes
    free = loan(nodes.free)
    seg = loan(pieces.seg)
    first = loan(pieces.first)
    size = loan(pieces.size)
    edges = pieces.edges
    ways = loan(work.ways)
    hits = loan(work.hits)
    reach = loan(slab.reach)
    met = loan(slab.met)
    struck = loan(slab.struck)
    removed = loan(slab.removed)
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
                met[i] = max(met[i], high)
            if k < k0 or k > k1:
                continue
            if free[s, 1] < rays:
                return False
            base = (k - s * grid.slab) * rays
            if sweep(pieces, p, grid.x0 + k * grid.px, high, parts, grid, limits.chord, work):
                if p >= edges:
                    struck[i] = max(struck[i], _strike_slice(nodes, s, base, work, grid))
                else:
                    gone = _cut_slice(nodes, s, base, work, grid, moves.tags[i], limits.sliver)
                    removed[i] += gone
                    hits[k - s * grid.slab] += gone > 0.0
                    if hits[k - s * grid.slab] >= 32:
                        hits[k - s * grid.slab] = 0
                        slice_reach(loan(nodes.ends), loan(nodes.links), s, base, grid, reach[k])
            clear_spans(work, grid)
    return True


@njit(cache=True, error_model="numpy")
def _carve_slab(pool, task, ledger, looks, s):
    """Carve all moves in slab s, from where it stopped, and look at its points on the way."""
    slab = lend(pool, task, ledger, s)
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
