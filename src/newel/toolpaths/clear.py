"""Clear at a side: pocket by pocket to the bottom, every level with a bounded engagement (clear_region.py, descent.py)."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import shapely
from numpy.typing import NDArray

from newel.core.motion import MoveKind, Toolpath
from newel.core.plan import Cut
from newel.core.profile import CutterShape
from newel.geometry.blank import Blank
from newel.geometry.drop import DropTree
from newel.toolpaths.clear_fins import fin_piece, fins_left
from newel.toolpaths.clear_kernels import Field, pass_along, way_is_clear
from newel.toolpaths.clear_laps import lap_round, laps_down
from newel.toolpaths.clear_region import LINK_FILM_MM, Engagement, Piece, asked_angle_rad, cleared, field_of, left_over
from newel.toolpaths.descent import AIR_MM, ON_FLOOR_MM, Grounds, Level, Place, descent
from newel.toolpaths.linking import Rows, Surroundings, toolpath_of
from newel.toolpaths.lowest_tip import BODY_CLEARANCE_MM
from newel.toolpaths.side_ground import SideGround, side_ground
from newel.toolpaths.side_links import (
    SideScene,
    helix_down,
    level_link,
    lifted_link,
    ramp_down,
    rows_along,
    side_scene,
)
from newel.toolpaths.side_stock import SideStock, closely, cutting_radius, side_stock, standing, take_off

Floats = NDArray[np.float64]
Progress = Callable[[float], None] | None

_SAME_MM = 1e-6
_CELL = (6.0, 15.0)  # cells over the width of cut, and over the cutter's radius, at least
_FINEST_MM, _MOST_CELLS = 0.05, 600_000
_CLOSE_MM = 0.3  # how closely finished paths are asked against the ground
_FOLLOWED_MM = 0.003  # what a straight move may stray from the places it stands for
_BODY_EVERY = 3
_STAYS_OF_ALLOWANCE = 0.75  # so much more may stay against a wall: its own cut takes it, at a feed that follows the force
_OVER_TOP_MM = 0.1  # a helix begins this much over the stock


def clear(
    cut: Cut, shape: CutterShape, target: DropTree, blank: Blank, around: Surroundings, progress: Progress = None
) -> Toolpath:
    """Return the passes that clear everything the edge may reach between the cut's bounds, pocket by pocket.

    The engaged angle that a level's width of cut means, acos(1 - width/R), is held on the stock as it then is. Walls keep the
    allowance; floors named in `flats_z_mm` come out at their own height. Where the tip may stand beside the bar in no stock
    (bounds a radius and more outside the bar) it comes in from there.
    """
    return cleared_levels(cut, shape, target, blank, around, progress, against_mm=2.0 * shape.edge.radius_mm)


def cleared_levels(
    cut: Cut,
    shape: CutterShape,
    target: DropTree,
    blank: Blank,
    around: Surroundings,
    progress: Progress,
    *,
    against_mm: float,
) -> Toolpath:
    """Clear pocket by pocket; passes run against the cutter's turning where that saves more than `against_mm` of way."""
    edge, walls = (
        side_ground(cut, shape, target, around.keep_out, around.clearance_mm, walls_only=only) for only in (False, True)
    )
    deepest = cut.deepest_mm or cut.ap_mm
    radius = cutting_radius(shape.edge, cut.ap_mm)
    step = max(min(cut.width_mm(deepest) / _CELL[0], radius / _CELL[1]), _FINEST_MM)
    stock = side_stock(blank, edge.turn_deg, step)
    work = _Work(shape, radius, step)
    for place in descent(cut, Grounds(edge, walls), stock, radius, lambda: work.at):
        asked = asked_angle_rad(radius, cut.width_mm(place.level.depth_mm))
        widest = asked_angle_rad(radius, max(cut.width_mm(place.level.depth_mm), cut.widest_mm or 0.0))
        wanted = Engagement(radius, asked, against_mm, around.centre_cutting, widest, stock.sure_mm)
        _clear_at(work, side_scene(cut, shape, place.ground, stock, around), place, wanted)
        if progress is not None:
            progress(place.share)
    return toolpath_of(work.rows, around)


def _clear_at(work: _Work, scene: SideScene, place: Place, asked: Engagement) -> None:
    """Clear one part of one level of what stands over it, and take that off the stock."""
    level = place.level
    field = _field(work, scene, place.part, level)
    if field is None:
        return
    wanted = _wanted(scene.cut, field)
    if not (left_over(field) & wanted).any():
        return
    stood = wanted & (field.far > field.radius)
    ways: list[Floats] = []
    lap = lap_round(place.part, field) if scene.cut.widest_mm is not None else None
    if lap is not None:
        _keep(work, scene, _lap_rows(scene, level, place.part, lap, work))
        pass_along(field, lap)
        ways.append(lap)
    for piece in cleared(field, asked, work.at_level(level.z_mm), wanted):
        exact = _exact(place.ground, place.part, piece, level)
        ways += [exact.path, *([exact.circle()] if exact.enters == "helix" else [])]
        _keep(work, scene, _piece_rows(scene, level, exact, work))
    work.last = field
    _clear_fins(work, scene, place, field, ways, stood)


