"""How low the tip may go at a side: the bar clamped at one turn, the cutter free in X and Y.

The same question as under passes around (lowest_tip.py), asked over X and Y. Where the tip may be at one height is told by
exact contours: marching squares over a grid of drops finds them, halving of the grid's edges by drops puts every corner of
them within 2 µm of where the cutter touches, so that upright walls come out exact.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from itertools import pairwise

import numpy as np
import shapely
from numpy.typing import NDArray
from scipy.ndimage import binary_dilation

from newel.core.plan import Cut
from newel.core.profile import CutterShape, Profile, outline
from newel.core.setup import KeepOut
from newel.geometry.drop import DropTree, drop, drop_tree, stands_clear
from newel.geometry.profiles import grown
from newel.toolpaths.lowest_tip import BODY_CLEARANCE_MM
from newel.toolpaths.side_ground_kernels import chained_edges
from newel.toolpaths.spacing import underside

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]
Ints = NDArray[np.int64]

EXACT_MM = 0.002  # how closely contours are found
_FINER = 4  # how much finer the grid is near contours than elsewhere
_COARSE_MM = (0.16, 0.4)  # least and greatest step of the coarse grid; a sixth of the cutter's radius between them
_SHRUNK_STEPS = 12
_KEEP_OUT_STEPS = 60
_ASKED_AT_ONCE = 20_000
_PLATE_MM = 1e5
_NOWHERE_MM = 1e6
_ROUNDED_MM = 1e-9  # a place on the very bound may come back from a computation so far outside


@dataclass(frozen=True)
class SideGround:
    """All that bounds the tip from below at one turn: target, keep-outs, a floor, and bounds in X and Y.

    `edge`: kept off the target; `raised_mm` is added to what it meets (allowance on floors). `body_from_mm`: a tip at or
    above this height cannot bring the body down to the target. `keep_out` (k, 3): from X, to X, radius of round things about
    the rotary axis; `under_rh` (m, 2): the whole cutter's underside as steps (radius, height), clearance
    included. `kept`: walls that keep an allowance of their own, each with the edge as much wider.
    """

    target: DropTree
    edge: Profile
    raised_mm: float
    body: Profile
    body_from_mm: float
    keep_out: Floats
    under_rh: Floats
    turn_deg: float
    floor_z_mm: float
    from_x_mm: float
    to_x_mm: float
    from_y_mm: float
    to_y_mm: float
    kept: tuple[tuple[DropTree, Profile], ...] = ()
    _grids: dict[str, Grid] = field(default_factory=dict, repr=False, compare=False)

    def lowest(self, x_mm: Floats, y_mm: Floats, over_mm: Floats | None = None) -> Floats:
        """Return the lowest tip height for places of any one shape, in mm in the table frame; none lower than `over_mm`.

        Outside the bounds: 1e6.
        """
        x, y = np.broadcast_arrays(np.asarray(x_mm, dtype=float), np.asarray(y_mm, dtype=float))
        shape = x.shape
        x, y = np.ascontiguousarray(x).ravel(), np.ascontiguousarray(y).ravel()
        floor = self.floor_z_mm
        least = np.full_like(x, floor) if over_mm is None else np.maximum(np.ravel(over_mm), floor)
        z = np.maximum(least, drop(self.target, self.edge, x, y, self.turn_deg, least - self.raised_mm) + self.raised_mm)
        for walls, edge in self.kept:
            z = drop(walls, edge, x, y, self.turn_deg, z)
        low = np.flatnonzero(z < self.body_from_mm)
        if low.size:
            under = z[low] - BODY_CLEARANCE_MM  # a grown outline is told from a tip so much lower
            held = drop(self.target, self.body, x[low], y[low], self.turn_deg, under)
            z[low] = np.maximum(z[low], held + BODY_CLEARANCE_MM)
        z = np.maximum(z, self.over_keep_outs(x, y))
        z[~self._within(x, y)] = _NOWHERE_MM
        return z.reshape(shape)

    def stands_free(self, x_mm: Floats, y_mm: Floats, z_mm: float) -> Bools:
        """Tell whether the tip may stand at a height over places (n,): the same as asking whether `lowest` is no higher."""
        x, y = np.asarray(x_mm, dtype=float), np.asarray(y_mm, dtype=float)
        free = self._within(x, y)
        if z_mm < self.floor_z_mm:
            return np.zeros(x.shape, np.bool_)
        some = np.flatnonzero(free)
        free[some] = self.over_keep_outs(x[some], y[some]) <= z_mm
        bodies = [(self.target, self.body, BODY_CLEARANCE_MM)] if z_mm < self.body_from_mm else []
        kept = [(walls, edge, 0.0) for walls, edge in self.kept]
        for tree, profile, lift in [(self.target, self.edge, self.raised_mm), *kept, *bodies]:
            some = np.flatnonzero(free)
            free[some] = stands_clear(tree, profile, x[some], y[some], z_mm - lift, self.turn_deg)
        return free

    def _within(self, x: Floats, y: Floats) -> Bools:
        along = (x >= self.from_x_mm - _ROUNDED_MM) & (x <= self.to_x_mm + _ROUNDED_MM)
        across = (y >= self.from_y_mm - _ROUNDED_MM) & (y <= self.to_y_mm + _ROUNDED_MM)
        return np.asarray(along & across)

    def over_keep_outs(self, x_mm: Floats, y_mm: Floats) -> Floats:
        """Return the lowest tip (n,) that keeps the whole cutter clear of jaws, chuck, centre and tailstock; -1e6 where free.

        A disc of radius r at height h over the tip clears a cylinder of radius R about the axis where z + h is at least
        sqrt(R^2 - d^2), d being the disc's nearest distance from the axis across (plane geometry).
        """
        x, y = np.asarray(x_mm, dtype=float), np.asarray(y_mm, dtype=float)
        z = np.full(x.shape, -_NOWHERE_MM)
        r, h = self.under_rh[:, 0], self.under_rh[:, 1]
        for begin, end, radius in self.keep_out:
            away = np.maximum(0.0, np.maximum(begin - x, x - end))
            near = np.flatnonzero((away < r[-1]) & (np.abs(y) < radius + r[-1]))
            for k in range(0, near.size, _ASKED_AT_ONCE):
                some = near[k : k + _ASKED_AT_ONCE]
                chord2 = r[None, :] ** 2 - away[some, None] ** 2
                across = np.maximum(0.0, np.abs(y[some, None]) - np.sqrt(np.maximum(chord2, 0.0)))
                over = np.sqrt(np.maximum(radius * radius - across * across, 0.0)) - h[None, :]
                met = (chord2 > 0.0) & (across < radius)
                z[some] = np.maximum(z[some], np.where(met, over, -_NOWHERE_MM).max(axis=1))
        return z

    def contours_at(self, z_mm: float, simpler_mm: float = 0.001) -> list[Floats]:
        """Return where the tip may be at a height: closed polylines (n, 2) of tip centres in X, Y, first corner = last.

        Allowed ground lies on the left of each: outer contours run counter-clockwise seen from above, holes clockwise. The
        bounds in X and Y are contours too. Corners lie within 2 µm of the ground; corners that others stand for within
        `simpler_mm` are left out. Places narrower than a quarter of the grid (0.04 to 0.1 mm) may be missed.
        """
        grid = self._grid()
        free = _free_at(self, grid, z_mm)
        chains = _contours(self, grid, free, z_mm)
        out = []
        for chain in chains:
            if simpler_mm > 0.0 and len(chain) > 8:
                chain = _simpler(chain, simpler_mm)
            if len(chain) >= 4:
                out.append(chain)
        return out

    def region_at(self, z_mm: float) -> shapely.MultiPolygon:
        """Return where the tip may be at a height as one plane region (empty: nowhere)."""
        return region_of(self.contours_at(z_mm))

    def asked(self) -> tuple[Floats, Floats, Floats]:
        """Return X, Y and the lowest tip of the places asked so far: a coarse grid, and closely about every contour."""
        grid = self._grid()
        i, j = np.nonzero(~np.isnan(grid.z))
        return grid.x[i], grid.y[j], grid.z[i, j]

    def _grid(self) -> Grid:
        if "drops" not in self._grids:
            self._grids["drops"] = _grid_of(self)
        return self._grids["drops"]


def side_ground(
    cut: Cut,
    shape: CutterShape,
    target: DropTree,
    keep_out: tuple[KeepOut, ...],
    clearance_mm: float,
    *,
    walls_only: bool = False,
) -> SideGround:
    """Make the ground for a cut at a side.

    The edge is kept off the target by the cut's allowance all round; with `walls_only` off walls alone (square to the tool
    axis), so that floors come out at their own height; off the cut's `kept` walls by theirs. The body keeps its own small
    clearance from the target.
    """
    body = grown(shape.body, BODY_CLEARANCE_MM)
    edge, raised = shape.edge, 0.0
    if cut.allowance_mm > 0.0:
        edge = wider(shape.edge, cut.allowance_mm) if walls_only else grown(shape.edge, cut.allowance_mm)
        raised = 0.0 if walls_only else cut.allowance_mm
    turn = float(cut.turn_deg or 0.0)
    plate = outline((0.0, 0.0), (_PLATE_MM, 0.0), (_PLATE_MM, 1.0))
    highest = float(drop(target, plate, 0.0, 0.0, turn, floor_mm=-_NOWHERE_MM))
    things = np.array([[t.from_x_mm, t.to_x_mm, t.radius_mm + clearance_mm] for t in keep_out]).reshape(-1, 3)
    return SideGround(
        target, edge, raised, body, highest - float(body.h_mm[0]) + BODY_CLEARANCE_MM, things,
        _under_steps(shape, clearance_mm), turn, cut.floor_z_mm, cut.from_x_mm, cut.to_x_mm, cut.from_y_mm, cut.to_y_mm,
        _kept_off(cut, shape.edge),
    )  # fmt: skip


def _kept_off(cut: Cut, edge: Profile) -> tuple[tuple[DropTree, Profile], ...]:
    """Make the walls ready that keep more than the cut's allowance: an open set of triangles, and the edge as much wider."""
    found = []
    for walls in cut.kept:
        if walls.allowance_mm > cut.allowance_mm and len(walls.triangles):
            corners = walls.triangles.reshape(-1, 3)
            found.append((drop_tree(corners, np.arange(len(corners)).reshape(-1, 3)), wider(edge, walls.allowance_mm)))
    return tuple(found)


