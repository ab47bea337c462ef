"""Reading, mending and making meshes. Expected volumes are derived (closed forms of boxes and prisms beside each case)."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from corpus import ugly_meshes
from newel.core.errors import BadInput
from newel.core.frames import turn_about_x
from newel.core.job import Section
from newel.geometry.mesh_mending import turn_alike, winding_number
from newel.geometry.meshes import Mesh, is_closed, mesh_bounds, mesh_volume_mm3, read_mesh, transformed, write_stl
from newel.geometry.solids import bar_solid, joined, section_corners, turned_cylinder

MENDED = ugly_meshes.mended()
REFUSED = ugly_meshes.refused()


@pytest.mark.parametrize("name", MENDED)
def test_an_ugly_model_is_mended_and_says_so(name: str) -> None:
    case = MENDED[name]
    model = read_mesh(case.data, case.file_type, case.unit, name)
    assert is_closed(model.mesh)
    assert case.bodies in (model.bodies, None)
    assert case.says in "; ".join(model.mended)
    # 0.002 mm of noise on the seams of a 30 x 20 x 10 box: at most its surface times that, 2200 x 0.002 = 4.4 mm3
    assert mesh_volume_mm3(model.mesh) == pytest.approx(case.volume_mm3, abs=4.4 if "seam" in name else 1e-3)


@pytest.mark.parametrize("name", REFUSED)
def test_a_broken_model_is_refused_with_the_reason(name: str) -> None:
    case = REFUSED[name]
    with pytest.raises(BadInput) as refusal:
        read_mesh(case.data, case.file_type, case.unit, f"{name}.{case.file_type}")
    assert case.says in refusal.value.what
    assert refusal.value.where.startswith(f"{name}.{case.file_type}")
    assert refusal.value.remedy


def test_an_open_surface_says_how_many_edges_and_where() -> None:
    points, faces = ugly_meshes.box((30.0, 20.0, 10.0))
    with pytest.raises(BadInput) as refusal:
        read_mesh(ugly_meshes.obj(points, faces[4:]), "obj", "mm", "tray.obj")  # both ends in X are gone
    assert "8 open edges" in refusal.value.what
    assert "x y z" in refusal.value.where


def test_the_size_hints_name_the_unit_that_was_likely_meant() -> None:
    points, faces = ugly_meshes.box((40_000.0, 20.0, 10.0))
    with pytest.raises(BadInput, match="40 m") as huge:
        read_mesh(ugly_meshes.obj(points, faces), "obj", "mm", "part.obj")
    assert "40 mm if its numbers are micrometres" in huge.value.remedy
    with pytest.raises(BadInput) as inch:
        read_mesh(ugly_meshes.obj(points / 80.0, faces), "obj", "inch", "part.obj")  # 500 read in inch: 12.7 m
    assert "500 mm if its numbers are mm" in inch.value.remedy
    with pytest.raises(BadInput) as tiny:
        read_mesh(ugly_meshes.obj(points / 1_000_000.0, faces), "obj", "mm", "part.obj")  # 0.04
    assert "40 mm if its numbers are metres" in tiny.value.remedy


def test_inch_is_25_4_mm() -> None:
    points, faces = ugly_meshes.box((1.0, 2.0, 0.5))
    model = read_mesh(ugly_meshes.obj(points, faces), "obj", "inch", "part.obj")
    assert mesh_bounds(model.mesh)[1] == pytest.approx([25.4, 50.8, 12.7])


@pytest.mark.parametrize("file_type", ["stl", "obj", "ply", "3mf", "stl_ascii"])
def test_every_file_type_reads_the_same_part(file_type: str) -> None:
    import trimesh

    points, faces = ugly_meshes.ball(10.0)
    data = trimesh.Trimesh(points, faces, process=False).export(file_type=file_type)
    data = data.encode() if isinstance(data, str) else data
    model = read_mesh(data, file_type.split("_")[0], "mm", "ball")
    assert len(model.mesh.faces) == len(faces)
    assert mesh_volume_mm3(model.mesh) == pytest.approx(mesh_volume_mm3(Mesh(points, faces)), rel=1e-5)


def test_a_clean_model_passes_through_unchanged() -> None:
    points, faces = ugly_meshes.ball(10.0)
    model = read_mesh(ugly_meshes.obj(points, faces), "obj", "mm", "ball.obj")
    assert model.mended == ()
    assert (model.mesh.vertices == points).all()
    assert (model.mesh.faces == faces).all()


@settings(max_examples=25, deadline=None)
@given(st.integers(0, 2**32 - 1), st.floats(0.0, 1.0))
def test_any_flips_and_any_order_of_faces_mend_to_the_same_solid(seed: int, share: float) -> None:
    rng = np.random.default_rng(seed)
    points, faces = ugly_meshes.ball(10.0, finer=2)
    faces = faces[rng.permutation(len(faces))]
    turned = rng.random(len(faces)) < share
    faces = np.where(turned[:, None], faces[:, ::-1], faces)
    model = read_mesh(ugly_meshes.obj(points, faces), "obj", "mm", "ball.obj")
    assert is_closed(model.mesh)
    assert mesh_volume_mm3(model.mesh) == pytest.approx(mesh_volume_mm3(Mesh(*ugly_meshes.ball(10.0, finer=2))))


@settings(max_examples=25, deadline=None)
@given(st.integers(0, 2**32 - 1), st.integers(1, 12))
def test_holes_torn_anywhere_are_filled_close_to_what_was_there(seed: int, torn: int) -> None:
    points, faces = ugly_meshes.ball(10.0, finer=3)
    left = np.delete(faces, np.random.default_rng(seed).choice(len(faces), torn, replace=False), axis=0)
    model = read_mesh(ugly_meshes.obj(points, left), "obj", "mm", "ball.obj")
    assert is_closed(model.mesh)
    # a lost face of edge 1.6 mm lies less than 0.1 mm over its neighbours' chords, on 1 mm2: 0.1 mm3 each, or two joined
    assert mesh_volume_mm3(model.mesh) == pytest.approx(mesh_volume_mm3(Mesh(points, faces)), abs=0.3 * torn)


def test_the_ends_of_a_tube_are_closed_by_rings_and_not_by_lids() -> None:
    case = MENDED["a tube without its ends"]
    mesh = read_mesh(case.data, case.file_type, case.unit, "tube").mesh
    middles = mesh.vertices[mesh.faces].mean(axis=1)
    assert np.hypot(middles[:, 0], middles[:, 1]).min() > 4.5  # the inner wall's flats stand at 5 cos(180/48) = 4.99


def test_turning_alike_flips_the_smaller_share() -> None:
    points, faces = ugly_meshes.ball(10.0, finer=1)
    odd = faces.copy()
    odd[7] = odd[7, ::-1]
    mended, flipped = turn_alike(odd.astype(np.int64), len(points))
    assert flipped == 1
    assert (mended[7] == faces[7]).all()


def test_the_winding_number_is_one_inside_and_none_outside() -> None:
    points, faces = ugly_meshes.ball(10.0)
    assert winding_number(points, faces, np.array([3.0, 2.0, 1.0])) == pytest.approx(1.0)
    assert winding_number(points, faces, np.array([30.0, 2.0, 1.0])) == pytest.approx(0.0, abs=1e-9)


def test_meshes_are_read_only() -> None:
    mesh = Mesh(*ugly_meshes.box((1.0, 1.0, 1.0)))
    with pytest.raises(ValueError, match="read-only"):
        mesh.vertices[0, 0] = 3.0
    with pytest.raises(ValueError, match="read-only"):
        mesh.faces[0, 0] = 3


def test_stl_bytes_are_the_same_each_time_and_read_back() -> None:
    mesh = turned_cylinder(0.0, 30.0, 8.0, 48)
    assert write_stl(mesh) == write_stl(mesh)
    assert len(write_stl(mesh)) == 84 + 50 * len(mesh.faces)
    back = read_mesh(write_stl(mesh), "stl", "mm", "back").mesh
    assert mesh_volume_mm3(back) == pytest.approx(mesh_volume_mm3(mesh), rel=1e-6)  # float32 corners


def test_moving_keeps_the_volume_and_mirroring_keeps_it_outward() -> None:
    mesh = turned_cylinder(0.0, 30.0, 8.0, 48)
    turn = np.eye(4)
    turn[:3, :3] = turn_about_x(37.0)
    turn[:3, 3] = (1.0, 2.0, 3.0)
    assert mesh_volume_mm3(transformed(mesh, turn)) == pytest.approx(mesh_volume_mm3(mesh))
    assert mesh_bounds(transformed(mesh, turn))[0, 0] == pytest.approx(1.0)
    assert mesh_volume_mm3(transformed(mesh, np.diag([1.0, -1.0, 1.0, 1.0]))) == pytest.approx(mesh_volume_mm3(mesh))


@pytest.mark.parametrize(
    ("section", "size", "area"),
    [
        (Section.SQUARE, (40.0,), 1600.0),
        (Section.RECTANGLE, (30.0, 20.0), 600.0),
        (Section.HEXAGON, (24.0,), np.sqrt(3.0) / 2.0 * 24.0**2),  # area of a hexagon across flats w: (sqrt 3 / 2) w^2
        (Section.ROUND, (20.0,), 0.5 * 180 * np.sin(2.0 * np.pi / 180) * 100.0),  # regular polygon of 180 sides
    ],
)
@pytest.mark.parametrize("turned_deg", [0.0, 45.0, -20.0])
def test_bars_have_the_area_of_their_section(section: Section, size: tuple[float, ...], area: float, turned_deg: float) -> None:
    bar = bar_solid(section, size, -15.0, 105.0, turned_deg)
    assert is_closed(bar)
    assert mesh_volume_mm3(bar) == pytest.approx(area * 120.0)
    assert mesh_bounds(bar)[:, 0] == pytest.approx([-15.0, 105.0])


def test_bars_lie_as_the_plan_tells_them() -> None:
    # derived: at 0 a flat faces up; a square on its corner reaches w / sqrt 2; a rectangle's width lies along Y
    assert mesh_bounds(bar_solid(Section.SQUARE, (40.0,), 0.0, 1.0, 0.0))[1, 2] == pytest.approx(20.0)
    assert mesh_bounds(bar_solid(Section.SQUARE, (40.0,), 0.0, 1.0, 45.0))[1, 2] == pytest.approx(20.0 * np.sqrt(2.0))
    assert mesh_bounds(bar_solid(Section.RECTANGLE, (30.0, 20.0), 0.0, 1.0, 0.0))[1, 1:] == pytest.approx([15.0, 10.0])
    assert mesh_bounds(bar_solid(Section.HEXAGON, (24.0,), 0.0, 1.0, 0.0))[1, 2] == pytest.approx(12.0)
    assert section_corners(Section.HEXAGON, (24.0,))[0] == pytest.approx([24.0 / np.sqrt(3.0), 0.0])
    tipped = bar_solid(Section.RECTANGLE, (30.0, 20.0), 0.0, 1.0, 30.0)  # +30 about +X carries +Y toward +Z
    corner = tipped.vertices[np.argmax(tipped.vertices[:, 2])]
    assert corner[1:] == pytest.approx([15 * np.cos(np.pi / 6) - 10 * 0.5, 15 * 0.5 + 10 * np.cos(np.pi / 6)])


def test_joined_meshes_stand_side_by_side() -> None:
    both = joined([turned_cylinder(0.0, 10.0, 5.0, 16), turned_cylinder(5.0, 20.0, 3.0, 12)])
    apart = mesh_volume_mm3(turned_cylinder(0.0, 10.0, 5.0, 16)) + mesh_volume_mm3(turned_cylinder(5.0, 20.0, 3.0, 12))
    assert mesh_volume_mm3(both) == pytest.approx(apart)
    with pytest.raises(BadInput):
        joined([])
