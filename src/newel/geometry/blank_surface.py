"""What the blank shows: points of its surface, its radial tops for safe links, and a closed mesh of what is left."""

from __future__ import annotations

import math
from functools import partial
from typing import Any

import numpy as np
from numpy.typing import NDArray

from newel.core.errors import BadInput
from newel.geometry import blank_surface_kernels as kernels
from newel.geometry.blank import Blank
from newel.geometry.parallel import on_threads

Floats = NDArray[np.float64]
Ints = NDArray[np.int32]
Skin = tuple[Floats, Floats, Ints]  # points, outward normals and tags, as of `surface_points`


def surface_points(blank: Blank, every: int = 1) -> Skin:
    """Return points (k, 3) of the surface in the bar frame, outward normals (k, 3) and tags (k,).

    A tag is that of the move which made the surface, -1 for the bar's own. Of each of the three ray directions only
    the ends are kept that it sees most squarely (normals from neighbouring rays); where two see alike, both may be kept.
    `every` takes each n-th ray both ways.
    """
    if every < 1:
        raise BadInput(f"every {every}th ray cannot be taken")
    found = []
    for way, pool, rows in ((0, blank.x, blank.grid.ny), (1, blank.yz, blank.grid.nx), (2, blank.yz, blank.grid.nx)):
        counts = np.zeros(-(-rows // every), np.int64)
        kernels.count_ends(pool, blank.grid, way, every, counts)
        total = int(counts.sum())
        starts = np.cumsum(counts) - counts
        out = kernels.Ends(np.empty((total, 3)), np.empty((total, 3)), np.empty(total, np.int32))
        on_threads(len(starts), partial(_some_ends, (pool, blank.grid, way, every), (starts, counts, out)))
        if counts.any():
            # normals are dear, so the rows are not counted with them first: they stand apart, and are closed up here
            kept = np.arange(int(counts.sum())) + np.repeat(starts - (np.cumsum(counts) - counts), counts)
            found.append(kernels.Ends(*(column[kept] for column in out)))
    if not found:
        return np.empty((0, 3)), np.empty((0, 3)), np.empty(0, np.int32)
    points, normals, tags = (np.concatenate(columns) for columns in zip(*found, strict=True))
    return points, normals, tags


def _some_ends(told: tuple[Any, ...], ends: tuple[Any, ...], first: int, last: int) -> None:
    pool, grid, way, every = told
    starts, counts, out = ends
    kernels.ray_ends(pool, grid, way, every, (first, last), starts, counts, out)


def radial_top(blank: Blank, x_step_mm: float, turn_step_deg: float) -> tuple[float, Floats]:
    """Return x0 and the largest radius of material (bins along X, bins around) in mm, 0 for none.

    X bin i runs from x0 + i x_step to x0 + (i + 1) x_step. The step around is rounded so that a whole number na fits in
    a turn; bin j holds what stands within half a step of straight up (+Z of the table) when the bar's turn is
    j * 360 / na, that is the polar angles atan2(z, y) = 90 deg - j * 360 / na. Half a cell beside each ray is allowed
    for, so that the radius is rather a little too large.
    """
    if not (x_step_mm > 0 and 0 < turn_step_deg <= 360):
        raise BadInput(f"radial tops need steps above nothing, not {x_step_mm} mm and {turn_step_deg} degrees")
    radius = np.zeros((math.ceil((blank.to_x_mm - blank.from_x_mm) / x_step_mm - 1e-9), max(1, round(360 / turn_step_deg))))
    kernels.radial_tops(blank.yz, blank.grid, blank.from_x_mm, x_step_mm, radius.shape[1], radius)
    return blank.from_x_mm, radius


def blank_mesh(blank: Blank, coarsen: int = 2) -> tuple[Floats, NDArray[np.int64]]:
    """Return vertices (n, 3) and faces (m, 3) of the closed surface of what is left; empty arrays where nothing is.

    A dual method over the lattice of every `coarsen`-th ray: one vertex for each part of the surface in a cell (Nielson
    2004), set where the planes of the exact ray crossings meet (Ju, Losasso, Schaefer, Warren 2002). Lattice faces
    whose material touches only across a diagonal are filled first, so that each edge has two faces. Material thinner
    than the coarse lattice can be missed.
    """
    if coarsen < 1:
        raise BadInput(f"the mesh cannot take every {coarsen}th ray")
    grid = blank.grid
    solid = np.zeros([-(-n // coarsen) + 2 for n in (grid.nx, grid.ny, grid.nz)], np.uint8)
    kernels.lattice_inside(blank.yz, grid, coarsen, solid)
    kernels.fill_diagonals(solid)
    edges, parts = _parts_of_cases()
    quads = np.zeros(1, np.int64)
    vertices = np.empty((kernels.count_cells(solid, parts, quads), 3))
    faces = np.empty((2 * int(quads[0]), 3), np.int64)
    kernels.build_mesh(blank.yz, blank.x, grid, kernels.Lattice(solid, edges, parts, coarsen), vertices, faces)
    return vertices, faces


def _parts_of_cases() -> tuple[NDArray[np.int8], NDArray[np.int8]]:
    """Which part of the surface each of a cell's 12 edges belongs to (-1: none), and how many parts, in each of 256 cases.

    Corner 4 dx + 2 dy + dz; edge 4 axis + du + 2 dv with (u, v) the other two axes in order. Two crossed edges of one
    face belong together; faces with four are filled before and stay apart here, each solid corner by itself.
    """
    corners = np.array([[k >> 2, (k >> 1) & 1, k & 1] for k in range(8)])
    ends = []
    for axis in range(3):
        u, v = (k for k in range(3) if k != axis)
        for e in range(4):
            low = np.zeros(3, int)
            low[u], low[v] = e & 1, e >> 1
            high = low.copy()
            high[axis] = 1
            ends.append((int(low @ [4, 2, 1]), int(high @ [4, 2, 1])))
    faces = [[e for e in range(12) if all(corners[k][axis] == side for k in ends[e])] for axis in range(3) for side in (0, 1)]
    table, count = np.full((256, 12), -1, np.int8), np.zeros(256, np.int8)
    for case in range(256):
        crossed = [e for e in range(12) if (case >> ends[e][0] & 1) != (case >> ends[e][1] & 1)]
        group = {e: e for e in crossed}
        for face in faces:
            on_face = [e for e in face if e in group]
            for i, e in enumerate(on_face):
                for f in on_face[:i]:
                    shared = set(ends[e]) & set(ends[f])
                    if len(on_face) == 2 or any(case >> k & 1 for k in shared):
                        old, new = group[f], group[e]
                        group = {k: new if g == old else g for k, g in group.items()}
        names = sorted(set(group.values()))
        count[case] = len(names)
        for e, g in group.items():
            table[case, e] = names.index(g)
    return table, count