def bounded(ground: SideGround, from_xy_mm: tuple[float, float], to_xy_mm: tuple[float, float]) -> SideGround:
    """Return the ground with other bounds in X and Y."""
    (x0, y0), (x1, y1) = from_xy_mm, to_xy_mm
    return replace(ground, from_x_mm=x0, from_y_mm=y0, to_x_mm=x1, to_y_mm=y1, _grids={})


def wider(profile: Profile, by_mm: float) -> Profile:
    """Return an outline moved out from its axis, its tip closed by a flat: it keeps a distance from walls, not from floors."""
    flat_first = profile.r_mm[0] <= 1e-12
    r = np.concatenate([[0.0], profile.r_mm + by_mm]) if flat_first else profile.r_mm + by_mm
    h = np.concatenate([profile.h_mm[:1], profile.h_mm]) if flat_first else profile.h_mm.copy()
    pad = [np.nan] if flat_first else []
    return Profile(
        r, h, np.concatenate([pad, profile.centre_r_mm + by_mm]), np.concatenate([pad, profile.centre_h_mm])
    )  # fmt: skip


def region_of(contours: list[Floats]) -> shapely.MultiPolygon:
    """Put closed contours, allowed ground on their left, together as one plane region."""
    outer: list[shapely.Polygon] = []
    holes: list[shapely.Polygon] = []
    for c in contours:
        area = 0.5 * float(np.sum(c[:-1, 0] * c[1:, 1] - c[1:, 0] * c[:-1, 1]))
        (outer if area > 0.0 else holes).append(shapely.Polygon(c))
    if not outer:
        return shapely.MultiPolygon()
    region = shapely.unary_union([shapely.make_valid(p) for p in outer])
    if holes:
        region = region.difference(shapely.unary_union([shapely.make_valid(p) for p in holes]))
    parts = [p for p in getattr(region, "geoms", [region]) if p.geom_type == "Polygon" and p.area > 0.0]
    return shapely.MultiPolygon(parts)


