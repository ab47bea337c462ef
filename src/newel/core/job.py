"""The job: what is asked for. Every field left None is Newel's to decide, and it will say why.

The job file's layout on disk is the business of app/documents.py; here it is plain frozen data in mm and degrees.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum


class Section(StrEnum):
    """The cross-section of a bar."""

    ROUND = "round"
    SQUARE = "square"
    RECTANGLE = "rectangle"
    HEXAGON = "hexagon"


class Direction(StrEnum):
    """Which way the passes of a cut run over the turning bar."""

    ALONG = "along"
    AROUND = "around"
    HELICAL = "helical"


class Tailstock(StrEnum):
    """What holds the bar's far end."""

    LIVE_CENTRE = "live centre"
    NONE = "none"


class FeedWords(StrEnum):
    """How a program says its feeds: minutes' inverse (G93), or length units a minute (G94) corrected for turning."""

    INVERSE_TIME = "inverse time"
    PER_MINUTE = "per minute"


class TurnStyle(StrEnum):
    """How a program counts A: growing without limit, or wrapped into 0..360."""

    GROWING = "growing"
    WRAPPED = "wrapped"


class FileStyle(StrEnum):
    """One program file for the job, or one for each cutter."""

    ONE = "one file"
    PER_CUTTER = "one file a cutter"


@dataclass(frozen=True)
class ModelAsk:
    """The model's file and how to read it: `unit` 'mm' or 'inch' (never guessed), `scale` applied on top."""

    file: str
    unit: str = "mm"
    scale: float = 1.0


@dataclass(frozen=True)
class ModelFiles:
    """The model's bytes and kind ('stl', 'obj' …), and those of all that the job names beside it, by the name it uses."""

    data: bytes
    kind: str
    beside: Mapping[str, bytes] = field(default_factory=dict)


@dataclass(frozen=True)
class PlaceAsk:
    """Where the part lies in the bar: which axis of the model lies along the bar ('x', '-z' …), turned by how much."""

    axis: str | None = None
    turn_deg: float | None = None


@dataclass(frozen=True)
class BarAsk:
    """The bar: `size_mm` is (diameter,), (across flats,) or (width, height); `length_mm` None lets Newel say where to saw."""

    section: Section
    size_mm: tuple[float, ...]
    material: str
    length_mm: float | None = None


@dataclass(frozen=True)
class HoldAsk:
    """How the bar is held. `a_zero`: what faces the spindle at A0, 'flat' or 'corner' (round bars: a mark).

    `part_off`: last of all, thin the stubs beside the part until a knife cuts them, to `part_off_stub_diameter_mm`.
    """

    tailstock: Tailstock | None = None
    grip_mm: float | None = None
    chuck_stub_diameter_mm: float | None = None
    tail_stub_diameter_mm: float | None = None
    a_zero: str | None = None
    part_off: bool = False
    part_off_stub_diameter_mm: float | None = None


@dataclass(frozen=True)
class RoughAsk:
    """Roughing around: cutter by its shop name, direction, allowance left on, depth (ap) and width (ae) of cut."""

    cutter: str | None = None
    direction: Direction | None = None
    allowance_mm: float | None = None
    ap_mm: float | None = None
    ae_mm: float | None = None
    feed_mm_per_min: float | None = None
    spindle_rpm: float | None = None


@dataclass(frozen=True)
class FinishAsk:
    """Finishing around: cutter, direction, the cusp that may stay, and the tolerance the part is judged by."""

    cutter: str | None = None
    rest_cutter: str | None = None
    rest: bool | None = None
    direction: Direction | None = None
    cusp_mm: float | None = None
    tolerance_mm: float = 0.05
    offset_y_mm: float | None = None
    feed_mm_per_min: float | None = None
    spindle_rpm: float | None = None


class Work(StrEnum):
    """How the bar stands while it is cut; mixed: roughed from the sides, finished around."""

    AROUND = "around"
    SIDES = "sides"
    MIXED = "mixed"


@dataclass(frozen=True)
class SidesAsk:
    """Cutting side by side: the angles at which the bar is clamped (degrees, turn of the bar about +X)."""

    angles_deg: tuple[float, ...] | None = None


@dataclass(frozen=True)
class BevelAsk:
    """Bevels on the part's sharp outside edges: across the flat of the bevel; edges that turn by less are left."""

    width_mm: float | None = None
    least_turn_deg: float = 60.0
    cutter: str | None = None


