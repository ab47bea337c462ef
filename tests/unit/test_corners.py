"""Corners at the ends of a turned part: where the flat cutter goes, and that the blank then has none left."""

from __future__ import annotations

import numpy as np
import pytest

from newel.app.job_file import read_job
from newel.core.job import ModelFiles, Section
from newel.core.plan import CutKind, Holding, Placement, Stub, Tailstock
from newel.core.profile import CutterShape, outline
from newel.geometry.blank import bar_blank, carve
from newel.geometry.blank_surface import surface_points
from newel.geometry.meshes import write_stl
from newel.geometry.solids import turned_cylinder
from newel.pipeline import cut, decide, read
from newel.planning.corners import BESIDE_MM, corner_ways
from newel.shop.catalogue import load_shop, shipped_texts

FLAT = CutterShape(outline((0, 0), (3, 0), (3, 19)), outline((3, 19), (3, 40)))
JOB = """format = 1
machine = "light benchtop mill"
[model]
file = "peg.stl"
{several}
[place]
axis = "x"
[bar]
section = "round"
size_mm = 14
material = "medium tooling board"
"""


def quiet(stage: str, share: float) -> None:
    pass


def planned(several: str = ""):
    shop = load_shop(shipped_texts())
    job = read_job(JOB.format(several=several), name="peg", where="peg.toml")
    model = read(job, ModelFiles(write_stl(turned_cylinder(0.0, 16.0, 5.0, 90)), "stl"), shop)
    return job, model, *decide(job, model, shop), shop


def test_the_tip_goes_beside_the_end_and_not_into_the_full_bar() -> None:
    placed = Placement(np.eye(4), 20.0, 60.0, 10.0)
    holding = Holding(15.0, Tailstock.LIVE_CENTRE, 3.0, Stub(3.0, 20.0, 4.0), Stub(60.0, 72.0, 4.0), 72.0)
    (chuck, tail) = corner_ways(FLAT, placed, holding, 0.5)
    # derived: a radius and a hair off the end, and the fillet's width further out
    assert chuck == pytest.approx((20.0 - 3.0 - BESIDE_MM - 0.5, 20.0 - 3.0 - BESIDE_MM))
    assert tail == pytest.approx((60.0 + 3.0 + BESIDE_MM, 60.0 + 3.0 + BESIDE_MM + 0.5))


def test_a_turned_peg_gets_its_corners_cut() -> None:
    job, model, plan, machine, tools, _ = planned()
    corners = [item for item in plan.cuts if item.kind is CutKind.CORNER_AROUND]
    assert len(corners) == 1 + (plan.holding.tail_stub is not None)
    _, paths = cut(job, plan, model.mesh, machine, tools, quiet)
    path = paths[[item.kind for item in plan.cuts].index(CutKind.CORNER_AROUND)]
    radius = tools.shapes[dict(plan.cutters)[corners[0].cutter]].edge.radius_mm
    beside = np.isclose(path.pose[:, 0], plan.placement.part_from_x_mm - radius - BESIDE_MM, atol=1e-6)
    low = beside & (path.pose[:, 2] < plan.holding.chuck_stub.radius_mm + 0.01)
    # once round, at the stub's own radius
    assert np.ptp(path.pose[low, 3]) >= 360.0 - 1e-6
    assert path.pose[low, 2].min() >= plan.holding.chuck_stub.radius_mm - 0.005


def test_parts_on_one_bar_are_cut_from_the_free_end_and_cornered_at_bridges() -> None:
    _, model, plan, *_ = planned("[several]\ncount = 2\nbridge_diameter_mm = 5")
    assert model.spans_mm == ((0.0, 16.0), (24.0, 40.0))
    roughing = [item for item in plan.cuts if item.kind is CutKind.ROUGH_AROUND]
    assert [item.name[-6:] for item in roughing] == ["part 2", "part 1"]
    assert roughing[0].from_x_mm == roughing[1].to_x_mm == pytest.approx(plan.placement.part_from_x_mm + 20.0)
    ends = sorted((item.from_x_mm + item.to_x_mm) / 2 for item in plan.cuts if "at a bridge" in item.name)
    assert len(ends) == 2
    assert 16.0 < ends[0] - plan.placement.part_from_x_mm < ends[1] - plan.placement.part_from_x_mm < 24.0


@pytest.mark.parametrize("step_deg", [29.0, 5.0, 1.0])
def test_x_rays_feel_what_stands_between_two_slices(step_deg: float) -> None:
    # derived: turned round at x, a flat cutter of radius 3.175 leaves an end face at x + 3.175, between slices at any pitch
    shape = CutterShape(outline((0, 0), (3.175, 0), (3.175, 19)), outline((3.175, 19), (3.175, 40)))
    turn = np.arange(0.0, 360.0 + step_deg, step_deg)
    blank = bar_blank(Section.ROUND, (16.0,), -13.0, 30.0, 0.0, 0.4)
    for x in (13.142, 13.321):
        pose = np.column_stack([np.full(len(turn), x), 0.0 * turn, np.full(len(turn), 3.5), turn])
        pose = np.vstack([[x, 0.0, 20.0, 0.0], pose])
        carve(blank, shape, pose, np.arange(len(pose), dtype=np.int32))
    points, normals, _ = surface_points(blank, 1)[:3]
    radius = np.hypot(points[:, 1], points[:, 2])
    face = (np.abs(points[:, 0] - 16.4) < 0.5) & (radius > 3.7) & (radius < 7.8) & (np.abs(normals[:, 0]) > 0.9)
    assert points[face, 0] == pytest.approx(np.full(face.sum(), 16.496), abs=0.003)
