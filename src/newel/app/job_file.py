"""The job file: TOML in, a frozen Job out. Every mistake is told with its line and, where one is near, the right word."""

from __future__ import annotations

import difflib
import re
import tomllib
import typing
from enum import StrEnum
from typing import Annotated, Any, Literal

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, ValidationError, WithJsonSchema, model_validator

from newel.core.errors import BadInput
from newel.core.job import (
    BarAsk,
    BevelAsk,
    Direction,
    FeedWords,
    FileStyle,
    FinishAsk,
    HoldAsk,
    Job,
    ModelAsk,
    OrnamentAsk,
    OrnamentKind,
    PlaceAsk,
    ProgramAsk,
    ProofAsk,
    RoughAsk,
    Section,
    SeveralAsk,
    SidesAsk,
    SurfaceAsk,
    Tailstock,
    ThreadAsk,
    TurnStyle,
    Work,
    WrapBy,
    ZeroAsk,
)
from newel.core.units import length_mm


def _length(value: Any) -> float:
    if not isinstance(value, (int, float, str)) or isinstance(value, bool):
        raise ValueError("write a number of mm, or a length such as '1/8 in'")
    try:
        return length_mm(value)
    except BadInput as error:
        raise ValueError(f"{error.what}; {error.remedy}" if error.remedy else error.what) from None


_LENGTH_SCHEMA = {"anyOf": [{"type": "number"}, {"type": "string", "examples": ["1/8 in", "12.5 mm"]}]}
Length = Annotated[float, BeforeValidator(_length), WithJsonSchema(_LENGTH_SCHEMA)]
AboveZero = Annotated[float, BeforeValidator(_length), Field(gt=0), WithJsonSchema(_LENGTH_SCHEMA)]
NotNegative = Annotated[float, BeforeValidator(_length), Field(ge=0), WithJsonSchema(_LENGTH_SCHEMA)]
Number = Annotated[float, Field(strict=False, allow_inf_nan=False)]
Speed = Annotated[float, Field(gt=0, allow_inf_nan=False)]


class _Part(BaseModel):
    """A table of the job file: no unknown keys."""

    model_config = ConfigDict(extra="forbid", frozen=True)


class ModelTable(_Part):
    """The model of the part."""

    file: str = Field(description="the model's file, from the job file's folder: STL, OBJ, PLY, 3MF or STEP", min_length=1)
    unit: Literal["mm", "inch"] = Field(
        default="mm", description="what one unit of the model's numbers means; it is never guessed"
    )
    scale: Annotated[float, Field(gt=0, allow_inf_nan=False)] = Field(
        default=1.0, description="makes the part larger or smaller"
    )


class BarTable(_Part):
    """The bar as bought."""

    section: Section = Field(description="the bar's cross-section")
    size_mm: AboveZero | tuple[AboveZero, ...] = Field(
        description="diameter, or across flats; [width, height] of a rectangle; mm, or a text such as '1 1/2 in'"
    )
    material: str = Field(description="a material of the shop, see: newel shop list", min_length=1)
    length_mm: AboveZero | None = Field(default=None, description="sawn length; left out, Newel says where to saw")

    @model_validator(mode="after")
    def _sizes_fit_section(self) -> BarTable:
        wanted = 2 if self.section is Section.RECTANGLE else 1
        if len(self.sizes_mm) != wanted:
            raise ValueError(
                "size_mm: a rectangle needs [width, height]" if wanted == 2 else f"size_mm: a {self.section} bar has one size"
            )
        return self

    @property
    def sizes_mm(self) -> tuple[float, ...]:
        """The one or two sizes of the section."""
        return self.size_mm if isinstance(self.size_mm, tuple) else (self.size_mm,)


class PlaceTable(_Part):
    """How the part lies in the bar."""

    axis: Literal["x", "y", "z", "-x", "-y", "-z"] | None = Field(
        default=None, description="the model's direction that points along the bar, away from the chuck"
    )
    turn_deg: Number | None = Field(default=None, description="the part is turned by this about the bar's axis")