def _under_steps(shape: CutterShape, clearance_mm: float) -> Floats:
    """The underside of edge and body together as steps that hold it, the clearance added to every radius."""
    rows = []
    for profile in (shape.edge, shape.body):
        below = underside(profile)
        cuts = np.unique(np.linspace(0, len(below.r_mm) - 1, min(_KEEP_OUT_STEPS, len(below.r_mm))).astype(int))
        rows += [(below.r_mm[b] + clearance_mm, below.h_mm[a]) for a, b in pairwise(cuts)]
    return np.array(sorted(rows))


@dataclass
class Grid:
    """Drops over the bounds, asked as they are needed: `z` (nx, ny) of the fine grid, nan where not yet asked.

    Every `_FINER`-th line is the coarse grid, asked at once; `under` there is what the lowest tip is at least within a coarse
    cell of a place. `ends` keeps, for each edge of the fine grid that a contour crossed, the two ends of its last halving.
    """

    x: Floats
    y: Floats
    z: Floats
    under: Floats
    ends: dict[int, tuple[float, float]]


def _grid_of(ground: SideGround) -> Grid:
    step = float(np.clip(ground.edge.radius_mm / 6.0, *_COARSE_MM))
    spans = (ground.to_x_mm - ground.from_x_mm, ground.to_y_mm - ground.from_y_mm)
    cells = [max(1, int(np.ceil(span / step - 1e-9))) for span in spans]
    x = np.linspace(ground.from_x_mm, ground.to_x_mm, _FINER * cells[0] + 1)
    y = np.linspace(ground.from_y_mm, ground.to_y_mm, _FINER * cells[1] + 1)
    z = np.full((len(x), len(y)), np.nan)
    cx, cy = np.broadcast_arrays(x[::_FINER, None], y[None, ::_FINER])
    z[::_FINER, ::_FINER] = ground.lowest(cx, cy)
    small = _shrunk(ground.edge, step)
    floor = ground.floor_z_mm - ground.raised_mm
    under = drop(ground.target, small, cx, cy, ground.turn_deg, floor_mm=floor) + ground.raised_mm
    return Grid(x, y, z, under, {})


