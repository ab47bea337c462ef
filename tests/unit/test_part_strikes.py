"""Bodies against the part: what rests on it to the last digit of a program is no strike, a hair lower is one."""

from __future__ import annotations

import pytest
import trimesh

from faults.proof_bench import MACHINE, SETUP
from newel.core.dialect import ReadTraits
from newel.core.job import ProofAsk
from newel.proof.part_strikes import SLACK_MM, part_strike_findings
from newel.proof.prove import Case, read_course

BODY_FROM_MM = 1.0  # where the body of the bench's cutter 6 begins, over its tip


def strikes(top_mm: float, tip_mm: float) -> int:
    """Go over a block with a flat top with the tip of cutter 6 at a height; return how many lines strike it."""
    text = f"G21 G90 G94\nT6 M6\nG0 X5 Y0 A0\nG43 H6 Z20\nG1 Z{tip_mm:.6f} F100\nX7 Y0.3\nG0 Z20\nM30\n"
    case = Case((("p.ngc", text),), SETUP, MACHINE, None, ProofAsk(), ReadTraits(), 0.05, (), None)
    course, _ = read_course(case, lambda stage, share: None)
    block = trimesh.creation.box(bounds=[(-20.0, -20.0, -5.0), (40.0, 20.0, top_mm)])
    return len(part_strike_findings(course, block.vertices, block.faces)[0])


@pytest.mark.parametrize("top_mm", [2.1, 3.3, 4.7, 5.9, 6.123])
def test_a_body_that_rests_on_the_part_does_not_strike_it(top_mm: float) -> None:
    # derived: the body, smaller by the slack, begins so far over the tip
    rests = top_mm - BODY_FROM_MM - SLACK_MM
    assert strikes(top_mm, rests) == 0
    assert strikes(top_mm, rests - 1e-4) > 0
