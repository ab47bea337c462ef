"""STEP files: the bracket with true cylinders, in mm, inch and splines; several solids; what is refused (all derived)."""

from __future__ import annotations

import importlib.util

import numpy as np
import pytest

from bracket_truth import FLATS, RIMS_INSIDE, RIMS_OUTSIDE, ROUNDS, below_mm2, top_mm2
from newel.core.errors import BadInput
from newel.geometry.mesh_features import features_of
from newel.geometry.meshes import is_closed, mesh_volume_mm3, read_mesh
from newel.geometry.step_files import exact_volumes_mm3, read_step

if importlib.util.find_spec("OCP") is None:
    pytest.skip("the extra `step` is not installed", allow_module_level=True)

import step_samples


@pytest.fixture(scope="module")
def shape():
    return step_samples.bracket_shape()


@pytest.fixture(scope="module", params=["mm", "inch", "splines"])
def read(request, shape):
    made = step_samples.splined(shape) if request.param == "splines" else shape
    data = step_samples.step_bytes(made, unit="INCH" if request.param == "inch" else "MM")
    return (*read_step(data, "bracket.step"), data)


def test_every_cylinder_comes_with_its_size(read) -> None:
    _, features, _ = read
    assert len(features.rounds) == len(ROUNDS)
    for point, axis, radius, low, high, around in ROUNDS:
        (same,) = [
            r
            for r in features.rounds
            if np.linalg.norm(np.subtract(r.point, point)) < 0.01 and abs(r.radius_mm - radius) < 0.01
        ]
        assert same.hollow
        assert same.radius_mm == pytest.approx(radius, abs=1e-5)
        assert abs(same.axis @ axis) > 1 - 1e-9
        assert (same.from_mm, same.to_mm) == pytest.approx((low, high), abs=1e-5)
        assert same.around_deg == pytest.approx(around, abs=0.01)


def test_flat_faces_and_rims(read) -> None:
    _, features, _ = read
    assert len(features.flats) == FLATS
    top = max((f for f in features.flats if f.normal[2] > 0.99), key=lambda f: f.offset_mm)
    assert (top.offset_mm, top.area_mm2) == (pytest.approx(19.0, abs=1e-6), pytest.approx(top_mm2(), rel=1e-3))
    below = next(f for f in features.flats if f.normal[2] < -0.99)
    assert below.area_mm2 == pytest.approx(below_mm2(), rel=1e-3)
    closed = [e for e in features.edges if (e.points[0] == e.points[-1]).all()]
    assert sum(e.outside for e in closed) == RIMS_OUTSIDE
    assert sum(not e.outside for e in closed) == RIMS_INSIDE


def test_the_mesh_is_closed_and_holds_the_exact_volume(read) -> None:
    model, features, data = read
    assert model.features is features
    assert is_closed(model.mesh)
    (exact,) = exact_volumes_mm3(data, "bracket.step")
    assert mesh_volume_mm3(model.mesh) == pytest.approx(exact, rel=1e-4)


def test_the_files_own_unit_is_said(read) -> None:
    model, _, data = read
    assert any("own unit: inch" in said for said in model.mended) == (b"INCH" in data)


def test_the_mesh_alone_tells_the_same_features(read) -> None:
    model, exact, _ = read
    found = features_of(model.mesh)
    assert (len(found.flats), len(found.rounds), len(found.edges)) == (len(exact.flats), len(exact.rounds), len(exact.edges))
    told, true = (sorted(r.radius_mm for r in f.rounds) for f in (found, exact))
    assert told == pytest.approx(true, abs=1e-4)


def test_edges_lie_on_both_faces(read) -> None:
    """Along a rim of the bore the wall's normal points at the axis, however the wall was told."""
    _, features, _ = read
    rims = [e for e in features.edges if np.abs(e.points[:, 1]).min() > 18.99 and 55.0 < e.points[:, 0].min() < 56.0]
    assert len(rims) == 2
    for rim in rims:
        wall = rim.one if abs(rim.one[0, 1]) < 0.5 else rim.other
        toward = np.array([61.5, 0.0, 0.0]) - rim.points
        toward[:, 1] = 0.0
        assert np.abs(wall - toward / 6.0).max() < 1e-3