def _clear_fins(
    work: _Work, scene: SideScene, place: Place, field: Field, ways: list[Floats], stood: NDArray[np.bool_]
) -> None:
    """Take off the fins that the ways along one part of one level left standing."""
    for fin in fins_left(place.part, ways, field, stood, _STAYS_OF_ALLOWANCE * scene.cut.allowance_mm):
        piece = fin_piece(fin, place.part, ways, field, work.at_level(place.level.z_mm))
        if piece is not None:
            _keep(work, scene, _piece_rows(scene, place.level, piece, work))
            pass_along(field, piece.path)


def _keep(work: _Work, scene: SideScene, new: list[Rows]) -> None:
    """Add rows to what is gathered, and take off the stock what they cut."""
    work.rows += new
    work.at = new[-1].pose[-1, :3].copy()
    for block in new:
        take_off(scene.stock, work.shape.edge, _cutting(block))


def _wanted(cut: Cut, field: Field) -> NDArray[np.bool_]:
    """Tell which points of a field must not be left standing: those along the part, but for a part of the walls' allowance."""
    low, high = cut.wanted_x_mm or (-np.inf, np.inf)
    x = field.x0 + field.step * np.arange(field.far.shape[0])
    return ((x >= low) & (x <= high))[:, None] & (field.room > -(field.radius - _STAYS_OF_ALLOWANCE * cut.allowance_mm))


class _Work:
    """What is gathered through the levels of a cut."""

    def __init__(self, shape: CutterShape, radius_mm: float, step_mm: float) -> None:
        self.shape, self.radius_mm, self.step_mm = shape, radius_mm, step_mm
        self.rows: list[Rows] = []
        self.at: Floats | None = None  # the tip, x, y, z; None: at the retract height
        self.last: Field | None = None  # of the part that was cut last, as it was left

    def at_level(self, z_mm: float) -> tuple[float, float] | None:
        """Where the tip is, if it stands at a height."""
        if self.at is None or abs(self.at[2] - z_mm) > _SAME_MM:
            return None
        return float(self.at[0]), float(self.at[1])

    def over_floor(self, to: Floats, z_mm: float) -> bool:
        """Whether the tip can go straight to over a place on the floor that it stands on, which lies no lower than a height."""
        if self.at is None or self.last is None or self.at[2] < z_mm - _SAME_MM:
            return False
        return bool(way_is_clear(self.last, self.at[0], self.at[1], to[0], to[1], 2.0 * LINK_FILM_MM))


def _rings(part: shapely.Polygon) -> list[Floats]:
    turned = shapely.geometry.polygon.orient(part)
    return [np.array(ring.coords) for ring in (turned.exterior, *turned.interiors)]


def _field(work: _Work, scene: SideScene, part: shapely.Polygon, level: Level) -> Field | None:
    """The field of one part of a level: what stands over it, and where the tip and the body may be."""
    radius = work.radius_mm
    x0, y0, x1, y1 = part.bounds
    step = max(work.step_mm, float(np.sqrt((x1 - x0 + 2.0 * radius) * (y1 - y0 + 2.0 * radius) / _MOST_CELLS)))
    margin = radius + 5.0 * step
    x = x0 - margin + step * np.arange(int((x1 - x0 + 2.0 * margin) / step) + 2)
    y = y0 - margin + step * np.arange(int((y1 - y0 + 2.0 * margin) / step) + 2)
    gx, gy = np.broadcast_arrays(x[:, None], y[None, :])
    over = scene.stock.at(gx, gy) - level.z_mm
    stands = over > min(AIR_MM, 0.5 * level.depth_mm)
    if not stands.any():
        return None
    tall = np.clip(over / level.depth_mm, 0.0, 1.0)
    field = field_of(_rings(part), stands, (float(x[0]), float(y[0])), step, radius, tall)
    body_low = float(scene.body[1][0])
    if scene.stock.highest_mm > level.z_mm + body_low - BODY_CLEARANCE_MM:
        some = np.s_[::_BODY_EVERY, ::_BODY_EVERY]
        under = standing(scene.body_stock, scene.body, gx[some], gy[some], BODY_CLEARANCE_MM + 0.5 * _BODY_EVERY * step)
        meets = np.repeat(np.repeat(under.reshape(gx[some].shape) > level.z_mm, _BODY_EVERY, axis=0), _BODY_EVERY, axis=1)
        field.room[meets[: len(x), : len(y)]] = -radius
    return field


def _exact(ground: SideGround, part: shapely.Polygon, piece: Piece, level: Level) -> Piece:
    """Return the piece with places left out that straight moves follow anyway, and put back where it left allowed ground."""
    path = piece.path
    if len(path) > 2:
        path = shapely.get_coordinates(shapely.simplify(shapely.LineString(path), _FOLLOWED_MM))
    return replace(piece, path=_put_back(ground, part, path, level), link=_put_back(ground, part, piece.link, level))


