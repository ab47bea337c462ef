"""How stiff the bar stays while sides are cut off it: sections by cells, less what each cut will take off.

Coarse and quick, for comparing orders of cuts before any pass is made. What a cut takes off follows from where its tip
may be over the part; sections, beam and supports are those of mechanics/bar_sections.py.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import minimum_filter

from newel.core.frames import turn_about_x
from newel.core.job import Section, Tailstock
from newel.core.plan import Bar, Cut, Holding
from newel.core.profile import Profile
from newel.geometry.drop import DropTree, drop
from newel.geometry.solids import section_corners
from newel.mechanics.bar_sections import LEAST_AREA_MM2, LIGHT_SUPPORT, STEP_MM, BarFigures, bar_state
from newel.mechanics.bending import Support
from newel.shop.materials import Material

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

CELL_MM = 1.0  # of sections: a bar of 40 mm has its second moments to 0.1 % by them (derived: 1 - (cell / size)^2)


@dataclass(frozen=True)
class Cells:
    """A bar by cells: bounds of slices along X from the jaw face (n + 1,), middles across (m,), what stands (n, m, m)."""

    x_mm: Floats
    across_mm: Floats
    stands: Bools

    @property
    def middle_mm(self) -> Floats:
        """Middles of the slices along X."""
        return 0.5 * (self.x_mm[1:] + self.x_mm[:-1])


def bar_cells(bar: Bar, cell_mm: float = CELL_MM) -> Cells:
    """Return a bar as sawn, from the jaw face on, by cells in the bar frame."""
    half = 0.5 * math.hypot(*bar.size_mm) if bar.section is not Section.ROUND else 0.5 * bar.size_mm[0]
    half *= math.sqrt(2.0) if len(bar.size_mm) == 1 and bar.section is not Section.ROUND else 1.0
    count = math.ceil(half / cell_mm)
    across: Floats = cell_mm * (np.arange(2 * count, dtype=np.float64) - count + 0.5)
    y, z = across[:, None], across[None, :]
    if bar.section is Section.ROUND:
        inside = np.hypot(y, z) <= 0.5 * bar.size_mm[0]
    else:
        corners = section_corners(bar.section, bar.size_mm) @ turn_about_x(bar.turned_deg)[1:, 1:].T
        edge = np.roll(corners, -1, axis=0) - corners
        middle = corners.mean(axis=0)
        inside = np.ones(np.broadcast_shapes(y.shape, z.shape), bool)
        for corner, way in zip(corners, edge):
            side = way[0] * (z - corner[1]) - way[1] * (y - corner[0])
            inner = way[0] * (middle[1] - corner[1]) - way[1] * (middle[0] - corner[0])
            inside &= side * np.sign(inner) >= 0.0
    x = np.linspace(0.0, bar.to_x_mm, max(2, math.ceil(bar.to_x_mm / STEP_MM)) + 1)
    return Cells(x, across, np.broadcast_to(inside, (len(x) - 1, *inside.shape)).copy())


def taken_off(cells: Cells, cut: Cut, edge: Profile, held: DropTree) -> Bools:
    """Return the cells that a cut at a side takes off: holes, or all that lies over the lowest the tip may go about them."""
    turn = turn_about_x(float(cut.turn_deg or 0.0))
    y, z = np.meshgrid(cells.across_mm, cells.across_mm, indexing="ij")
    at_side = np.stack([np.zeros_like(y), y, z], axis=-1) @ turn.T
    across, high = at_side[..., 1], at_side[..., 2]
    x = cells.middle_mm
    gone = np.zeros_like(cells.stands)
    for hole in cut.holes:
        near = np.hypot(x[:, None, None] - hole.x_mm, across[None] - hole.y_mm) < 0.5 * hole.diameter_mm
        gone |= near & (high[None] > hole.floor_z_mm)
    if cut.holes or cut.ap_mm <= 0.0:
        return gone & cells.stands
    cell = float(cells.across_mm[1] - cells.across_mm[0])
    line = np.arange(cells.across_mm[0] - 2.0 * edge.radius_mm, cells.across_mm[-1] + 2.0 * edge.radius_mm, cell)
    tip = drop(held, edge, x[:, None], line[None, :], float(cut.turn_deg or 0.0), floor_mm=cut.floor_z_mm)
    tip[(x < cut.from_x_mm) | (x > cut.to_x_mm)] = np.inf
    tip[:, (line < cut.from_y_mm) | (line > cut.to_y_mm)] = np.inf
    # places of the tip are asked in cells: what it reaches beyond the last of them is half a cell more on average
    along, side = edge.radius_mm + 0.5 * float(x[1] - x[0]), edge.radius_mm + 0.5 * cell
    i, j = (np.arange(-math.ceil(r / d), math.ceil(r / d) + 1) * d for r, d in ((along, float(x[1] - x[0])), (side, cell)))
    disc = np.hypot(i[:, None] / along, j[None, :] / side) <= 1.0
    lowest = minimum_filter(tip, footprint=disc, mode="nearest")
    column = np.clip(np.rint((across - line[0]) / cell).astype(int), 0, len(line) - 1)
    return (gone | (high[None] > lowest[:, column])) & cells.stands


def figures_of(cells: Cells, stands: Bools) -> BarFigures:
    """Return the sections of what stands; torsion after Saint-Venant's A^4 / (40 Ip), for solid sections."""
    cell = float(cells.across_mm[1] - cells.across_mm[0])
    a = cells.across_mm
    count = stands.sum(axis=(1, 2))
    area = np.maximum(count * cell**2, LEAST_AREA_MM2)
    by_y, by_z = stands.sum(axis=2), stands.sum(axis=1)
    n = np.maximum(count, 1)
    my, mz = by_y @ a / n, by_z @ a / n
    own = cell**2 * cell**2 / 12.0 * count
    yy = cell**2 * (by_y @ a**2 - n * my**2) + own
    zz = cell**2 * (by_z @ a**2 - n * mz**2) + own
    yz = cell**2 * (np.einsum("iyz,y,z->i", stands.astype(np.float64), a, a, optimize=True) - n * my * mz)
    wire = LEAST_AREA_MM2**2 / (4.0 * math.pi)
    moments = np.stack([np.stack([yy, yz], axis=-1), np.stack([yz, zz], axis=-1)], axis=-2) + wire * np.eye(2)
    torsion = area**4 / (40.0 * np.maximum(moments[:, 0, 0] + moments[:, 1, 1], wire))
    return BarFigures(cells.x_mm, area, moments, torsion)


