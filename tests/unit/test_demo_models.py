"""The shipped models: sizes and properties that the demo and the other tests rely on, derived from the script's figures."""

from __future__ import annotations

import hashlib

import numpy as np
import pytest

from newel.app.demo_models import _RINGS, _SIDES, BRACKET_LENGTH_MM, BRACKET_WIDTH_MM, bracket, finial
from newel.geometry.meshes import is_closed, mesh_bounds, mesh_volume_mm3, read_mesh, write_stl


@pytest.mark.parametrize("model", [finial, bracket])
def test_models_are_closed_face_outward_and_need_no_mending(model) -> None:
    mesh = model()
    assert is_closed(mesh)
    assert mesh_volume_mm3(mesh) > 0
    read = read_mesh(write_stl(mesh), "stl", "mm", "model")
    assert read.bodies == 1
    assert len(read.mesh.faces) == len(mesh.faces)
    assert len(read.mended) == 1  # the STL file's loose triangles, and nothing else
    assert mesh_volume_mm3(read.mesh) == pytest.approx(mesh_volume_mm3(mesh), rel=1e-6)  # float32 corners


@pytest.mark.parametrize("model", [finial, bracket])
def test_models_are_the_same_bytes_on_every_run(model) -> None:
    assert hashlib.sha256(write_stl(model())).digest() == hashlib.sha256(write_stl(model())).digest()


def test_the_finial_is_38_by_110_with_enough_triangles() -> None:
    mesh = finial()
    assert len(mesh.faces) >= 60_000
    low, high = mesh_bounds(mesh)
    assert (low[2], high[2]) == (0.0, 110.0)
    assert np.hypot(mesh.vertices[:, 0], mesh.vertices[:, 1]).max() == pytest.approx(19.0, abs=0.01)


def test_the_finial_can_be_carved_all_round() -> None:
    """One radius at each place, no neck under 6 mm but the tip, no wall too steep, no hollow finer than a ball of 1.5 mm."""
    rings = finial().vertices[:-2].reshape(_RINGS, _SIDES, 3)
    radius, z = np.hypot(rings[..., 0], rings[..., 1]), rings[:, 0, 2]
    assert (np.diff(z) > 0).all()
    assert radius[z < 100.0].min() >= 6.0
    steepest = np.abs(np.diff(radius, axis=0) / np.diff(z)[:, None]).max()
    assert steepest < np.tan(np.radians(75.0))
    first, second = np.gradient(radius, z, axis=0), np.gradient(np.gradient(radius, z, axis=0), z, axis=0)
    hollow = second[2:-2] / (1.0 + first[2:-2] ** 2) ** 1.5  # curvature of z -> r; positive where it is hollow
    assert (hollow > 1.0 / 0.75).mean() < 0.001


def test_the_bracket_fits_its_bar_and_has_its_jobs() -> None:
    mesh = bracket()
    low, high = mesh_bounds(mesh)
    half = BRACKET_WIDTH_MM / 2.0
    assert low == pytest.approx([0.0, -half, -half])
    assert high == pytest.approx([BRACKET_LENGTH_MM, half, half])
    # derived: the bevelled bar less two 20 x 20 x 5 pockets, a round recess, a stepped pocket, a slot, a bore and two holes;
    # round parts as circles, so the 96-sided ones are up to 0.07 % smaller
    bar = (BRACKET_WIDTH_MM**2 - 2.0 * 4.0**2) * BRACKET_LENGTH_MM
    corner = 4.0 - np.pi  # what a rounded rectangle lacks, per corner radius squared
    stepped = (34 * 24 - corner * 25) * 6 + (22 * 14 - corner * 3.5**2) * 6
    pockets = 2 * (20 * 20 - corner * 16) * 5
    slot = (20 * 10 - corner / 2 * 4.5**2) * 8  # open at one end: two corners, and 8 of its 28 mm lie beyond the bar
    round_ones = np.pi * (9**2 * 5 + 2 * 2.25**2 * 12 + 6**2 * BRACKET_WIDTH_MM)
    assert mesh_volume_mm3(mesh) == pytest.approx(bar - stepped - pockets - slot - round_ones, rel=2e-4)


def test_the_bracket_has_another_job_on_each_side() -> None:
    mesh = bracket()
    corners = mesh.vertices[mesh.faces]
    normal = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    area = np.linalg.norm(normal, axis=1) / 2.0
    facing = normal / np.maximum(2.0 * area[:, None], 1e-12)
    # floors (area in mm2 at their depth under each side's face), derived from the sizes in the script; see the volume above
    corner = 4.0 - np.pi
    floors = {
        (0, 0, 1): {6.0: (34 * 24 - corner * 25) - (22 * 14 - corner * 3.5**2), 12.0: 22 * 14 - corner * 3.5**2},
        (0, -1, 0): {8.0: 20 * 10 - corner / 2 * 4.5**2},
        (0, 0, -1): {5.0: np.pi * 9**2, 12.0: 2 * np.pi * 2.25**2},
        (0, 1, 0): {5.0: 2 * (20 * 20 - corner * 16)},
    }
    for side, wanted in floors.items():
        flat = facing @ np.array(side) > 0.999999
        depth = BRACKET_WIDTH_MM / 2.0 - corners[flat].mean(axis=1) @ np.array(side)
        for floor, size in wanted.items():
            assert area[flat][np.abs(depth - floor) < 1e-6].sum() == pytest.approx(size, rel=2e-3)
