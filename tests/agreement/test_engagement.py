"""The kernels of engagement against the obvious way over whole arrays: every figure, for every form of edge."""

from __future__ import annotations

import numpy as np
import pytest

from newel.core.job import Section
from newel.core.profile import CutterShape, Profile, outline
from newel.geometry.blank import Blank, bar_blank, carve
from newel.mechanics.engagement import CuttingLaw, edge_cells, engagement
from plain.engagement_plain import engaged_plain

EDGES = {
    "flat": outline((0, 0), (3, 0), (3, 12)),
    "ball": outline((0, 0), (3, 3, 0, 3), (3, 12)),
    "V": outline((0, 0), (0.1, 0), (3, 2.9), (3, 6)),
}
LAW = CuttingLaw(700.0, 0.25, 3)


@pytest.fixture(scope="module")
def blank() -> Blank:
    """A square bar with a slot along it and a groove half round it."""
    bar = bar_blank(Section.SQUARE, (20.0,), 0.0, 30.0, 30.0, 0.3)
    way = np.array([[-5.0, 2, 7, 0], [35, 2, 7, 0], [35, 2, 40, 0], [15, 0, 40, 0], [15, 0, 8, 0], [15, 0, 8, 150]])
    carve(bar, CutterShape(EDGES["flat"], outline((3, 12), (3, 30))), way, np.zeros(len(way), dtype=np.int32))
    return bar


@pytest.mark.parametrize("form", list(EDGES))
def test_every_figure_is_that_of_the_obvious_way(form: str, blank: Blank) -> None:
    edge: Profile = EDGES[form]
    cells, rng = edge_cells(edge, heights=16), np.random.default_rng(3)
    pose = np.column_stack([rng.uniform(5, 25, 5), rng.uniform(-6, 6, 5), rng.uniform(4, 9, 5), rng.uniform(-200, 200, 5)])
    rate = np.column_stack([rng.uniform(-500, 500, (5, 3)), rng.uniform(-4000, 4000, 5)])
    rate[0, 3] = rate[1, 2] = 0.0
    found = engagement(blank, cells, pose, rate, 12_000.0, LAW, 0.0)
    assert (found.area_mm2 > 0.1).all()
    for k in range(len(pose)):
        for name, value in engaged_plain(blank, cells, pose[k], rate[k], 12_000.0, LAW).items():
            np.testing.assert_allclose(getattr(found, name)[k], value, rtol=1e-9, atol=1e-9, err_msg=name)
