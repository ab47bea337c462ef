"""Features found on meshes: the bracket against its own sizes, and solids whose shape is known in closed form (all derived)."""

from __future__ import annotations

import manifold3d
import numpy as np
import pytest

from bracket_truth import FLATS, RIMS_INSIDE, RIMS_OUTSIDE, ROUNDS, below_mm2, top_mm2
from newel.app.demo_models import bracket, finial
from newel.core.errors import BadInput
from newel.geometry.features import Features
from newel.geometry.mesh_features import features_of
from newel.geometry.meshes import Mesh, read_mesh, write_stl

Solid = manifold3d.Manifold


def as_mesh(solid: manifold3d.Manifold) -> Mesh:
    mesh = solid.to_mesh64()
    return Mesh(np.asarray(mesh.vert_properties)[:, :3], np.asarray(mesh.tri_verts).astype(np.int32))


def through_stl(mesh: Mesh) -> Mesh:
    """As it comes from a file in single precision."""
    return read_mesh(write_stl(mesh), "stl", "mm", "part").mesh


def tipped(solid: manifold3d.Manifold) -> manifold3d.Manifold:
    return solid.rotate((17.0, 33.0, 71.0)).translate((3.0, -8.0, 5.0))


def is_closed_line(points: np.ndarray) -> bool:
    return bool((points[0] == points[-1]).all())


@pytest.mark.parametrize("make", [bracket, lambda: through_stl(bracket())], ids=["as made", "through STL"])
class TestBracket:
    """The bracket against its own sizes."""

    def test_every_round_face_is_found_with_its_size(self, make) -> None:
        rounds = list(features_of(make()).rounds)
        assert len(rounds) == len(ROUNDS)
        for point, axis, radius, low, high, around in ROUNDS:
            (same,) = [
                r for r in rounds if np.linalg.norm(np.subtract(r.point, point)) < 0.01 and abs(r.radius_mm - radius) < 0.01
            ]
            assert same.hollow
            assert same.radius_mm == pytest.approx(radius, abs=1e-4)  # single precision places corners to 4e-6
            assert np.linalg.norm(same.point - point) < 1e-4
            assert abs(same.axis @ axis) > 1 - 1e-9
            assert (same.from_mm, same.to_mm) == pytest.approx((low, high), abs=1e-5)
            assert same.around_deg == pytest.approx(around, abs=0.01)

    def test_flat_faces_have_their_areas(self, make) -> None:
        flats = features_of(make()).flats
        assert len(flats) == FLATS
        top = max((f for f in flats if f.normal[2] > 0.99), key=lambda f: f.offset_mm)
        assert top.offset_mm == pytest.approx(19.0, abs=1e-5)
        assert top.area_mm2 == pytest.approx(top_mm2(), rel=1e-3)  # arcs of 96 sides take 0.07 % off a circle
        below = next(f for f in flats if f.normal[2] < -0.99)
        assert below.area_mm2 == pytest.approx(below_mm2(), rel=1e-3)

    def test_rims_are_closed_lines_with_exact_normals(self, make) -> None:
        edges = features_of(make()).edges
        closed = [e for e in edges if is_closed_line(e.points)]
        assert sum(e.outside for e in closed) == RIMS_OUTSIDE
        assert sum(not e.outside for e in closed) == RIMS_INSIDE
        bore = [e for e in closed if np.abs(e.points[:, 1]).min() > 18.99 and e.points[:, 0].min() > 55.0]
        assert len(bore) == 2
        for rim in bore:
            out = rim.points - np.array([61.5, 0.0, 0.0])
            out[:, 1] = 0.0
            toward_axis = -out / np.linalg.norm(out, axis=1, keepdims=True)  # material is outside a bore
            walls = rim.one if abs(rim.one[0, 1]) < 0.5 else rim.other
            assert np.abs(walls - toward_axis).max() < 1e-4

    def test_the_edge_along_the_bar_knows_both_faces(self, make) -> None:
        edges = features_of(make()).edges
        (edge,) = [
            e for e in edges if len(e.points) == 2 and np.allclose(np.sort(e.points, axis=0), [[0, 15, 19], [90, 15, 19]])
        ]
        assert edge.outside
        both = sorted([edge.one[0].tolist(), edge.other[0].tolist()], key=lambda n: n[1])
        assert np.allclose(both, [[0, 0, 1], [0, np.sqrt(0.5), np.sqrt(0.5)]], atol=1e-6)


