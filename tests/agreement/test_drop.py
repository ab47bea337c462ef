"""The drop against its slow twin, which searches every triangle and knows no contact form: within 2 micrometres.

Random meshes, angles in both senses of turn, and all profiles: 8 cutters x 4 meshes x 2 senses x 6 places = 384 cases.
"""

import numpy as np
import pytest

from newel.core.errors import BadInput
from newel.core.frames import turn_about_x
from newel.core.profile import outline
from newel.geometry.drop import drop, drop_contact, drop_tree, stands_clear
from plain.drop_plain import all_cutters, drop_plain, in_holder

LIMIT_MM = 0.002


def soup(rng, size):
    """Triangles that do not know each other."""
    corners = rng.uniform(-7, 7, (30, 1, 3)) + rng.normal(0, size, (30, 3, 3))
    return corners.reshape(-1, 3), np.arange(90).reshape(-1, 3)


def sheet(rng):
    """A wavy tube about X: shared edges and vertices, valleys and ridges."""
    x, t = np.meshgrid(np.linspace(-7, 7, 9), np.linspace(0, 2 * np.pi, 8)[:-1], indexing="ij")
    r = 5.0 + rng.uniform(-1.2, 1.2, x.shape)
    v = np.stack([x, r * np.cos(t), r * np.sin(t)], axis=2).reshape(-1, 3)
    i, j = np.meshgrid(np.arange(8), np.arange(7), indexing="ij")
    a, b = i * 7 + j, i * 7 + (j + 1) % 7
    return v, np.concatenate([np.stack([a, b, b + 7], 2).reshape(-1, 3), np.stack([a, b + 7, a + 7], 2).reshape(-1, 3)])


def walls(rng):
    """Boxes that stand a little askew: facets all but upright, and all but level."""
    box = np.array([[i, j, k] for i in (-1, 1) for j in (-1, 1) for k in (-1, 1)], dtype=float)
    quads = np.array([[0, 1, 3, 2], [4, 6, 7, 5], [0, 4, 5, 1], [2, 3, 7, 6], [0, 2, 6, 4], [1, 5, 7, 3]])
    faces = np.concatenate([quads[:, [0, 1, 2]], quads[:, [0, 2, 3]]])
    vertices = [
        box * rng.uniform(0.5, 4, 3) + rng.uniform(-5, 5, 3) + 0.01 * rng.normal(size=(8, 3)) * rng.integers(0, 2)
        for _ in range(4)
    ]
    return np.concatenate(vertices), np.concatenate([faces + 8 * i for i in range(4)])


def meshes(rng):
    return {"fine soup": soup(rng, 1.0), "coarse soup": soup(rng, 5.0), "sheet": sheet(rng), "walls": walls(rng)}


@pytest.mark.parametrize("cutter", all_cutters(), ids=lambda cutter: cutter.name)
@pytest.mark.parametrize("sense", [1, -1])
def test_drop_is_within_two_micrometres_of_the_slow_twin(cutter, sense):
    rng = np.random.default_rng(31 + sense)
    for name, (vertices, faces) in meshes(rng).items():
        x, y = rng.uniform(-5, 5, 6), rng.uniform(-5, 5, 6)
        a_deg = rng.choice([0.0, 90.0, 360.0 * rng.uniform(-2, 2)], 6)
        fast = drop(drop_tree(vertices, faces), cutter.profile, x, y, sense * a_deg)
        slow = drop_plain(vertices, faces, cutter, x, y, sense * a_deg)
        assert np.array_equal(np.isfinite(fast), np.isfinite(slow)), name
        there = np.isfinite(slow)
        assert np.all(np.abs(fast[there] - slow[there]) < LIMIT_MM), name


