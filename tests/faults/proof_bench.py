"""A small bench for proving: one machine, one 10 mm bar between jaws and centre, cutters, and a program that turns a journal.

The part is a journal of radius 4 mm from X 10 to X 20 in the middle of a bar of radius 5 mm; all else stays standing.
Everything is invented for these tests and small, so that a proof at 0.25 mm takes a fraction of a second.
"""

from __future__ import annotations

from dataclasses import replace
from functools import lru_cache

import numpy as np

from newel.core.dialect import Dialect, ReadTraits
from newel.core.findings import Finding, Severity
from newel.core.job import ProofAsk, Section
from newel.core.profile import CutterShape, outline
from newel.core.setup import KeepOut, SetUp, SetUpBar, SetUpCutter
from newel.proof.prove import prove
from newel.proof.results import Proof
from newel.shop.machines import Chuck, LinearAxis, Machine, RotaryAxis, Spindle

MACHINE = Machine(
    name="test bench",
    x=LinearAxis(-60.0, 120.0, 3000.0, 2000.0, 500.0),
    y=LinearAxis(-50.0, 50.0, 3000.0, 2000.0, 500.0),
    z=LinearAxis(-20.0, 120.0, 3000.0, 2000.0, 500.0),
    a=RotaryAxis(1, 3600.0, 1000.0, 5.0, 5.0, 0.0, 3600.0),
    spindle=Spindle(2000.0, 20000.0, 500.0, 0.3, 30.0, 30.0),
    chuck=Chuck(20.0, 20.0, 30.0, 10.0, 10.0, 3.0, 20.0, 4, 0.0, 1000.0, 0.2),
    tailstock=None,
    chuck_end="left",
    jaw_face_on_axis_mm=(0.0, 0.0, 0.0),
    table_below_axis_mm=25.0,
    corner_deviation_mm=0.02,
    block_rate_per_s=500.0,
    dialect=Dialect(),
)


def flat(number: int, radius: float, edge: float, *, centre_cutting: bool = True, max_rpm: float | None = None) -> SetUpCutter:
    """Return a flat cutter: edge `edge` mm long, shank to 25 mm, a holder of radius 6 mm to 40 mm and a spindle nose above."""
    shape = CutterShape(
        outline((0.0, 0.0), (radius, 0.0), (radius, edge)),
        outline((radius, edge), (radius, 25.0), (6.0, 25.0), (6.0, 40.0), (15.0, 40.0), (15.0, 70.0)),
    )
    return SetUpCutter(number, f"flat {number}", shape, centre_cutting, edge, max_rpm, 40.0)


def ball(number: int, radius: float, edge: float) -> SetUpCutter:
    """Return a ball cutter in the same holder."""
    shape = CutterShape(
        outline((0.0, 0.0), (radius, radius, 0.0, radius), (radius, edge)),
        outline((radius, edge), (radius, 25.0), (6.0, 25.0), (6.0, 40.0), (15.0, 40.0), (15.0, 70.0)),
    )
    return SetUpCutter(number, f"ball {number}", shape, True, edge, None, 40.0)


def short(number: int, edge: float, out: float) -> SetUpCutter:
    """Return a flat cutter of radius 2 mm that hardly stands out of its holder: the holder begins `out` mm above the tip."""
    shape = CutterShape(
        outline((0.0, 0.0), (2.0, 0.0), (2.0, edge)),
        outline((2.0, edge), (2.0, out), (6.0, out), (6.0, 40.0), (15.0, 40.0), (15.0, 70.0)),
    )
    return SetUpCutter(number, f"short {number}", shape, True, edge, None, 40.0)


CUTTERS = (
    flat(1, 2.0, 10.0),
    flat(2, 2.0, 10.0, centre_cutting=False),
    flat(3, 2.0, 0.5),  # hardly any edge: its body comes into the work at once
    flat(4, 2.0, 10.0, max_rpm=8000.0),
    short(5, 3.0, 4.0),
    short(6, 1.0, 1.5),
)
JAWS = KeepOut("jaws", -20.0, 0.0, 15.0, True)
CENTRE = KeepOut("centre", 30.0, 45.0, 3.0, False)
TAILSTOCK = KeepOut("tailstock", 45.0, 80.0, 12.0, False)
STANDING = (KeepOut("bar by the jaws", -8.0, 10.0, 5.0, True), KeepOut("bar by the centre", 20.0, 30.0, 5.0, True))

