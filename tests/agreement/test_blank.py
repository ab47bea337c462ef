"""The blank against its slow twin, and removed volumes against solids built with manifold3d."""

import itertools

import manifold3d
import numpy as np
import pytest

from newel.core.job import Section
from newel.core.profile import CutterShape, Profile, outline
from newel.geometry.blank import Blank, bar_blank, carve
from plain.blank_plain import depth_in_cutter, outline_points

BODY = outline((2, 15), (2, 20))
FLAT = CutterShape(outline((0, 0), (2, 0), (2, 15)), BODY)
BALL = CutterShape(outline((0, 0), (2, 2, 0, 2), (2, 15)), BODY)
BULL = CutterShape(outline((0, 0), (1.5, 0), (2, 0.5, 1.5, 0.5), (2, 15)), BODY)
V = CutterShape(outline((0, 0), (0.2, 0), (2, 1.8), (2, 15)), BODY)
TAPERED = CutterShape(outline((0, 0), (0.5 * np.cos(0.1), 0.5 - 0.5 * np.sin(0.1), 0, 0.5), (2, 15)), BODY)
EDGES = {"flat": FLAT, "ball": BALL, "bull nose": BULL, "V with tip flat": V, "tapered ball": TAPERED}


def random_poses(rng: np.random.Generator, kind: str) -> np.ndarray:
    """Three connected moves near the top of a 16 mm bar."""
    n = 4
    x, y, z = rng.uniform(4, 10, n), rng.uniform(-2, 2, n), rng.uniform(4, 9, n)
    turn = np.full(n, rng.uniform(0, 360))
    if kind == "along":
        y[:] = y[0]
    elif kind == "in the slice":
        x[:] = x[0]
    elif kind == "turning":
        turn = turn + np.cumsum(rng.uniform(-12, 12, n))
        x = x[0] + np.cumsum(rng.uniform(-1, 1, n))
    return np.column_stack([x, y, z, turn])


def lattice_axes(blank: Blank) -> list[np.ndarray]:
    """The x, the y and the z at which rays run."""
    grid = blank.grid
    starts, steps, counts = (grid.x0, grid.y0, grid.z0), (grid.px, grid.py, grid.pz), (grid.nx, grid.ny, grid.nz)
    return [start + step * np.arange(count) for start, step, count in zip(starts, steps, counts, strict=True)]


