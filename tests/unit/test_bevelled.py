"""A part with bevelled edges: volumes in closed form."""

from __future__ import annotations

import manifold3d
import numpy as np
import pytest

from newel.core.errors import BadInput
from newel.core.plan import SharpEdge
from newel.geometry.bevelled import bevelled, leg_mm
from newel.geometry.meshes import Mesh, mesh_volume_mm3
from side_parts import block, mesh_of

pytestmark = pytest.mark.uncompiled


def test_a_straight_edge_loses_a_prism():
    mesh = mesh_of(block(30.0, 20.0))
    edge = SharpEdge(
        np.array([[0.0, -10.0, 10.0], [30.0, -10.0, 10.0]]),
        np.array([[0.0, -1.0, 0.0]] * 2),
        np.array([[0.0, 0.0, 1.0]] * 2),
        0.5,
    )
    # derived: a right triangle of hypotenuse w has the area w^2 / 4
    assert mesh_volume_mm3(mesh) - mesh_volume_mm3(bevelled(mesh, [edge])) == pytest.approx(30.0 * 0.25**2, rel=1e-6)


def test_the_rim_of_a_hole_loses_a_ring():
    hole = manifold3d.Manifold.cylinder(6.0, 4.0, 4.0, 96).translate((15.0, 0.0, 5.0))
    mesh = mesh_of(block() - hole)
    t = np.linspace(0.0, 2.0 * np.pi, 97)
    points = np.column_stack([15.0 + 4.0 * np.cos(t), 4.0 * np.sin(t), np.full(97, 10.0)])
    inward = -np.column_stack([np.cos(t), np.sin(t), 0.0 * t])
    lost = mesh_volume_mm3(mesh) - mesh_volume_mm3(
        bevelled(mesh, [SharpEdge(points, inward, np.tile([0.0, 0.0, 1.0], (97, 1)), 0.5)])
    )
    leg = 0.5 / np.sqrt(2.0)
    # derived: Pappus, the triangle's area leg^2 / 2 on a way of 2 pi (r + leg / 3); 96 sides stand in for the circle
    assert lost == pytest.approx(0.5 * leg**2 * 2.0 * np.pi * (4.0 + leg / 3.0), rel=2e-3)


def test_an_edge_that_ends_at_a_wall_does_not_run_into_it():
    # an L: a step of 10 mm whose edge ends at the wall behind it
    mesh = mesh_of(block(30.0, 20.0) + manifold3d.Manifold.cube((10.0, 20.0, 10.0)).translate((30.0, -10.0, 0.0)))
    step = mesh_of(
        manifold3d.Manifold.cube((30.0, 20.0, 10.0)).translate((0.0, -10.0, -10.0))
        + manifold3d.Manifold.cube((10.0, 20.0, 20.0)).translate((30.0, -10.0, -10.0))
    )
    edge = SharpEdge(
        np.array([[0.0, -10.0, 0.0], [30.0, -10.0, 0.0]]),
        np.array([[0.0, -1.0, 0.0]] * 2),
        np.array([[0.0, 0.0, 1.0]] * 2),
        0.5,
    )
    # derived: the prism ends at the wall, 30 mm long
    assert mesh_volume_mm3(step) - mesh_volume_mm3(bevelled(step, [edge])) == pytest.approx(30.0 * 0.25**2, rel=1e-6)
    assert mesh_volume_mm3(mesh) > 0.0


@pytest.mark.parametrize("down_mm", [0.0, 0.1, 0.3, 7.7])
def test_an_edge_between_slopes_of_45_degrees_runs_out_over_both(down_mm):
    # a roof, flat for 20 mm: what is looked at beyond the edge's ends lies on the slopes themselves, but for rounding
    low, high = -down_mm, 10.0 - down_mm
    roof = manifold3d.CrossSection([[[-20.0, low], [20.0, low], [10.0, high], [-10.0, high]]]).extrude(30.0)
    mesh = mesh_of(roof.rotate((90.0, 0.0, 90.0)))
    edge = SharpEdge(
        np.array([[0.0, -10.0, high], [0.0, 10.0, high]]),
        np.array([[-1.0, 0.0, 0.0]] * 2),
        np.array([[0.0, 0.0, 1.0]] * 2),
        0.5,
    )
    leg = 0.5 / np.sqrt(2.0)
    # derived: at depth t the triangle is leg - t wide, and the roof 20 + 2 t
    lost = 10.0 * leg**2 + leg**3 / 3.0
    assert mesh_volume_mm3(mesh) - mesh_volume_mm3(bevelled(mesh, [edge])) == pytest.approx(lost, rel=1e-6)


def test_the_leg_grows_with_the_inner_angle():
    one, other = np.array([[0.0, 0.0, 1.0]] * 2), np.array([[0.0, 1.0, 0.0], [0.0, np.sin(np.pi / 3), np.cos(np.pi / 3)]])
    # derived: width / (2 sin(half the inner angle)), inner angles 90 and 120 degrees
    assert leg_mm(one, other, 1.0) == pytest.approx([1.0 / np.sqrt(2.0), 1.0 / np.sqrt(3.0)])


def test_an_open_mesh_is_refused():
    whole = mesh_of(block())
    with pytest.raises(BadInput):
        bevelled(
            Mesh(whole.vertices, whole.faces[:-1]),
            [SharpEdge(np.eye(3)[:2], np.eye(3)[:2], np.eye(3)[1:], 0.5)],
        )
