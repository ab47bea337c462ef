"""The medial axis of a region: where a V cutter's tip runs so that both flanks touch the stroke's edges."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely
from numpy.typing import NDArray
from scipy.spatial import Voronoi

Floats = NDArray[np.float64]

_CORNER_RAD = np.radians(25.0)  # branches whose two nearest edge points stand closer than this about the axis are noise
_NEIGHBOURS = 2.5  # nor are neighbouring samples of one edge a stroke


@dataclass(frozen=True)
class Branch:
    """A piece of the axis: `points` (n, 2), and at each the distance `radius_mm` (n,) to the region's edge."""

    points: Floats
    radius_mm: Floats


def medial_axis(area: shapely.Geometry, step_mm: float) -> list[Branch]:
    """Return the medial axis of a region as branches between its forks and ends.

    From the Voronoi diagram of points `step_mm` apart on the edge (Brandt 1994: it converges with the step). Branches run
    into convex corners down to about a step.
    """
    samples = edge_points(area, step_mm)
    if len(samples) < 4:
        return []
    # far points keep every cell near the region bounded
    reach = 10.0 * float(np.ptp(samples, axis=0).max() + 1.0)
    middle = samples.mean(axis=0)
    frame = middle + reach * np.array([[-1.0, -1.0], [1.0, -1.0], [1.0, 1.0], [-1.0, 1.0]])
    found = Voronoi(np.vstack([samples, frame]))
    ends = np.array(list(found.ridge_vertices), dtype=np.int64)
    sites = found.ridge_points
    real = (ends >= 0).all(axis=1) & (sites < len(samples)).all(axis=1)
    ends, sites = ends[real], sites[real]
    apart = np.linalg.norm(samples[sites[:, 0]] - samples[sites[:, 1]], axis=1)
    radius = np.linalg.norm(found.vertices[ends[:, 0]] - samples[sites[:, 0]], axis=1)
    stroke = (apart > _NEIGHBOURS * step_mm) & (apart > 2.0 * radius * np.sin(_CORNER_RAD))
    shapely.prepare(area)
    used = np.unique(ends[stroke])
    within = np.zeros(len(found.vertices), dtype=bool)
    within[used] = shapely.contains_xy(area, found.vertices[used])
    keep = stroke & within[ends].all(axis=1)
    return [_branch(found.vertices[chain], samples) for chain in chains(ends[keep])]


def edge_points(area: shapely.Geometry, step_mm: float) -> Floats:
    """Return points on all edges of a region, corners among them, at most `step_mm` apart; each once."""
    rings = shapely.get_parts(shapely.segmentize(area.boundary, step_mm))
    points = [shapely.get_coordinates(ring)[:-1] for ring in rings]
    return np.unique(np.round(np.vstack(points), 9), axis=0) if points else np.zeros((0, 2))


def _branch(points: Floats, samples: Floats) -> Branch:
    from scipy.spatial import cKDTree

    return Branch(points, cKDTree(samples).query(points)[0])


def chains(edges: NDArray[np.int64]) -> list[list[int]]:
    """Chain the edges (n, 2) of a graph into runs between nodes that are not of degree two; what is left are loops."""
    near: dict[int, list[int]] = {}
    for a, b in edges.tolist():
        near.setdefault(a, []).append(b)
        near.setdefault(b, []).append(a)
    seen: set[tuple[int, int]] = set()
    runs = []
    # forks and ends first, so that what is left over is loops
    for start in sorted(near, key=lambda node: (len(near[node]) == 2, node)):
        for following in near[start]:
            if (start, following) in seen:
                continue
            run = [start, following]
            seen.update([(start, following), (following, start)])
            while len(near[run[-1]]) == 2 and run[-1] != start:
                onward = near[run[-1]][0] if near[run[-1]][0] != run[-2] else near[run[-1]][1]
                if (run[-1], onward) in seen:
                    break
                seen.update([(run[-1], onward), (onward, run[-1])])
                run.append(onward)
            runs.append(run)
    return runs