@pytest.mark.parametrize("cutter", all_cutters(), ids=lambda cutter: cutter.name)
@pytest.mark.parametrize("places", [300, 2500])
def test_standing_clear_is_standing_no_lower_than_the_drop(cutter, places):
    """Derived: heights 0.01 mm over and under each drop; few and many places go through kernels of one thread and of many."""
    rng = np.random.default_rng(11)
    tree = drop_tree(*sheet(rng))
    x, y, turn = rng.uniform(-8, 8, places), rng.uniform(-6, 6, places), rng.uniform(0, 360, places)
    low = drop(tree, cutter.profile, x, y, turn, floor_mm=-50.0)
    assert stands_clear(tree, cutter.profile, x, y, low + 0.01, turn).all()
    on_part = low > -50.0
    assert on_part.any()
    assert not stands_clear(tree, cutter.profile, x, y, low - 0.01, turn)[on_part].any()
    some = [float(drop(tree, cutter.profile, *place, floor_mm=-50.0)) for place in zip(x[:40], y[:40], turn[:40])]
    assert np.abs(low[:40] - some).max() <= 1e-9


@pytest.mark.parametrize("cutter", all_cutters(), ids=lambda cutter: cutter.name)
def test_many_places_asked_together_match_places_asked_alone(cutter):
    rng = np.random.default_rng(5)
    vertices, faces = sheet(rng)
    tree = drop_tree(vertices, faces)
    x, y, turn = rng.uniform(-8, 8, 300), rng.uniform(-6, 6, 300), rng.uniform(0, 360, 300)
    together = drop(tree, cutter.profile, x, y, turn)
    alone = np.array([float(drop(tree, cutter.profile, *place)) for place in zip(x, y, turn, strict=True)])
    np.testing.assert_allclose(together, alone, rtol=0, atol=2e-9)


@pytest.mark.parametrize("cutter", all_cutters(), ids=lambda cutter: cutter.name)
def test_contact_lies_on_the_face_and_on_the_cutter(cutter):
    rng = np.random.default_rng(6)
    vertices, faces = sheet(rng)
    x, y, turn = rng.uniform(-6, 6, 200), rng.uniform(-4, 4, 200), rng.uniform(-360, 360, 200)
    z, contact, face = drop_contact(drop_tree(vertices, faces), cutter.profile, x, y, turn)
    for i in range(200):
        a, b, c = vertices[faces[face[i]]]
        u, v, rest = np.linalg.lstsq(np.column_stack([b - a, c - a, np.cross(b - a, c - a)]), contact[i] - a, rcond=None)[0]
        assert min(u, v, 1 - u - v) > -1e-7 and abs(rest) < 1e-7
        on_table = turn_about_x(turn[i]) @ contact[i]
        rho = np.hypot(on_table[0] - x[i], on_table[1] - y[i])
        heights = [float(height(np.array(min(rho, reach)))) for height, reach in cutter.pieces if rho <= reach + 1e-9]
        assert on_table[2] - z[i] == pytest.approx(min(heights), abs=1e-6)


