"""What holds for every bar, cutter and move."""

import numba
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from newel.core.errors import BadInput
from newel.core.job import Section
from newel.core.profile import CutterShape, outline
from newel.geometry.blank import bar_blank, carve, copy_of, inside, max_radius, memory_bytes, volume_mm3
from newel.geometry.blank_surface import blank_mesh, radial_top, surface_points

BALL = CutterShape(outline((0, 0), (1.5, 1.5, 0, 1.5), (1.5, 6)), outline((1.5, 6), (3, 6), (3, 20)))
FLAT = CutterShape(outline((0, 0), (2, 0), (2, 6)), outline((2, 6), (2, 12), (6, 12), (6, 20)))
POSE = st.tuples(st.floats(0, 12), st.floats(-6, 6), st.floats(-2, 8), st.floats(-400, 400))
MOVES = st.lists(POSE, min_size=1, max_size=6).map(lambda rows: np.array(rows))


def cut(blank, poses, shape=BALL):
    return carve(blank, shape, poses, np.arange(len(poses), dtype=np.int32))


@settings(max_examples=25, deadline=None)
@given(MOVES)
def test_what_is_removed_is_missing_and_nothing_is_added(poses: np.ndarray) -> None:
    blank = bar_blank(Section.HEXAGON, (12.0,), 0, 12, 10, 0.5)
    points = np.random.default_rng(1).uniform([0, -7, -7], [12, 7, 7], (2000, 3))
    before, solid = volume_mm3(blank), inside(blank, points)
    carved = cut(blank, poses)
    assert (carved.removed_mm3 >= 0).all() and (carved.struck_mm >= 0).all()
    assert carved.removed_mm3.sum() == pytest.approx(before - volume_mm3(blank), rel=1e-3, abs=1e-9)
    assert not (inside(blank, points) & ~solid).any()
    again = cut(blank, poses)
    assert again.removed_mm3.sum() < 2e-3 * before  # the same cut again finds nothing but rounding


@settings(max_examples=15, deadline=None)
@given(MOVES, st.floats(-180, 180))
def test_turning_bar_and_axis_together_changes_nothing(poses: np.ndarray, by_deg: float) -> None:
    volumes = []
    for turn in (0.0, by_deg):
        blank = bar_blank(Section.ROUND, (12.0,), 0, 12, 0, 0.25)
        cut(blank, poses - np.array([0, 0, 0, turn]))
        volumes.append(volume_mm3(blank))
    assert volumes[0] == pytest.approx(volumes[1], rel=4e-3)


@settings(max_examples=10, deadline=None)
@given(MOVES)
def test_the_mesh_is_closed_and_holds_the_volume(poses: np.ndarray) -> None:
    blank = bar_blank(Section.SQUARE, (12.0,), 0, 12, 0, 0.25)
    cut(blank, poses)
    vertices, faces = blank_mesh(blank, 1)
    edges = np.sort(faces[:, [0, 1, 1, 2, 2, 0]].reshape(-1, 2), axis=1)
    directed = faces[:, [0, 1, 1, 2, 2, 0]].reshape(-1, 2)
    assert (np.unique(edges, axis=0, return_counts=True)[1] == 2).all()
    assert len(np.unique(directed, axis=0)) == len(directed)
    a, b, c = (vertices[faces[:, k]] for k in range(3))
    assert np.einsum("ij,ij->i", a, np.cross(b, c)).sum() / 6 == pytest.approx(volume_mm3(blank), rel=2e-2)


def test_threads_do_not_change_a_bit() -> None:
    rng = np.random.default_rng(3)
    poses = np.column_stack(
        [rng.uniform(0, 20, 40), rng.uniform(-3, 3, 40), rng.uniform(2, 7, 40), np.cumsum(rng.uniform(-20, 20, 40))]
    )
    results = []
    threads = numba.get_num_threads()
    for count in (1, threads):
        numba.set_num_threads(count)
        blank = bar_blank(Section.SQUARE, (14.0,), 0, 20, 0, 0.25)
        carved = cut(blank, poses, FLAT)
        results.append((carved.removed_mm3, carved.struck_mm, volume_mm3(blank), *surface_points(blank)))
    numba.set_num_threads(threads)
    for one, many in zip(*results, strict=True):
        assert np.array_equal(one, many)


def test_many_slots_outgrow_the_first_pool_and_lose_nothing() -> None:
    thin = CutterShape(outline((0, 0), (0.2, 0), (0.2, 30)), outline((0.2, 30), (0.2, 40)))
    blank = bar_blank(Section.SQUARE, (10.0,), 0, 10, 0, 0.1)
    size = memory_bytes(blank)
    rows = [
        [x, y, z, turn]
        for turn in (0, 90)
        for y in np.arange(-4.5, 5, 0.9)
        for x, z in ((-1, -6), (11, -6), (11, 20), (-1, 20))
    ]
    carved = cut(blank, np.array(rows), thin)
    assert memory_bytes(blank) > size
    # 11 slots 0.4 mm wide each way, right through: derived, 1000 - 10 (10 - 11 * 0.4)^2, the outermost ones whole inside
    assert carved.removed_mm3.sum() == pytest.approx(1000 - 10 * (10 - 11 * 0.4) ** 2, rel=0.01)