@dataclass(frozen=True)
class BarStays:
    """How the bar gives after some of the cuts: what each takes off, and where along X each of them pushes."""

    cells: Cells
    takes: Sequence[Bools]
    works_at_mm: Sequence[float]
    material: Material
    support: Support
    _known: dict[frozenset[int], Floats] = field(default_factory=dict, repr=False)

    def gives_mm_per_N(self, done: Iterable[int], at: Sequence[int]) -> Floats:
        """Return how far the bar gives a newton sideways where some cuts push (k,), after others are done."""
        key = frozenset(k for k in done if self.takes[k].any())
        if key not in self._known:
            stands = self.cells.stands.copy()
            for k in key:
                stands &= ~self.takes[k]
            E, G, density = self.material.E_N_per_mm2, self.material.G_N_per_mm2, self.material.density_kg_per_m3
            assert E is not None and G is not None and density is not None
            state = bar_state(figures_of(self.cells, stands), E, G, density, self.support)
            self._known[key] = state.sideways_mm_per_N(np.asarray(self.works_at_mm))
        return self._known[key][list(at)]


def bar_stays(
    bar: Bar, holding: Holding, cuts: Sequence[Cut], edges: Sequence[Profile], held: DropTree, material: Material
) -> BarStays | None:
    """Look at what every cut will take off; None where the material gives no stiffness. Cuts around take nothing here."""
    if None in (material.E_N_per_mm2, material.G_N_per_mm2, material.density_kg_per_m3):
        return None
    cells = bar_cells(bar)
    none = np.zeros_like(cells.stands)
    takes = [none if cut.turn_deg is None or cut.edges else taken_off(cells, cut, edge, held) for cut, edge in zip(cuts, edges)]
    support = LIGHT_SUPPORT
    if holding.tailstock is Tailstock.NONE:
        support = replace(support, centre_N_per_mm=0.0)
    return BarStays(cells, takes, [0.5 * (cut.from_x_mm + cut.to_x_mm) for cut in cuts], material, support)
