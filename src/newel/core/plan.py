"""The plan: what was decided, as plain data that planning makes, toolpaths cut from and reports print."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray

from newel.core.job import Direction, Section, Tailstock
from newel.core.reach import ReachMap

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
    """How the bar is held and what stays standing: full bar to `full_bar_to_x_mm`, then stub, part, stub.

    `parted`: grooves that the last cuts make in the stubs beside the part, each with the radius that it leaves.
    """

    grip_mm: float
    tailstock: Tailstock
    full_bar_to_x_mm: float
    chuck_stub: Stub
    tail_stub: Stub | None
    full_bar_from_x_mm: float | None  # at the tail end, left uncut for the centre; None: cut right through
    parted: tuple[Stub, ...] = ()

    def stubs(self, *, parted: bool) -> tuple[tuple[str, Stub], ...]:
        """Return the stubs with their names, before the part is parted off or as they stand after it."""
        found = []
        for name, stub in (("stub at the chuck's end", self.chuck_stub), ("stub at the centre's end", self.tail_stub)):
            if stub is None:
                continue
            for thin in self.parted if parted else ():
                if stub.from_x_mm <= thin.from_x_mm and thin.to_x_mm <= stub.to_x_mm:
                    stub = replace(
                        stub,
                        from_x_mm=thin.to_x_mm if thin.from_x_mm == stub.from_x_mm else stub.from_x_mm,
                        to_x_mm=thin.from_x_mm if thin.to_x_mm == stub.to_x_mm else stub.to_x_mm,
                    )
                    found.append((f"last {name}", thin))
            found.append((name, stub))
        return tuple(found)


class CutKind(StrEnum):
    """The kinds of cut Newel knows how to make."""

    ROUGH_AROUND = "rough around"
    FINISH_AROUND = "finish around"
    CORNER_AROUND = "corner around"
    REST_AROUND = "rest around"
    # at one side, the bar clamped
    FACE = "face"
    CLEAR = "clear"
    PROFILE = "profile"
    SURFACE = "surface"
    DRILL = "drill"
    BORE = "bore"
    THREAD = "thread"
    BEVEL = "bevel"
    PART_OFF = "part off"
    # along lines, the bar turning
    ENGRAVE = "engrave"


@dataclass(frozen=True)
class Hole:
    """A round hole square to the cutter at one side, in the table frame at that turn (mm).

    `x_mm`, `y_mm` its axis; material begins at `top_z_mm`, the full diameter ends at `floor_z_mm` (`through`: it opens below).
    `pitch_mm`: of the ISO metric thread asked for (None: plain).
    """

    x_mm: float
    y_mm: float
    top_z_mm: float
    floor_z_mm: float
    diameter_mm: float
    through: bool
    pitch_mm: float | None = None


@dataclass(frozen=True)
class SharpEdge:
    """An outside edge to be bevelled, in the bar frame (mm).

    `points` (n, 3): a polyline along the edge (closed: first = last). `one`, `other` (n, 3): outward unit normals of the two
    faces that meet there, at each point. `width_mm`: of the bevel's flat, across.
    """

    points: Floats
    one: Floats
    other: Floats
    width_mm: float


@dataclass(frozen=True)
class KeptWalls:
    """Walls of the part that keep an allowance of their own: `triangles` (k, 3, 3) of them, in the bar frame."""

    triangles: Floats
    allowance_mm: float


@dataclass(frozen=True)
class Cut:
    """One operation with one cutter.

    `from_x_mm`..`to_x_mm`: where the tip may go along X (bar frame). `ap_mm` depth a level (roughing), `ae_mm` width of
    cut: the spacing of neighbouring passes (X pitch for around and helical, arc at the work's surface for along).
    `cusp_mm`: what a finishing pass may leave standing (then spacing follows from it, ae_mm is the widest allowed).
    `offset_y_mm`: sideways set of the tool axis from the rotary axis. `rest_over_mm`: cut only where the cutter
    before had to leave more than this over the part (None: everywhere).

    A cut at a side: `turn_deg` is the turn of the bar (theta in the table frame, 0..360) at which it is clamped (None: the
    bar turns while it is cut); `from_y_mm`..`to_y_mm` bounds the tip across, `top_z_mm` is where material begins and
    `floor_z_mm` how deep the tip may go (table frame at that turn). `flats_z_mm`: floors to be left exactly, from the top.
    `holes` for drill, bore and thread; `leaves`: holes that a profile leaves to cuts of their own. `edges` for bevel.
    `slope_deg`: surface cuts work on what is inclined less than this to the table, profile cuts on what is steeper. `lines`
    (n, 3) in the bar frame: what the tip follows in engraving.

    Face and clear cuts never meet a full slot at their depth, so ap times ae, the area of cut, is what they keep: a level may
    be as deep as `deepest_mm` and as wide as `widest_mm` where its width times its depth stays at that area (None: ap, ae).
    What stands outside `wanted_x_mm` is cut only as far as it lies in the way (None: all that is reached is wanted).
    `kept`: walls that no cut comes nearer to than their own allowance, where that is more than the cut's.
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
    turn_deg: float | None = None
    from_y_mm: float = 0.0
    to_y_mm: float = 0.0
    top_z_mm: float = 0.0
    floor_z_mm: float = 0.0
    flats_z_mm: tuple[float, ...] = ()
    holes: tuple[Hole, ...] = ()
    leaves: tuple[Hole, ...] = ()
    edges: tuple[SharpEdge, ...] = ()
    slope_deg: float = 90.0
    lines: tuple[Floats, ...] = ()
    deepest_mm: float | None = None
    widest_mm: float | None = None
    wanted_x_mm: tuple[float, float] | None = None
    kept: tuple[KeptWalls, ...] = ()

    def width_mm(self, depth_mm: float) -> float:
        """Return the width of cut of a level at a side, in mm, that takes the cut's area at this depth."""
        if self.deepest_mm is None or self.widest_mm is None:
            return self.ae_mm
        return min(self.ap_mm * self.ae_mm / max(depth_mm, 1e-9), self.widest_mm)


@dataclass(frozen=True)
class Side:
    """An angle at which the bar is clamped: `turn_deg` (theta in the table frame), what it reaches, and why it is there."""

    turn_deg: float
    area_share: float
    because: str


@dataclass(frozen=True)
class Plan:
    """Everything decided before the first pass is made. `cutters`: (number in the spindle, name in the shop)."""

    placement: Placement
    bar: Bar
    holding: Holding
    cutters: tuple[tuple[int, str], ...]
    cuts: tuple[Cut, ...]
    decisions: tuple[Decision, ...] = field(default=())
    sides: tuple[Side, ...] = ()
    reach: ReachMap | None = None
