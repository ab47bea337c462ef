"""Dog-leg rapids: each axis at its own rapid."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from faults.proof_bench import MACHINE
from newel.core.dialect import ReadTraits
from newel.program.interpreter import interpret
from newel.proof.ways import with_dog_legs

SLOW_Z = replace(MACHINE, z=replace(MACHINE.z, rapid_mm_per_min=1000.0))


def test_axes_arrive_one_after_another_and_the_time_is_kept() -> None:
    motion = interpret(
        "G21 G90\nG0 X0 Y0 Z0 A0\nG0 X30 Y60 Z30 A36\nG1 X0 F100\n", ReadTraits(), start=(0.0, 0.0, 0.0, 0.0)
    ).motion
    minutes = np.array([0.0, 0.03, 0.3])
    # derived: X 30 at 3000: 0.01 min; A 36 at 3600: 0.01; Y 60 at 3000: 0.02; Z 30 at 1000: 0.03
    broken, taken = with_dog_legs(motion, minutes, SLOW_Z)
    assert broken.xyza[1:4] == pytest.approx(np.array([[30, 30, 10, 36], [30, 60, 20, 36], [30, 60, 30, 36]]))
    assert taken == pytest.approx([0.0, 0.01, 0.01, 0.01, 0.3])
    assert list(broken.line) == [2, 3, 3, 3, 4]


def test_rapids_of_one_axis_or_from_nowhere_stay_as_they_are() -> None:
    motion = interpret("G21 G90\nG0 X10\nG0 Z5\nG0 X20 Y5\n", ReadTraits()).motion
    broken, taken = with_dog_legs(motion, np.zeros(len(motion)), MACHINE)
    assert broken is motion
    assert len(taken) == len(motion)
