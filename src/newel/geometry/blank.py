"""The blank: the bar as it is at some moment, held as ray intervals along X, Y and Z of the bar frame.

Rays with intervals of material are dexels (Van Hook 1986); three directions see every wall squarely from one of them
(Benouamer and Michelucci 1997). The kernels' head says how moves are swept.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator
from dataclasses import dataclass, replace
from functools import partial

import numpy as np
from numpy.typing import NDArray

from newel.core.errors import BadInput, Infeasible
from newel.core.job import Section
from newel.core.profile import CutterShape, Profile
from newel.geometry import blank_band_kernels as band_kernels
from newel.geometry import blank_figure_kernels as figures
from newel.geometry import blank_kernels as kernels
from newel.geometry import blank_reach_kernels as reaches
from newel.geometry import blank_surface_kernels as surface_kernels
from newel.geometry import blank_sweep_kernels as sweeps
from newel.geometry.parallel import on_threads

Floats = NDArray[np.float64]
Ints = NDArray[np.int32]
Rows = NDArray[np.intp]
Bools = NDArray[np.bool_]

# Chord of the plane figures, and the chord error of a turning step at the bar's largest radius: well under a tenth of
# the 0.02 mm that a proof may judge by. Found by halving until the closed forms stopped moving (tests/published).
CHORD_MM = 0.0008
TURN_CHORD_MM = 0.002
X_TURN_RAD = 0.07  # X rays follow the bend of a step's way up to the third order of this: under 0.0002 mm
SECTORS = 64  # around each slice: how far out its material reaches is known by them
STEP_ADVANCE_MM = 0.1  # X advance of a small step of a turning move; the pose above the slice is added to its ends
STEP_LENGTH_MM = 2.0  # so that edge and body take turns along a long move
SLIVER_MM = 0.001
BODY_CLEARANCE_MM = 0.005  # the body is taken this much smaller all round, so that it fits into the edge's own slot
SLAB_SLICES = 16
BAND_ROWS = 16
MOVES_AT_ONCE = 16384  # per-slab results are held for so many moves
MOST_RAYS = 60_000_000
LOOKING_SHARE = 0.02  # of the pitch: how finely curves are followed where a look is all that is wanted
LIMITS = sweeps.Limits(CHORD_MM, TURN_CHORD_MM, X_TURN_RAD, STEP_ADVANCE_MM, STEP_LENGTH_MM, SLIVER_MM)


@dataclass
class Blank:
    """The bar as it is now. A mutable holder of arrays: `carve` changes them in place, `copy_of` keeps a state.

    `yz` holds Y and Z rays in slabs of X slices, `x` the X rays in bands of Y rows. `reach_mm` (nx, 1 + SECTORS): the
    largest radius that the material of each slice can have, over all and in each sector around. Ray end tags: -1 the bar's
    own surface, else the carving tag.
    """

    section: Section
    size_mm: tuple[float, ...]
    from_x_mm: float
    to_x_mm: float
    turned_deg: float
    pitch_mm: float
    grid: sweeps.Grid
    yz: kernels.Pool
    x: kernels.Pool
    reach_mm: Floats


@dataclass(frozen=True)
class Carved:
    """What each move did: volume removed, and how deep the body stood in material (0: it touched nothing)."""

    removed_mm3: Floats
    struck_mm: Floats


def section_halfplanes(section: Section, size_mm: tuple[float, ...], turned_deg: float) -> Floats:
    """Return the (m, 3) rows (ny, nz, d), ny y + nz z <= d, that bound a bar's section (d in mm); none for a round bar."""
    if section is Section.ROUND:
        return np.zeros((0, 3))
    if section is Section.HEXAGON:
        angles, distances = np.arange(6) * 60.0 + 90.0, np.full(6, size_mm[0] / 2)
    else:
        width, height = (size_mm[0], size_mm[-1])
        angles, distances = np.arange(4) * 90.0, np.array([width, height, width, height]) / 2
    turned = np.radians(angles + turned_deg)
    return np.column_stack([np.cos(turned), np.sin(turned), distances])