@dataclass(frozen=True)
class ThreadAsk:
    """An ISO metric thread in every round hole of one diameter."""

    hole_diameter_mm: float
    pitch_mm: float


@dataclass(frozen=True)
class SurfaceAsk:
    """What a group of surfaces is made to, told by the side it is cut at, by height over the axis there, or by face name."""

    turn_deg: float | None = None
    from_z_mm: float | None = None
    to_z_mm: float | None = None
    face: str | None = None
    tolerance_mm: float | None = None
    allowance_mm: float | None = None
    corner_radius_mm: float | None = None


class OrnamentKind(StrEnum):
    """What is made of a drawing: grooves along its lines, strokes as deep as they are wide, sunk or raised shapes, relief."""

    ENGRAVE = "engrave"
    CARVE = "carve"
    SUNK = "sunk"
    RAISED = "raised"
    RELIEF = "relief"


class WrapBy(StrEnum):
    """How a drawing is laid round the part: lengths true on its surface, or on a cylinder of a chosen radius."""

    SURFACE = "surface"
    RADIUS = "radius"


@dataclass(frozen=True)
class OrnamentAsk:
    """A drawing on the part: from a file (SVG, DXF, or a grey picture), or a text in a font.

    Its middle lies `at_x_mm` along the bar from the part's end at the chuck, and is under the spindle at turn
    `at_turn_deg`. `width_mm` along the bar, `height_mm` around it (both: the lesser scale; none: as drawn; of a text:
    the height of its capitals). `turn_deg` turns it in its own plane. `depth_mm`: of the tip (engrave), at most (carve,
    relief), or of the step (sunk, raised). `radius_mm`: to wrap at, by 'radius' (None: the surface's at the middle).
    """

    kind: OrnamentKind
    at_x_mm: float
    file: str | None = None
    text: str | None = None
    font: str | None = None
    at_turn_deg: float = 0.0
    width_mm: float | None = None
    height_mm: float | None = None
    turn_deg: float = 0.0
    mirrored: bool = False
    depth_mm: float = 0.8
    wrap: WrapBy = WrapBy.SURFACE
    radius_mm: float | None = None
    cutter: str | None = None


@dataclass(frozen=True)
class SeveralAsk:
    """Several parts along one bar: so many of the job's model, then one of each of `others`, with a bridge between them."""

    count: int = 1
    others: tuple[ModelAsk, ...] = ()
    gap_mm: float | None = None
    bridge_diameter_mm: float | None = None


@dataclass(frozen=True)
class ZeroAsk:
    """The work offset word and where program X0 stands: 'jaw face', 'part start' or 'bar end'; Y0 Z0 is the rotary axis."""

    offset: str = "G54"
    x_zero: str = "jaw face"


@dataclass(frozen=True)
class ProgramAsk:
    """How the program is written; None takes the machine's own habit."""

    units: str | None = None
    feed_words: FeedWords | None = None
    turn_style: TurnStyle | None = None
    files: FileStyle | None = None
    line_numbers: bool | None = None
    decimals: int | None = None


@dataclass(frozen=True)
class ProofAsk:
    """How finely the proof carves (`resolution_mm`), and how deep a gouge it lets pass."""

    resolution_mm: float = 0.1
    gouge_limit_mm: float = 0.02


@dataclass(frozen=True)
class Job:
    """A job as read from its file: validated, frozen, in mm and degrees."""

    name: str
    model: ModelAsk
    bar: BarAsk
    machine: str
    place: PlaceAsk = field(default_factory=PlaceAsk)
    hold: HoldAsk = field(default_factory=HoldAsk)
    rough: RoughAsk = field(default_factory=RoughAsk)
    finish: FinishAsk = field(default_factory=FinishAsk)
    zero: ZeroAsk = field(default_factory=ZeroAsk)
    program: ProgramAsk = field(default_factory=ProgramAsk)
    proof: ProofAsk = field(default_factory=ProofAsk)
    cutters: tuple[str, ...] | None = None
    work: Work | None = None
    sides: SidesAsk = field(default_factory=SidesAsk)
    bevel: BevelAsk = field(default_factory=BevelAsk)
    threads: tuple[ThreadAsk, ...] = ()
    surfaces: tuple[SurfaceAsk, ...] = ()
    ornaments: tuple[OrnamentAsk, ...] = ()
    several: SeveralAsk = field(default_factory=SeveralAsk)