SETUP = SetUp(
    bar=SetUpBar(Section.ROUND, (10.0,), -8.0, 30.0, 0.0),
    bar_from_model=np.eye(4),
    table_from_program_mm=(0.0, 0.0, 0.0),
    a_zero_deg=0.0,
    a_sense=1,
    along_x=1,
    work_offset="G54",
    cutters=CUTTERS,
    keep_out=(JAWS, CENTRE, TAILSTOCK),
    stays_standing=STANDING,
    table_below_axis_mm=25.0,
    machine_from_table_mm=(0.0, 0.0, 0.0),
)

JOURNAL = """G21 G17 G40 G49 G80 G90 G94
G53 G0 Z110
T1 M6
S10000 M3
G0 X12 Y0 A0
G43 H1 Z20
G1 Z4 F100
G1 A360 F1800
G1 X14 F200
G1 A720 F1800
G1 X16 F200
G1 A1080 F1800
G1 X18 F200
G1 A1440 F1800
G0 Z20
M5
G53 G0 Z110
M30
"""


def edited(text: str, **lines: str) -> str:
    """Return a program with lines replaced: edited(JOURNAL, L7='G1 Z4'); a line may become several."""
    rows = text.splitlines()
    for name, new in lines.items():
        rows[int(name[1:]) - 1] = new
    return "\n".join(rows) + "\n"


@lru_cache
def lathe(corners: tuple[tuple[float, float], ...], sides: int = 180) -> tuple[np.ndarray, np.ndarray]:
    """Return the closed solid that an outline of corners (x, r > 0) turns about X, as a prism of `sides` sides.

    Its corners stand as far outside the radius as its facets' middles stand inside, so that it is the round solid in the mean.
    """
    angle = 2.0 * np.pi * np.arange(sides) / sides
    grow = 1.0 / np.sqrt(np.cos(np.pi / sides))
    rings = [np.column_stack([np.full(sides, x), grow * r * np.cos(angle), grow * r * np.sin(angle)]) for x, r in corners]
    last = len(corners) - 1
    vertices = np.vstack([*rings, [[corners[0][0], 0.0, 0.0], [corners[last][0], 0.0, 0.0]]])
    k = np.arange(sides)
    n = (k + 1) % sides
    faces = []
    for ring in range(last):
        a, b = ring * sides, (ring + 1) * sides
        faces += [np.column_stack([k + a, n + a, k + b]), np.column_stack([n + a, n + b, k + b])]
    faces.append(np.column_stack([np.full(sides, len(vertices) - 2), n, k]))
    faces.append(np.column_stack([np.full(sides, len(vertices) - 1), k + last * sides, n + last * sides]))
    triangles = np.vstack(faces)
    corner = vertices[triangles]
    volume = np.einsum("ij,ij->i", corner[:, 0], np.cross(corner[:, 1], corner[:, 2])).sum() / 6.0
    return vertices, triangles if volume > 0 else triangles[:, ::-1].copy()


def journal_model(radius: float = 4.0) -> tuple[np.ndarray, np.ndarray]:
    """Return the journal from X 10 to X 20."""
    return lathe(((10.0, radius), (20.0, radius)))


def proved(
    *texts: str,
    setup: SetUp = SETUP,
    machine: Machine = MACHINE,
    model: tuple[np.ndarray, np.ndarray] | None = None,
    resolution_mm: float = 0.25,
    tolerance_mm: float = 0.05,
    gouge_limit_mm: float = 0.02,
    reads: ReadTraits | None = None,
    shop: tuple[SetUpCutter, ...] | None = None,
    material: object = None,
) -> Proof:
    """Prove programs on the bench."""
    names = [f"program-{k + 1}.ngc" for k in range(len(texts))]
    return prove(
        list(zip(names, texts)),
        setup,
        machine,
        model,
        ProofAsk(resolution_mm, gouge_limit_mm),
        reads or ReadTraits(),
        tolerance_mm,
        setup.cutters if shop is None else shop,
        lambda stage, share: None,
        material=material,  # type: ignore[arg-type]
    )


def told(proof: Proof, *, notes: bool = False) -> list[tuple[str, int]]:
    """Return (code, line) of what was found, notes apart unless asked for."""
    return [(item.code, item.line) for item in proof.findings if notes or item.severity is not Severity.NOTE]


def only(proof: Proof, code: str) -> list[Finding]:
    """Return the findings of one code."""
    return [item for item in proof.findings if item.code == code]


def with_cutter(setup: SetUp, *cutters: SetUpCutter) -> SetUp:
    """Return the set-up with other cutters."""
    return replace(setup, cutters=cutters)