@pytest.mark.parametrize("triangles", [1, 7, 8, 9, 16, 17, 64, 65, 129, 513])
def test_leaves_hold_every_triangle_once_and_stand_equally_deep(triangles):
    rng = np.random.default_rng(triangles)
    vertices, faces = sheet(rng)
    faces = np.tile(faces, (1 + triangles // len(faces), 1))[:triangles]
    tree = drop_tree(vertices, faces)
    node, link, _, many, _ = tree.arrays
    held = [face for leaf, count in enumerate(many) for face in tree.face.reshape(-1, 8)[leaf, :count]]
    assert sorted(held) == list(range(triangles))
    assert triangles <= 8 or many.min() >= 4
    seen, level = [], [0]
    while level:  # node by node from the root, level by level
        there = [link[at, k] for at in level for k in range(8) if node[at, k] < 1e29]
        assert len({child < 0 for child in there}) == 1
        seen += [~child for child in there if child < 0]
        level = [child for child in there if child >= 0]
    assert sorted(seen) == list(range(len(many)))


def test_triangles_without_area_and_doubled_triangles_change_nothing():
    rng = np.random.default_rng(8)
    vertices, faces = sheet(rng)
    ugly = np.concatenate([faces, faces[:20, [0, 0, 1]], faces[:5, [1, 1, 1]], faces[3:30, [2, 1, 0]]])
    x, y, turn = rng.uniform(-6, 6, 200), rng.uniform(-4, 4, 200), rng.uniform(-360, 360, 200)
    for cutter in all_cutters():
        clean = drop(drop_tree(vertices, faces), cutter.profile, x, y, turn)
        np.testing.assert_allclose(drop(drop_tree(vertices, ugly), cutter.profile, x, y, turn), clean, rtol=0, atol=2e-9)


def test_a_needle_without_width_is_met_by_its_edges():
    tree = drop_tree([[-5, 0, 1], [5, 0, 1], [0, 0, 1]], [[0, 1, 2]])
    ball = outline((0, 0), (2, 2, 0, 2), (2, 9))
    # derived: a ball of radius 2 set 1.2 beside a level line sinks by 2 - sqrt(4 - 1.44) = 0.4
    assert float(drop(tree, ball, 0.3, 1.2, 0.0)) == pytest.approx(0.6, abs=1e-12)


@pytest.mark.parametrize("turn", [0.0, 90.0, 180.0, -90.0, 30.0])
def test_level_floor_under_a_flat(turn):
    """Derived: a flat on a tilted square of side 20 through the axis, uphill rim touching: z = 3 tan(tilt) for small tilt."""
    square = np.array([[-10.0, -10.0, 0.0], [10.0, -10.0, 0.0], [10.0, 10.0, 0.0], [-10.0, 10.0, 0.0]])
    tree = drop_tree(square @ turn_about_x(-turn).T, [[0, 1, 2], [0, 2, 3]])
    flat = outline((0, 0), (3, 0), (3, 10))
    assert float(drop(tree, flat, 1.0, 2.0, turn)) == pytest.approx(0.0, abs=1e-12)
    assert float(drop(tree, flat, 1.0, 2.0, turn + 20.0)) == pytest.approx(
        2.0 * np.tan(np.radians(20.0)) + 3.0 * np.tan(np.radians(20.0)), abs=1e-12
    )


def test_nothing_beneath_is_the_floor():
    tree = drop_tree([[0, 0, 0], [1, 0, 0], [0, 1, 0]], [[0, 1, 2]])
    ball = outline((0, 0), (1, 1, 0, 1), (1, 9))
    assert np.array_equal(drop(tree, ball, [0.0, 50.0], 0.0, 0.0, floor_mm=-3.0), [0.0, -3.0])
    assert float(drop(tree, ball, 0.0, 0.0, 0.0, floor_mm=2.0)) == 2.0
    z, contact, face = drop_contact(tree, ball, 50.0, 0.0, 0.0)
    assert z[0] == -np.inf and np.isnan(contact).all() and face[0] == -1


def test_shank_holder_and_nose_decide_where_they_are_lower():
    """Derived: a tall post beside the cutter meets the nut (h = 10 at r = 3..6) before the tip meets the floor."""
    floor = [[-50, -50, 0], [50, -50, 0], [0, 80, 0]]
    post = [[4.0, -0.1, 13.0], [4.0, 0.1, 13.0], [4.0, 0.0, -1.0]]
    tree = drop_tree(floor + post, [[0, 1, 2], [3, 4, 5]])
    assert float(drop(tree, in_holder().profile, 0.0, 0.0, 0.0)) == pytest.approx(3.0, abs=1e-12)
    assert float(drop(tree, in_holder().profile, -10.0, 0.0, 0.0)) == pytest.approx(0.0, abs=1e-12)


@pytest.mark.parametrize(
    ("vertices", "faces"),
    [
        ([[0, 0, np.nan], [1, 0, 0], [0, 1, 0]], [[0, 1, 2]]),
        ([[0, 0, 0], [1, 0, 0], [0, 1, 0]], np.empty((0, 3), int)),
        ([[0, 0, 0], [1, 0, 0], [0, 1, 0]], [[0, 1, 3]]),
        ([[0, 0, 0], [1, 0, 0], [0, 1, 0]], [[0, 1, -1]]),
        ([[0, 0], [1, 0], [0, 1]], [[0, 1, 2]]),
    ],
)
def test_broken_meshes_are_refused(vertices, faces):
    with pytest.raises(BadInput):
        drop_tree(vertices, faces)


def test_places_that_are_not_numbers_are_refused():
    tree = drop_tree([[0, 0, 0], [1, 0, 0], [0, 1, 0]], [[0, 1, 2]])
    with pytest.raises(BadInput):
        drop(tree, outline((0, 0), (3, 0), (3, 10)), 0.0, np.nan, 0.0)