def _shrunk(edge: Profile, by_mm: float) -> Profile:
    """Return a cutter that, standing anywhere within a distance of a place, the whole cutter at that place holds inside it."""
    below = underside(edge)
    r = np.linspace(min(by_mm, 0.9 * below.radius_mm), below.radius_mm, _SHRUNK_STEPS)
    h = below.height(r)  # chords of an underside that curves up lie in the cutter
    corners = [(float(a - r[0]), float(b)) for a, b in zip(r, h)]
    return outline(*corners, (corners[-1][0], max(edge.top_mm, corners[-1][1] + 1.0)))


def _free_at(ground: SideGround, grid: Grid, z_mm: float) -> Bools:
    """Which places of the fine grid the tip may stand at; near contours each was asked, elsewhere its cell says so."""
    coarse = grid.z[::_FINER, ::_FINER] <= z_mm
    maybe = grid.under <= z_mm
    corner = [np.s_[:-1, :-1], np.s_[1:, :-1], np.s_[:-1, 1:], np.s_[1:, 1:]]
    all_free = np.logical_and.reduce([coarse[s] for s in corner])
    none_free = ~np.logical_or.reduce([maybe[s] for s in corner])
    cell = ~(all_free | none_free)
    cell |= binary_dilation(cell, np.ones((3, 3), bool))
    ask = np.zeros(grid.z.shape, bool)
    i, j = np.nonzero(cell)
    offset = np.arange(_FINER + 1)
    ask[(_FINER * i[:, None] + offset)[:, :, None], (_FINER * j[:, None] + offset)[:, None, :]] = True
    new = ask & np.isnan(grid.z)
    if new.any():
        a, b = np.nonzero(new)
        grid.z[a, b] = ground.lowest(grid.x[a], grid.y[b])
    whole = np.repeat(np.repeat(all_free, _FINER, axis=0), _FINER, axis=1)
    free = np.zeros(grid.z.shape, bool)
    free[:-1, :-1] |= whole
    free[1:, 1:] |= whole
    free[:-1, 1:] |= whole
    free[1:, :-1] |= whole
    return np.where(np.isnan(grid.z), free, grid.z <= z_mm)