def bar_blank(
    section: Section, size_mm: tuple[float, ...], from_x_mm: float, to_x_mm: float, turned_deg: float, pitch_mm: float
) -> Blank:
    """Make the blank of an uncut bar.

    `size_mm`: (diameter,), (across flats,) or (width along Y, height along Z) at `turned_deg` 0, where a hexagon has a
    flat up; `turned_deg` turns the section about +X. The rays stand half a pitch off the axis and the faces; the pitch
    is lessened so that a whole even number of cells fits across. BadInput where a size is not a positive number.
    """
    sizes = {Section.RECTANGLE: 2}.get(section, 1)
    numbers = np.array([*size_mm, from_x_mm, to_x_mm, turned_deg, pitch_mm], dtype=float)
    if not np.isfinite(numbers).all() or len(size_mm) != sizes or min(size_mm) <= 0 or pitch_mm <= 0 or to_x_mm <= from_x_mm:
        raise BadInput(f"no bar can be {section} {size_mm} from {from_x_mm} to {to_x_mm} mm at a pitch of {pitch_mm} mm")
    walls = section_halfplanes(section, size_mm, turned_deg)
    half_y, half_z = _half_extents(walls, size_mm)
    ny, nz = (2 * math.ceil(half / pitch_mm - 1e-9) for half in (half_y, half_z))
    nx = math.ceil((to_x_mm - from_x_mm) / pitch_mm - 1e-9)
    if nx * (ny + nz) + ny * nz > MOST_RAYS:
        raise Infeasible("the blank would need too many rays", measured=nx * (ny + nz) + ny * nz, limit=MOST_RAYS, unit="rays",
                         remedy="ask for a coarser resolution")  # fmt: skip
    py, pz, px = 2 * half_y / ny, 2 * half_z / nz, (to_x_mm - from_x_mm) / nx
    grid = sweeps.Grid(
        from_x_mm + px / 2, -half_y + py / 2, -half_z + pz / 2, px, py, pz, nx, ny, nz, SLAB_SLICES, BAND_ROWS
    )  # fmt: skip
    y, z = (first + step * np.arange(n, dtype=np.float64) for first, step, n in ((grid.y0, py, ny), (grid.z0, pz, nz)))
    y_span = _spans(walls, size_mm, z, along_y=True)
    z_span = _spans(walls, size_mm, y, along_y=False)
    x_span = np.empty((ny, nz, 2))
    solid = (z[None, :] > z_span[:, :1]) & (z[None, :] < z_span[:, 1:])
    x_span[..., 0], x_span[..., 1] = np.where(solid, from_x_mm, sweeps.FAR), np.where(solid, to_x_mm, -sweeps.FAR)
    yz = _pool(np.broadcast_to(np.concatenate([y_span, z_span]), (nx, ny + nz, 2)), SLAB_SLICES)
    reach = np.empty((nx, 1 + SECTORS))
    reaches.slice_reaches(yz, grid, len(yz.free), reach)
    return Blank(
        section, tuple(size_mm), from_x_mm, to_x_mm, turned_deg, pitch_mm, grid, yz, _pool(x_span, BAND_ROWS), reach
    )  # fmt: skip


def carve(blank: Blank, shape: CutterShape, poses: Floats, tags: Ints) -> Carved:
    """Cut the blank, in place, by a cutter that runs straight (in x, y, z and turn) from each pose to the next.

    `poses` (n, 4): tip x, y, z in the table frame (mm) and the bar's turn theta (degrees); row 0 is the cutter standing
    there. `tags` (n,): remembered by every surface that row i makes, at least 0. Row i of the result is the move to
    pose i: `removed_mm3` (mean of what Y and Z rays say) and `struck_mm`, how deep along a ray the body (taken
    0.005 mm smaller) overlaps what stands when the move is made, after the edge of the same small step has cut.
    """
    poses = np.ascontiguousarray(poses, dtype=np.float64).reshape(-1, 4)
    tags = np.ascontiguousarray(tags, dtype=np.int32)
    if len(poses) != len(tags) or not np.isfinite(poses).all():
        raise BadInput("a cutter move needs finite x, y, z, turn and one tag a row")
    removed, struck = np.zeros(len(poses)), np.zeros(len(poses))
    pieces = _pieces(shape.edge, shape.body)
    for batch, moves in _batches(blank, pieces, poses, tags):
        removed[batch], struck[batch], met = _carve_yz(blank, pieces, moves, LIMITS, _no_looks(blank))
        _carve_x(blank, pieces, moves, met)
    return Carved(removed, struck)


