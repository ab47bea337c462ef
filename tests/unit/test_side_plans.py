"""Plans of a small block with a pocket: sides, cuts, their bounds and their order (sizes: tests/side_parts.py)."""

from __future__ import annotations

from dataclasses import replace

import manifold3d
import numpy as np
import pytest

from newel.core.errors import BadInput
from newel.core.job import BevelAsk, PlaceAsk, Section, SidesAsk, SurfaceAsk, Work
from newel.core.plan import CutKind, Plan
from newel.geometry.mesh_features import features_of
from newel.planning.indexed import inscribed_mm, plan_sides
from newel.planning.side_asks import parted_at
from newel.planning.sides import turned
from newel.planning.work import decide_work, flat_share, looks_carved
from side_parts import bench_tools, block, job_for, mesh_of, pocketed

# few cutters keep the question short; every size is in the shop's own table
CUTTERS = ("6 mm flat", "3 mm flat", "6 mm ball", "V 90°, flat 0.2, 6 mm shank")


def planned(**more: object) -> Plan:
    job = job_for(cutters=CUTTERS, **more)
    _, machine, material, tools = bench_tools(job)
    mesh = pocketed()
    return plan_sides(job, mesh, features_of(mesh), tools, material, machine)


@pytest.fixture(scope="module")
def plan() -> Plan:
    return planned()


def test_each_outer_flat_gets_its_side(plan: Plan):
    assert [side.turn_deg for side in plan.sides] == [0.0, 90.0, 180.0, 270.0]


def test_all_sides_are_faced_to_size_first(plan: Plan):
    faces = [cut for cut in plan.cuts if cut.kind is CutKind.FACE]
    assert [cut.kind for cut in plan.cuts[:4]] == [CutKind.FACE] * 4
    # derived: the block is 20 mm wide and high, its bar 22 mm: flats at 10, material from 11
    assert {round(cut.floor_z_mm, 6) for cut in faces} == {10.0}
    assert {round(cut.top_z_mm, 6) for cut in faces} == {11.0}


def test_the_pocket_is_cleared_and_profiled_at_its_side_only(plan: Plan):
    clears = [cut for cut in plan.cuts if cut.kind is CutKind.CLEAR]
    walls = [cut for cut in plan.cuts if cut.kind is CutKind.PROFILE]
    assert [cut.turn_deg for cut in clears] == [0.0]
    assert [cut.turn_deg for cut in walls] == [0.0]
    # derived: the floor lies 5 mm under the face at 10
    assert clears[0].flats_z_mm == pytest.approx((5.0,))
    assert clears[0].floor_z_mm == pytest.approx(5.0, abs=1e-6)
    assert clears[0].allowance_mm > 0.0 and walls[0].allowance_mm == 0.0
    assert clears[0].number < walls[0].number


def test_the_ends_are_turned_last_down_to_stubs_inside_the_part(plan: Plan):
    kinds = [cut.kind for cut in plan.cuts]
    assert kinds[-4:-2] == [CutKind.ROUGH_AROUND] * 2 and kinds[-2:] == [CutKind.FINISH_AROUND] * 2
    assert plan.holding.chuck_stub.radius_mm < 10.0
    # a 6 mm cutter is past the end faces with its allowance, so that finishing them meets no more than that
    near, far = plan.cuts[-4:-2] if plan.cuts[-4].to_x_mm < plan.cuts[-3].to_x_mm else plan.cuts[-3:-5:-1]
    assert near.to_x_mm + 3.0 + near.allowance_mm < plan.placement.part_from_x_mm
    assert far.from_x_mm - 3.0 - far.allowance_mm > plan.placement.part_to_x_mm


def test_one_cutter_does_it_all(plan: Plan):
    assert [name for _, name in plan.cutters] == ["6 mm flat"]


def test_sides_named_in_the_job_file_stand():
    plan = planned(sides=SidesAsk((0.0, 180.0)))
    assert [side.turn_deg for side in plan.sides] == [0.0, 180.0]
    assert next(item for item in plan.decisions if item.what == "sides").by == "job file"


def test_a_side_that_reaches_nothing_is_refused():
    with pytest.raises(BadInput):
        planned(sides=SidesAsk(()))