class HoldTable(_Part):
    """How the bar is held, and what stays standing."""

    tailstock: Tailstock | None = Field(default=None, description="what holds the far end")
    grip_mm: AboveZero | None = Field(default=None, description="how far the bar sits in the jaws")
    chuck_stub_diameter_mm: AboveZero | None = Field(default=None, description="round neck left between jaws and part")
    tail_stub_diameter_mm: AboveZero | None = Field(default=None, description="round neck left between part and centre")
    a_zero: Literal["flat", "corner"] | None = Field(default=None, description="what faces the spindle at A0")
    part_off: bool = Field(default=False, description="last of all, turn the stubs thin beside the part: a knife cuts them")
    part_off_stub_diameter_mm: AboveZero | None = Field(default=None, description="what parting off leaves to the knife")


class RoughTable(_Part):
    """Roughing around."""

    cutter: str | None = Field(default=None, description="a cutter of the shop, see: newel shop list")
    direction: Direction | None = Field(default=None, description="which way the passes run over the turning bar")
    allowance_mm: NotNegative | None = Field(default=None, description="left on the part for finishing")
    ap_mm: AboveZero | None = Field(default=None, description="depth of cut (ISO 3002)")
    ae_mm: AboveZero | None = Field(default=None, description="width of cut (ISO 3002)")
    feed_mm_per_min: Speed | None = Field(default=None, description="speed of the tip over the turning work")
    spindle_rpm: Speed | None = Field(default=None, description="spindle speed")


class FinishTable(_Part):
    """Finishing around."""

    cutter: str | None = Field(default=None, description="a cutter of the shop, see: newel shop list")
    rest_cutter: str | None = Field(default=None, description="a finer cutter, used only where the first left too much")
    rest: bool | None = Field(default=None, description="false: no second, finer cutter")
    direction: Direction | None = Field(default=None, description="which way the passes run over the turning bar")
    cusp_mm: AboveZero | None = Field(default=None, description="what may stay standing between two passes")
    tolerance_mm: AboveZero = Field(default=0.05, description="the part is judged by this")
    offset_y_mm: Length | None = Field(
        default=None, description="cutter set sideways, so that a ball does not rub on its dead tip"
    )
    feed_mm_per_min: Speed | None = Field(default=None, description="speed of the tip over the turning work")
    spindle_rpm: Speed | None = Field(default=None, description="spindle speed")


class SidesTable(_Part):
    """Cutting side by side."""

    angles_deg: tuple[Number, ...] | None = Field(
        default=None, description="the angles at which the bar is clamped and cut, turn of the bar about +X", min_length=1
    )


class BevelTable(_Part):
    """Bevels on sharp outside edges, cut last with a V cutter."""

    width_mm: AboveZero | None = Field(default=None, description="across the bevel's flat; left out, edges stay sharp")
    least_turn_deg: Annotated[float, Field(ge=20, le=120)] = Field(
        default=60.0, description="edges whose faces turn by less than this are left as they are"
    )
    cutter: str | None = Field(default=None, description="a V cutter of the shop, see: newel shop list")


class ThreadTable(_Part):
    """An ISO metric thread in the round holes of one diameter."""

    hole_diameter_mm: AboveZero = Field(description="the diameter of the holes in the model")
    pitch_mm: AboveZero = Field(description="pitch of the thread, e.g. 0.8 for M5")


class SurfaceTable(_Part):
    """What a group of surfaces is made to: all that is cut at a side, or lies between two heights there, or a face."""

    turn_deg: Number | None = Field(default=None, description="surfaces cut at this side")
    from_z_mm: Length | None = Field(default=None, description="surfaces at least this high over the axis at their side")
    to_z_mm: Length | None = Field(default=None, description="surfaces at most this high over the axis at their side")
    face: str | None = Field(default=None, description="a face by the name it has in the model's file")
    tolerance_mm: AboveZero | None = Field(default=None, description="these surfaces are cut to this")
    allowance_mm: NotNegative | None = Field(default=None, description="left standing on these surfaces")
    corner_radius_mm: AboveZero | None = Field(
        default=None, description="no cutter with a smaller radius goes into these inside corners"
    )

    @model_validator(mode="after")
    def _names_something(self) -> SurfaceTable:
        if self.turn_deg is None and self.from_z_mm is None and self.to_z_mm is None and self.face is None:
            raise ValueError("say which surfaces: turn_deg, from_z_mm, to_z_mm or face")
        if self.tolerance_mm is None and self.allowance_mm is None and self.corner_radius_mm is None:
            raise ValueError("say what they are made to: tolerance_mm, allowance_mm or corner_radius_mm")
        return self


