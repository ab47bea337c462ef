"""Clearing a plane region with a bounded engagement: pieces of path, in order, each measured on what stands as it is cut.

The road: the cutter marches along the front of the stock and at every step turns into it as far as the asked engaged angle
allows (clear_kernels.march). What is asked is held by measuring, so region and stock may have any shape. Where a march ends
at a wall the next begins at the nearest front, rolled back along it to where it starts. Ground without a way in gets a
helix; ground too narrow for the asked angle is cut as a slot in thinner layers, so that angle times depth stays.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import binary_dilation, binary_opening, distance_transform_edt

from newel.toolpaths import clear_kernels as kernels
from newel.toolpaths.clear_kernels import Field, March

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]
Ints = NDArray[np.int64]

THIN_MM = 0.04  # stock thinner than this beside the edge of a region is left: the walls have their own cut
_STRAY_CELLS = 0.1  # of a cell, at its middle: by how much distances may say that a sharp corner is further off than it is
_SEEN_MM = 0.005  # stock thinner than this is not met
_MET_RAD = 0.02  # less than this is not met
_BESIDE_RAD = 0.1  # stock that begins no further than this from square to the heading lies beside the cutter
_AREA_OVER = 1.08  # what may be taken off where not all stock is as tall, over the asked: well inside the 1.2 that is promised
_SAMPLES = 64  # of half the rim
_DIRECTIONS = 64
_MOST_ROWS = 60_000
_STEP_OVER_RADIUS = 0.08
_ROLL_RAD = 0.03
_HELIX_RADIUS = (0.25, 0.8)  # of the cutter's; the hole's middle is always cut
_HELIX_DEAD_END = 0.5  # least, for a cutter that does not cut to its centre (common practice)
_SLOT_ANGLES = (1.5, 2.2, 4.0)  # of the asked one: what a narrow place is tried with, in turn
_SLOT_LONGEST_R = 8.0
_SLOT_WIDE_R = 0.5
_CRUMBS_R2 = 4.0  # of the radius squared: about the hole that a helix cuts
_INTO_SPECK_R = 0.2
_NEAR_R = 6.0
_APPROACH_MM = 0.8
LINK_FILM_MM = 0.015
_LINK_R = 0.7  # what stopping and starting for a link is worth of way
_WORTH = 0.12  # a piece that takes off less than this share of what a straight cut would is no piece: the place is narrow
_WORTH_IN_THE_OPEN = 0.01  # the same where there is room: strips must go, however thin


@dataclass(frozen=True)
class Engagement:
    """What is asked: the cutter's radius at its side, the engaged angle, what way a pass against its turning must save.

    The angle is that in stock as thick as the level; where less stands it may be as much wider, up to `widest_rad`. `past_mm`:
    how far past the edge of a strip of stock the cutter goes along it, because the stock's edge is not known better.
    """

    radius_mm: float
    angle_rad: float
    against_mm: float = np.inf
    centre_cutting: bool = True
    widest_rad: float | None = None
    past_mm: float = 0.0


@dataclass(frozen=True)
class Piece:
    """One run of the cutter's axis over a region: places (n, 2) and engaged angles (n,) at them.

    `enters`: 'beside' from ground that is clear, 'helix' or 'ramp' down from above at the first place. `layers`: how many
    layers the level is cut in along it. `link` (m, 2): a way at the level's height, from the piece before to the first place,
    that is clear (empty: none, go over). `helix_mm`: radius of the helix about the first place's circle's middle, at `middle`.
    """

    path: Floats
    angle_rad: Floats
    enters: str
    layers: int
    link: Floats
    middle: tuple[float, float] = (0.0, 0.0)
    helix_mm: float = 0.0

    def circle(self) -> Floats:
        """Return the circle (n, 2) that the axis goes down round, if a helix begins the piece."""
        return _circle(self.middle, self.helix_mm)


def _circle(middle: tuple[float, float], radius_mm: float) -> Floats:
    turn = np.linspace(0.0, 2.0 * np.pi, 97)
    return np.stack([middle[0] + radius_mm * np.cos(turn), middle[1] + radius_mm * np.sin(turn)], axis=1)


def asked_angle_rad(radius_mm: float, ae_mm: float) -> float:
    """Return the engaged angle of a straight cut of a width: acos(1 - ae/R) (plane geometry; pi for a full slot)."""
    return float(np.arccos(np.clip(1.0 - ae_mm / radius_mm, -1.0, 1.0)))


def field_of(
    contours: list[Floats],
    stock: Bools,
    origin_mm: tuple[float, float],
    step_mm: float,
    radius_mm: float,
    tall: Floats | None = None,
) -> Field:
    """Make the field of a level: contours of where the axis may be (allowed ground on the left), stock on a grid (nx, ny).

    `tall` (nx, ny): how much of the level's depth stands at each point, 0 to 1 (None: all of it everywhere).

    Stock that the cutter does not reach from the allowed ground stays as wall; strips of stock thinner than two cells
    within its reach are taken for air.
    """
    room = np.empty(stock.shape)
    starts = np.cumsum([0] + [len(c) for c in contours]).astype(np.int64)
    corners = np.vstack(contours) if contours else np.zeros((0, 2))
    band = radius_mm + 4.0 * step_mm
    kernels.signed_room(np.ascontiguousarray(corners), starts, *origin_mm, step_mm, band, room)
    _keep_in(room, corners, starts, origin_mm, step_mm)
    reached = room > -(radius_mm - THIN_MM)
    mine = stock & reached
    thick = binary_dilation(binary_opening(mine, np.ones((3, 3), bool)), np.ones((5, 5), bool)) & mine
    stands = (stock & ~reached) | thick
    inside, outside = distance_transform_edt(stands), distance_transform_edt(~stands)
    depth = np.where(stands, inside - 0.5, 0.5 - outside) * step_mm
    share = np.ones(stock.shape) if tall is None else np.ascontiguousarray(tall, dtype=np.float64)
    return Field(np.maximum(radius_mm + depth, 0.0), room, *origin_mm, step_mm, radius_mm, share)


def _keep_in(room: Floats, corners: Floats, starts: Ints, origin_mm: tuple[float, float], step_mm: float) -> None:
    """Lower distances (nx, ny), in place, where reading them bilinearly would let the axis across a sharp corner.

    Where ground that is not allowed runs into the allowed as a wedge, the four points about its tip may say that all between
    them is allowed. The middle of each cell tells how far that is wrong.
    """
    nx, ny = room.shape
    true = np.empty((nx - 1, ny - 1))
    middle = origin_mm[0] + 0.5 * step_mm, origin_mm[1] + 0.5 * step_mm
    kernels.signed_room(np.ascontiguousarray(corners), starts, *middle, step_mm, 2.0 * step_mm, true)
    quarters = [np.s_[i : nx - 1 + i, j : ny - 1 + j] for i in (0, 1) for j in (0, 1)]
    read = sum((0.25 * room[some] for some in quarters), np.zeros_like(true))
    over = np.where(np.abs(true) < step_mm, np.maximum(read - true - _STRAY_CELLS * step_mm, 0.0), 0.0)
    lower = np.zeros_like(room)
    for some in quarters:
        np.maximum(lower[some], over, out=lower[some])
    room -= lower


def left_over(field: Field) -> Bools:
    """Return which points of the field hold stock that the cutter reaches and has not cut."""
    return (field.far > field.radius + THIN_MM) & (field.room > -(field.radius - THIN_MM))


def cleared(field: Field, asked: Engagement, at: tuple[float, float] | None, wanted: Bools | None = None) -> list[Piece]:
    """Clear a field: the pieces in order. `at`: where the cutter is down at this height (None: it comes from above).

    `wanted` (nx, ny): points that nothing may be left at (None: all); elsewhere only what lies in the way is cut. The field is
    changed to what is left.
    """
    run = _Run(field, asked, at, np.zeros(field.far.shape, np.bool_) if wanted is None else ~wanted)
    while True:
        if run.beside(1.0):
            continue
        if run.crumbs() and (any(run.beside(share) for share in _SLOT_ANGLES) or run.speck()):
            continue
        if run.helix():
            continue
        if not any(run.beside(share) for share in _SLOT_ANGLES) and not run.ramp():
            return run.pieces


@dataclass(frozen=True)
class _Fruitless:
    """A start that came to nothing: at which share of the asked angle, the points it stands for, the tiles it hangs on."""

    share: float
    points: tuple[slice, slice]
    near: Bools


class _Run:
    """A clearing under way: the field, the pieces so far, and where the cutter is."""

    def __init__(self, field: Field, asked: Engagement, at: tuple[float, float] | None, may_stay: Bools) -> None:
        self.field, self.asked, self.at, self.may_stay = field, asked, at, may_stay
        self.pieces: list[Piece] = []
        self.before = field.far.copy()  # as it was when the last piece was kept
        self.tried: Bools = np.zeros(field.far.shape, np.bool_)
        self.blind: Bools = np.zeros(field.far.shape, np.bool_)  # points that no cutter can stand beside, as things are
        self.fruitless: list[_Fruitless] = []
        self.tile = max(1, int(np.ceil(field.radius / field.step)))
        self.path, self.angle = np.empty((_MOST_ROWS, 2)), np.empty(_MOST_ROWS)

    def beside(self, share: float) -> bool:
        """Cut the nearest front that can be begun from clear ground at a share of the asked angle; False where none can."""
        np.logical_or(self.blind, self.may_stay, out=self.tried)
        known = [start for start in self.fruitless if start.share == share]
        for start in known:
            self.tried[start.points] = True
        x, y = self.at if self.at is not None else self._corner()
        spot = np.empty(3)
        found = False
        while not found:
            point = kernels.find_start(self.field, self.tried, x, y, THIN_MM, _DIRECTIONS, spot)
            if point < 0:
                break
            found, near = self._from(spot.copy(), share)
            if not found:
                # a front that is not worth cutting from here is not from a radius further on either
                i, j = divmod(point, self.field.far.shape[1])
                points = np.s_[max(0, i - self.tile) : i + self.tile + 1, max(0, j - self.tile) : j + self.tile + 1]
                self.tried[points] = True
                known.append(_Fruitless(share, points, near))
                self.fruitless.append(known[-1])
        mine = np.zeros(self.tried.shape, np.bool_)
        for start in known:
            mine[start.points] = True
        seen = self.tried & ~mine
        self.blind |= seen
        return found

    def _from(self, spot: Floats, share: float) -> tuple[bool, Bools]:
        """Roll back along the front from a spot, cut it, and keep the piece where it took something off.

        Returns whether it was kept, and the tiles that what came of it hangs on.
        """
        sides = (1.0, -1.0) if self.asked.against_mm < np.inf else (1.0,)
        begins = []
        for side in sides:
            heading = spot[2] if side > 0 else spot[2] + np.pi
            count, back = self._march(spot[:2], heading + np.pi, -side, _ROLL_RAD, cuts=False)
            begins.append((side, self.path[:count].copy(), back + np.pi))
        if self.at is not None and len(begins) > 1:
            begins.sort(key=lambda b: float(np.hypot(*(b[1][-1] - self.at))) + (0.0 if b[0] > 0 else self.asked.against_mm))
        side, rolled, heading = begins[0]
        link = self._link(rolled)
        count, _ = self._march(rolled[-1], heading, side, min(share * self.asked.angle_rad, np.pi + 0.01), cuts=True)
        near = self._near([*(way for _, way, _ in begins), self.path[:count]])
        window = self._window(self.path[:count])
        if count < 2 or (share < _SLOT_ANGLES[-1] and self._off(window) < np.ceil(share) * self._worth(count)):
            self.field.far[window] = self.before[window]
            return False, near
        layers = int(np.ceil(max(self.angle[:count].max() / self.asked.angle_rad - 0.1, 1.0))) if share > 1.0 else 1
        self._keep(Piece(self.path[:count].copy(), self.angle[:count].copy(), "beside", layers, link))
        return True, near

    def _cells(self, places: Floats) -> Ints:
        """The cells (n, 2) of the field that hold places (n, 2), those outside moved to its border."""
        cell = np.rint((places - (self.field.x0, self.field.y0)) / self.field.step).astype(np.int64)
        return np.clip(cell, 0, np.array(self.field.far.shape) - 1)

    def _window(self, path: Floats) -> tuple[slice, slice]:
        """The part of the field that a march may have changed whose path was worth keeping so far."""
        cell, reach = self._cells(path), 2 * self.tile + 5
        low, high = np.maximum(cell.min(axis=0) - reach, 0), cell.max(axis=0) + reach + 1
        return slice(int(low[0]), int(high[0])), slice(int(low[1]), int(high[1]))

    def _near(self, ways: list[Floats]) -> Bools:
        """The tiles, a radius wide, within two of any place of some ways: what marches along them feels of the stock."""
        near = np.zeros([-(-n // self.tile) for n in self.field.far.shape], np.bool_)
        for way in ways:
            tile = self._cells(way) // self.tile
            near[tile[:, 0], tile[:, 1]] = True
        return np.asarray(binary_dilation(near, np.ones((5, 5), bool)), np.bool_)

    def _forget(self) -> None:
        """Forget what was found fruitless or blind where the stock has changed since; note the field as it is."""
        field = self.field
        changed = (self.before > field.radius - 2.0 * field.step) & (field.far < self.before)
        i, j = (cell // self.tile for cell in np.nonzero(changed))
        tiles = np.zeros([-(-n // self.tile) for n in field.far.shape], np.bool_)
        tiles[i, j] = True
        self.fruitless = [start for start in self.fruitless if not (start.near & tiles).any()]
        wide = binary_dilation(tiles, np.ones((7, 7), bool))
        cells = np.repeat(np.repeat(wide, self.tile, axis=0), self.tile, axis=1)
        gone = cells[: self.blind.shape[0], : self.blind.shape[1]]
        self.blind[gone] = False
        self.tried[gone] = False
        np.copyto(self.before, field.far)

    def _off(self, window: tuple[slice, slice]) -> float:
        """Area of stock (mm2) taken off in a part of the field since it was last noted."""
        radius = self.field.radius
        off = (self.before[window] > radius) & (self.field.far[window] <= radius)
        return float(np.count_nonzero(off)) * self.field.step**2

    def _worth(self, rows: int) -> float:
        """Area that a piece must take off to be worth its way, the way back to its beginning and what a link costs."""
        radius = self.field.radius
        back = float(np.hypot(*(self.path[rows - 1] - self.path[0])))
        way = rows * _STEP_OVER_RADIUS * radius + back + _LINK_R * radius
        cell = self._cells(self.path[:rows])
        narrow = np.median(self.field.room[cell[:, 0], cell[:, 1]]) <= _SLOT_WIDE_R * radius
        return (_WORTH if narrow else _WORTH_IN_THE_OPEN) * radius * (1.0 - float(np.cos(self.asked.angle_rad))) * way

    def _left(self) -> Bools:
        """Return which points hold stock that must still go."""
        return left_over(self.field) & ~self.may_stay

    def crumbs(self) -> bool:
        """Tell whether so little is left that going down into it would take longer than cutting it in layers from beside."""
        return float(np.count_nonzero(self._left())) * self.field.step**2 < _CRUMBS_R2 * self.field.radius**2

    def speck(self) -> bool:
        """Go a little way straight into the nearest bit that is too small to march along; False where none goes away so."""
        field, before = self.field, int(np.count_nonzero(self._left()))
        np.copyto(self.tried, self.may_stay)
        x, y = self.at if self.at is not None else self._corner()
        spot = np.empty(3)
        point = kernels.find_start(field, self.tried, x, y, THIN_MM, _DIRECTIONS, spot)
        if point < 0:
            return False
        place = np.array(self._place(*divmod(point, field.far.shape[1])))
        toward = (place - spot[:2]) / np.hypot(*(place - spot[:2]))
        path = np.stack([spot[:2], spot[:2] + _INTO_SPECK_R * field.radius * toward])
        heading = float(np.arctan2(toward[1], toward[0]))
        angle, _ = kernels.engaged(field, path[1, 0], path[1, 1], heading, 1.0, _SEEN_MM, _SAMPLES)
        link = self._link(path[:1])
        cells = self._cells(np.linspace(path[0], path[1], 9))
        has_room = bool((field.room[cells[:, 0], cells[:, 1]] >= field.step).all())
        if angle > self.asked.angle_rad or not has_room:
            return False
        kernels.pass_along(field, path)
        if int(np.count_nonzero(self._left())) >= before:
            return False
        self._keep(Piece(path, np.array([0.0, angle]), "beside", 1, link))
        return True

    def helix(self) -> bool:
        """Go down by a helix where the region is widest over untouched stock, and march on from it; False where none fits."""
        least, most = (share * self.field.radius for share in _HELIX_RADIUS)
        if not self.asked.centre_cutting:
            least = _HELIX_DEAD_END * self.field.radius
        room = np.where(self._left() & (self.field.far > self.field.radius + THIN_MM), self.field.room, -1.0)
        if room.max() < least + 0.02:
            return False
        i, j = _widest(room, self.field.step)
        middle = self._place(i, j)
        radius = float(min(room[i, j] - _SEEN_MM, most))
        circle = _circle(middle, radius)
        kernels.pass_along(self.field, circle)
        count, _ = self._march(circle[-1], 0.5 * np.pi, 1.0, self.asked.angle_rad, cuts=True)
        self._keep(
            Piece(self.path[:count].copy(), self.angle[:count].copy(), "helix", 1, np.zeros((0, 2)), middle, radius)
        )  # fmt: skip
        return True

    def ramp(self) -> bool:
        """Go down by a ramp along a place too narrow for a helix and cut off from clear ground; False where none is left."""
        room = np.where(self._left(), self.field.room, -1.0)
        i, j = np.unravel_index(int(np.argmax(room)), room.shape)
        if room[i, j] <= 0.0:
            return False
        x, y = self._place(int(i), int(j))
        kernels.pass_over(self.field, x, y, x, y)
        best = (1, np.zeros((1, 2)), np.zeros(1))
        field = self.field
        for heading in np.linspace(0.0, 2.0 * np.pi, 16, endpoint=False):
            self.field = field._replace(far=field.far.copy())
            count, _ = self._march(np.array([x, y]), heading, 1.0, np.pi + 0.01, cuts=True, longest=_SLOT_LONGEST_R)
            if count > best[0]:
                best = (count, self.path[:count].copy(), self.angle[:count].copy())
        self.field = field
        kernels.pass_along(field, best[1])
        layers = int(np.ceil(np.pi / self.asked.angle_rad))
        self._keep(Piece(best[1], best[2], "ramp", layers, np.zeros((0, 2))))
        return True

    def _march(
        self, at: Floats, heading: float, side: float, most_rad: float, *, cuts: bool, longest: float = np.inf
    ) -> tuple[int, float]:
        """March from a place into `self.path` and `self.angle`; return how many rows and the last heading."""
        radius = self.field.radius
        slot = cuts and most_rad > 1.01 * self.asked.angle_rad
        how = March(
            way=_STEP_OVER_RADIUS * radius,
            most_rad=most_rad,
            spread_rad=self.asked.angle_rad if cuts and not slot else np.pi + 0.01,
            widest_rad=(self.asked.widest_rad or self.asked.angle_rad) + 0.01 if cuts and not slot else np.pi + 0.01,
            # a straight cut's width over its radius is 1 - cos of its angle: the same area where not all is as tall
            area=_AREA_OVER * (1.0 - float(np.cos(min(most_rad, np.pi)))) if cuts else np.inf,
            thin=_SEEN_MM if cuts else THIN_MM,
            side=side,
            idle=(0.5 if cuts else 0.25) * radius,
            longest=min(longest, _SLOT_LONGEST_R if slot else np.inf) * radius if cuts else 0.4 * _MOST_ROWS * 0.01 * radius,
            wide=_SLOT_WIDE_R * radius if slot else np.inf,
            cuts=cuts,
            met_rad=_MET_RAD,
            beside_rad=max(_BESIDE_RAD, asked_angle_rad(radius, min(self.asked.past_mm, 0.5 * radius))),
        )
        count, last = kernels.march(self.field, at[0], at[1], heading, how, _SAMPLES, self.path, self.angle)
        return int(count), float(last)

    def _link(self, rolled: Floats) -> Floats:
        """A clear way at this height from where the cutter is to where a rolled-back way ends; empty where none is short."""
        if self.at is None:
            return np.zeros((0, 2))
        x, y = self.at
        end = rolled[-1]
        if self._clear(x, y, end[0], end[1]):
            return np.array([[x, y], end])
        # back over what was just cut, or along the front that is to be cut
        before = self.pieces[-1].path[::-4] if self.pieces else np.zeros((0, 2))
        most = float(np.hypot(end[0] - x, end[1] - y)) + _NEAR_R * self.field.radius
        for way, turn in ((before, 1), (rolled[::4], -1)):
            gone = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(way, axis=0).T))]) if len(way) > 1 else np.zeros(len(way))
            for k in range(0, len(way), 2):
                place = way[k]
                if turn > 0 and gone[k] < most and self._clear(place[0], place[1], end[0], end[1]):
                    return np.vstack([[[x, y]], way[: k + 1], [end]])
                if turn < 0 and gone[-1] - gone[k] < most and self._clear(x, y, place[0], place[1]):
                    return np.vstack([[[x, y]], way[k:], [end]])
        return np.zeros((0, 2))

    def _clear(self, ax: float, ay: float, bx: float, by: float) -> bool:
        """Whether a straight way is clear; on its last bit a film may stand that was too thin to begin beside."""
        length = float(np.hypot(bx - ax, by - ay))
        t = max(0.0, 1.0 - _APPROACH_MM / max(length, 1e-9))
        mx, my = ax + t * (bx - ax), ay + t * (by - ay)
        clear = kernels.way_is_clear(self.field, ax, ay, mx, my, LINK_FILM_MM) if t > 0.0 else True
        return bool(clear and kernels.way_is_clear(self.field, mx, my, bx, by, 1.5 * THIN_MM))

    def _keep(self, piece: Piece) -> None:
        self._forget()
        self.pieces.append(piece)
        self.at = (float(piece.path[-1, 0]), float(piece.path[-1, 1]))

    def _place(self, i: int, j: int) -> tuple[float, float]:
        return self.field.x0 + i * self.field.step, self.field.y0 + j * self.field.step

    def _corner(self) -> tuple[float, float]:
        return self._place(0, 0)


def _widest(room: Floats, step_mm: float) -> tuple[int, int]:
    """The point furthest from the edge of a region, its room (nx, ny) told only so far; the middle of several such."""
    deep = np.asarray(distance_transform_edt(room >= room.max() - step_mm), dtype=np.float64)
    i, j = np.nonzero(deep >= max(deep.max() - 1.0, 1.0))
    k = int(np.argmin((i - i.mean()) ** 2 + (j - j.mean()) ** 2))
    return int(i[k]), int(j[k])