def test_every_feature_names_its_own_triangles() -> None:
    mesh = bracket()
    found = features_of(mesh)
    owned = np.concatenate([f.faces for f in (*found.flats, *found.rounds)])
    assert len(owned) == len(np.unique(owned)) == len(mesh.faces)  # the bracket is all planes and cylinders


@pytest.mark.parametrize("sides", [6, 8, 10, 11])
def test_prisms_of_few_sides_are_flats(sides: int) -> None:
    found = features_of(through_stl(as_mesh(tipped(Solid.cylinder(20.0, 7.0, 7.0, sides)))))
    assert (len(found.flats), len(found.rounds), len(found.edges)) == (sides + 2, 0, 3 * sides)


@pytest.mark.parametrize("sides", [12, 13, 24, 97, 360, 2000])
def test_cylinders_of_any_facets_have_their_true_radius(sides: int) -> None:
    found = features_of(through_stl(as_mesh(tipped(Solid.cylinder(20.0, 7.0, 7.0, sides)))))
    assert (len(found.flats), len(found.edges)) == (2, 2)
    (boss,) = found.rounds
    assert not boss.hollow
    assert boss.radius_mm == pytest.approx(7.0, abs=2e-5)
    assert boss.to_mm - boss.from_mm == pytest.approx(20.0, abs=2e-5)
    assert boss.around_deg == pytest.approx(360.0, abs=1e-6)
    assert all(is_closed_line(e.points) and e.outside for e in found.edges)


def irregular_cylinder(radius: float, length: float, count: int) -> Mesh:
    """A cylinder whose wall is triangulated without any order, all corners on it."""
    from scipy.spatial import Delaunay

    rng = np.random.default_rng(5)
    turn = 2.0 * np.pi * radius
    around = int(np.sqrt(count * turn / length))
    step = turn / around
    rows = round(length / step) + 1
    along = np.repeat(np.linspace(0.0, length, rows), around)
    across = np.tile(np.arange(around) * step, rows) + 0.5 * step * (np.repeat(np.arange(rows), around) % 2)
    inner = np.flatnonzero((along > 0.0) & (along < length))
    across[inner] += rng.uniform(-0.3, 0.3, len(inner)) * step
    along[inner] += rng.uniform(-0.3, 0.3, len(inner)) * step
    flat = np.stack([across % turn, along], axis=1)
    once = np.array([turn, 0.0])
    thrice = np.concatenate([flat - once, flat, flat + once])
    cells = Delaunay(thrice).simplices
    middle = thrice[cells].mean(axis=1)
    cells = cells[(middle[:, 0] >= 0.0) & (middle[:, 0] < turn)]
    a, b, c = (thrice[cells[:, k]] for k in range(3))
    left = (b - a)[:, 0] * (c - a)[:, 1] - (b - a)[:, 1] * (c - a)[:, 0] < 0.0
    wall = cells % len(flat)
    wall[left] = wall[left][:, ::-1]
    points = np.stack([radius * np.cos(flat[:, 0] / radius), radius * np.sin(flat[:, 0] / radius), flat[:, 1]], axis=1)
    ends = []
    for z, way in ((0.0, -1), (length, 1)):
        ring = np.flatnonzero(flat[:, 1] == z)
        ring = ring[np.argsort(flat[ring, 0])][::way]
        hub = np.full(len(ring), len(points))
        points = np.concatenate([points, [[0.0, 0.0, z]]])
        ends.append(np.stack([ring, np.roll(ring, -1), hub], axis=1))
    return Mesh(points, np.concatenate([wall, *ends]).astype(np.int32))


@pytest.mark.parametrize("count", [1000, 6000])
def test_a_wall_triangulated_without_order_is_still_a_cylinder(count: int) -> None:
    mesh = irregular_cylinder(7.0, 20.0, count)
    found = features_of(mesh)
    (boss,) = found.rounds
    assert (len(found.flats), len(found.edges)) == (2, 2)
    assert boss.radius_mm == pytest.approx(7.0, abs=1e-6)
    assert len(boss.faces) + sum(len(f.faces) for f in found.flats) == len(mesh.faces)