def carve_looking(
    blank: Blank, edge: Profile, poses: Floats, rows: Rows, points: Floats, upright: Bools, ends: NDArray[np.int64]
) -> Bools:
    """Cut the Y and Z rays alone, in place, by a cutter's edge, and tell on the way which points lie in material.

    `poses` as of `carve`. Before the move to the pose `rows[i]` (k,), rising, `points[ends[i] : ends[i + 1]]` of all (n, 3), in
    the bar frame, are looked at, as `inside_by_ray` does. In one go over all moves: it costs little more than carving.
    Curves are followed to a fiftieth of the pitch, and X rays stay as they were: what is left serves to look at and to take
    sections of, not to read a surface off.
    """
    poses = np.ascontiguousarray(poses, dtype=np.float64).reshape(-1, 4)
    rows, ends = np.asarray(rows, dtype=np.int64), np.asarray(ends, dtype=np.int64)
    if len(rows) + 1 != len(ends) or (np.diff(rows) < 0).any() or not np.isfinite(poses).all():
        raise BadInput("looking needs finite poses and points for every one of its rows, in order")
    if len(rows) and not 0 <= rows[0] <= rows[-1] < len(poses):
        raise BadInput("there is no such row to look at")
    place = np.ascontiguousarray(points, dtype=np.float64)
    span = np.array([_span(place[a:b, 0]) for a, b in itertools.pairwise(ends)]).reshape(-1, 2)
    upright, out = np.ascontiguousarray(upright, np.bool_), np.zeros(len(place), np.bool_)
    pieces = _pieces(edge, None)
    fine = LOOKING_SHARE * blank.pitch_mm
    limits = LIMITS._replace(chord=max(CHORD_MM, fine), turn_chord=max(TURN_CHORD_MM, fine))
    for batch, moves in _batches(blank, pieces, poses, np.zeros(len(poses), np.int32)):
        a, b = np.searchsorted(rows, [batch.start, batch.stop])
        looks = kernels.Looks(
            rows[a:b] - batch.start, ends[a : b + 1], span[a:b], place, upright, out, np.zeros(len(blank.yz.free), np.int64)
        )
        _carve_yz(blank, pieces, moves, limits, looks)
    return out


def _span(x: Floats) -> tuple[float, float]:
    return float(x.min(initial=np.inf)), float(x.max(initial=-np.inf))


def _batches(blank: Blank, pieces: sweeps.Pieces, poses: Floats, tags: Ints) -> Iterator[tuple[slice, sweeps.Moves]]:
    """Deal the moves out, each batch with the pose that it begins at."""
    rows = np.vstack([poses[:1], poses])
    rows[:, 3] = np.radians(rows[:, 3])
    for at in range(0, len(poses), MOVES_AT_ONCE):
        batch = slice(at, min(at + MOVES_AT_ONCE, len(poses)))
        some = np.ascontiguousarray(rows[at : batch.stop + 1])
        yield batch, sweeps.Moves(some, np.ascontiguousarray(tags[batch]), _spans_along(blank, pieces, some))


def _spans_along(blank: Blank, pieces: sweeps.Pieces, poses: Floats) -> Floats:
    """Return between which X each move of a batch may meet material (n, 2), the cell beside counted in; far apart for none."""
    far = blank.reach_mm[:, 0].max()
    low_z = np.minimum(poses[:-1, 2], poses[1:, 2])
    wide = np.full(len(low_z), -np.inf)
    for radius, bottom, _ in pieces.size:
        wide = np.where(low_z + bottom < far, np.maximum(wide, radius), wide)
    wide += blank.grid.px
    low_x, high_x = np.minimum(poses[:-1, 0], poses[1:, 0]), np.maximum(poses[:-1, 0], poses[1:, 0])
    return np.column_stack([low_x - wide, high_x + wide])