class OrnamentTable(_Part):
    """A drawing, a text or a grey picture on the part."""

    kind: OrnamentKind = Field(description="engrave lines, carve strokes with a V cutter, sunk or raised shapes, relief")
    at_x_mm: Length = Field(description="its middle along the bar, from the part's end at the chuck")
    file: str | None = Field(default=None, description="SVG, DXF, or for a relief a picture; from the job file's folder")
    text: str | None = Field(default=None, description="a text instead of a file")
    font: str | None = Field(default=None, description="a TTF or OTF file; left out, the font that comes with Newel")
    at_turn_deg: Number = Field(default=0.0, description="the turn of the bar that brings its middle under the spindle")
    width_mm: AboveZero | None = Field(default=None, description="how far it reaches along the bar")
    height_mm: AboveZero | None = Field(default=None, description="how far it reaches around; of a text, its capitals")
    turn_deg: Number = Field(default=0.0, description="turned by this in its own plane")
    mirrored: bool = Field(default=False, description="seen as in a mirror, for stamps and rolls")
    depth_mm: AboveZero = Field(default=0.8, description="depth of the tip, of the step, or at most")
    wrap: WrapBy = Field(default=WrapBy.SURFACE, description="where its lengths are true")
    radius_mm: AboveZero | None = Field(default=None, description="radius to wrap at")
    cutter: str | None = Field(default=None, description="a V cutter of the shop, see: newel shop list")

    @model_validator(mode="after")
    def _one_source(self) -> OrnamentTable:
        if (self.file is None) == (self.text is None):
            raise ValueError("write either file or text")
        return self


class OtherTable(_Part):
    """One more model on the same bar."""

    file: str = Field(description="the model's file, from the job file's folder", min_length=1)
    unit: Literal["mm", "inch"] = Field(default="mm", description="what one unit of the model's numbers means")
    scale: Annotated[float, Field(gt=0, allow_inf_nan=False)] = Field(default=1.0, description="larger or smaller")


class SeveralTable(_Part):
    """Several parts along one bar."""

    count: Annotated[int, Field(ge=1, le=100)] = Field(default=1, description="how many of the job's model")
    other: tuple[OtherTable, ...] = Field(default=(), description="further models, one part of each")
    gap_mm: AboveZero | None = Field(default=None, description="from part to part: room for cutter and saw")
    bridge_diameter_mm: AboveZero | None = Field(default=None, description="round neck left between parts")


class ZeroTable(_Part):
    """Where the program's zero is. Y0 Z0 is the rotary axis."""

    offset: Literal["G54", "G55", "G56", "G57", "G58", "G59", "G59.1", "G59.2", "G59.3"] = Field(
        default="G54", description="the work offset the program calls"
    )
    x_zero: Literal["jaw face", "part start", "bar end"] = Field(default="jaw face", description="where X0 stands")


class ProgramTable(_Part):
    """How the program is written; what is left out follows the machine."""

    units: Literal["mm", "inch"] | None = Field(default=None, description="G21 or G20")
    feed_words: FeedWords | None = Field(default=None, description="G93, or G94 with feeds corrected for turning")
    turn_style: TurnStyle | None = Field(default=None, description="A growing without limit, or wrapped into 0..360")
    files: FileStyle | None = Field(default=None, description="one file, or one for each cutter")
    line_numbers: bool | None = Field(default=None, description="write N words")
    decimals: Annotated[int, Field(ge=2, le=6)] | None = Field(default=None, description="digits after the point, mm")


class ProofTable(_Part):
    """How finely the proof carves, and what it lets pass."""

    resolution_mm: Annotated[AboveZero, Field(ge=0.01, le=1.0)] = Field(default=0.1, description="spacing of the proof's rays")
    gouge_limit_mm: NotNegative = Field(default=0.02, description="a deeper gouge denies the proof")


