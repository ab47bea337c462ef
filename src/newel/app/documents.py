"""The documents Newel writes beside a program: setup.json, plan.json and proof.json, and the JSON Schemas of all files.

Same results, same bytes: keys in a fixed order, floats rounded (lengths to a nanometre), nan and infinity as null.
`python -m newel.app.documents` writes the schemas that are shipped in newel/app/schemas; a test holds them fresh.
"""

from __future__ import annotations

import dataclasses
import json
import math
from enum import Enum
from pathlib import Path
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray
from pydantic import BaseModel, ConfigDict, Field, ValidationError

from newel.app.job_file import JobDocument
from newel.core.errors import BadInput
from newel.core.findings import Severity
from newel.core.job import Section
from newel.core.plan import Plan
from newel.core.profile import CutterShape, Profile
from newel.core.setup import KeepOut, SetUp, SetUpBar, SetUpCutter

CHORD_MM = 0.001  # an arc of a cutter's outline is written as a polyline that leaves it by no more than this

Points = list[tuple[float, float]]


class _Document(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class ModelPlace(_Document):
    """The part's model and where it lies in the bar frame."""

    file: str
    bar_from_model: list[list[float]] | None = Field(description="4x4, model units to mm in the bar frame, scale included")


class BarDocument(_Document):
    """The bar in the set-up's frame."""

    section: Section
    size_mm: list[float] = Field(description="[diameter], [across flats] or [width, height]")
    from_x_mm: float
    to_x_mm: float
    turned_deg: float = Field(description="turn of the section about +X; 0: a flat faces the spindle at A's zero")


class ZeroDocument(_Document):
    """How program words become places on the table."""

    table_from_program_mm: tuple[float, float, float] = Field(description="add to program X Y Z: tip in the table frame")
    a_zero_deg: float = Field(description="add to program A; times a_sense it is the bar's turn about +X")


class CutterDocument(_Document):
    """A cutter in its holder, from the axis at the tip (r = 0, h = 0) upwards."""

    number: int
    name: str
    edge_profile_rh_mm: Points = Field(description=f"what cuts; [r, h]; arcs within {CHORD_MM} mm, on the inside")
    body_profile_rh_mm: Points = Field(description="neck, shank, holder and spindle nose: may touch nothing")
    centre_cutting: bool
    cutting_length_mm: float
    max_rpm: float | None
    teeth: int | None = Field(default=None, description="cutting edges; null: not told, the load then counts with two")
    substance: str = Field(default="carbide", description="'carbide' or 'HSS': how far it bends and what it bears")


class KeepOutDocument(_Document):
    """A round thing about the rotary axis."""

    name: str
    from_x_mm: float
    to_x_mm: float
    radius_mm: float
    turns: bool


class SetUpDocument(_Document):
    """setup.json: all that one needs to understand the program without Newel."""

    format: Literal[1] = 1
    model: ModelPlace
    bar: BarDocument
    zero: ZeroDocument
    a_sense: Literal[1, -1]
    along_x: Literal[1, -1] = Field(description="which way +X points: 1 toward the tailstock, -1 toward the chuck")
    work_offset: str
    cutters: list[CutterDocument]
    keep_out: list[KeepOutDocument]
    stays_standing: list[KeepOutDocument] = Field(description="stubs that hold the part to the last cut")
    table_below_axis_mm: float
    machine_from_table_mm: tuple[float, float, float]


class PlacementDocument(_Document):
    """Where the part lies."""

    bar_from_model: list[list[float]]
    part_from_x_mm: float
    part_to_x_mm: float
    part_radius_mm: float


class StubDocument(_Document):
    """A round piece left standing."""

    from_x_mm: float
    to_x_mm: float
    radius_mm: float


class HoldingDocument(_Document):
    """How the bar is held."""

    grip_mm: float
    tailstock: str
    full_bar_to_x_mm: float
    chuck_stub: StubDocument
    tail_stub: StubDocument | None
    full_bar_from_x_mm: float | None
    parted: list[StubDocument] = Field(
        default=[], description="grooves that the last cuts make in the stubs, and what they leave"
    )


class PlanBarDocument(BarDocument):
    """The bar in the bar frame."""

    material: str
    sawn_length_mm: float


class HoleDocument(_Document):
    """A hole square to the cutter at one side, in the table frame at that turn."""

    x_mm: float
    y_mm: float
    top_z_mm: float
    floor_z_mm: float
    diameter_mm: float
    through: bool
    pitch_mm: float | None


class EdgeDocument(_Document):
    """An outside edge to be bevelled, in the bar frame, with the normals of its two faces at each point."""

    points: list[list[float]]
    one: list[list[float]]
    other: list[list[float]]
    width_mm: float


class KeptWallsDocument(_Document):
    """Walls of the part that keep an allowance of their own: triangles of three corners in the bar frame."""

    triangles: list[list[list[float]]]
    allowance_mm: float


class CutDocument(_Document):
    """One cut. ap, ae as in ISO 3002. A cut at a side has its turn_deg; the bounds that follow are told at that turn."""

    number: int
    name: str
    kind: str
    cutter: int
    direction: str
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
    offset_y_mm: float
    rest_over_mm: float | None
    turn_deg: float | None
    from_y_mm: float
    to_y_mm: float
    top_z_mm: float
    floor_z_mm: float
    flats_z_mm: list[float]
    holes: list[HoleDocument]
    leaves: list[HoleDocument] = Field(description="holes that a profile leaves to cuts of their own")
    edges: list[EdgeDocument]
    slope_deg: float
    lines: list[list[list[float]]] = Field(description="what the tip follows in engraving: polylines in the bar frame")
    deepest_mm: float | None = Field(description="the deepest level of a cut whose engagement is held; null: ap_mm")
    widest_mm: float | None = Field(description="the widest such a level may be cut, its depth times width being ap times ae")
    wanted_x_mm: tuple[float, float] | None = Field(
        description="beyond these along X what stands is cut only as far as it lies in the way; null: all is wanted"
    )
    kept: list[KeptWallsDocument] = Field(description="walls that keep more than the cut's own allowance")


class PlanCutterDocument(_Document):
    """A cutter and its number in the spindle."""

    number: int
    name: str


class DecisionDocument(_Document):
    """One choice with its reason."""

    what: str
    chosen: str
    because: str
    instead_of: list[str]
    by: str


class PlanDocument(_Document):
    """plan.json: everything decided before the first pass is made."""

    format: Literal[1] = 1
    placement: PlacementDocument
    holding: HoldingDocument
    bar: PlanBarDocument
    sides: list[float] = Field(description="angles at which the bar is clamped and cut; empty: cut while it turns")
    cutters: list[PlanCutterDocument]
    cuts: list[CutDocument]
    decisions: list[DecisionDocument]


class FindingDocument(_Document):
    """One thing found in a program."""

    code: str
    severity: Severity
    program: str
    line: int
    x_mm: float | None
    y_mm: float | None
    z_mm: float | None
    a_deg: float | None
    measured: float | None
    limit: float | None
    unit: str
    says: str


class ProofDocument(BaseModel):
    """proof.json: what the program does when it is read back, carved and timed."""

    model_config = ConfigDict(extra="allow", frozen=True)

    format: Literal[1] = 1
    verdict: Literal["proved", "not proved"]
    findings: list[FindingDocument]
    deviation: dict[str, Any] = Field(description="gouge_max_mm, leftover_max_mm, within_tolerance_pct, unreachable_pct …")
    time_min: float | None
    load: dict[str, Any] = Field(description="force_max_N, rotary_torque_max_Nm, cutter_bending_max_mm … null: not known")
    resolution_mm: float
    seal: str


SCHEMAS: dict[str, type[BaseModel]] = {
    "job": JobDocument,
    "setup": SetUpDocument,
    "plan": PlanDocument,
    "proof": ProofDocument,
}


def setup_json(setup: SetUp, *, model_file: str) -> str:
    """Write a set-up as setup.json: lengths to 1e-6 mm, arcs as polylines within CHORD_MM."""
    document = {
        "format": 1,
        "model": {
            "file": model_file,
            "bar_from_model": None if setup.bar_from_model is None else tidy(setup.bar_from_model, decimals=12),
        },
        "bar": setup.bar,
        "zero": {"table_from_program_mm": setup.table_from_program_mm, "a_zero_deg": setup.a_zero_deg},
        "a_sense": setup.a_sense,
        "along_x": setup.along_x,
        "work_offset": setup.work_offset,
        "cutters": [
            {
                "number": cutter.number,
                "name": cutter.name,
                "edge_profile_rh_mm": polyline_rh(cutter.shape.edge),
                "body_profile_rh_mm": polyline_rh(cutter.shape.body),
                "centre_cutting": cutter.centre_cutting,
                "cutting_length_mm": cutter.cutting_length_mm,
                "max_rpm": cutter.max_rpm,
                "teeth": cutter.teeth,
                "substance": cutter.substance,
            }
            for cutter in setup.cutters
        ],
        "keep_out": setup.keep_out,
        "stays_standing": setup.stays_standing,
        "table_below_axis_mm": setup.table_below_axis_mm,
        "machine_from_table_mm": setup.machine_from_table_mm,
    }
    return _checked(SetUpDocument, document)


def read_setup(text: str, *, where: str) -> SetUp:
    """Read setup.json back. Outlines come back as polylines, so a set-up read here is within CHORD_MM of the one written."""
    try:
        d = SetUpDocument.model_validate_json(text)
    except ValidationError as error:
        first = error.errors()[0]
        place = ".".join(str(step) for step in first["loc"])
        raise BadInput(
            f"{place or 'the file'}: {first['msg']}", where=where, remedy="let 'newel make' write it again"
        ) from None
    return SetUp(
        bar=SetUpBar(d.bar.section, tuple(d.bar.size_mm), d.bar.from_x_mm, d.bar.to_x_mm, d.bar.turned_deg),
        bar_from_model=None if d.model.bar_from_model is None else np.array(d.model.bar_from_model, dtype=float),
        table_from_program_mm=d.zero.table_from_program_mm,
        a_zero_deg=d.zero.a_zero_deg,
        a_sense=d.a_sense,
        along_x=d.along_x,
        work_offset=d.work_offset,
        cutters=tuple(
            SetUpCutter(
                c.number,
                c.name,
                CutterShape(_profile(c.edge_profile_rh_mm), _profile(c.body_profile_rh_mm)),
                c.centre_cutting,
                c.cutting_length_mm,
                c.max_rpm,
                teeth=c.teeth,
                substance=c.substance,
            )
            for c in d.cutters
        ),
        keep_out=tuple(KeepOut(**dict(k)) for k in d.keep_out),
        stays_standing=tuple(KeepOut(**dict(k)) for k in d.stays_standing),
        table_below_axis_mm=d.table_below_axis_mm,
        machine_from_table_mm=d.machine_from_table_mm,
    )


def plan_json(plan: Plan) -> str:
    """Write a plan as plan.json."""
    bar = plan.bar
    document = {
        "format": 1,
        "placement": {**_fields(plan.placement), "bar_from_model": tidy(plan.placement.bar_from_model, decimals=12)},
        "holding": plan.holding,
        "bar": {**_fields(bar), "sawn_length_mm": bar.to_x_mm - bar.from_x_mm},
        "sides": [side.turn_deg for side in plan.sides],
        "cutters": [{"number": number, "name": name} for number, name in plan.cutters],
        "cuts": plan.cuts,
        "decisions": plan.decisions,
    }
    return _checked(PlanDocument, document)


def proof_json(proof: Any) -> str:
    """Write a proof (proof/prove.py) as proof.json: its plain figures, not the clouds of measured points."""
    document = {
        "format": 1,
        "verdict": str(proof.verdict),
        "findings": [{name: getattr(f, name) for name in FindingDocument.model_fields} for f in proof.findings],
        "deviation": _figures(proof.deviation),
        "time_min": proof.time_min,
        "load": _figures(proof.load),
        "resolution_mm": proof.resolution_mm,
        "seal": proof.seal,
    }
    return _checked(ProofDocument, document)


def polyline_rh(profile: Profile, chord_mm: float = CHORD_MM) -> Points:
    """Return an outline as corners (r, h), each arc cut into chords that leave it by no more than `chord_mm`."""
    points = [(float(profile.r_mm[0]), float(profile.h_mm[0]))]
    for i, (cr, ch) in enumerate(zip(profile.centre_r_mm, profile.centre_h_mm)):
        r0, h0 = points[-1]
        r1, h1 = float(profile.r_mm[i + 1]), float(profile.h_mm[i + 1])
        if math.isfinite(cr):
            radius = math.hypot(r0 - cr, h0 - ch)
            begin, end = math.atan2(h0 - ch, r0 - cr), math.atan2(h1 - ch, r1 - cr)
            step = 2.0 * math.acos(max(0.0, 1.0 - chord_mm / radius)) if radius > chord_mm else math.pi
            pieces = max(1, math.ceil(abs(end - begin) / step - 1e-9))
            points += [
                (cr + radius * math.cos(t), ch + radius * math.sin(t))
                for t in (begin + (end - begin) * k / pieces for k in range(1, pieces))
            ]
        points.append((r1, h1))
    return [(tidy(r), tidy(h)) for r, h in points]


def tidy(value: Any, *, decimals: int = 6) -> Any:
    """Return a value as JSON takes it: floats rounded, nan and infinity None, arrays lists, records by their fields."""
    if isinstance(value, Enum):
        return value.value
    if isinstance(value, (bool, str, int)) or value is None:
        return value
    if isinstance(value, (float, np.floating)):
        rounded = round(float(value), decimals)
        return (rounded + 0.0) if math.isfinite(rounded) else None
    if isinstance(value, np.integer):
        return int(value)
    if isinstance(value, np.ndarray):
        return tidy(value.tolist(), decimals=decimals)
    if isinstance(value, dict):
        return {str(key): tidy(item, decimals=decimals) for key, item in value.items()}
    if isinstance(value, (list, tuple)):
        return [tidy(item, decimals=decimals) for item in value]
    if dataclasses.is_dataclass(value):
        return tidy(_fields(value), decimals=decimals)
    raise TypeError(f"{type(value).__name__} has no place in a document")


def json_text(value: Any) -> str:
    """Return JSON for people and programs: two spaces, with rows of plain numbers kept on one line."""
    return _laid_out(value, "") + "\n"


def schema_text(name: str) -> str:
    """Return the JSON Schema of 'job', 'setup', 'plan' or 'proof' as it is shipped."""
    schema = {"$schema": "https://json-schema.org/draft/2020-12/schema", **SCHEMAS[name].model_json_schema()}
    return json.dumps(schema, indent=2, ensure_ascii=False) + "\n"


def write_schemas(folder: Path) -> None:
    """Write all schemas into a folder, as `NAME.schema.json`."""
    for name in SCHEMAS:
        (folder / f"{name}.schema.json").write_text(schema_text(name), encoding="utf-8")


def _checked(document_type: type[BaseModel], document: dict[str, Any]) -> str:
    plain = _tidy_document(document)
    document_type.model_validate_json(json.dumps(plain))  # what is written is what the schema says, or it is not written
    return json_text(plain)


def _tidy_document(document: dict[str, Any]) -> dict[str, Any]:
    """Tidy a document whose matrices (lists already) keep the digits they have."""
    return {key: _tidy_below(item) for key, item in document.items()}


def _tidy_below(value: Any) -> Any:
    if isinstance(value, dict):
        return {key: item if key == "bar_from_model" else _tidy_below(item) for key, item in value.items()}
    return tidy(value)


def _figures(record: Any) -> dict[str, Any]:
    """Return the plain figures of a dict or dataclass: what is an array is left out."""
    items = record if isinstance(record, dict) else _fields(record)
    return {key: item for key, item in items.items() if not isinstance(item, np.ndarray)}


def _fields(record: Any) -> dict[str, Any]:
    return {field.name: getattr(record, field.name) for field in dataclasses.fields(record)}


def _profile(points: Points) -> Profile:
    corners: NDArray[np.float64] = np.array(points, dtype=float)
    nothing = np.full(len(corners) - 1, np.nan)
    return Profile(corners[:, 0].copy(), corners[:, 1].copy(), nothing, nothing.copy())


def _laid_out(value: Any, indent: str) -> str:
    inner = indent + "  "
    if isinstance(value, dict) and value:
        rows = [f"{inner}{json.dumps(key)}: {_laid_out(item, inner)}" for key, item in value.items()]
        return "{\n" + ",\n".join(rows) + f"\n{indent}}}"
    if isinstance(value, list) and value and not _plain_row(value):
        rows = [inner + _laid_out(item, inner) for item in value]
        return "[\n" + ",\n".join(rows) + f"\n{indent}]"
    return json.dumps(value, ensure_ascii=False)


def _plain_row(value: list[Any]) -> bool:
    return len(value) <= 4 and all(isinstance(item, (int, float)) or item is None for item in value)


if __name__ == "__main__":
    write_schemas(Path(__file__).with_name("schemas"))
