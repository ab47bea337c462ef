"""Parting off: a block cut side by side and a spindle turned around, made and proved with thin stubs. All invented, small."""

from __future__ import annotations

from dataclasses import replace

import manifold3d
import numpy as np
import pytest

from newel.core.errors import BadInput, Infeasible
from newel.core.job import HoldAsk, ModelFiles, ProofAsk, Work
from newel.core.plan import CutKind
from newel.geometry.blank import max_radius
from newel.geometry.meshes import write_stl
from newel.pipeline import decide, make, read
from newel.planning.set_up import stays_standing
from newel.proof.results import Verdict
from newel.shop.catalogue import Shop
from side_parts import block, job_for, mesh_of, shop

CUTTERS = ("6 mm flat", "1/8 in flat", "6 mm ball")


def as_file(solid: manifold3d.Manifold) -> ModelFiles:
    return ModelFiles(write_stl(mesh_of(solid)), "stl")


def spindle() -> ModelFiles:
    """A round of 16 mm, 24 mm long, with a waist."""
    ends = [(0.0, 8.0), (8.0, 8.0), (12.0, 6.0), (16.0, 8.0), (24.0, 8.0)]
    outline = [(0.0, 0.0), *((r, x) for x, r in ends), (0.0, 24.0)]
    return as_file(manifold3d.CrossSection([outline]).revolve(96).rotate((0.0, 90.0, 0.0)))


def with_clamp() -> Shop:
    """The shop, its mill with a clamp on the rotary axis that programs tell."""
    found = shop()
    name = "light benchtop mill"
    mill = found.machines[name]
    clamped = replace(mill, dialect=replace(mill.dialect, reads=replace(mill.dialect.reads, clamp_m=10, unclamp_m=11)))
    return replace(found, machines={**found.machines, name: clamped})


def decided(model: ModelFiles, hold: HoldAsk, **more):
    job = job_for(**{"cutters": CUTTERS, "hold": hold, **more})
    return decide(job, read(job, model, shop()), shop())[0]


@pytest.mark.slow
@pytest.mark.parametrize(("model", "work"), [(as_file(block()), Work.SIDES), (spindle(), Work.AROUND)], ids=["sides", "around"])
def test_the_last_cuts_leave_thin_stubs_and_it_is_proved(model, work):
    job = job_for(cutters=CUTTERS, work=work, hold=HoldAsk(part_off=True), proof=ProofAsk(resolution_mm=0.25))
    made = make(job, model, with_clamp(), lambda stage, share: None)
    assert made.proof.verdict is Verdict.PROVED, [item.says for item in made.proof.findings]
    last = [cut.kind for cut in made.plan.cuts]
    grooves = made.plan.holding.parted
    assert len(grooves) >= 1
    assert last[-len(grooves) :] == [CutKind.PART_OFF] * len(grooves)
    for groove in grooves:
        # what stands there when all is done: 3 mm; a corner of the rays' grid may stand out by 0.25 / sqrt 2
        found = max_radius(made.proof.blank, groove.from_x_mm + 0.3, groove.to_x_mm - 0.3)
        assert found == pytest.approx(1.5, abs=0.18)
    # the clamp is released before the first turn, and put on at sides alone, once a side
    told = [line for line in made.programs[0].text.splitlines() if line in ("M10", "M11")]
    assert told[0] == "M11"
    assert told.count("M10") == (len(made.plan.sides) if work is Work.SIDES else 0)
    assert "M10 M10" not in " ".join(told)
    # the load was asked of the bar as it then stood, thin stubs and all
    assert np.isfinite(made.proof.load.bar_bending_max_mm)
    assert {item.code for item in made.proof.findings} <= {"left-over-some", "unreachable"}


def test_it_is_off_by_default():
    plan = decided(as_file(block()), HoldAsk())
    assert plan.holding.parted == ()
    assert all(cut.kind is not CutKind.PART_OFF for cut in plan.cuts)


def test_what_stands_at_the_end_is_told_stub_by_stub():
    plan = decided(as_file(block()), HoldAsk(part_off=True, part_off_stub_diameter_mm=4.0))
    (groove,) = [item for item in plan.holding.parted if item.to_x_mm == plan.placement.part_from_x_mm]
    assert groove.radius_mm == 2.0
    standing = [item for item in stays_standing(plan) if "chuck's end" in item.name]
    assert [(item.from_x_mm, item.to_x_mm) for item in sorted(standing, key=lambda item: item.from_x_mm)] == [
        (plan.holding.chuck_stub.from_x_mm, groove.from_x_mm),
        (groove.from_x_mm, groove.to_x_mm),
    ]
    assert plan.cuts[-1].floor_z_mm == 2.0
    assert any(item.what == "part off" and "knife" in item.because for item in plan.decisions)


@pytest.mark.parametrize(
    ("width", "beside"),
    # the edge that comes down there is 12.7 mm long: over a stub of 3 mm it reaches 14.2 mm from the axis, and corners of 18 mm
    # lie at 12.7, of 22 mm at 15.6
    [(18.0, 0.005), (22.0, 0.04)],
)
def test_the_end_face_is_reached_within_a_twentieth_though_it_is_as_high_as_edges_are_long(width, beside):
    plan = decided(
        as_file(block(width=width)), HoldAsk(part_off=True), cutters=("6 mm flat", "1/8 in flat"), size=(width + 4.0,)
    )
    (cut,) = [cut for cut in plan.cuts if cut.kind is CutKind.PART_OFF][-1:]
    assert dict(plan.cutters)[cut.cutter] == "1/8 in flat"
    flank = cut.from_x_mm + 0.5 * 3.175
    assert plan.placement.part_from_x_mm - flank == pytest.approx(beside)
    told = next(item for item in plan.decisions if item.what == "part off" and "knife" in item.because)
    assert ("0.04 mm stay on it" in told.because) is (beside == 0.04)


def test_refusals():
    with pytest.raises(BadInput, match="hardly thinner"):
        decided(as_file(block()), HoldAsk(part_off=True, part_off_stub_diameter_mm=9.0, chuck_stub_diameter_mm=10.0))
    with pytest.raises(Infeasible, match="no flat cutter"):
        decided(as_file(block(width=20.0)), HoldAsk(part_off=True), cutters=("6 mm ball", "V 90°, flat 0.2, 6 mm shank"))


def test_stubs_that_are_thin_already_are_left():
    thin = HoldAsk(part_off=True, chuck_stub_diameter_mm=4.0, tail_stub_diameter_mm=4.0)
    plan = decided(as_file(block()), thin)
    assert plan.holding.parted == ()
    assert any(item.what == "part off" and item.chosen == "no cut" for item in plan.decisions)
