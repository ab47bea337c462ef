"""Properties of cuts on random parts: never into the part, deterministic under a turn of everything, spacing monotone."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from newel.core.job import Direction, Section
from newel.core.plan import CutKind
from newel.core.profile import CutterShape, outline
from newel.toolpaths.cut_passes import cut_passes
from newel.toolpaths.spacing import cusp_between, underside, widest_spacing
from toolpath_samples import AROUND, ball_end, deepest, flat_end, small_bar, small_cut, turned_part

FEW = settings(max_examples=6, deadline=None, derandomize=True)


@st.composite
def lobed_parts(draw):
    """A twisted, lobed part with stubs: its radius stays between 2 and 5."""
    lobes, twist = draw(st.integers(1, 5)), draw(st.floats(-20.0, 20.0))
    wave, deep = draw(st.floats(0.2, 0.8)), draw(st.floats(0.0, 0.8))

    def radius(x, phi):
        body = 3.6 + wave * np.sin(1.1 * x) + deep * 0.6 * np.cos(lobes * phi - np.radians(twist) * x)
        return np.where((x < 6.0) | (x > 15.0), 2.2, np.clip(body, 2.0, 5.0))

    return radius


@given(lobed_parts(), st.sampled_from(list(Direction)), st.sampled_from([0.0, 0.5]))
@FEW
def test_no_finish_goes_into_the_part(radius, direction, offset):
    target = turned_part(radius, to_x=20.0, sides=120)
    cut = small_cut(CutKind.FINISH_AROUND, direction=direction, cusp_mm=0.05, to_x_mm=16.0, offset_y_mm=offset)
    path = cut_passes(cut, ball_end(2.0), target, small_bar(Section.ROUND, (10.6,), 0.3), AROUND)
    raised = replace(path, pose=path.pose + np.array([0.0, 0.0, 0.005, 0.0]))
    assert deepest(raised, target, ball_end(1.99).edge, 0.04) <= 1e-3


@given(lobed_parts(), st.sampled_from(list(Direction)))
@FEW
def test_no_roughing_goes_into_the_allowance(radius, direction):
    target = turned_part(radius, to_x=20.0, sides=120)
    cut = small_cut(direction=direction, to_x_mm=16.0)
    path = cut_passes(cut, flat_end(), target, small_bar(), AROUND)
    # a flat end shrunk by the 0.02 that a straight move may pass below, seen square to the surface
    smaller = CutterShape(outline((0, 0), (1.48, 0), (1.48, 8)), flat_end().body)
    raised = replace(path, pose=path.pose + np.array([0.0, 0.0, 0.02 - 0.3, 0.0]))
    assert deepest(raised, target, smaller.edge, 0.05) <= 1e-3


@given(st.floats(0.3, 3.0), st.floats(0.002, 0.05), st.floats(0.0, 60.0))
@settings(max_examples=40, deadline=None, derandomize=True)
def test_spacing_grows_with_the_cusp_and_the_ball(radius, cusp, slope):
    below = underside(outline((0, 0), (radius, radius, 0, radius), (radius, radius + 9)))
    larger = underside(outline((0, 0), (1.5 * radius, 1.5 * radius, 0, 1.5 * radius), (1.5 * radius, radius + 9)))
    spacing = float(widest_spacing(below, cusp, slope))
    assert float(widest_spacing(below, 1.5 * cusp, slope)) > spacing
    assert float(widest_spacing(larger, cusp, slope)) > spacing
    way = np.radians(slope)
    assert abs(float(cusp_between(below, spacing * np.cos(way), spacing * np.sin(way))) - cusp) < 1e-6
