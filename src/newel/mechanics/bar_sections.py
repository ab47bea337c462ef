"""The bar as it is cut away: sections of the blank along X, and from them how it bends, twists and swings.

The adapter between the blank's rays and the section figures. Slices are taken every STEP_MM, each with about RAYS rays
across; torsion and bending of the whole follow from the slices (mechanics/bending.py, mechanics/torsion.py).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import eigh

from newel.core.errors import BadInput
from newel.geometry.blank import Blank
from newel.mechanics.bending import BarBeam, BarFlexibility, Support, bar_flexibility
from newel.mechanics.sections import Rays, RaySection, section_figures
from newel.mechanics.torsion import twist_along_deg_per_Nmm

Floats = NDArray[np.float64]
SliceFigures = tuple[float, Floats, float]  # area, second moments, torsion constant

STEP_MM = 2.0
RAYS = 36
LEAST_AREA_MM2 = 0.01  # a slice that is cut right through still counts as this wire, so that a beam can be reckoned at all
FILM_SHARE = 0.1  # a slice at the free end with less than this share of its neighbour's area is what an end face left

# How far a light chuck's jaws, its tilt and a live centre give. From memory: small lathe chucks and bolt-on rotary units
# lie at 5 to 50 N per micrometre at the jaws; measured at home by a pull with a scale against a dial gauge.
LIGHT_SUPPORT = Support(jaw_side_N_per_mm=10_000.0, jaw_tilt_Nmm_per_rad=2.0e7, centre_N_per_mm=5_000.0)


@dataclass(frozen=True)
class BarFigures:
    """Section figures of slices along X: bounds (n + 1,) as distance from the jaw face, rising from 0; the rest (n, …).

    `second_moments_mm4` (n, 2, 2) in Y and Z of the blank's frame, about each slice's own centre of area.
    """

    x_mm: Floats
    area_mm2: Floats
    second_moments_mm4: Floats
    torsion_mm4: Floats

    @property
    def thinnest(self) -> int:
        """The slice that bends most easily."""
        return int(np.linalg.eigvalsh(self.second_moments_mm4)[:, 0].argmin())

    @property
    def solid_to_mm(self) -> float:
        """How far from the jaw face the bar goes: a free end may be cut away but for films, and nothing pushes on those."""
        last = len(self.area_mm2) - 1
        while last > 0 and self.area_mm2[last] < FILM_SHARE * self.area_mm2[last - 1]:
            last -= 1
        return float(self.x_mm[last + 1])


def slice_section(blank: Blank, index: int, every: int = 1) -> RaySection:
    """Return one X slice of the blank as rays, every so many of them in both directions."""
    grid, pool = blank.grid, blank.yz
    slab = index // grid.slab
    base = (index - slab * grid.slab) * (grid.ny + grid.nz)
    offset = every // 2
    y_rays = np.arange(offset, grid.nz, every)  # rays parallel to Y stand at places in Z
    z_rays = np.arange(offset, grid.ny, every)
    along_y = _material(pool.ends[slab], pool.links[slab, :, 2], base + y_rays)
    along_z = _material(pool.ends[slab], pool.links[slab, :, 2], base + grid.nz + z_rays)
    y_at, z_at = grid.y0 + grid.py * z_rays.astype(np.float64), grid.z0 + grid.pz * y_rays.astype(np.float64)
    return RaySection(Rays(z_at, *along_y), Rays(y_at, *along_z))


def bar_figures(
    blank: Blank, far_x_mm: float, *, step_mm: float = STEP_MM, rays: int = RAYS, known: dict[bytes, SliceFigures] | None = None
) -> BarFigures:
    """Work out the sections of a blank between the jaw face (X 0) and its far end at `far_x_mm` (of either sign).

    `known`: figures of sections met before, by their rays; it grows. Slices that stand as they did are not worked out twice.
    """
    known = {} if known is None else known
    grid = blank.grid
    length = abs(far_x_mm)
    if not length > 0.0:
        raise BadInput("the bar does not stand out of the jaws")
    count = max(2, math.ceil(length / step_mm - 1e-9))
    bounds = np.linspace(0.0, length, count + 1)
    at = 0.5 * (bounds[:-1] + bounds[1:]) * math.copysign(1.0, far_x_mm)
    index = np.clip(np.floor((at - grid.x0) / grid.px + 0.5).astype(int), 0, grid.nx - 1)
    every = max(1, min(grid.ny, grid.nz) // rays)
    area, moments, torsion = np.empty(count), np.empty((count, 2, 2)), np.empty(count)
    for k, i in enumerate(index):
        section = slice_section(blank, int(i), every)
        key = _rays_of(section)
        if key not in known:
            known[key] = _figures(section)
        area[k], moments[k], torsion[k] = known[key]
    return BarFigures(bounds, area, moments, torsion)


def _rays_of(section: RaySection) -> bytes:
    sides = (section.along_y, section.along_z)
    parts = [part for rays in sides for part in (rays.at_mm, rays.ray, rays.from_mm, rays.to_mm)]
    return b"".join(part.tobytes() + b"/" for part in parts)


def _figures(section: RaySection) -> SliceFigures:
    wire = LEAST_AREA_MM2**2 / (4.0 * math.pi)  # second moment of a round wire of that area
    if min(len(section.along_y.ray), len(section.along_z.ray)) == 0:
        return LEAST_AREA_MM2, wire * np.eye(2), 2.0 * wire
    found = section_figures(section)
    values, vectors = np.linalg.eigh(found.second_moments_mm4)
    moments = vectors @ np.diag(np.maximum(values, wire)) @ vectors.T
    return max(found.area_mm2, LEAST_AREA_MM2), moments, max(found.torsion_constant_mm4, 2.0 * wire)


def _material(ends: Floats, following: NDArray[np.int32], nodes: NDArray[np.intp]) -> tuple[NDArray[np.intp], Floats, Floats]:
    """Follow the intervals of rays, each from its first node; return ray number, low and high end of every interval."""
    ray = np.arange(len(nodes))
    found: list[tuple[NDArray[np.intp], Floats, Floats]] = []
    while len(nodes):
        low, high = ends[nodes, 0].astype(np.float64), ends[nodes, 1].astype(np.float64)
        full = high > low
        found.append((ray[full], low[full], high[full]))
        after = following[nodes]
        ray, nodes = ray[after >= 0], after[after >= 0].astype(np.intp)
    rays, lows, highs = (np.concatenate(column) for column in zip(*found, strict=True))
    order = np.lexsort((lows, rays))
    return rays[order], lows[order], highs[order]


@dataclass(frozen=True)
class BarState:
    """A bar at one moment: its sections, how it gives sideways, how it twists, and what it weighs."""

    figures: BarFigures
    flexibility: BarFlexibility
    twist_deg_per_Nmm: Floats  # (n + 1,) at the bounds
    kg_per_mm: Floats  # (n,)

    def sideways_mm_per_N(self, from_jaws_mm: Floats) -> Floats:
        """How far the bar gives under a force in its softest direction, (m,), held to where there is material."""
        at = np.clip(np.asarray(from_jaws_mm, float), 0.0, self.figures.solid_to_mm)
        return np.asarray(np.linalg.norm(self.flexibility.under_force_mm_per_N(at), ord=2, axis=(1, 2)), dtype=np.float64)

    def twist_deg(self, from_jaws_mm: Floats, torque_Nm: Floats) -> Floats:
        """How far the bar twists where a torque acts, (m,)."""
        at = np.clip(np.asarray(from_jaws_mm, float), 0.0, self.figures.solid_to_mm)
        return np.asarray(1000.0 * np.asarray(torque_Nm) * np.interp(at, self.figures.x_mm, self.twist_deg_per_Nmm))


def bar_state(figures: BarFigures, E_N_per_mm2: float, G_N_per_mm2: float, kg_per_m3: float, support: Support) -> BarState:
    """Put sections, stiffness and supports together."""
    beam = BarBeam(figures.x_mm, E_N_per_mm2 * figures.second_moments_mm4, support)
    twist = twist_along_deg_per_Nmm(figures.x_mm, G_N_per_mm2 * figures.torsion_mm4, figures.x_mm)
    return BarState(figures, bar_flexibility(beam), twist, 1e-9 * kg_per_m3 * figures.area_mm2)


def natural_frequency_Hz(state: BarState) -> float:
    """First natural frequency of the bar as it stands, sideways in its softest plane.

    The flexibility between the middles of all slices against their masses: largest eigenvalue of M^1/2 F M^1/2 is
    1 / omega^2. Derived (lumped masses; exact as the slices get thin).
    """
    bounds = state.figures.x_mm
    middle = 0.5 * (bounds[:-1] + bounds[1:])
    n = len(middle)
    root = np.sqrt(1e-3 * state.kg_per_mm * np.diff(bounds))  # N s2/mm is 1000 kg
    give = np.empty((2 * n, 2 * n))
    for j, x in enumerate(middle):
        for axis, force in enumerate(((1.0, 0.0), (0.0, 1.0))):
            give[:, 2 * j + axis] = state.flexibility.deflection_mm(middle, float(x), force).ravel()
    mass = np.repeat(root, 2)
    swing = mass[:, None] * 0.5 * (give + give.T) * mass[None, :]
    largest = eigh(swing, eigvals_only=True, subset_by_index=[2 * n - 1, 2 * n - 1])[0]
    return float(1.0 / (2.0 * math.pi * math.sqrt(largest)))