def _contours(ground: SideGround, grid: Grid, free: Bools, z_mm: float) -> list[Floats]:
    """Marching squares over a grid of free places; crossings halved by drops. The border of the grid is the bounds."""
    padded = np.zeros((free.shape[0] + 2, free.shape[1] + 2), bool)
    padded[1:-1, 1:-1] = free
    n, m = padded.shape
    # edges along x are numbered first, then edges along y; each by its lower end
    along_x = np.argwhere(padded[1:, :] != padded[:-1, :])
    along_y = np.argwhere(padded[:, 1:] != padded[:, :-1])
    if not len(along_x) and not len(along_y):
        return []
    low = np.concatenate([along_x, along_y])
    step = np.repeat([[1, 0], [0, 1]], [len(along_x), len(along_y)], axis=0)
    number = np.concatenate([along_x[:, 0] * m + along_x[:, 1], n * m + along_y[:, 0] * m + along_y[:, 1]])
    first_free = padded[low[:, 0], low[:, 1]]
    inner = np.where(first_free[:, None], low, low + step) - 1
    outer = np.where(first_free[:, None], low + step, low) - 1
    xs = np.concatenate([[grid.x[0] - 1.0], grid.x, [grid.x[-1] + 1.0]])
    ys = np.concatenate([[grid.y[0] - 1.0], grid.y, [grid.y[-1] + 1.0]])
    a = np.stack([xs[inner[:, 0] + 1], ys[inner[:, 1] + 1]], axis=1)
    b = np.stack([xs[outer[:, 0] + 1], ys[outer[:, 1] + 1]], axis=1)
    on_border = ((outer < 0) | (outer >= np.array(free.shape))).any(axis=1)
    points = a.copy()
    inside = np.flatnonzero(~on_border)
    points[inside] = _halved(ground, grid, (number[inside], a[inside], b[inside]), z_mm)
    row_of = np.full(2 * n * m, -1, np.int64)
    row_of[number] = np.arange(len(number))
    order, starts = chained_edges(padded, row_of, len(number))
    chains = []
    for k in range(len(starts) - 1):
        ring = points[order[starts[k] : starts[k + 1]]]
        stays = np.abs(np.diff(ring, axis=0, append=ring[:1])).max(axis=1) <= 1e-9
        ring = ring[~stays]
        if len(ring) >= 3:
            chains.append(np.vstack([ring, ring[:1]]))
    return chains


def _halved(ground: SideGround, grid: Grid, edges: tuple[Ints, Floats, Floats], z_mm: float) -> Floats:
    """Find where the ground rises over a height along edges from free places to blocked ones; return the free side."""
    number, a, b = edges
    low, high = np.zeros(len(a)), np.ones(len(a))
    length = np.abs(b - a).max(axis=1)

    def at(part: Floats, which: Ints) -> Bools:
        place = a[which] + part[:, None] * (b[which] - a[which])
        return ground.stands_free(place[:, 0], place[:, 1], z_mm)

    # an upright wall stands where it stood at the level before
    known = [(k, grid.ends[e]) for k, e in enumerate(number.tolist()) if e in grid.ends]
    if known:
        which = np.array([k for k, _ in known])
        ends = np.array([e for _, e in known])
        same = at(ends[:, 0], which) & ~at(ends[:, 1], which)
        low[which[same]], high[which[same]] = ends[same, 0], ends[same, 1]
    while True:
        open_ = np.flatnonzero((high - low) * length > EXACT_MM)
        if not open_.size:
            break
        middle = 0.5 * (low[open_] + high[open_])
        yes = at(middle, open_)
        low[open_[yes]], high[open_[~yes]] = middle[yes], middle[~yes]
    for e, p, q in zip(number.tolist(), low.tolist(), high.tolist()):
        grid.ends[e] = (p, q)
    return a + low[:, None] * (b - a)


def _simpler(chain: Floats, within_mm: float) -> Floats:
    """Leave out corners of a ring that lie within a distance of the chords of the others."""
    # begin at the corner farthest from the first, so that a seam in the middle of a wall can go too
    far = int(np.argmax(np.hypot(*(chain - chain[0]).T)))
    ring = np.vstack([chain[far:-1], chain[: far + 1]])
    out = shapely.get_coordinates(shapely.simplify(shapely.LineString(ring), within_mm))
    return np.asarray(out, dtype=np.float64)
