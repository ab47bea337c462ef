"""One wall of a pocket keeps an allowance because the job file calls its face by the name that the STEP file gives it."""

from __future__ import annotations

import importlib.util

import numpy as np
import pytest

from newel.app.job_file import read_job
from newel.core.errors import BadInput
from newel.core.job import ModelFiles
from newel.core.plan import CutKind
from newel.geometry.blank import inside
from newel.geometry.step_files import read_step
from newel.pipeline import Made, decide, make, read
from newel.proof.results import Verdict
from side_parts import shop

if importlib.util.find_spec("OCP") is None:
    pytest.skip("the extra `step` is not installed", allow_module_level=True)

import step_samples

ALLOWANCE_MM = 0.3
JOB = """
format = 1
machine = "light benchtop mill"
cutters = ["6 mm flat", "1/8 in flat"]
work = "sides"

[model]
file = "block.step"

[bar]
section = "square"
size_mm = 22.0
material = "beech"

[place]
axis = "x"
turn_deg = 0

[[surface]]
face = "{face}"
allowance_mm = {allowance}

[proof]
resolution_mm = 0.2
"""


@pytest.fixture(scope="module")
def model() -> bytes:
    return step_samples.with_named_faces(step_samples.step_bytes(step_samples.pocketed_block_shape()))


def wall_called(data: bytes) -> str:
    """Return the name of the pocket's long wall at Y 6, which faces -Y."""
    _, features = read_step(data, "block.step")[:2]
    (wall,) = [flat for flat in features.flats if flat.normal[1] < -0.99 and abs(flat.offset_mm + 6.0) < 1e-6]
    return wall.name


@pytest.fixture(scope="module")
def made(model: bytes) -> Made:
    job = read_job(JOB.format(face=wall_called(model), allowance=ALLOWANCE_MM), name="block", where="block.toml")
    return make(job, ModelFiles(model, "step"), shop(), lambda stage, share: None)


def test_every_face_has_the_name_that_the_file_gives_it(model: bytes):
    _, features = read_step(model, "block.step")[:2]
    names = [face.name for face in (*features.flats, *features.rounds)]
    # derived: six outside, a floor, four walls, four round corners
    assert sorted(names, key=lambda name: int(name.split()[1])) == [f"face {k}" for k in range(1, 16)]


@pytest.mark.slow
def test_it_is_proved_and_the_wall_keeps_what_was_asked(made: Made):
    assert made.proof.verdict is Verdict.PROVED, [item.says for item in made.proof.findings]
    (group,) = made.proof.deviation.groups
    assert group.allowance_mm == ALLOWANCE_MM
    assert group.mean_mm == pytest.approx(ALLOWANCE_MM, abs=0.02)
    assert group.within_tolerance_pct >= 98.0
    assert group.highest_mm <= ALLOWANCE_MM + 0.05


@pytest.mark.slow
def test_it_stands_on_the_carved_bar_on_that_wall_alone(made: Made):
    # looked up in the blank, whose Y and Z are the model's: places 0.2 mm before the walls at Y 6 and -6, X 7 and 23
    assert np.allclose(made.plan.placement.bar_from_model[:3, :3], np.eye(3), atol=1e-9)
    x0, z = made.plan.placement.part_from_x_mm, np.array([6.0, 7.5, 9.0])
    before = 0.2

    def stands(x: float, y: float) -> np.ndarray:
        return inside(made.proof.blank, np.column_stack([np.full(3, x0 + x), np.full(3, y), z]))

    for x in (12.0, 15.0, 18.0):
        assert stands(x, 6.0 - before).all()
        assert not stands(x, 6.0 - ALLOWANCE_MM - before).any()
        assert not stands(x, -6.0 + before).any()
    for y in (-2.0, 0.0, 1.0):
        assert not stands(7.0 + before, y).any()
        assert not stands(23.0 - before, y).any()


def test_the_plan_keeps_that_wall_and_no_other(made: Made):
    (walls,) = (cut for cut in made.plan.cuts if cut.kind is CutKind.PROFILE and cut.turn_deg == 0.0)
    (kept,) = walls.kept
    assert (walls.allowance_mm, kept.allowance_mm) == (0.0, ALLOWANCE_MM)
    assert np.allclose(kept.triangles[..., 1], 6.0)


@pytest.mark.parametrize("face", ["", "face 99"])
def test_a_face_that_is_not_there_is_refused_before_anything_is_planned(model: bytes, face: str):
    job = read_job(JOB.format(face=face, allowance=ALLOWANCE_MM), name="block", where="block.toml")
    with pytest.raises(BadInput, match="no flat or round face named"):
        decide(job, read(job, ModelFiles(model, "step"), shop()), shop())
