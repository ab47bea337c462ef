"""A small block with a pocket, made and proved, and measured by rays on what is left of the bar."""

from __future__ import annotations

import numpy as np
import pytest
import trimesh

from newel.core.job import BevelAsk, ModelFiles, ProofAsk
from newel.core.plan import CutKind
from newel.geometry.blank_surface import blank_mesh
from newel.geometry.meshes import write_stl
from newel.pipeline import Made, make
from newel.proof.results import Verdict
from side_parts import job_for, pocketed, shop

pytestmark = pytest.mark.slow

CUTTERS = ("6 mm flat", "V 90°, flat 0.2, 6 mm shank")


@pytest.fixture(scope="module")
def made() -> Made:
    job = job_for(cutters=CUTTERS, bevel=BevelAsk(0.5), proof=ProofAsk(resolution_mm=0.2))
    return make(job, ModelFiles(write_stl(pocketed()), "stl"), shop(), lambda stage, share: None)


@pytest.fixture(scope="module")
def far(made: Made):
    """Distance from a place of the model's frame along a direction to the surface that the program leaves."""
    matrix = made.plan.placement.bar_from_model
    vertices, faces = blank_mesh(made.proof.blank, 1)
    mesh = trimesh.Trimesh(vertices, faces, process=False)

    def look(origin: tuple[float, float, float], direction: tuple[float, float, float]) -> float:
        way = matrix[:3, :3] @ (np.array(direction) / np.linalg.norm(direction))
        start = matrix[:3, :3] @ np.array(origin) + matrix[:3, 3] + 1.3e-4
        at, _, _ = mesh.ray.intersects_location([start], [way], multiple_hits=False)
        return float(np.linalg.norm(at[0] - start))

    return look


def test_it_is_proved_and_within_tolerance(made: Made):
    assert made.proof.verdict is Verdict.PROVED, [item.says for item in made.proof.findings]
    assert made.proof.deviation.within_tolerance_pct >= 99.0
    assert made.proof.deviation.gouge_max_mm <= 0.02


def test_sizes_are_those_of_the_drawing(far):
    # derived from the model: faces at 10, floor 5 under the top, walls 8 and 6 from the middle at (15, 0)
    for way in ((0, 0, -1), (0, -1, 0), (0, 1, 0)):
        out = tuple(-20.0 * w for w in way)
        assert far((3.0 + out[0], out[1], out[2]), way) == pytest.approx(10.0, abs=0.05)
    assert far((15.0, 0.0, 20.0), (0, 0, -1)) == pytest.approx(15.0, abs=0.05)
    for z in (5.5, 8.0):
        assert far((15.0, 0.0, z), (1, 0, 0)) == pytest.approx(8.0, abs=0.05)
        assert far((15.0, 0.0, z), (-1, 0, 0)) == pytest.approx(8.0, abs=0.05)
        assert far((15.0, 0.0, z), (0, 1, 0)) == pytest.approx(6.0, abs=0.05)
    assert far((-1.0, 8.0, 8.0), (1, 0, 0)) == pytest.approx(1.0, abs=0.05)


def test_the_rim_is_bevelled(far):
    # derived: the bevel's flat lies half its width from the sharp edge along the bisector
    way = np.array([0.0, -1.0, 1.0]) / np.sqrt(2.0)
    origin = np.array([15.0, 6.0, 10.0]) + 1.0 * way
    assert 2.0 * (far(tuple(origin), tuple(-way)) - 1.0) == pytest.approx(0.5, abs=0.1)


def test_the_bar_turns_only_between_cuts_at_the_safe_height(made: Made):
    for cut, path in zip(made.plan.cuts, made.paths, strict=True):
        if cut.kind not in (CutKind.ROUGH_AROUND, CutKind.FINISH_AROUND):
            assert np.ptp(path.pose[:, 3]) == 0.0
            assert path.pose[0, 2] == pytest.approx(path.pose[-1, 2]) == pytest.approx(path.pose[:, 2].max())