def test_solids_apart_are_two_bodies_and_overlapping_ones_are_united() -> None:
    from OCP.BRepPrimAPI import BRepPrimAPI_MakeBox
    from OCP.gp import gp_Pnt

    one = BRepPrimAPI_MakeBox(gp_Pnt(0, 0, 0), 10.0, 10.0, 10.0).Shape()
    apart = BRepPrimAPI_MakeBox(gp_Pnt(20, 0, 0), 10.0, 10.0, 10.0).Shape()
    lapping = BRepPrimAPI_MakeBox(gp_Pnt(5, 2, 2), 10.0, 6.0, 6.0).Shape()
    model, features = read_step(step_samples.step_bytes(one, apart), "two.step")
    assert (model.bodies, len(features.flats), len(features.edges)) == (2, 12, 24)
    model, features = read_step(step_samples.step_bytes(one, lapping), "lapping.step")
    assert model.bodies == 1
    assert mesh_volume_mm3(model.mesh) == pytest.approx(1000.0 + 5.0 * 36.0)
    assert len(features.flats) == 11  # five sides of the small one are left


def test_a_bore_that_the_file_splits_is_one() -> None:
    from OCP.BRepAlgoAPI import BRepAlgoAPI_Cut, BRepAlgoAPI_Fuse
    from OCP.BRepPrimAPI import BRepPrimAPI_MakeBox, BRepPrimAPI_MakeCylinder
    from OCP.gp import gp_Ax2, gp_Dir, gp_Pnt

    left = BRepPrimAPI_MakeBox(gp_Pnt(-20, -20, 0), 20.0, 40.0, 10.0).Shape()
    right = BRepPrimAPI_MakeBox(gp_Pnt(0, -20, 0), 20.0, 40.0, 10.0).Shape()
    drill = BRepPrimAPI_MakeCylinder(gp_Ax2(gp_Pnt(0, 0, -1), gp_Dir(0, 0, 1)), 6.0, 12.0).Shape()
    halves = BRepAlgoAPI_Fuse(BRepAlgoAPI_Cut(left, drill).Shape(), BRepAlgoAPI_Cut(right, drill).Shape()).Shape()
    _, features = read_step(step_samples.step_bytes(halves), "halves.step")
    (bore,) = features.rounds
    assert (bore.radius_mm, bore.around_deg) == (pytest.approx(6.0), pytest.approx(360.0, abs=0.01))
    assert len(features.flats) == 6


@pytest.mark.parametrize(
    ("data", "says"),
    [
        (b"solid none\nendsolid none\n", "not a STEP file"),
        (b"ISO-10303-21;\nHEADER;\nENDSEC;\nDATA;\nENDSEC;\nEND-ISO-10303-21;\n", "no shape"),
        (b"ISO-10303-21;\nDATA;\n#1=NONSENSE((;\n", "STEP file"),
    ],
)
def test_what_is_no_part_is_refused_with_the_remedy(data: bytes, says: str) -> None:
    with pytest.raises(BadInput, match=says) as refused:
        read_mesh(data, "step", "mm", "part.step")
    assert refused.value.remedy
    assert "part.step" in refused.value.where


def test_a_surface_is_no_solid() -> None:
    from OCP.BRepBuilderAPI import BRepBuilderAPI_MakeFace
    from OCP.gp import gp_Pln

    sheet = BRepBuilderAPI_MakeFace(gp_Pln(), 0.0, 10.0, 0.0, 10.0).Face()
    with pytest.raises(BadInput, match="no solid"):
        read_step(step_samples.step_bytes(sheet), "sheet.step")


def test_a_solid_that_is_too_large_is_refused() -> None:
    from OCP.BRepPrimAPI import BRepPrimAPI_MakeBox

    with pytest.raises(BadInput, match="long"):
        read_step(step_samples.step_bytes(BRepPrimAPI_MakeBox(5000.0, 10.0, 10.0).Shape()), "beam.step")


def test_without_the_extra_the_remedy_says_how_to_get_it(monkeypatch) -> None:
    monkeypatch.setattr(importlib.util, "find_spec", lambda name: None)
    with pytest.raises(BadInput, match="extra 'step'") as refused:
        read_mesh(b"ISO-10303-21;", "stp", "mm", "part.stp")
    assert "newel[step]" in refused.value.remedy