def test_bevels_come_last_with_a_v_cutter():
    plan = planned(bevel=BevelAsk(0.5))
    assert plan.cuts[-1].kind is CutKind.BEVEL
    assert dict(plan.cutters)[plan.cuts[-1].cutter] == "V 90°, flat 0.2, 6 mm shank"
    rims = [edge for cut in plan.cuts if cut.kind is CutKind.BEVEL and cut.turn_deg == 0.0 for edge in cut.edges]
    assert any(np.allclose(edge.points[:, 2], 10.0) and len(edge.points) > 20 for edge in rims)


def test_a_surface_group_keeps_its_own_allowance():
    plan = planned(surfaces=(SurfaceAsk(turn_deg=0.0, allowance_mm=0.4),))
    assert [cut.allowance_mm for cut in plan.cuts if cut.kind is CutKind.PROFILE] == [0.4]


def test_a_group_told_by_height_keeps_its_allowance_on_its_own_walls():
    plan = planned(surfaces=(SurfaceAsk(turn_deg=0.0, from_z_mm=7.0, allowance_mm=0.4),))
    (walls,) = (cut for cut in plan.cuts if cut.kind is CutKind.PROFILE)
    (clears,) = (cut for cut in plan.cuts if cut.kind is CutKind.CLEAR)
    assert walls.allowance_mm == 0.0 and clears.kept[0].allowance_mm == 0.4
    (kept,) = walls.kept
    # derived: the pocket reaches from z 5 to the face at 10; what is kept begins at 7
    assert kept.allowance_mm == 0.4
    assert (kept.triangles[..., 2].min(), kept.triangles[..., 2].max()) == pytest.approx((7.0, 10.0))


def test_walls_that_lean_along_the_bar_are_reached_beyond_the_parts_ends():
    # a hexagonal prism across the bar: seen along the prism, its walls lean toward both ends by 30 degrees
    hexagon = [(10.0 + 10.0 * np.cos(a), 10.0 * np.sin(a)) for a in np.radians(np.arange(0.0, 360.0, 60.0))]
    mesh = mesh_of(manifold3d.CrossSection([hexagon]).extrude(16.0).translate((0.0, 0.0, -8.0)))
    job = job_for(cutters=CUTTERS, sides=SidesAsk((0.0, 180.0)), place=PlaceAsk("x", 0.0))
    _, machine, material, tools = bench_tools(job)
    plan = plan_sides(job, mesh, features_of(mesh), tools, material, machine)
    walls = [cut for cut in plan.cuts if cut.kind is CutKind.PROFILE and cut.turn_deg == 0.0]
    radius = 0.5 * tools.cutters[dict(plan.cutters)[walls[0].cutter]].DC
    # derived: against a wall whose normal leans so, the tip stands cos 30 of its radius along the bar from where it touches
    out = radius * np.cos(np.radians(30.0))
    assert walls[0].from_x_mm <= plan.placement.part_from_x_mm + 1.0 - out
    assert walls[0].to_x_mm >= plan.placement.part_to_x_mm - 1.0 + out


def test_triangles_are_parted_at_heights_and_none_is_lost():
    rng = np.random.default_rng(4)
    some = rng.uniform(-1.0, 1.0, (40, 3, 3))
    pieces, face = parted_at(some, 90.0, (-0.3, 0.2))
    z = turned(pieces.reshape(-1, 3), 90.0)[:, 2].reshape(-1, 3)
    for height in (-0.3, 0.2):
        assert ((z >= height - 1e-9).all(axis=1) | (z <= height + 1e-9).all(axis=1)).all()

    def normal_areas(triangles):
        return 0.5 * np.cross(triangles[:, 1] - triangles[:, 0], triangles[:, 2] - triangles[:, 0])

    whole = np.zeros((40, 3))
    np.add.at(whole, face, normal_areas(pieces))
    assert whole == pytest.approx(normal_areas(some), abs=1e-12)


def test_the_largest_circle_in_an_end():
    # derived: half the width of a square; 0 where the axis lies outside
    mesh = mesh_of(block(30.0, 20.0))
    assert inscribed_mm(mesh, 15.0) == pytest.approx(10.0)
    assert inscribed_mm(replace(mesh, vertices=mesh.vertices + np.array([0.0, 40.0, 0.0])), 15.0) == 0.0