def _carve_x(blank: Blank, pieces: sweeps.Pieces, moves: sweeps.Moves, met: Floats) -> None:
    """Cut the X rays, as high as Y and Z rays met material at the time; a band that runs out of nodes is given more room."""
    boxes = np.empty((len(moves.tags), 3))
    boxes[:, 0] = met
    reaches.move_boxes(pieces, blank.grid, moves.poses, LIMITS, boxes)
    bands = len(blank.x.free)
    none = np.zeros((bands, 1))
    ledger = kernels.Ledger(np.zeros(bands, np.int64), boxes, none, none, none)
    task = kernels.Task(blank.grid, pieces, moves, LIMITS, _work(blank.grid, pieces, bands))
    while (ledger.start < len(moves.tags)).any():
        on_threads(bands, partial(band_kernels.carve_bands, blank.x, task, ledger))
        if (ledger.start < len(moves.tags)).any():
            blank.x = _roomier(blank.x)


def _carve_yz(
    blank: Blank, pieces: sweeps.Pieces, moves: sweeps.Moves, limits: sweeps.Limits, looks: kernels.Looks
) -> tuple[Floats, Floats, Floats]:
    """Cut the Y and Z rays; return removed, struck and material met of each row, summed slab by slab in a fixed order."""
    slabs, n = len(blank.yz.free), len(moves.tags)
    removed, struck, met = (np.zeros((slabs, n)) for _ in range(3))
    ledger = kernels.Ledger(np.zeros(slabs, np.int64), blank.reach_mm, removed, struck, met)
    task = kernels.Task(blank.grid, pieces, moves, limits, _work(blank.grid, pieces, slabs))
    while (ledger.start < n).any():
        on_threads(slabs, partial(kernels.carve_slabs, blank.yz, task, ledger, looks))
        if (ledger.start < n).any():
            blank.yz = _roomier(blank.yz)
    return removed.sum(axis=0), struck.max(axis=0), met.max(axis=0)


def _no_looks(blank: Blank) -> kernels.Looks:
    none = np.zeros(0, np.int64)
    return kernels.Looks(
        none,
        np.zeros(1, np.int64),
        np.zeros((0, 2)),
        np.zeros((0, 3)),
        np.zeros(0, np.bool_),
        np.zeros(0, np.bool_),
        np.zeros(len(blank.yz.free), np.int64),
    )


def _work(grid: sweeps.Grid, pieces: sweeps.Pieces, slabs: int) -> sweeps.Work:
    """Make the working arrays of so many slabs or bands."""
    corners = 2 * figures.most_corners(pieces, CHORD_MM)  # twice: for a ball on a steep way
    ext = np.tile(np.array([0, 0, 0, 0, 0, grid.nz, 0, grid.ny]), (slabs, 1))
    return sweeps.Work(
        np.zeros((slabs, 2, corners)), np.zeros((slabs, 2, 3, 2 * corners + 4)),
        np.zeros((slabs, int(np.diff(pieces.first).max())), np.int64), np.zeros((slabs, 64)), np.zeros((slabs, 6, 6)),
        np.zeros((slabs, 4, max(grid.ny, grid.nz))), ext, np.zeros((slabs, grid.slab), np.int64),
    )  # fmt: skip


def volume_mm3(blank: Blank) -> float:
    """Return the volume of what is left: the mean of what the Y and the Z rays say."""
    parts = np.empty(len(blank.yz.free))
    surface_kernels.slab_volumes(blank.yz, blank.grid, parts)
    return float(parts.sum())


def copy_of(blank: Blank) -> Blank:
    """Return a blank of its own with the same state."""
    yz, x = (kernels.Pool(*(array.copy() for array in pool)) for pool in (blank.yz, blank.x))
    return replace(blank, yz=yz, x=x, reach_mm=blank.reach_mm.copy())


