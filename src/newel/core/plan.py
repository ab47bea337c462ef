"""The plan: what was decided, as plain data that planning makes, toolpaths cut from and reports print."""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray

from newel.core.job import Direction, Section, Tailstock

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Decision:
    """One choice with its reason: what was chosen, because of what, instead of what, by whom ('Newel' or 'job file')."""

    what: str
    chosen: str
    because: str
    instead_of: tuple[str, ...] = ()
    by: str = "Newel"


@dataclass(frozen=True)
class Bar:
    """The bar as sawn, in the bar frame: from the end in the chuck (`from_x_mm` < 0) to the far end.

    `size_mm`: (diameter,), (across flats,) or (width, height). At turn 0 and `turned_deg` 0 a flat (the width of a
    rectangle) faces the spindle; `turned_deg` turns the section about +X in the bar frame.
    """

    section: Section
    size_mm: tuple[float, ...]
    from_x_mm: float
    to_x_mm: float
    turned_deg: float
    material: str


@dataclass(frozen=True)
class Placement:
    """The model's place in the bar: `bar_from_model` (4, 4) in mm, scale included; the part lies between the two X."""

    bar_from_model: Floats
    part_from_x_mm: float
    part_to_x_mm: float
    part_radius_mm: float


@dataclass(frozen=True)
class Stub:
    """A round piece that is left standing between two X in the bar frame so that the part is held to the last cut."""

    from_x_mm: float
    to_x_mm: float
    radius_mm: float


@dataclass(frozen=True)
class Holding:
    """How the bar is held and what stays standing: full bar to `full_bar_to_x_mm`, then stub, part, stub."""

    grip_mm: float
    tailstock: Tailstock
    full_bar_to_x_mm: float
    chuck_stub: Stub
    tail_stub: Stub | None
    full_bar_from_x_mm: float | None  # at the tail end, left uncut for the centre; None: cut right through


class CutKind(StrEnum):
    """The kinds of cut Newel knows how to make."""

    ROUGH_AROUND = "rough around"
    FINISH_AROUND = "finish around"


@dataclass(frozen=True)
class Cut:
    """One operation with one cutter.

    `from_x_mm`..`to_x_mm`: where the tip may go along X (bar frame). `ap_mm` depth a level (roughing), `ae_mm` width of
    cut: the spacing of neighbouring passes (X pitch for around and helical, arc at the work's surface for along).
    `cusp_mm`: what a finishing pass may leave standing (then spacing follows from it, ae_mm is the widest allowed).
    `offset_y_mm`: sideways set of the tool axis from the rotary axis. `rest_over_mm`: cut only where the cutter
    before had to leave more than this over the part (None: everywhere).
    """

    number: int
    name: str
    kind: CutKind
    cutter: int
    direction: Direction
    from_x_mm: float
    to_x_mm: float
    spindle_rpm: float
    feed_mm_per_min: float
    entry_feed_mm_per_min: float
    ramp_deg: float
    allowance_mm: float
    ap_mm: float
    ae_mm: float
    cusp_mm: float
    tolerance_mm: float
    offset_y_mm: float = 0.0
    rest_over_mm: float | None = None


@dataclass(frozen=True)
class Plan:
    """Everything decided before the first pass is made. `cutters`: (number in the spindle, name in the shop)."""

    placement: Placement
    bar: Bar
    holding: Holding
    cutters: tuple[tuple[int, str], ...]
    cuts: tuple[Cut, ...]
    decisions: tuple[Decision, ...] = field(default=())
