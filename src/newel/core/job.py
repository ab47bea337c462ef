"""The job: what is asked for. Every field left None is Newel's to decide, and it will say why.

The job file's layout on disk is the business of app/documents.py; here it is plain frozen data in mm and degrees.
"""

from __future__ import annotations

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
    """How the bar is held. `a_zero`: what faces the spindle at A0, 'flat' or 'corner' (round bars: a mark)."""

    tailstock: Tailstock | None = None
    grip_mm: float | None = None
    chuck_stub_diameter_mm: float | None = None
    tail_stub_diameter_mm: float | None = None
    a_zero: str | None = None


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