def memory_bytes(blank: Blank) -> int:
    """Return the bytes that the blank's arrays hold."""
    return sum(array.nbytes for pool in (blank.yz, blank.x) for array in pool) + blank.reach_mm.nbytes


def max_radius(blank: Blank, from_x: float, to_x: float) -> float:
    """Return the largest radius (mm) that material between two X can have: 0 for none, at most half a cell too large."""
    reach = np.empty((blank.grid.nx, 1 + SECTORS))
    reaches.slice_reaches(blank.yz, blank.grid, len(blank.yz.free), reach)
    at = blank.grid.x0 + blank.grid.px * np.arange(blank.grid.nx)
    seen = reach[:, 0][(at >= from_x - blank.grid.px / 2) & (at <= to_x + blank.grid.px / 2)]
    return float(seen.max()) if len(seen) else 0.0


def inside(blank: Blank, points: Floats) -> Bools:
    """Tell which points (n, 3) of the bar frame lie in material, by the nearest Y ray and Z ray (both must say so)."""
    return _inside(blank, points, np.full(len(points), 2, np.uint8))


def inside_by_ray(blank: Blank, points: Floats, upright: Bools) -> Bools:
    """Tell which points (n, 3) of the bar frame lie in material, by the nearest Z ray where `upright` (n,), else Y ray."""
    return _inside(blank, points, np.asarray(upright, np.uint8))


def _inside(blank: Blank, points: Floats, rays: NDArray[np.uint8]) -> Bools:
    out = np.zeros(len(points), np.bool_)
    surface_kernels.inside_points(blank.yz, blank.grid, np.ascontiguousarray(points, dtype=np.float64), rays, out)
    return out


def _half_extents(walls: Floats, size_mm: tuple[float, ...]) -> tuple[float, float]:
    """Half width and half height of a section as it stands."""
    if not len(walls):
        return size_mm[0] / 2, size_mm[0] / 2
    after = np.roll(walls, -1, axis=0)
    corners = np.linalg.solve(
        np.stack([walls[:, :2], after[:, :2]], axis=1), np.stack([walls[:, 2], after[:, 2]], axis=1)[..., None]
    )
    far = np.abs(corners[..., 0]).max(axis=0)
    return float(far[0]), float(far[1])


def _spans(walls: Floats, size_mm: tuple[float, ...], at: Floats, *, along_y: bool) -> Floats:
    """Material (n, 2) along the Y rays at these z, or along the Z rays at these y; FAR, -FAR for none."""
    if not len(walls):
        half = np.sqrt(np.maximum(0.0, (size_mm[0] / 2) ** 2 - at**2))
        low, high = -half, half
    else:
        run, across, limit = (walls[:, [0, 1, 2] if along_y else [1, 0, 2]].T)[:, :, None]
        with np.errstate(divide="ignore", invalid="ignore"):
            cross = (limit - across * at) / run
        flat = np.abs(run) < 1e-12
        low = np.where((run < 0) & ~flat, cross, -sweeps.FAR).max(axis=0)
        high = np.where((run > 0) & ~flat, cross, sweeps.FAR).min(axis=0)
    none = high - low <= SLIVER_MM
    return np.column_stack([np.where(none, sweeps.FAR, low), np.where(none, -sweeps.FAR, high)])


