"""Deviation: how far what the programs leave differs from the part, everywhere, and which line made the worst of it.

Two looks. From the blank: points of the carved surface within the part's X range against the model, exactly (signed
distance to the mesh, positive outside): gouge and left-over, with the line that cut there last. From the model: points
spread evenly over its surface, each by the carved point that faces it: how much of the part's surface is within tolerance.
Stubs that hold the part, and their seats on it, are not part. Where the job asks for a thread, the threaded hole is the truth.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

from newel.core.findings import Finding
from newel.core.job import ProofAsk
from newel.core.setup import KeepOut
from newel.core.units import mm, percent
from newel.geometry.blank import Blank
from newel.geometry.blank_surface import Skin
from newel.geometry.distance import signed_distance
from newel.geometry.parallel import kernel_threads
from newel.proof.codes import CODES
from newel.proof.course import LINES_PER_CODE, Course, finding
from newel.proof.groups import Bounds, bounds_at, measure_groups
from newel.proof.results import Deviation, Measured, Standing, WorstPlace
from newel.proof.samples import Samples, spread
from newel.proof.threads import as_threaded, measure_threads
from newel.proof.unreachable import Asked, unreachable
from newel.proof.valleys import valley_points

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bytes = NDArray[np.uint8]
Bools = NDArray[np.bool_]
Progress = Callable[[str, float], None]

MOST_SAMPLES = 200_000
MOST_MEASURED = 300_000
NEIGHBOURS = 8
WORST_PLACES = 12
ENOUGH_PCT = 98.0  # of the reachable surface within tolerance: what the demo job asks of itself, and what a proof asks


def measure(
    blank: Blank, skin: Skin, part: tuple[Floats, Ints], course: Course, asked: Asked, progress: Progress
) -> tuple[Deviation, Measured]:
    """Measure the carved blank, whose surface is `skin`, against the part: vertices (n, 3) in the bar frame, faces (m, 3)."""
    vertices, faces = part
    grid = asked.ask.resolution_mm
    span = (float(vertices[:, 0].min()), float(vertices[:, 0].max()))
    progress("measuring", 0.0)
    points, normals, tags = skin
    near = (points[:, 0] >= span[0] - grid) & (points[:, 0] <= span[1] + grid)
    points, normals, tags = points[near], normals[near], tags[near]
    corners = vertices[faces]
    area = float(np.linalg.norm(np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]), axis=1).sum()) / 2.0
    samples = spread(vertices, faces, int(np.clip(area / (grid * grid), 2_000, MOST_SAMPLES)))
    if len(points) == 0:
        gone = np.full(len(samples.points), -float(np.linalg.norm(np.ptp(vertices, axis=0))))
        nothing = Measured(points, np.zeros(0), np.zeros(0, np.uint8), tags)
        bounds = bounds_at(samples.points, np.full(len(gone), -1), course, asked.groups, asked.tolerance_mm)
        standing = judge(samples.points, gone, asked, span, bounds)
        return _summed(samples, gone, standing, nothing, course, asked, bounds), nothing
    nearest, parallel = facing_points(samples, points, normals, grid)
    progress("measuring", 0.2)
    chosen = _chosen(points, nearest, samples, asked)
    plain = np.full(len(points), np.nan)  # off the model as it is, without what is asked beyond it
    plain[chosen] = signed_distance(vertices, faces, points[chosen])[0]
    exact = as_threaded(plain, points, asked.threads)
    progress("measuring", 0.6)
    off = samples_off(samples.points - points[nearest], normals[nearest], exact[nearest], parallel, grid)
    off = as_threaded(off, samples.points, asked.threads)
    bounds = bounds_at(samples.points, np.where(parallel, tags[nearest], -1), course, asked.groups, asked.tolerance_mm)
    standing = judge(samples.points, off, asked, span, bounds)
    high = np.flatnonzero(standing == Standing.MISSED)
    if len(high):
        lost = unreachable(samples.points[high], samples.normals[high], vertices, faces, asked)
        standing[high[lost]] = Standing.UNREACHABLE
    progress("measuring", 0.9)
    of_points = bounds_at(points[chosen], tags[chosen], course, asked.groups, asked.tolerance_mm)
    found = judge(points[chosen], exact[chosen], asked, span, of_points)
    _lend_standing(points[chosen], found, samples.points, standing)
    measured = _with_valleys(Measured(points[chosen], exact[chosen], found, tags[chosen]), blank, vertices, faces, asked, span)
    progress("measuring", 1.0)
    summed = _summed(samples, off, standing, measured, course, asked, bounds)
    return replace(summed, threads=measure_threads(points, plain, asked.threads)), measured


def _with_valleys(
    measured: Measured, blank: Blank, vertices: Floats, faces: Ints, asked: Asked, span: tuple[float, float]
) -> Measured:
    """Add those bottoms of sharp valleys that lie below the part's surface: there a pointed cutter gouges deepest."""
    points, tags = valley_points(blank)
    near = (points[:, 0] > span[0]) & (points[:, 0] < span[1])
    points, tags = points[near], tags[near]
    stride = max(1, -(-len(points) // MOST_MEASURED))
    points, tags = points[::stride], tags[::stride]
    if len(points) == 0:
        return measured
    exact = as_threaded(signed_distance(vertices, faces, points)[0], points, asked.threads)
    deep = exact < 0.0
    return Measured(
        np.concatenate([measured.points, points[deep]]),
        np.concatenate([measured.deviation_mm, exact[deep]]),
        np.concatenate([measured.standing, judge(points[deep], exact[deep], asked, span, None)]),
        np.concatenate([measured.row, tags[deep]]),
    )


def _lend_standing(points: Floats, found: Bytes, places: Floats, standing: Bytes) -> None:
    """Let carved points that stand high have the standing of the nearest place of the part that is not well."""
    missed = np.flatnonzero(found == Standing.MISSED)
    ill = np.flatnonzero((standing != Standing.WITHIN) & (standing != Standing.GOUGE))
    if len(missed) and len(ill):
        found[missed] = standing[ill[cKDTree(places[ill]).query(points[missed], workers=kernel_threads())[1]]]


def _chosen(points: Floats, nearest: Ints, samples: Samples, asked: Asked) -> NDArray[np.intp]:
    """Return which carved points to measure exactly.

    Chosen are those nearest to a sample, an even choice of all, and every one that a rough look (against the tangent plane
    of its sample) calls off, the furthest first.
    """
    over = cKDTree(samples.points, balanced_tree=False, compact_nodes=False).query(points, workers=kernel_threads())[1]
    rough = np.sum((points - samples.points[over]) * samples.normals[over], axis=1)
    mask = np.zeros(len(points), bool)
    mask[nearest] = True
    mask[:: max(1, -(-len(points) // MOST_MEASURED))] = True
    suspects = np.flatnonzero(~mask & ((rough < -0.5 * asked.ask.gouge_limit_mm) | (rough > asked.tolerance_mm)))
    if len(suspects) > MOST_MEASURED:
        suspects = suspects[np.argsort(-np.abs(rough[suspects]), kind="stable")[:MOST_MEASURED]]
    mask[suspects] = True
    return np.flatnonzero(mask)


def facing_points(samples: Samples, points: Floats, normals: Floats, grid_mm: float) -> tuple[Ints, Bools]:
    """Return for each sample the carved point (k,) that stands for it, and whether it faces the same way (k,).

    The nearest of those within 1.5 cells that face within 60 degrees of the part's surface there; where there is none (a place
    buried under material, or left in the air) simply the nearest.
    """
    tree = cKDTree(points, balanced_tree=False, compact_nodes=False)
    count = min(NEIGHBOURS, len(points))
    distance, index = tree.query(samples.points, k=count, workers=kernel_threads())
    distance, index = distance.reshape(-1, count), index.reshape(-1, count)
    facing = np.einsum("kij,kj->ki", normals[index], samples.normals) >= 0.5
    facing &= distance <= 1.5 * grid_mm
    parallel = facing.any(axis=1)
    first = np.where(parallel, np.argmax(facing, axis=1), 0)
    return index[np.arange(len(index)), first], parallel


def samples_off(below: Floats, normals: Floats, exact: Floats, parallel: Bools, grid_mm: float) -> Floats:
    """Return the signed deviation (k,) of places of the part from the carved points that stand for them.

    `below` (k, 3): from the carved point to the place; `normals` (k, 3): the carved surface's, outward; `exact` (k,): the
    carved point's own deviation. Where both surfaces face the same way: the lesser of that and of the place's depth
    under the carved tangent plane, if they agree in sign. Elsewhere the place is buried, or in the air, by its distance.
    """
    depth = -np.sum(below * normals, axis=1)
    together = np.where((np.abs(depth) < np.abs(exact)) & (depth * exact > 0.0), depth, exact)
    # On a plane no place is further than this from a carved point, so that much of the distance may be sideways.
    sideways = 0.9 * grid_mm
    beyond = np.sqrt(np.maximum(np.sum(below * below, axis=1) - sideways**2, 0.0))
    apart = np.where(depth >= 0.0, 1.0, -1.0) * np.maximum(beyond, np.abs(depth))
    return np.where(parallel, together, apart)


def in_stubs(points: Floats, stubs: Sequence[KeepOut], slack_mm: float) -> Bools:
    """Tell which points (k, 3) lie in or on a stub, or on its seat."""
    radius = np.hypot(points[:, 1], points[:, 2])
    inside = np.zeros(len(points), bool)
    for stub in stubs:
        along = (points[:, 0] >= stub.from_x_mm - slack_mm) & (points[:, 0] <= stub.to_x_mm + slack_mm)
        inside |= along & (radius <= stub.radius_mm + slack_mm)
    return inside


def judge(points: Floats, off_mm: Floats, asked: Asked, span: tuple[float, float], bounds: Bounds | None) -> Bytes:
    """Return the Standing (k,) of points by their deviation alone; what is high is called missed until reach is asked.

    `bounds`: what each is judged by, where that is not the one tolerance.
    """
    standing = np.zeros(len(points), np.uint8)
    standing[off_mm > (bounds.highest_mm if bounds is not None else asked.tolerance_mm)] = Standing.MISSED
    slack = asked.ask.resolution_mm
    aside = (
        in_stubs(points, asked.setup.stays_standing, slack)
        | (points[:, 0] < span[0] - slack)
        | (points[:, 0] > span[1] + slack)
    )
    standing[aside] = Standing.NOT_PART
    standing[off_mm < -asked.ask.gouge_limit_mm] = Standing.GOUGE
    return standing


def _summed(
    samples: Samples, off: Floats, standing: Bytes, measured: Measured, course: Course, asked: Asked, bounds: Bounds
) -> Deviation:
    """Sum samples to percentages of area, and carved points to largest deviations and worst places."""
    part = standing != Standing.NOT_PART
    reachable = part & (standing != Standing.UNREACHABLE)
    count, reached = max(int(part.sum()), 1), max(int(reachable.sum()), 1)
    tolerance_mm = asked.tolerance_mm
    within = reachable & bounds.within(off)
    edges = _edges(tolerance_mm)
    histogram = np.histogram(np.clip(off[part], edges[0], edges[-1]), edges)[0] / count * 100.0
    d, s = measured.deviation_mm, measured.standing
    # Material that is gone altogether leaves no carved point beside the sample: the sample's own figure tells of it.
    deepest = max(-float(d.min(initial=0.0)), 0.0)
    if len(d) == 0:
        deepest = max(-float(off.min()), 0.0)
    return Deviation(
        tolerance_mm=tolerance_mm,
        gouge_max_mm=deepest,
        leftover_max_mm=_largest(d, s == Standing.MISSED, off, standing == Standing.MISSED),
        unreachable_max_mm=_largest(d, s == Standing.UNREACHABLE, off, standing == Standing.UNREACHABLE),
        within_tolerance_pct=100.0 * float(within.sum()) / reached,
        missed_pct=100.0 * float((standing == Standing.MISSED).sum()) / reached,
        gouged_pct=100.0 * float((part & (off < -bounds.tolerance_mm)).sum()) / reached,
        unreachable_pct=100.0 * float((standing == Standing.UNREACHABLE).sum()) / count,
        edges_mm=tuple(float(edge) for edge in edges),
        histogram_pct=tuple(float(share) for share in histogram),
        worst=worst_places(measured, course),
        groups=measure_groups(off, reachable, bounds, asked.groups, int(part.sum())),
    )


def _edges(tolerance_mm: float) -> Floats:
    half = np.array([0.1, 0.25, 0.5, 0.75, 1.0, 1.5, 2.0, 4.0, 8.0, 20.0]) * tolerance_mm
    return np.concatenate([-half[::-1], half])


def _largest(d: Floats, mask: Bools, off: Floats, sampled: Bools) -> float:
    """Return the largest left-over of a kind, of carved points, or of places of the part if no carved point is called so."""
    return float(d[mask].max()) if mask.any() else float(off[sampled].max(initial=0.0))


def worst_places(measured: Measured, course: Course) -> tuple[WorstPlace, ...]:
    """Return the places furthest off, gouges and missed left-over, none within 3 mm of a worse one of its kind."""
    places: list[WorstPlace] = []
    for kind, sign in ((Standing.GOUGE, -1.0), (Standing.MISSED, 1.0)):
        some = np.flatnonzero(measured.standing == kind)
        some = some[np.argsort(-sign * measured.deviation_mm[some], kind="stable")[:20_000]]
        points = measured.points[some]
        alive = np.ones(len(some), bool)
        for _ in range(WORST_PLACES // 2):
            if not alive.any():
                break
            k = int(np.argmax(alive))
            name, line = course.place(int(measured.row[some[k]]))
            x, y, z = (float(value) for value in points[k])
            places.append(WorstPlace(x, y, z, float(measured.deviation_mm[some[k]]), kind, name, line))
            alive &= np.linalg.norm(points - points[k], axis=1) > 3.0
    return tuple(places)


def deviation_findings(deviation: Deviation, measured: Measured, course: Course, ask: ProofAsk) -> list[Finding]:
    """Return what the deviation denies or cautions of.

    A gouge deeper than `ask.gouge_limit_mm` is an obstacle at each line that made one. Reachable left-over beyond the
    tolerance is an obstacle where less than ENOUGH_PCT of the reachable surface lies within tolerance, else a caution.
    """
    found = _gouges(deviation, measured, course, ask.gouge_limit_mm)
    if deviation.within_tolerance_pct < ENOUGH_PCT:
        found.append(
            finding(
                "left-over",
                f"{percent(deviation.within_tolerance_pct)} of the reachable surface lies within "
                f"{mm(deviation.tolerance_mm, 3)}, {deviation.missed_pct:.1f} % stands high by up to "
                f"{mm(deviation.leftover_max_mm)}",
                measured=deviation.within_tolerance_pct,
                limit=ENOUGH_PCT,
                unit="%",
            )
        )
    elif deviation.missed_pct > 0.0:
        stands = f"stands high by up to {mm(deviation.leftover_max_mm)}"
        says = f"{percent(deviation.missed_pct, 2)} of the reachable surface {stands}"
        found.append(
            finding("left-over-some", says, measured=deviation.leftover_max_mm, limit=deviation.tolerance_mm, unit="mm")
        )
    if deviation.unreachable_pct > 0.0:
        says = f"{percent(deviation.unreachable_pct, 2)} of the part's surface can't be reached by any cutter of the shop"
        found.append(
            finding("unreachable", says, measured=deviation.unreachable_max_mm, limit=deviation.tolerance_mm, unit="mm")
        )
    return found


def _gouges(deviation: Deviation, measured: Measured, course: Course, limit_mm: float) -> list[Finding]:
    deep = np.flatnonzero(measured.deviation_mm < -limit_mm)
    if len(deep) == 0:
        if deviation.gouge_max_mm <= limit_mm:
            return []
        return [
            finding(
                "gouge", "a piece of the part is gone altogether", measured=deviation.gouge_max_mm, limit=limit_mm, unit="mm"
            )
        ]
    order = deep[np.argsort(measured.deviation_mm[deep], kind="stable")]
    worst_of: dict[tuple[str, int], int] = {}
    for k in order:
        worst_of.setdefault(course.place(int(measured.row[k])), int(k))
    found = []
    for (name, line), k in list(worst_of.items())[:LINES_PER_CODE]:
        depth, row = -float(measured.deviation_mm[k]), int(measured.row[k])
        x, y, z, a = (float(value) for value in course.motion.xyza[row]) if row >= 0 else (np.nan,) * 4
        bx, by, bz = (float(value) for value in measured.points[k])
        says = f"cuts {mm(depth, 3)} below the part's surface, in the bar at X {bx:.2f} Y {by:.2f} Z {bz:.2f}"
        found.append(Finding("gouge", CODES["gouge"][0], says, name, line, x, y, z, a, depth, limit_mm, "mm"))
    return sorted(found, key=lambda item: (item.program, item.line))