def test_a_block_is_cut_from_sides_and_the_job_file_may_say_otherwise():
    mesh = pocketed()
    features = features_of(mesh)
    job = job_for()
    assert flat_share(mesh, features) == pytest.approx(1.0, abs=1e-6)  # derived: flats and round corners are all there is
    assert not looks_carved(job, mesh)
    assert decide_work(job, mesh, features)[0] is Work.SIDES
    asked = job_for(work=Work.AROUND)
    work, said = decide_work(asked, mesh, features)
    assert (work, said.by) == (Work.AROUND, "job file")
    assert looks_carved(asked, mesh)


@pytest.mark.parametrize(("section", "size"), [(Section.ROUND, (32.0,)), (Section.HEXAGON, (30.0,))])
def test_other_bars_serve_as_well(section: Section, size: tuple[float, ...]):
    job = job_for(section, size, cutters=CUTTERS)
    _, machine, material, tools = bench_tools(job)
    mesh = pocketed()
    plan = plan_sides(job, mesh, features_of(mesh), tools, material, machine)
    assert len(plan.sides) == 4
    assert all(cut.top_z_mm > cut.floor_z_mm for cut in plan.cuts if cut.kind is CutKind.FACE)


def test_the_plan_tells_what_its_sides_reach(plan: Plan):
    assert plan.reach is not None
    assert len(plan.reach.why) == len(plan.reach.points) == len(plan.reach.reached_by)
    assert float((plan.reach.why == 0).mean()) > 0.99
    # derived: a floor of the pocket belongs to the side that looks down on it
    floor = (np.abs(plan.reach.points[:, 2] - 5.0) < 1e-6) & (plan.reach.normals[:, 2] > 0.99)
    assert floor.any() and float((plan.reach.reached_by[floor] == 0).mean()) > 0.98


def test_a_ball_goes_down_beside_a_round_body_until_it_touches_its_widest_place():
    """A round bar cut from two sides: at its middle the surface is upright, and a ball touches it a radius over its tip."""
    mesh = mesh_of(manifold3d.Manifold.cylinder(24.0, 9.0, 9.0, 96).rotate((0.0, 90.0, 0.0)))
    job = job_for(work=Work.SIDES, sides=SidesAsk((0.0, 180.0)), cutters=("6 mm flat", "6 mm ball"))
    _, machine, material, tools = bench_tools(job)
    plan = plan_sides(job, mesh, features_of(mesh), tools, material, machine)
    names = dict(plan.cutters)
    steep = [cut for cut in plan.cuts if cut.turn_deg is not None and names[cut.cutter] == "6 mm ball" and cut.slope_deg < 90.0]
    assert steep
    # derived: centre at the widest place's height, 0, or a little over it (what is nearly as wide the other side owns), less RE
    assert min(cut.floor_z_mm for cut in steep) <= -3.0 + 0.2


def test_a_part_is_laid_so_that_a_stub_meets_it_and_not_an_opening():
    # 24 x 12 x 13 mm; grooves along the middles of both ends of Y: that lie needs the least bar, but a stub would fill a groove
    groove = manifold3d.Manifold.cube((26.0, 6.0, 6.0), center=True)
    solid = manifold3d.Manifold.cube((24.0, 12.0, 13.0), center=True)
    mesh = mesh_of(solid - groove.translate((0.0, 6.0, 0.0)) - groove.translate((0.0, -6.0, 0.0)))
    job = job_for(size=(30.0,), cutters=CUTTERS)
    _, machine, material, tools = bench_tools(job)
    laid = plan_sides(job, mesh, features_of(mesh), tools, material, machine)
    assert abs(laid.placement.bar_from_model[0, 2]) == pytest.approx(1.0)
    assert laid.placement.part_to_x_mm - laid.placement.part_from_x_mm == pytest.approx(13.0)
    assert any("open there about the axis" in item.because for item in laid.decisions)
    # a lie that the job file names stands
    named = replace(job, place=PlaceAsk(axis="y"))
    laid = plan_sides(named, mesh, features_of(mesh), tools, material, machine)
    assert abs(laid.placement.bar_from_model[0, 1]) == pytest.approx(1.0)