def test_the_body_is_told_from_the_edge() -> None:
    blank = bar_blank(Section.SQUARE, (20.0,), 0, 20, 0, 0.1)
    # the slot is 5 deep, the 12 mm wide holder 12 above the tip: clear; at 13 deep it stands 1.0 mm in the floor beside
    shallow = cut(copy_of(blank), np.array([[-8, 0, 5, 0], [28, 0, 5, 0.0]]), FLAT)
    assert shallow.struck_mm.max() == 0
    deep = cut(copy_of(blank), np.array([[10, 0, 12, 0], [10, 0, -3, 0.0]]), FLAT)
    assert deep.struck_mm[0] == 0 and deep.struck_mm[1] == pytest.approx(1.0 - 0.005, abs=0.002)
    # the neck is as wide as the edge: it follows into its own hole without touching (holder 15 up, corners at 14.1)
    neck = cut(copy_of(blank), np.array([[10, 0, 15, 30], [10, 0, 3, 30], [12, 3, 3, 30], [12, 3, 3, 35.0]]), FLAT)
    assert neck.struck_mm[1] == 0 < neck.struck_mm[2]  # down its own hole, then sideways into what the edge is too short for


def test_tags_name_the_cut_that_made_a_surface() -> None:
    blank = bar_blank(Section.ROUND, (20.0,), 0, 20, 0, 0.2)
    carve(blank, FLAT, np.array([[10, 0, 8, a] for a in np.arange(0, 361, 5.0)]), np.full(73, 7, np.int32))
    points, normals, tags = surface_points(blank)
    radius = np.hypot(points[:, 1], points[:, 2])
    floor = (np.abs(points[:, 0] - 10) < 1.5) & (radius < 9)
    assert (tags[floor] == 7).all() and (tags[radius > 9.99] != 8).all()
    assert np.abs(radius[floor] - 8).max() < 0.005  # chord of the rings 0.0015, of the turn 0.002
    assert (np.einsum("ij,ij->i", normals[floor][:, 1:], points[floor][:, 1:]) / radius[floor] > 0.99).all()
    walls = (tags == 7) & (radius > 8.2) & (radius < 9.8)
    assert np.abs(np.abs(points[walls, 0] - 10) - 2).max() < 0.005
    vertices, _ = blank_mesh(blank)
    r = np.hypot(vertices[:, 1], vertices[:, 2])
    assert abs(r[np.abs(vertices[:, 0] - 10) < 1.5].mean() - 8) < 0.005
    shoulder = (np.abs(vertices[:, 0] - 12) < 0.2) & (r > 8.5) & (r < 9.5)
    assert np.abs(vertices[shoulder, 0] - 12).max() < 0.05  # a quarter of the pitch
    x0, tops = radial_top(blank, 1.0, 5.0)
    assert x0 == 0 and np.abs(tops[9:11] - 8).max() < 0.2 and np.abs(tops[2] - 10).max() < 0.2
    assert max_radius(blank, 9.5, 10.5) == pytest.approx(8.05, abs=0.1)


def test_radial_top_faces_the_spindle_at_its_turn() -> None:
    blank = bar_blank(Section.SQUARE, (20.0,), 0, 10, 0, 0.2)
    long = CutterShape(outline((0, 0), (2, 0), (2, 12)), outline((2, 12), (2, 20)))
    carve(blank, long, np.array([[-5, 0, 6, 30], [15, 0, 6, 30.0]]), np.zeros(2, np.int32))
    _, tops = radial_top(blank, 1.0, 10.0)
    assert tops[5, 3] < 6.4 and tops[5].argmin() == 3


def test_nothing_left_is_empty_arrays() -> None:
    blank = bar_blank(Section.ROUND, (4.0,), 0, 4, 0, 0.5)
    wide = CutterShape(outline((0, 0), (30, 0), (30, 20)), outline((30, 20), (30, 30)))
    cut(blank, np.array([[2.0, 0, -5, 0]]), wide)
    assert volume_mm3(blank) == 0 and max_radius(blank, 0, 4) == 0
    assert all(len(array) == 0 for array in (*blank_mesh(blank), *surface_points(blank)))
    assert radial_top(blank, 1, 10)[1].max() == 0


@pytest.mark.parametrize("bad", [(0.0,), (np.nan,), (5.0, 5.0), (-1.0,)])
def test_bars_that_cannot_be_are_refused(bad: tuple[float, ...]) -> None:
    with pytest.raises(BadInput):
        bar_blank(Section.ROUND, bad, 0, 10, 0, 0.5)


@pytest.mark.parametrize("section,size,area", [
    (Section.ROUND, (20.0,), np.pi * 100), (Section.SQUARE, (20.0,), 400.0), (Section.RECTANGLE, (20.0, 10.0), 200.0),
    (Section.HEXAGON, (20.0,), 200 * np.sqrt(3)),
])  # fmt: skip
@pytest.mark.parametrize("turned", [0.0, 30.0, 45.0])
def test_bars_have_their_sections(section: Section, size: tuple[float, ...], area: float, turned: float) -> None:
    """Derived: pi d^2 / 4, a^2, w h, and a^2 sqrt(3) / 2 for a hexagon a across flats."""
    blank = bar_blank(section, size, -2, 8, turned, 0.1)
    assert volume_mm3(blank) == pytest.approx(10 * area, rel=1e-3)
    if section is Section.HEXAGON and turned == 0:
        assert inside(blank, np.array([[0, 0, 9.97], [0, 9.97, 0], [0, 11.4, 0], [0, 0, 10.03]])).tolist() == [
            True,
            True,
            True,
            False,
        ]
    if section is Section.RECTANGLE and turned == 0:
        assert inside(blank, np.array([[0, 9.9, 0], [0, 0, 9.9]])).tolist() == [True, False]
