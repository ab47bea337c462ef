"""The set-up: everything but the program's text that decides what the machine will do. It is what setup.json holds.

Frames: a *program* point (X, Y, Z) plus `table_from_program_mm` is the tip in the set-up's table frame; program A plus
`a_zero_deg`, times `a_sense`, is the turn of the bar about that frame's +X. With the chuck at the machine's left end the
set-up's frame is the table frame T. With the chuck at the right end the machine's X runs from the tailstock toward the
chuck, so the whole set-up is told in T turned half a turn about Z (docs/decisions/0003): X is then negative from the jaw
face to the bar's end. `along_x` says which: +1 toward the tailstock, -1 toward the chuck.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from newel.core.job import Section
from newel.core.profile import CutterShape

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class KeepOut:
    """A round thing about the rotary axis that nothing may touch: jaws, chuck, housing, centre, tailstock. `turns`: with A."""

    name: str
    from_x_mm: float
    to_x_mm: float
    radius_mm: float
    turns: bool


@dataclass(frozen=True)
class SetUpBar:
    """The bar in the set-up's frame. `turned_deg` turns the section about the frame's +X (0: a flat faces up at turn 0)."""

    section: Section
    size_mm: tuple[float, ...]
    from_x_mm: float
    to_x_mm: float
    turned_deg: float


@dataclass(frozen=True)
class SetUpCutter:
    """A cutter in its holder as it stands in the spindle, by the number that programs call (T and H words)."""

    number: int
    name: str
    shape: CutterShape
    centre_cutting: bool
    cutting_length_mm: float
    max_rpm: float | None
    gauge_length_mm: float = 0.0  # from the tip up to the spindle's face: what the machine's Z travel sees
    teeth: int | None = None  # ZEFP; None: not told
    substance: str = "carbide"


@dataclass(frozen=True)
class SetUp:
    """All that a proof needs besides text and machine; see the module's head for the frames."""

    bar: SetUpBar
    bar_from_model: Floats | None
    table_from_program_mm: tuple[float, float, float]
    a_zero_deg: float
    a_sense: int
    along_x: int
    work_offset: str
    cutters: tuple[SetUpCutter, ...]
    keep_out: tuple[KeepOut, ...]
    stays_standing: tuple[KeepOut, ...]  # stubs that hold the part: material that is meant to stay, not left-over
    table_below_axis_mm: float
    machine_from_table_mm: tuple[float, float, float]  # adds to set-up table coordinates to give machine coordinates