@pytest.mark.parametrize(
    "make",
    [
        lambda: Solid.cylinder(20.0, 7.0, 4.0, 48),
        lambda: Solid.cylinder(20.0, 7.0, 4.0, 400),
        lambda: Solid.sphere(10.0, 128),
        lambda: manifold3d.CrossSection(
            [np.stack([12 + 4 * np.cos(t), 4 * np.sin(t)], 1) for t in [np.linspace(0, 2 * np.pi, 97)[:-1]]]
        ).revolve(128),
        lambda: manifold3d.CrossSection.circle(10.0, 256).scale((1.0, 0.6)).extrude(20.0),
    ],
    ids=["cone", "fine cone", "ball", "ring", "elliptic bar"],
)
def test_what_is_no_cylinder_is_not_called_one(make) -> None:
    assert features_of(through_stl(as_mesh(tipped(make())))).rounds == ()


def test_a_carved_model_has_no_features_but_its_ends_and_its_foot() -> None:
    found = features_of(finial())
    assert len(found.flats) == 2
    (foot,) = found.rounds  # its outline starts straight, 17.2 mm wide for 2.2 mm, less what the softening rounds off
    assert (foot.around_deg, foot.from_mm) == (pytest.approx(360.0), pytest.approx(0.0, abs=1e-9))
    assert 0.5 < foot.to_mm < 2.2


def test_bores_that_cross_are_found_though_their_facets_cut_each_other() -> None:
    block = Solid.cube((60.0, 40.0, 30.0), True)
    across, upright = (
        Solid.cylinder(100.0, 8.0, 8.0, 64, True).rotate((90.0, 0.0, 0.0)),
        Solid.cylinder(100.0, 5.0, 5.0, 96, True),
    )
    found = features_of(through_stl(as_mesh(block - across - upright)))
    assert len(found.flats) == 6
    wide = [r for r in found.rounds if abs(r.radius_mm - 8.0) < 1e-3]
    slim = [r for r in found.rounds if abs(r.radius_mm - 5.0) < 1e-3]
    assert (len(wide), len(slim), len(found.rounds)) == (1, 2, 3)
    assert all(r.hollow and r.around_deg == pytest.approx(360.0, abs=0.01) for r in found.rounds)
    # they meet at z^2 = 8^2 - y^2, |y| <= 5: from sqrt(39) up
    assert min(abs(r.from_mm) for r in slim if r.to_mm > 14.9) == pytest.approx(np.sqrt(39.0), abs=0.01)


@pytest.mark.parametrize("sides", [12, 16, 24, 64])
def test_round_corners_are_quarter_cylinders(sides: int) -> None:
    outline = manifold3d.CrossSection.square((20.0, 12.0), center=True).offset(
        3.0, manifold3d.JoinType.Round, circular_segments=sides
    )
    found = features_of(through_stl(as_mesh(tipped(outline.extrude(9.0)))))
    assert (len(found.flats), len(found.rounds)) == (6, 4)
    assert all(
        r.radius_mm == pytest.approx(3.0, abs=1e-4) and r.around_deg == pytest.approx(90.0, abs=0.01) for r in found.rounds
    )
    assert len(found.edges) == 2  # both rims run round smoothly


def test_a_turned_flat_on_a_shaft_is_flat() -> None:
    shaft = Solid.cylinder(30.0, 5.0, 5.0, 72) - Solid.cube((20.0, 20.0, 10.0)).translate((-10.0, 4.5, 20.0))
    found = features_of(through_stl(as_mesh(tipped(shaft))))
    (boss,) = found.rounds
    assert boss.radius_mm == pytest.approx(5.0, abs=1e-4)
    chord = 2.0 * np.sqrt(5.0**2 - 4.5**2)  # the flat: as wide as the chord 4.5 from the axis
    assert sorted(f.area_mm2 for f in found.flats)[1] == pytest.approx(
        10.0 * chord, rel=5e-3
    )  # between facets of 72 sides: 0.3 % less


def test_features_do_not_depend_on_the_order_of_the_triangles() -> None:
    mesh = bracket()
    mixed = Mesh(mesh.vertices, mesh.faces[np.random.default_rng(3).permutation(len(mesh.faces))])

    def sizes(found: Features) -> list[float]:
        return sorted(round(r.radius_mm, 6) for r in found.rounds) + sorted(round(f.area_mm2, 4) for f in found.flats)

    assert sizes(features_of(mesh)) == sizes(features_of(mixed))


def test_an_open_surface_is_refused() -> None:
    with pytest.raises(BadInput, match="closed"):
        features_of(Mesh(bracket().vertices, bracket().faces[:-1]))
