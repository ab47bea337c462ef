"""A part that hangs together by a needle is refused before anything is made; what is stout is not."""

from __future__ import annotations

from dataclasses import replace

import manifold3d
import pytest

from newel.core.errors import Infeasible
from newel.core.job import HoldAsk, PlaceAsk, Tailstock, Work
from newel.geometry.mesh_features import features_of
from newel.planning.indexed import plan_sides
from newel.planning.too_slim import MOST_BENT_MM, refuse_too_slim
from side_parts import bench_tools, job_for, mesh_of


def planned(web_mm: float):
    """Two blocks of 28 x 28 mm along a bar, 30 mm long each, and a square web of 24 mm between them; no centre."""
    ends = [manifold3d.Manifold.cube((30.0, 28.0, 28.0)).translate((x, -14.0, -14.0)) for x in (0.0, 54.0)]
    web = manifold3d.Manifold.cube((26.0, web_mm, web_mm)).translate((29.0, -0.5 * web_mm, -0.5 * web_mm))
    mesh = mesh_of(ends[0] + ends[1] + web)
    job = job_for(size=(32.0,), cutters=("6 mm flat",), work=Work.SIDES, place=PlaceAsk("x", 0.0), hold=HoldAsk(Tailstock.NONE))
    job = replace(job, bar=replace(job.bar, material="medium tooling board"))
    _, machine, material, tools = bench_tools(job)
    return plan_sides(job, mesh, features_of(mesh), tools, material, machine)


def test_a_web_like_a_needle_is_refused_with_what_the_bar_bends_by():
    with pytest.raises(Infeasible, match="too slim") as refused:
        planned(1.0)
    assert refused.value.measured > refused.value.limit == MOST_BENT_MM
    assert refused.value.remedy


def test_a_stout_web_is_planned():
    assert planned(16.0).cuts


def test_the_limit_is_give_times_force():
    refuse_too_slim(0.1, MOST_BENT_MM / 0.1)  # derived: bends by exactly what may be
    with pytest.raises(Infeasible, match="gives 100 µm a newton"):
        refuse_too_slim(0.1, MOST_BENT_MM / 0.1 + 0.01)
