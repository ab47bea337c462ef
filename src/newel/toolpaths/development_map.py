"""The development map: how far the blank stands out from the rotary axis, unrolled over X and turn.

Two maps of one blank are kept. `sure` never says less than what stands anywhere in a cell: rapids and bodies keep clear of
it. `likely` says what stands at the middle of each cell: it decides what is worth cutting. A blank that hides a hollow
under an overhang is seen from outside only, so that the map is never lower than the blank.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from newel.core.profile import Profile
from newel.geometry.blank import Blank
from newel.geometry.blank_surface import radial_top
from newel.geometry.parallel import on_threads
from newel.toolpaths.development_map_kernels import MapArrays, cut_map, standing_heights
from newel.toolpaths.spacing import underside

Floats = NDArray[np.float64]

_TABLE_STEPS = 400


@dataclass(frozen=True)
class Table:
    """A cutter's underside for kernels: heights over the tip at even steps of radius from the axis."""

    height_mm: Floats
    r_step_mm: float

    @property
    def radius_mm(self) -> float:
        """The largest radius of the table."""
        return self.r_step_mm * (len(self.height_mm) - 1)

    @property
    def lowest_mm(self) -> float:
        """The lowest height."""
        return float(self.height_mm[0])

    def below(self, height_mm: float) -> Table:
        """Return the table out to where the underside is higher than a height: the rest cannot meet anything lower."""
        count = max(int(np.searchsorted(self.height_mm, height_mm, side="right")) + 1, 2)
        return Table(self.height_mm[:count].copy(), self.r_step_mm)


def table_of(*profiles: Profile) -> Table:
    """Tabulate the underside of one or more profiles turned about the same axis, never above the true one."""
    widest = max(profile.radius_mm for profile in profiles)
    r = np.linspace(0.0, widest, _TABLE_STEPS + 1)
    height = np.full(len(r), np.inf)
    for profile in profiles:
        height = np.minimum(height, underside(profile).height(r))
    return Table(height, widest / _TABLE_STEPS)


@dataclass(frozen=True)
class DevelopmentMap:
    """Radii (nx, na) in mm over X cells and turn cells; see the module's head for the two maps."""

    sure: Floats
    likely: Floats
    x0_mm: float
    x_step_mm: float
    turn_step_deg: float

    def arrays(self, radius_mm: Floats) -> MapArrays:
        """Return one of the maps as the kernels take it."""
        turn = np.radians(self.turn_step_deg) * np.arange(radius_mm.shape[1])
        return MapArrays(radius_mm, self.x0_mm, self.x_step_mm, np.radians(self.turn_step_deg), np.sin(turn), np.cos(turn))

    @property
    def highest_mm(self) -> float:
        """The largest radius anywhere."""
        return float(self.sure.max(initial=0.0))


def map_of(blank: Blank, x_step_mm: float, turn_step_deg: float) -> DevelopmentMap:
    """Unroll a blank; both maps begin as the largest radius in each cell."""
    x0, radius = radial_top(blank, x_step_mm, turn_step_deg)
    sure = np.ascontiguousarray(np.nan_to_num(radius, nan=0.0, neginf=0.0), dtype=float)
    return DevelopmentMap(sure, sure.copy(), float(x0) + 0.5 * x_step_mm, x_step_mm, 360.0 / sure.shape[1])


def coarser(m: DevelopmentMap, times: int) -> DevelopmentMap:
    """Return the map with `times` cells made one each way, each holding the largest of them; for wide bodies."""
    nx, na = m.sure.shape
    if times <= 1 or na % times:
        return m
    rows = -(-nx // times)

    def pooled(radius: Floats) -> Floats:
        padded = np.zeros((rows * times, na))
        padded[:nx] = radius
        # cells are centred on whole turns: pool about every times-th one
        shifted = np.roll(padded, times // 2, axis=1)
        return np.ascontiguousarray(shifted.reshape(rows, times, na // times, times).max(axis=(1, 3)))

    x0 = m.x0_mm + 0.5 * (times - 1) * m.x_step_mm
    return DevelopmentMap(pooled(m.sure), pooled(m.likely), x0, m.x_step_mm * times, m.turn_step_deg * times)


def likely_standing(
    m: DevelopmentMap, table: Table, x_mm: Floats, y_mm: float, turn_deg: Floats, over_mm: Floats | None = None
) -> Floats:
    """Return how low a cutter can stand on the blank as it probably is, -inf where it meets nothing.

    Heights below `over_mm` are not looked for: where a cutter can stand lower, `over_mm` is told, at less work.
    """
    return _standing(m.arrays(m.likely), table, (x_mm, turn_deg, over_mm), y_mm, 0.0)


def sure_standing(
    m: DevelopmentMap, table: Table, x_mm: Floats, y_mm: float, turn_deg: Floats, over_mm: Floats | None = None
) -> Floats:
    """Return a height at which a cutter surely clears the blank, also half a cell to either side; -inf over nothing.

    Heights below `over_mm` are not looked for, as in `likely_standing`.
    """
    return _standing(m.arrays(m.sure), table, (x_mm, turn_deg, over_mm), y_mm, 1.0)


def _standing(
    arrays: MapArrays, table: Table, places: tuple[Floats, Floats, Floats | None], y_mm: float, slack: float
) -> Floats:
    x_mm, turn_deg, over_mm = places
    x, turn = np.broadcast_arrays(np.asarray(x_mm, dtype=float), np.asarray(turn_deg, dtype=float))
    turn_rad = np.radians(np.mod(turn.ravel(), 360.0))
    at = np.ascontiguousarray(x.ravel())
    least = np.array(np.broadcast_to(-np.inf if over_mm is None else over_mm, x.shape)).ravel()  # a copy: a view compiles anew
    found = np.empty(x.size)
    told = (arrays, (at, turn_rad, least), float(y_mm), (table.height_mm, table.r_step_mm), slack)
    on_threads(x.size, lambda first, last: standing_heights(*told, (first, last), found))
    return found.reshape(x.shape)


def take_off(m: DevelopmentMap, table: Table, pose: Floats) -> tuple[Floats, Floats]:
    """Take a run of poses (n, 4; mm and degrees) off both maps in place; return depth (n,) met and (n, 2) how far to each side.

    Depth is the tallest stock met, along rays from the axis, in mm; the sides are shares of the cutter's radius.
    """
    if not len(pose):
        return np.zeros(0), np.zeros((0, 2))
    ways = _ways(pose)
    rows = np.ascontiguousarray(pose, dtype=float).copy()
    rows[:, 3] = np.radians(np.mod(rows[:, 3], 360.0))
    return cut_map(m.arrays(m.sure), m.arrays(m.likely), rows, table.height_mm, table.r_step_mm, ways)


def _ways(pose: Floats) -> Floats:
    """Direction of travel of the cutter over the work at each pose: along X and across, unit length (or nought)."""
    if len(pose) < 2:
        return np.zeros((len(pose), 2))
    along = np.gradient(pose[:, 0])
    # the work turns toward +Y at the top by minus theta, so the cutter travels the other way over it
    across = np.maximum(pose[:, 2], 1.0) * np.radians(np.gradient(pose[:, 3]))
    length = np.hypot(along, across)
    return np.stack([along, across], axis=1) / np.where(length > 0.0, length, 1.0)[:, None]
