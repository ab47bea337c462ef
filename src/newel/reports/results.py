"""Everything a report is made from, as plain data: reports compute nothing, they lay it out."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from newel.core.job import Job
from newel.core.motion import Toolpath
from newel.core.plan import Cut, Plan
from newel.core.setup import SetUp
from newel.proof.results import Proof
from newel.shop.cutters import Cutter
from newel.shop.machines import Machine
from newel.shop.materials import Material

Floats = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class Mesh:
    """A surface in the bar frame: vertices (n, 3) in mm, faces (m, 3)."""

    vertices_mm: Floats
    faces: NDArray[np.int64]


@dataclass(frozen=True)
class CutResult:
    """What became of one cut: its passes in the table frame, and its minutes by the clock (nan: not timed apart)."""

    cut: Cut
    toolpath: Toolpath
    minutes: float


@dataclass(frozen=True)
class Results:
    """A made and proved job. `part` and `blank` (what is left when the program ends; None: unknown) in the bar frame.

    `cutters`: (number in the spindle, its row in the shop). `programs`: the program files' names. `mended`: what was
    mended on the model.
    """

    job: Job
    plan: Plan
    setup: SetUp
    machine: Machine
    material: Material
    cutters: tuple[tuple[int, Cutter], ...]
    part: Mesh
    blank: Mesh | None
    proof: Proof
    cuts: tuple[CutResult, ...]
    programs: tuple[str, ...]
    mended: tuple[str, ...] = ()