class JobDocument(_Part):
    """A job for Newel: from a model and a bar to a proved program."""

    format: Literal[1] = Field(description="the version of this file's layout")
    name: str | None = Field(
        default=None, description="the job's name; left out, the file's name", pattern=r"^[^\x00-\x1f\x7f]{1,80}$"
    )
    machine: str = Field(description="a machine of the shop, see: newel shop list", min_length=1)
    cutters: tuple[str, ...] | None = Field(default=None, description="only these cutters may be used")
    work: Work | None = Field(
        default=None,
        description="cut while the bar turns, side by side, or mixed: roughed from the sides and finished around; "
        "left out, Newel decides",
    )
    model: ModelTable
    bar: BarTable
    place: PlaceTable = PlaceTable()
    hold: HoldTable = HoldTable()
    rough: RoughTable = RoughTable()
    finish: FinishTable = FinishTable()
    sides: SidesTable = SidesTable()
    bevel: BevelTable = BevelTable()
    thread: tuple[ThreadTable, ...] = ()
    surface: tuple[SurfaceTable, ...] = ()
    ornament: tuple[OrnamentTable, ...] = ()
    several: SeveralTable = SeveralTable()
    zero: ZeroTable = ZeroTable()
    program: ProgramTable = ProgramTable()
    proof: ProofTable = ProofTable()

    def to_job(self, *, name: str) -> Job:
        """Return the job as plain data; `name` is used where the file gives none."""
        return Job(
            name=self.name or name,
            machine=self.machine,
            cutters=self.cutters,
            model=ModelAsk(**self.model.model_dump()),
            bar=BarAsk(self.bar.section, self.bar.sizes_mm, self.bar.material, self.bar.length_mm),
            place=PlaceAsk(**self.place.model_dump()),
            hold=HoldAsk(**self.hold.model_dump()),
            rough=RoughAsk(**self.rough.model_dump()),
            finish=FinishAsk(**self.finish.model_dump()),
            work=self.work,
            sides=SidesAsk(**self.sides.model_dump()),
            bevel=BevelAsk(**self.bevel.model_dump()),
            threads=tuple(ThreadAsk(**item.model_dump()) for item in self.thread),
            surfaces=tuple(SurfaceAsk(**item.model_dump()) for item in self.surface),
            ornaments=tuple(OrnamentAsk(**item.model_dump()) for item in self.ornament),
            several=SeveralAsk(
                self.several.count,
                tuple(ModelAsk(**item.model_dump()) for item in self.several.other),
                self.several.gap_mm,
                self.several.bridge_diameter_mm,
            ),
            zero=ZeroAsk(**self.zero.model_dump()),
            program=ProgramAsk(**self.program.model_dump()),
            proof=ProofAsk(**self.proof.model_dump()),
        )


def read_job(text: str, *, name: str, where: str) -> Job:
    """Read a job file's text; `name` is the job's where the text gives none, `where` is its file, for errors.

    Raises BadInput with the line for malformed TOML, unknown keys, wrong values and a format that is not known here.
    """
    try:
        table = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        what, line = _toml_fault(str(error), text)
        raise BadInput(f"this is not TOML: {what}", where=f"{where}, line {line}", remedy="mend that line") from None
    if "format" in table and table["format"] != 1:
        raise BadInput(
            f"the job file's format is {table['format']!r}; this Newel reads format 1",
            where=f"{where}, line {line_of(text, ('format',))}",
            remedy="write format = 1, or use the Newel that wrote the file",
        )
    try:
        return JobDocument.model_validate(table).to_job(name=name)
    except ValidationError as error:
        raise _explained(error, text, where) from None


def line_of(text: str, path: tuple[str | int, ...]) -> int:
    """Return the line (from 1) on which the key at `path` is written, or that of the nearest table that holds it."""
    keys = tuple(str(step) for step in path if isinstance(step, str))
    table: tuple[str, ...] = ()
    best, best_depth = 1, 0
    quoted = ""
    for number, line in enumerate(text.splitlines(), start=1):
        if quoted:
            quoted = "" if quoted in line else quoted
            continue
        header = re.match(r"\s*\[\[?\s*([^\]]+?)\s*\]\]?\s*(#.*)?$", line)
        assignment = re.match(r"\s*([A-Za-z0-9_\-.\"' ]+?)\s*=", line)
        if header:
            table = _split(header[1])
            here = table
        elif assignment:
            here = table + _split(assignment[1])
            for mark in ('"""', "'''"):
                if line.count(mark) == 1:
                    quoted = mark
        else:
            continue
        depth = _shared(here, keys)
        if depth == len(here) and depth > best_depth:
            best, best_depth = number, depth
    return best