def _put_back(ground: SideGround, part: shapely.Polygon, path: Floats, level: Level) -> Floats:
    """Return a way (n, 2) with its places, asked closely, put back to the edge of allowed ground where they lie beyond it."""
    if not len(path):
        return path
    dense = closely(np.column_stack([path, np.zeros(len(path))]), _CLOSE_MM)[:, :2]
    bad = ~ground.stands_free(dense[:, 0], dense[:, 1], level.z_mm + 2.0 * ON_FLOOR_MM)
    if not bad.any():
        return path
    lines = shapely.shortest_line(shapely.points(dense[bad]), part)
    dense[bad] = shapely.get_coordinates(lines).reshape(-1, 2, 2)[:, 1]
    keep = bad | np.isin(np.arange(len(dense)), _corner_rows(path))
    return dense[keep]


def _corner_rows(path: Floats) -> NDArray[np.int64]:
    """Rows of the corners of a path among its places made close by `closely`."""
    count = np.maximum(1, np.ceil(np.abs(np.diff(path, axis=0)).max(axis=1) / _CLOSE_MM)).astype(int)
    return np.concatenate([[0], np.cumsum(count)])


def _lap_rows(scene: SideScene, level: Level, part: shapely.Polygon, lap: Floats, work: _Work) -> list[Rows]:
    """Rows of laps down through a part of a level, the way to them included; they begin where the tip has least way to go."""
    if work.at is not None:
        first = int(np.argmin(np.hypot(*(lap[:-1] - work.at[:2]).T)))
        lap = np.vstack([lap[first:-1], lap[: first + 1]])
    top = level.z_mm + level.depth_mm
    down = laps_down(scene, part, lap, (top + _OVER_TOP_MM, level.z_mm))
    return [*_to_entry(scene, work, down.pose[0, :3], top), down]


def _to_entry(scene: SideScene, work: _Work, begin: Floats, over_mm: float) -> list[Rows]:
    """The way to where stock no higher than `over_mm` is entered from above: over the floor where the tip stands on one."""
    at = work.at
    if at is None or over_mm > at[2] + AIR_MM or not work.over_floor(begin, begin[2] - _OVER_TOP_MM - AIR_MM):
        return lifted_link(scene, at, begin)
    way = level_link(scene, np.array([at[:2], begin[:2]]), float(at[2]), float(begin[2]))
    return [replace(rows, kind=np.full_like(rows.kind, MoveKind.LINK)) for rows in way]  # nothing stands where it ends


def _piece_rows(scene: SideScene, level: Level, piece: Piece, work: _Work) -> list[Rows]:
    """Rows of one piece, the way to it included."""
    z, path, at = level.z_mm, piece.path, work.at
    if piece.enters == "helix":
        over = _top_within(scene.stock, piece.middle, piece.helix_mm + scene.edge_radius_mm)
        top = min(over, z + level.depth_mm) + _OVER_TOP_MM
        down = helix_down(scene, piece.middle, piece.helix_mm, (top, z))
        return [*_to_entry(scene, work, down.pose[0, :3], over), down, _cut_rows(scene, path, z, 1.0)]
    layers = [z + level.depth_mm * (1.0 - (k + 1) / piece.layers) for k in range(piece.layers)]
    layers[-1] = z
    share = scene.slot_share if piece.layers > 1 else 1.0
    if piece.enters == "ramp":
        top = z + level.depth_mm
        return [*lifted_link(scene, at, np.array([*path[0], top])), ramp_down(scene, path, [top, *layers])]
    if len(piece.link) and at is not None and np.abs(at - [*piece.link[0], z]).max() <= _CLOSE_MM:
        way = piece.link.copy()
        way[-1] = path[0]
        rows = level_link(scene, way, z, layers[0])
    else:
        rows = lifted_link(scene, at, np.array([*path[0], layers[0]]))
    for k, height in enumerate(layers):
        if k:
            rows += level_link(scene, path[::-1], layers[k - 1], height)
        rows.append(_cut_rows(scene, path, height, share))
    return rows


def _cut_rows(scene: SideScene, path: Floats, z: float, share: float) -> Rows:
    places = np.column_stack([path, np.full(len(path), z)])[1:] if len(path) > 1 else np.array([[*path[0], z]])
    return rows_along(scene, places, scene.cut.feed_mm_per_min * share, MoveKind.CUT)


def _top_within(stock: SideStock, middle: tuple[float, float], reach_mm: float) -> float:
    """The highest stock within a square about a place."""
    i, j = (int(np.rint((m - o) / stock.step_mm)) for m, o in zip(middle, (stock.x0_mm, stock.y0_mm)))
    r = int(np.ceil(reach_mm / stock.step_mm))
    some = stock.height_mm[max(0, i - r) : i + r + 1, max(0, j - r) : j + r + 1]
    return float(some.max(initial=-np.inf))


def _cutting(rows: Rows) -> Floats:
    """The tip places of rows that cut."""
    return rows.pose[:, :3] if (rows.kind >= MoveKind.ENTRY).all() else np.zeros((0, 3))