def _pool(spans: Floats, rows: int) -> kernels.Pool:
    """Pack one interval a ray, (groups * rows or fewer, rays, 2), into slabs of `rows` rows with an eighth to spare."""
    count, rays = spans.shape[:2]
    slabs = -(-count // rows)
    first = rows * rays
    nodes = first + max(first // 8, 4 * rays)
    ends = np.empty((slabs, nodes, 2), np.float32)
    ends[:] = sweeps.FAR, -sweeps.FAR
    for s in range(slabs):
        some = spans[s * rows : (s + 1) * rows].reshape(-1, 2)
        ends[s, : len(some)] = some
    links = np.full((slabs, nodes, 3), -1, np.int32)
    links[:, first : nodes - 1, 2] = np.arange(first + 1, nodes)
    return kernels.Pool(ends, links, np.tile(np.array([first, nodes - first], np.int32), (slabs, 1)))


def _roomier(pool: kernels.Pool) -> kernels.Pool:
    """Return the pool with twice the nodes; the new ones go in front of the free list."""
    slabs, nodes = pool.ends.shape[:2]
    ends = np.empty((slabs, 2 * nodes, 2), np.float32)
    ends[:, :nodes], ends[:, nodes:] = pool.ends, (sweeps.FAR, -sweeps.FAR)
    links = np.full((slabs, 2 * nodes, 3), -1, np.int32)
    links[:, :nodes] = pool.links
    links[:, nodes:-1, 2] = np.arange(nodes + 1, 2 * nodes)
    links[:, -1, 2] = np.where(pool.free[:, 1] > 0, pool.free[:, 0], -1)
    free = np.column_stack([np.full(slabs, nodes), pool.free[:, 1] + nodes]).astype(np.int32)
    return kernels.Pool(ends, links, free)


def _pieces(outline: Profile, above: Profile | None) -> sweeps.Pieces:
    """Cut a cutter's edge and, where there is one, the body above into convex pieces, the body shrunk by its clearance."""
    edge = _convex_parts(outline, 0.0)
    body = _convex_parts(above, BODY_CLEARANCE_MM) if above is not None else []
    parts = edge + body
    rows = np.array([row for part in parts for row in part[0]])
    first = np.cumsum([0] + [len(part[0]) for part in parts])
    size = np.array([(part[0][-1][1], part[0][0][2], part[1]) for part in parts])
    return sweeps.Pieces(rows, first, size, len(edge))


Segment = tuple[float, float, float, float, float, float, float]


def _convex_parts(profile: Profile, smaller: float) -> list[tuple[list[Segment], float]]:
    """Split an outline where it opens outward more than before; each part: its segments of H(r) and its top.

    Lines along which the outline narrows become cylinders of 0.005 mm steps (at most 200 a line) of their smaller radius.
    """
    parts: list[tuple[list[Segment], float]] = []
    part: list[Segment] = []
    slope = 0.0
    r, h = profile.r_mm, profile.h_mm
    top = float(h[0])

    def close() -> None:
        if part and part[-1][1] > 0.0 and top - part[0][2] > 1e-9:
            parts.append((list(part), top))
        part.clear()

    def base(radius: float, height: float) -> None:
        part.append((0.0, radius, height, height, 0.0, 0.0, 0.0))

    for i in range(len(r) - 1):
        r0, r1, h0, h1 = max(0.0, r[i] - smaller), max(0.0, r[i + 1] - smaller), h[i], h[i + 1]
        cr, ch = profile.centre_r_mm[i], profile.centre_h_mm[i]
        if r1 < r0 - 1e-12:
            close()
            steps = min(200, math.ceil((h1 - h0) / 0.005)) if h1 > h0 else 0
            for k in range(steps):
                low, top = h0 + (h1 - h0) * k / steps, float(h0 + (h1 - h0) * (k + 1) / steps)
                base(r0 + (r1 - r0) * (k + (1 if smaller == 0.0 else 0)) / steps, low)
                close()
            slope, top = 0.0, float(h1)
            continue
        arc = math.isfinite(cr)
        rad = math.hypot(r[i] - cr, h[i] - ch) if arc else 0.0
        run = r1 - r0
        opening = (r[i] - cr) / max(1e-12, ch - h[i]) if arc else (np.inf if run < 1e-12 else (h1 - h0) / run)
        if part and opening < slope - 1e-9:
            close()
        if not part and r0 > 1e-12:
            base(r0, h0)
        if run > 1e-12:
            part.append((r0, r1, h0, h1, cr - smaller if arc else 0.0, ch if arc else 0.0, rad))
        top = float(h1)
        slope = (r[i + 1] - cr) / max(1e-12, ch - h[i + 1]) if arc else opening
    close()
    if smaller > 0.0:
        return [([(*row[:2], row[2] + smaller, row[3] + smaller, row[4], row[5] + smaller, row[6]) for row in rows], high) for rows, high in parts if high - rows[0][2] > 2 * smaller]  # fmt: skip  # noqa: E501
    return parts