def _split(dotted: str) -> tuple[str, ...]:
    return tuple(part.strip().strip("\"'") for part in dotted.split("."))


def _shared(one: tuple[str, ...], other: tuple[str, ...]) -> int:
    depth = 0
    for a, b in zip(one, other):
        if a != b:
            break
        depth += 1
    return depth


def _toml_fault(message: str, text: str) -> tuple[str, int]:
    """Split tomllib's message into what is wrong and the line."""
    match = re.search(r"\(at line (\d+), column \d+\)", message)
    if match:
        return message[: match.start()].strip(), int(match[1])
    return re.sub(r"\(at end of document\)", "at the end of the file", message).strip(), text.count("\n") + 1


def _explained(error: ValidationError, text: str, where: str) -> BadInput:
    """Turn pydantic's errors into one block that speaks of keys, lines and words that would do."""
    faults: dict[tuple[str | int, ...], tuple[str, str]] = {}
    for item in error.errors():
        path = _written_path(item["loc"])
        faults.setdefault(path, _fault(item, path))
    lines = [(line_of(text, path), what, remedy) for path, (what, remedy) in faults.items()]
    lines.sort()
    if len(lines) == 1:
        line, what, remedy = lines[0]
        return BadInput(what, where=f"{where}, line {line}", remedy=remedy)
    told = "".join(f"\n   line {line}: {what}" + (f" ({remedy})" if remedy else "") for line, what, remedy in lines)
    return BadInput(f"{len(lines)} things in the job file need mending:{told}", where=where, remedy="mend these lines")


def _written_path(loc: tuple[str | int, ...]) -> tuple[str | int, ...]:
    """Drop pydantic's names of union branches from a place: keep only what stands in the file."""
    written = re.compile(r"(?!float$)[A-Za-z0-9_\-]+")
    return tuple(step for step in loc if isinstance(step, int) or written.fullmatch(step))


def _fault(item: Any, path: tuple[str | int, ...]) -> tuple[str, str]:
    key = ".".join(str(step) for step in path) or "the job file"
    kind = item["type"]
    if kind == "extra_forbidden":
        known = _keys_at(path[:-1])
        near = difflib.get_close_matches(str(path[-1]), known, n=1, cutoff=0.6)
        return f"unknown key {key!r}", f"did you mean {near[0]!r}?" if near else f"known here: {', '.join(known)}"
    if kind == "missing":
        return f"{key!r} is missing", f"add it; see docs/job-file.md{_example(str(path[-1]))}"
    if kind in ("enum", "literal_error"):
        expected = re.findall(r"'([^']*)'", str(item.get("ctx", {}).get("expected", "")))
        near = difflib.get_close_matches(str(item["input"]), expected, n=1, cutoff=0.6)
        remedy = f"did you mean {near[0]!r}?" if near else f"write one of {', '.join(map(repr, expected))}"
        return f"{key} = {item['input']!r} is not known", remedy
    message = str(item["msg"]).removeprefix("Value error, ")
    return f"{key}: {message[0].lower() + message[1:]} (it says {_shown(item['input'])})", ""


def _example(key: str) -> str:
    return {"format": ", format = 1", "material": ", names: newel shop list", "machine": ", names: newel shop list"}.get(
        key, ""
    )


def _shown(value: Any) -> str:
    if isinstance(value, (dict, _Part)):
        return "a table"
    text = repr(value.value if isinstance(value, StrEnum) else value)
    return text if len(text) <= 60 else text[:57] + "..."


def _keys_at(path: tuple[str | int, ...]) -> list[str]:
    """Return the keys that the job file knows at a place."""
    document: type[BaseModel] = JobDocument
    for step in path:
        if isinstance(step, int):
            continue
        annotation = document.model_fields[str(step)].annotation if str(step) in document.model_fields else None
        if typing.get_origin(annotation) is tuple:
            annotation = typing.get_args(annotation)[0]
        if not (isinstance(annotation, type) and issubclass(annotation, BaseModel)):
            return []
        document = annotation
    return list(document.model_fields)
