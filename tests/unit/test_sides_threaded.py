"""A block with a threaded hole and a surface of its own tolerance, made and proved; what is refused. All invented."""

from __future__ import annotations

import manifold3d
import numpy as np
import pytest

from newel.core.errors import BadInput, Infeasible
from newel.core.job import ModelFiles, ProofAsk, SurfaceAsk, ThreadAsk, Work
from newel.core.plan import CutKind
from newel.geometry.meshes import write_stl
from newel.pipeline import Made, decide, make, read
from newel.planning.asked import asked_groups
from newel.proof.results import Verdict
from side_parts import block, job_for, mesh_of, shop

CUTTERS = ("6 mm flat", "1/8 in flat", "4 mm thread mill", "2.4 mm thread mill")
M6 = ThreadAsk(5.0, 1.0)


def drilled(diameter: float = 5.0, deep: float = 8.0) -> ModelFiles:
    """A block of 30 x 20 x 20 mm with a blind hole in its top (+Z)."""
    hole = manifold3d.Manifold.cylinder(deep + 1.0, diameter / 2, diameter / 2, 128).translate((15.0, 0.0, 10.0 - deep))
    return ModelFiles(write_stl(mesh_of(block() - hole)), "stl")


@pytest.fixture(scope="module")
def made() -> Made:
    job = job_for(
        cutters=CUTTERS,
        threads=(M6,),
        surfaces=(SurfaceAsk(turn_deg=0.0, from_z_mm=9.5, tolerance_mm=0.03),),
        proof=ProofAsk(resolution_mm=0.2),
    )
    return make(job, drilled(), shop(), lambda stage, share: None)


@pytest.mark.slow
def test_it_is_proved_with_its_thread(made: Made):
    assert made.proof.verdict is Verdict.PROVED, [item.says for item in made.proof.findings]
    assert made.proof.deviation.within_tolerance_pct >= 99.0
    (thread,) = made.proof.deviation.threads
    assert thread.missing == ""
    # derived: pitch as asked; limits of class 6H as in shop/iso_threads.py
    assert thread.pitch_mm == pytest.approx(1.0, abs=0.004)
    assert 5.350 <= thread.pitch_diameter_mm <= 5.500
    assert 6.0 - 0.01 <= thread.major_mm <= 6.22
    assert thread.length_mm >= 6.0


@pytest.mark.slow
def test_surfaces_with_their_own_tolerance_are_told_apart(made: Made):
    (group,) = made.proof.deviation.groups
    # derived: the top but for its hole, 30 x 20 - 19.6 of 2 x 400 + 4 x 600 + the hole's 125 mm2, less the stubs' seats
    holding = made.plan.holding
    assert holding.tail_stub is not None
    seats = np.pi * sum((stub.radius_mm + 0.2) ** 2 for stub in (holding.chuck_stub, holding.tail_stub))
    assert group.area_pct == pytest.approx(100.0 * 580.0 / (3325.0 - seats), abs=0.7)
    assert group.tolerance_mm == 0.03
    assert group.within_tolerance_pct >= 99.0
    assert group.lowest_mm >= -0.02


@pytest.mark.parametrize(
    ("model", "more", "error", "says"),
    [
        (drilled(), {"threads": (ThreadAsk(7.0, 1.0),)}, Infeasible, "no hole of 7 mm"),
        (drilled(5.6), {"threads": (ThreadAsk(5.6, 1.0),)}, BadInput, "no metric thread"),
        (drilled(), {"threads": (M6,), "work": Work.AROUND}, Infeasible, "stands clamped"),
        (drilled(), {"threads": (M6,), "cutters": CUTTERS[:2]}, Infeasible, "the shop has none"),
        (drilled(), {"threads": (M6,), "cutters": (*CUTTERS[:2], CUTTERS[3])}, Infeasible, "made for pitches up to 0.8 mm"),
        (drilled(5.0, 17.0), {"threads": (M6,)}, Infeasible, "deep"),
    ],
    ids=["no such hole", "no such thread", "around", "no mill", "wrong mill", "too deep"],
)
def test_what_cannot_be_threaded_is_refused(model, more, error, says):
    job = job_for(**{"cutters": CUTTERS, **more})
    found = shop()
    with pytest.raises(error, match=says) as refused:
        decide(job, read(job, model, found), found)
    assert refused.value.where.startswith("[[thread]]")
    if error is Infeasible:
        assert refused.value.remedy


def test_groups_are_told_as_the_set_up_turns_and_by_names_that_are_there():
    found = shop()
    ask = SurfaceAsk(turn_deg=90.0, to_z_mm=5.0, allowance_mm=0.2)
    job = job_for(surfaces=(ask, SurfaceAsk(turn_deg=0.0, corner_radius_mm=3.0)))
    model = read(job, drilled(), found)
    (group,) = asked_groups(job, model, -1)  # derived: half a turn about Z turns a turn about X round; a radius judges nothing
    assert (group.turn_deg, group.to_z_mm, group.tolerance_mm, group.allowance_mm) == (-90.0, 5.0, None, 0.2)
    named = job_for(surfaces=(SurfaceAsk(face="no such face", tolerance_mm=0.1),))
    with pytest.raises(BadInput, match="no flat or round face named"):
        asked_groups(named, model, 1)


def test_profiles_leave_the_holes_that_have_cuts_of_their_own():
    pocket = manifold3d.Manifold.cube((16.0, 12.0, 6.0)).translate((7.0, -6.0, 6.0))
    hole = manifold3d.Manifold.cylinder(6.0, 2.5, 2.5, 128).translate((15.0, 0.0, 2.0))
    model = ModelFiles(write_stl(mesh_of(block() - pocket - hole)), "stl")
    found = shop()
    job = job_for(cutters=CUTTERS, work=Work.SIDES)
    plan = decide(job, read(job, model, found), found)[0]
    bored = [hole for cut in plan.cuts if cut.kind in (CutKind.BORE, CutKind.DRILL) for hole in cut.holes]
    profiles = [cut for cut in plan.cuts if cut.kind is CutKind.PROFILE and cut.turn_deg == 0.0]
    assert len(bored) == 1
    assert profiles
    assert all(cut.leaves == tuple(bored) for cut in profiles)
    assert all(cut.holes == () for cut in profiles)  # what a cut makes and what it leaves are told apart