def material(blank: Blank, way: int) -> np.ndarray:
    """Lattice points (nx, ny, nz) that lie in material by the rays of one direction, walked node by node."""
    grid = blank.grid
    axes = lattice_axes(blank)
    solid = np.zeros((grid.nx, grid.ny, grid.nz), bool)
    pool = blank.x if way == 0 else blank.yz
    view = np.moveaxis(solid, way, 2)
    for u in range(view.shape[0]):
        for v in range(view.shape[1]):
            rows, rays, first = (
                (grid.band, grid.nz, 0) if way == 0 else (grid.slab, grid.ny + grid.nz, 0 if way == 1 else grid.nz)
            )
            node = (u % rows) * rays + first + v
            while node >= 0:
                low, high = pool.ends[u // rows, node]
                view[u, v] |= (axes[way] >= low) & (axes[way] <= high)
                node = pool.links[u // rows, node, 2]
    return solid


@pytest.mark.parametrize("kind", ["along", "in the slice", "straight", "turning"])
@pytest.mark.parametrize("name", EDGES)
def test_each_direction_keeps_what_the_twin_keeps(name: str, kind: str) -> None:
    rng = np.random.default_rng(abs(hash_of(name + kind)))
    blank = bar_blank(Section.SQUARE, (16.0,), 0.0, 14.0, 0.0, 0.7)
    poses = random_poses(rng, kind)
    carve(blank, EDGES[name], poses, np.arange(len(poses), dtype=np.int32))
    lattice = np.stack(np.meshgrid(*lattice_axes(blank), indexing="ij"), axis=-1).reshape(-1, 3)
    depth = depth_in_cutter(lattice, EDGES[name].edge, poses, 120)
    cut = depth > 0
    # the twin stands 0.1 degrees or 0.07 mm apart, so it can but miss what is swept; ring and turn chords are far below 0.02
    sure = np.abs(depth) > 0.02
    for way in range(3):
        gone = ~material(blank, way).reshape(-1)
        assert gone[cut & sure].all(), "what the cutter swept is gone"
    # outside the sweep: no point that is 0.1 mm clear of every stand may be gone
    clear = depth_in_cutter(lattice, grown(EDGES[name]), poses - np.array([0, 0, 0.1, 0]), 120) <= 0
    for way in range(3):
        assert material(blank, way).reshape(-1)[clear].all(), "what the cutter never reached stands"


def grown(shape: CutterShape) -> Profile:
    """The edge, 0.1 mm larger in radius."""
    edge = shape.edge
    return Profile(
        np.concatenate([[0.0], edge.r_mm + 0.1]), np.concatenate([[0.0], edge.h_mm]),
        np.concatenate([[np.nan], edge.centre_r_mm + 0.1]), np.concatenate([[np.nan], edge.centre_h_mm]),
    )  # fmt: skip


def hash_of(text: str) -> int:
    """A number that is the same in every run."""
    return sum(ord(c) * (i + 1) for i, c in enumerate(text))


def edge_points(shape: CutterShape, around: int = 120) -> np.ndarray:
    """Corners of the edge's surface, tip at the origin, with arcs in 24 chords; the polygon has the circle's area.

    Only corners, no points along straight lines: hulls of many collinear points come out ragged.
    """
    edge = shape.edge
    keep = np.concatenate([[True], np.repeat(~np.isnan(edge.centre_r_mm), 24)])
    keep[24::24] = True
    r, h = (column[keep] for column in outline_points(edge, 24))
    r, h = r[r > 1e-9], h[r > 1e-9]
    tip = [[0.0, 0.0, 0.0]] if edge.h_mm[1] > 0 else []
    angle = np.linspace(0, 2 * np.pi, around, endpoint=False)
    r = r / np.sqrt(np.sinc(2 / around))
    return np.vstack(
        [*tip, np.column_stack([np.outer(r, np.cos(angle)).ravel(), np.outer(r, np.sin(angle)).ravel(), np.repeat(h, around)])]
    )


def swept_volume(shape: CutterShape, poses: np.ndarray, pieces: int) -> float:
    """Volume that the moves take from a 16 mm square bar of 14 mm, as hulls of two stands each."""
    points = edge_points(shape, 120 if pieces == 1 else 60)
    hulls = []

    def stood(pose: np.ndarray) -> np.ndarray:
        t = np.radians(pose[3])
        at = points + pose[:3]
        return np.column_stack(
            [at[:, 0], at[:, 1] * np.cos(t) + at[:, 2] * np.sin(t), at[:, 2] * np.cos(t) - at[:, 1] * np.sin(t)]
        )

    for before, after in itertools.pairwise(poses):
        for k in range(pieces):
            ends = [before + (k + e) / pieces * (after - before) for e in (0, 1)]
            hulls.append(manifold3d.Manifold.hull_points(np.vstack([stood(end) for end in ends])))
    tool = manifold3d.Manifold.batch_boolean(hulls, manifold3d.OpType.Add)
    bar = manifold3d.Manifold.cube((14, 16, 16)).translate((0, -8, -8))
    return (bar ^ tool).volume()


@pytest.mark.parametrize("kind", ["along", "in the slice", "straight", "turning"])
@pytest.mark.parametrize("name", EDGES)
def test_removed_volume_is_that_of_the_swept_solids(name: str, kind: str) -> None:
    rng = np.random.default_rng(hash_of(kind + name))
    blank = bar_blank(Section.SQUARE, (16.0,), 0.0, 14.0, 0.0, 0.1)
    poses = random_poses(rng, kind)
    removed = carve(blank, EDGES[name], poses, np.arange(len(poses), dtype=np.int32)).removed_mm3.sum()
    # rays half a pitch off a wall or floor count it a whole cell: up to 0.05 mm of it, 0.3 % here, halved with the pitch
    assert removed == pytest.approx(swept_volume(EDGES[name], poses, 60 if kind == "turning" else 1), rel=5e-3)
