"""Roughing from the sides what is finished around: which cuts take the place of which, and who decides."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from newel import pipeline
from newel.app.demo import FINIAL_JOB
from newel.app.job_file import read_job
from newel.core.job import ModelFiles, Work
from newel.core.plan import CutKind
from newel.geometry.meshes import Mesh, write_stl
from newel.planning.mixed import WHAT, flat_turns_deg, roughed_from_sides, worth_trying
from newel.planning.target import target_of
from newel.shop.catalogue import load_shop, shipped_texts
from side_samples import box

SHOP = load_shop(shipped_texts())
JOB = replace(read_job(FINIAL_JOB, name="post", where="test"), work=Work.AROUND)


def decided(job):
    """A plan of a small square post, carved all round."""
    solid = box((0, 30), (-9, 9), (-9, 9))
    post = Mesh(np.asarray(solid.vertices, dtype=np.float64), np.asarray(solid.faces, dtype=np.int32))
    model = pipeline.read(job, ModelFiles(write_stl(post), "stl", {}), SHOP)
    return model, *pipeline.decide(job, model, SHOP)


@pytest.fixture(scope="module")
def post():
    return decided(JOB)


def test_clearing_at_the_flats_takes_the_place_of_roughing_around(post):
    _, plan, machine, tools = post
    other = roughed_from_sides(JOB, plan, tools, SHOP.material(JOB.bar.material), machine)
    assert other is not None
    clears = [cut for cut in other.cuts if cut.kind is CutKind.CLEAR]
    rough = next(cut for cut in plan.cuts if cut.kind is CutKind.ROUGH_AROUND)
    assert [cut.turn_deg for cut in clears] == flat_turns_deg(plan)
    assert all(cut.allowance_mm == rough.allowance_mm for cut in clears)
    assert not any(cut.kind is CutKind.ROUGH_AROUND for cut in other.cuts)
    kept = [cut.name for cut in plan.cuts if cut.kind is not CutKind.ROUGH_AROUND]
    assert [cut.name for cut in other.cuts][len(clears) :] == kept
    assert [cut.number for cut in other.cuts] == list(range(1, len(other.cuts) + 1))
    numbers = [number for number, _ in other.cutters]
    assert len(set(numbers)) == len(numbers)
    assert {cut.cutter for cut in other.cuts} == set(numbers)
    assert all(tools.cutters[dict(other.cutters)[cut.cutter]].form == "flat" for cut in clears)


def test_opposite_flats_follow_one_another(post):
    _, plan, _, _ = post
    turned = replace(plan, bar=replace(plan.bar, turned_deg=45.0))
    assert flat_turns_deg(plan) == [0.0, 180.0, 90.0, 270.0]
    assert flat_turns_deg(turned) == [315.0, 135.0, 45.0, 225.0]


def test_the_rates_say_whether_passes_are_made_both_ways(post):
    _, plan, machine, tools = post
    other = roughed_from_sides(JOB, plan, tools, SHOP.material(JOB.bar.material), machine)
    slower = replace(other, cuts=tuple(replace(cut, feed_mm_per_min=0.1 * cut.feed_mm_per_min) for cut in other.cuts))
    faster = replace(other, cuts=tuple(replace(cut, feed_mm_per_min=10.0 * cut.feed_mm_per_min) for cut in other.cuts))
    assert worth_trying(plan, faster) and not worth_trying(plan, slower)


def test_the_job_file_overrules_and_the_reason_is_told(post):
    model, plan, machine, tools = post
    material = SHOP.material(JOB.bar.material)
    target = target_of(model.mesh, plan.placement, plan.bar, plan.holding)
    way = pipeline._roughed_by_clock
    assert way(JOB, plan, target, machine, tools, material) is plan
    mixed = way(replace(JOB, work=Work.MIXED), plan, target, machine, tools, material)
    assert mixed.cuts[0].kind is CutKind.CLEAR
    assert (mixed.decisions[-1].what, mixed.decisions[-1].by) == (WHAT, "job file")
    free = way(replace(JOB, work=None), plan, target, machine, tools, material)
    why = next(item for item in free.decisions if item.what == WHAT)
    assert why.by == "Newel" and why.instead_of
    assert (why.chosen == "from the sides") == (free.cuts[0].kind is CutKind.CLEAR)
