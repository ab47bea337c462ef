"""Sections of a partly carved bar: area, its centre, second moments and torsion constant from rays through them.

A section is held as the blank holds it: intervals of material along rays parallel to Y and to Z. Second moments are strip
integrals; the torsion constant solves Prandtl's stress function on the rays' own grid, its last steps to the wall cut to the
true distance (G. H. Shortley, R. Weller, J. Appl. Phys. 9 (1938) 334), so the error falls with the square of the pitch.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import csc_matrix
from scipy.sparse.linalg import splu

from newel.core.errors import BadInput

Floats = NDArray[np.float64]
Places = NDArray[np.intp]


@dataclass(frozen=True)
class Rays:
    """Parallel rays, evenly spaced at `at_mm` (r,), with material `from_mm` to `to_mm` (k,) on the ray numbered `ray` (k,)."""

    at_mm: Floats
    ray: Places
    from_mm: Floats
    to_mm: Floats

    @property
    def pitch_mm(self) -> float:
        """Distance from ray to ray."""
        return float(self.at_mm[1] - self.at_mm[0])


@dataclass(frozen=True)
class RaySection:
    """A plane section of the bar: rays parallel to Y (their places are z) and rays parallel to Z (their places are y)."""

    along_y: Rays
    along_z: Rays


@dataclass(frozen=True)
class SectionFigures:
    """Area, its centre (y, z), second moments about that [[int y2, int yz], [int yz, int z2]], torsion constant."""

    area_mm2: float
    centre_of_area_mm: Floats
    second_moments_mm4: Floats
    torsion_constant_mm4: float


def polygon_section(outlines: list[Floats], pitch_mm: float) -> RaySection:
    """Cut rays through closed outlines, each (n, 2) corners y, z: what is inside an odd number of them is material."""
    corners = np.vstack(outlines)
    low, high = corners.min(axis=0), corners.max(axis=0)
    rays = []
    for across in (1, 0):
        count = max(int(np.ceil((high[across] - low[across]) / pitch_mm)), 2)
        step = (high[across] - low[across]) / count
        at = low[across] + step * (np.arange(count) + 0.5)
        rays.append(_crossings(outlines, at, across))
    return RaySection(rays[0], rays[1])


def section_figures(section: RaySection) -> SectionFigures:
    """Work out all figures of a section; BadInput where nothing is left of it."""
    y, z = _strips(section.along_y), _strips(section.along_z)
    area = 0.5 * (y[0] + z[0])
    if not area > 0:
        raise BadInput("nothing is left of the bar in this section")
    centre = np.array([y[1] / y[0], z[1] / z[0]])
    mixed = 0.5 * (y[3] + z[3])
    about_axis = np.array([[y[2], mixed], [mixed, z[2]]])
    return SectionFigures(area, centre, about_axis - area * np.outer(centre, centre), torsion_constant_mm4(section))


def torsion_constant_mm4(section: RaySection) -> float:
    """Torsion constant of any section by Prandtl's stress function: J = 2 int f, f'' = -2 inside, f = 0 at the wall.

    Parts that do not touch add up. A hole right through is taken as if its wall did not carry stress round (f = 0 there
    too), which gives too small a J: more twist than there will be. At 40 rays across the error is about 0.3 %.
    """
    y_at, z_at = section.along_z.at_mm, section.along_y.at_mm
    to_right, to_left = _distances(section.along_y, y_at)  # (rays in z, nodes in y)
    up, down = (distance.T for distance in _distances(section.along_z, z_at))
    inside = (to_right > 0) & (to_left > 0) & (up > 0) & (down > 0)
    number = np.full(inside.shape, -1)
    number[inside] = np.arange(inside.sum())
    if not inside.any():
        return 0.0
    py, pz = section.along_z.pitch_mm, section.along_y.pitch_mm
    rows, columns, values, diagonal = [], [], [], np.zeros(int(inside.sum()))
    for axis, pitch, ahead, behind in ((1, py, to_right, to_left), (0, pz, up, down)):
        ahead_mm, behind_mm = (np.clip(d[inside], 1e-6 * pitch, pitch) for d in (ahead, behind))
        for step, mine, distance in ((1, ahead_mm, ahead), (-1, behind_mm, behind)):
            weight = 2.0 / ((ahead_mm + behind_mm) * mine)
            diagonal += weight
            beside = np.roll(number, -step, axis=axis)[inside]
            joined = (distance[inside] >= pitch * (1 - 1e-9)) & (beside >= 0)
            rows.append(number[inside][joined])
            columns.append(beside[joined])
            values.append(-weight[joined])
    rows.append(number[inside])
    columns.append(number[inside])
    values.append(diagonal)
    size = len(diagonal)
    matrix = csc_matrix((np.concatenate(values), (np.concatenate(rows), np.concatenate(columns))), shape=(size, size))
    # the pattern is symmetric and the diagonal large: ordering for that fills in half as much
    stress = splu(matrix, permc_spec="MMD_AT_PLUS_A", options={"SymmetricMode": True}).solve(np.full(size, 2.0))
    return float(2.0 * stress.sum() * py * pz)


def _strips(rays: Rays) -> tuple[float, float, float, float]:
    """Integrals of 1, s, s2 and s times the ray's place over the section, s along the rays."""
    a, b, pitch = rays.from_mm, rays.to_mm, rays.pitch_mm
    place = rays.at_mm[rays.ray]
    return (
        float((b - a).sum() * pitch),
        float((b**2 - a**2).sum() * pitch / 2.0),
        float((b**3 - a**3).sum() * pitch / 3.0),
        float((place * (b**2 - a**2)).sum() * pitch / 2.0),
    )


def _distances(rays: Rays, nodes: Floats) -> tuple[Floats, Floats]:
    """For each ray and node on it: how far the material goes on ahead and behind, (r, n); 0 outside material."""
    ahead = np.zeros((len(rays.at_mm), len(nodes)))
    behind = np.zeros_like(ahead)
    first = np.searchsorted(nodes, rays.from_mm, side="right")
    count = np.maximum(np.searchsorted(nodes, rays.to_mm, side="left") - first, 0)
    span = np.repeat(np.arange(len(count)), count)
    node = np.arange(len(span)) - np.repeat(np.cumsum(count) - count - first, count)
    ahead[rays.ray[span], node] = rays.to_mm[span] - nodes[node]
    behind[rays.ray[span], node] = nodes[node] - rays.from_mm[span]
    return ahead, behind


def _crossings(outlines: list[Floats], at: Floats, across: int) -> Rays:
    """Intervals of material along lines where coordinate `across` is fixed: between odd and even crossings."""
    along = 1 - across
    ray, place = [], []
    for outline in outlines:
        ends = np.roll(outline, -1, axis=0)
        low, high = np.minimum(outline[:, across], ends[:, across]), np.maximum(outline[:, across], ends[:, across])
        edge, hit = np.nonzero((low[:, None] <= at) & (at < high[:, None]))
        share = (at[hit] - outline[edge, across]) / (ends[edge, across] - outline[edge, across])
        ray.append(hit)
        place.append(outline[edge, along] + share * (ends[edge, along] - outline[edge, along]))
    rays, places = np.concatenate(ray), np.concatenate(place)
    order = np.lexsort((places, rays))
    rays, places = rays[order], places[order]
    return Rays(at, rays[::2], places[::2], places[1::2])
