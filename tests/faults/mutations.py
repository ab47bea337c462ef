"""Faults as people and machines make them: sound programs on a small bench, and seeded ways to spoil a text.

Each way takes the lines of a text and a seeded Random and returns the spoilt lines, or None where it finds nothing to spoil.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import lru_cache
from random import Random

import numpy as np
import trimesh

from faults.proof_bench import JAWS, MACHINE, SETUP, lathe
from newel.core.job import ModelFiles, Section
from newel.core.profile import CutterShape, outline
from newel.core.setup import KeepOut, SetUp, SetUpBar, SetUpCutter
from newel.shop.machines import Machine

Lines = list[str]
Way = Callable[[Lines, Random], Lines | None]


def cutter(number: int, radius: float, edge: float, gauge: float, *, is_ball: bool = False, centre: bool = True) -> SetUpCutter:
    """Return a cutter whose holder begins 15 mm under the spindle's face, `gauge` above the tip."""
    tip = [(0.0, 0.0), (radius, radius, 0.0, radius) if is_ball else (radius, 0.0), (radius, edge)]
    body = [(radius, edge), (radius, gauge - 15.0), (6.0, gauge - 15.0), (6.0, gauge), (15.0, gauge), (15.0, gauge + 30.0)]
    shape = CutterShape(outline(*tip), outline(*body))
    return SetUpCutter(number, f"cutter {number}", shape, centre, edge, None, gauge)


CUTTERS = (
    cutter(1, 2.0, 10.0, 40.0, centre=False),
    cutter(2, 2.0, 8.0, 46.0, is_ball=True),
    cutter(3, 1.0, 6.0, 37.0),
)
FULL = 1000.0  # radius of what stays standing where the whole bar does


@dataclass(frozen=True)
class Sound:
    """A sound program with all that proves it; `inside(points, margin)`: points of the bar deeper than margin in the part."""

    name: str
    text: str
    setup: SetUp
    machine: Machine
    model: tuple[np.ndarray, np.ndarray]
    inside: Callable[[np.ndarray, float], np.ndarray]
    tolerance_mm: float = 0.1
    gouge_limit_mm: float = 0.05
    shop: tuple[SetUpCutter, ...] | None = None  # what reach is judged by, where not by every cutter of the set-up


JOURNAL = """G21 G17 G40 G49 G80 G90 G94
G53 G0 Z110
T2 M6
S10000 M3
G0 X11.5 Y0 A0
G43 H2 Z20
G1 Z4.6 F100
G93
G1 X18.5 A1800 F0.8
G94
G0 Z20
M5
G53 G0 Z110
T3 M6
S12000 M3
G0 X11 A1800
G43 H3 Z20
G1 Z4 F100
A1440 F1800
X12.5 F200
A1080 F1800
X14 F200
A720 F1800
X15.5 F200
A360 F1800
X17 F200
A0 F1800
X18.5 F200
A-360 F1800
X19 F200
A-720 F1800
G0 Z20
M5
G53 G0 Z110
M30
"""


def journal() -> Sound:
    """A journal turned in a round bar: a ball winds along, a flat finishes turn by turn."""
    setup = replace(SETUP, cutters=CUTTERS)

    def inside(points: np.ndarray, margin: float) -> np.ndarray:
        ends = (points[:, 0] > 10.0 + margin) & (points[:, 0] < 20.0 - margin)
        return ends & (np.hypot(points[:, 1], points[:, 2]) < 4.0 - margin)

    return Sound("journal", JOURNAL, setup, MACHINE, lathe(((10.0, 4.0), (20.0, 4.0))), inside)


def _side(name: str, a: float, z: float) -> str:
    return f"({name})\nG0 X12 Y-10 A{a:g}\nZ8\nG1 Z{z:g} F200\nY10 F400\nG91 X2\nY-20\nX2\nY20\nX2\nY-20\nX2\nY20\nG90 G0 Z20\n"


SIDES = (
    "%\n(four sides and a groove, by hand)\nN10 G21 G17 G40 G49 G80 G90 G94\nN20 G53 G0 Z110\nN30 T1 M6\nN40 S9000 M3\n"
    "N50 G0 X12 Y-10 A0\nN60 G43 H1 Z20\n"
    + _side("side 1", 0, 5)
    + _side("side 2", 90, 4)
    + _side("side 3", 180, 5)
    + _side("side 4", 270, 5)
    + "M5\nG53 G0 Z110\nT3 M6\nS12000 M3 (groove and holes)\nG0 X13 Y0 A360\nG43 H3 Z20\nG0 Z6\nG1 Z4.5 F100\n"
    "G2 X19 Y0 I3 J0 F200\nG0 Z20\nG98 G81 X14 Y-2.5 Z3 R6 F80\nX18\nG80\nG0 Z20\nM5\nG53 G0 Z110\nM30\n%\n"
)


def sides() -> Sound:
    """A block cut side by side from a square bar, one side deeper, with a groove on an arc and two holes, in another hand."""
    box = trimesh.creation.box(bounds=[[10.0, -5.0, -5.0], [22.0, 4.0, 5.0]])

    def post(x: float, y: float, r: float, z: float) -> trimesh.Trimesh:
        made = trimesh.creation.cylinder(r, 6.0, sections=96)
        return made.apply_translation([x, y, z + 3.0])

    ring = trimesh.boolean.difference([post(16.0, 0.0, 4.0, 4.5), post(16.0, 0.0, 2.0, 4.0)], engine="manifold")
    half = trimesh.creation.box(bounds=[[8.0, 0.0, 3.0], [24.0, 10.0, 12.0]])
    ring = trimesh.boolean.intersection([ring, half], engine="manifold")
    tools = [ring, post(13.0, 0.0, 1.0, 4.5), post(19.0, 0.0, 1.0, 4.5), post(14.0, -2.5, 1.0, 3.0), post(18.0, -2.5, 1.0, 3.0)]
    part = trimesh.boolean.difference([box, *tools], engine="manifold")
    full = (KeepOut("bar by the jaws", -8.0, 10.0, FULL, True), KeepOut("bar by the centre", 22.0, 30.0, FULL, True))
    setup = replace(
        SETUP, bar=SetUpBar(Section.SQUARE, (12.0,), -8.0, 30.0, 0.0), cutters=CUTTERS, keep_out=(JAWS, *SETUP.keep_out[1:])
    )
    setup = replace(setup, stays_standing=full)

    def inside(points: np.ndarray, margin: float) -> np.ndarray:
        x, y, z = points.T
        m = margin
        box_in = (x > 10 + m) & (x < 22 - m) & (y > -5 + m) & (y < 4 - m) & (z > -5 + m) & (z < 5 - m)
        rho = np.hypot(x - 16.0, y)
        groove = (np.abs(rho - 3.0) < 1.0 + m) & (y > 0.0)
        for cx in (13.0, 19.0):
            groove |= np.hypot(x - cx, y) < 1.0 + m
        holes = (np.hypot(x - 14.0, y + 2.5) < 1.0 + m) | (np.hypot(x - 18.0, y + 2.5) < 1.0 + m)
        return box_in & ~(groove & (z > 4.5 - m)) & ~(holes & (z > 3.0 - m))

    return Sound("sides by hand", SIDES, setup, MACHINE, (np.asarray(part.vertices), np.asarray(part.faces)), inside)


TWIST_DEG_PER_MM = 6.0
HALF_WIDTHS = (4.6, 3.2)


def twisted_model() -> tuple[np.ndarray, np.ndarray]:
    """Return a bar of oval section, 16 mm long, that winds along: its mirror image is another part."""
    x = np.linspace(0.0, 16.0, 65)
    t = np.linspace(0.0, 2.0 * np.pi, 73)[:-1]
    turn = np.radians(TWIST_DEG_PER_MM * x)[:, None]
    u, v = HALF_WIDTHS[0] * np.cos(t)[None, :], HALF_WIDTHS[1] * np.sin(t)[None, :]
    y, z = np.cos(turn) * u - np.sin(turn) * v, np.sin(turn) * u + np.cos(turn) * v
    rings = np.stack([np.broadcast_to(x[:, None], y.shape), y, z], axis=-1).reshape(-1, 3)
    n, m = len(t), len(x)
    k = np.arange(n)
    j = (k + 1) % n
    faces = []
    for ring in range(m - 1):
        a, b = ring * n, (ring + 1) * n
        faces += [np.column_stack([k + a, b + k, j + a]), np.column_stack([j + a, b + k, b + j])]
    vertices = np.vstack([rings, [[x[0], 0.0, 0.0], [x[-1], 0.0, 0.0]]])
    faces.append(np.column_stack([np.full(n, m * n), k, j]))
    faces.append(np.column_stack([np.full(n, m * n + 1), (m - 1) * n + j, (m - 1) * n + k]))
    mesh = trimesh.Trimesh(vertices, np.vstack(faces), process=False)
    trimesh.repair.fix_normals(mesh)
    return np.asarray(mesh.vertices), np.asarray(mesh.faces)


def twisted_inside(points: np.ndarray, margin: float) -> np.ndarray:
    """Tell which points of the model's frame lie deeper than `margin` in the oval bar (to a tenth of the margin)."""
    turn = -np.radians(TWIST_DEG_PER_MM * points[:, 0])
    u = np.cos(turn) * points[:, 1] - np.sin(turn) * points[:, 2]
    v = np.sin(turn) * points[:, 1] + np.cos(turn) * points[:, 2]
    a, b = HALF_WIDTHS[0] - 1.2 * margin, HALF_WIDTHS[1] - 1.2 * margin
    ends = (points[:, 0] > margin) & (points[:, 0] < 16.0 - margin)
    return ends & ((u / a) ** 2 + (v / b) ** 2 < 1.0)


@lru_cache
def planned() -> Sound:
    """A twisted oval bar from a 12 mm square bar, planned and written by the package itself, coarsely."""
    from newel.app.job_file import read_job
    from newel.geometry.meshes import Mesh, write_stl
    from newel.pipeline import cut, decide, read, set_up_of, write
    from newel.shop.catalogue import load_shop, shipped_texts

    toml = (
        'format = 1\nmachine = "light benchtop mill"\n[model]\nfile = "oval.stl"\n[bar]\nsection = "square"\nsize_mm = 12\n'
        'material = "medium tooling board"\n[rough]\ncutter = "1/8 in flat"\ndirection = "along"\nap_mm = 3.0\nae_mm = 2.4\n'
        '[finish]\ncutter = "1/8 in ball"\ndirection = "helical"\nrest = false\ncusp_mm = 0.35\ntolerance_mm = 0.45\n'
        "[proof]\nresolution_mm = 0.25\ngouge_limit_mm = 0.1\n"
    )
    shop = load_shop(shipped_texts())
    job = read_job(toml, name="oval", where="oval.toml")
    vertices, faces = twisted_model()
    quiet = lambda stage, share: None  # noqa: E731
    model = read(job, ModelFiles(write_stl(Mesh(vertices, faces.astype(np.int32))), "stl"), shop)
    plan, machine, tools = decide(job, model, shop)
    plan, paths = cut(job, plan, model.mesh, machine, tools, quiet)
    setup = set_up_of(job, plan, tools, machine)
    files = write(job, plan, paths, setup, machine)
    assert len(files) == 1
    back = np.linalg.inv(setup.bar_from_model)

    def inside(points: np.ndarray, margin: float) -> np.ndarray:
        return twisted_inside(points @ back[:3, :3].T + back[:3, 3], margin)

    mesh = (model.mesh.vertices, model.mesh.faces.astype(np.int64))
    return Sound("planned oval", files[0].text, setup, machine, mesh, inside, 0.45, 0.1, setup.cutters[-1:])


# ways to spoil a text


def _with(lines: Lines, k: int, *new: str) -> Lines:
    return [*lines[:k], *new, *lines[k + 1 :]]


def _pick(lines: Lines, random: Random, pattern: str) -> tuple[int, re.Match[str]] | None:
    """Return a line and a match of `pattern` in it, chosen evenly among all lines that have one."""
    found = [(k, list(re.finditer(pattern, line))) for k, line in enumerate(lines) if not line.startswith("(")]
    found = [(k, matches) for k, matches in found if matches]
    if not found:
        return None
    k, matches = random.choice(found)
    return k, random.choice(matches)


def change(pattern: str, new: Callable[[re.Match[str], Random], str]) -> Way:
    """Return a way that changes one match of a pattern."""

    def way(lines: Lines, random: Random) -> Lines | None:
        picked = _pick(lines, random, pattern)
        if picked is None:
            return None
        k, match = picked
        line = lines[k]
        spoilt = line[: match.start()] + new(match, random) + line[match.end() :]
        return None if spoilt == line else _with(lines, k, *([spoilt] if spoilt.strip() else []))

    return way


def change_all(pattern: str, new: Callable[[re.Match[str]], str]) -> Way:
    """Return a way that changes every match of a pattern."""

    def way(lines: Lines, random: Random) -> Lines | None:
        spoilt = [re.sub(pattern, new, line) for line in lines]
        return None if spoilt == lines else spoilt

    return way


def lost_block(lines: Lines, random: Random) -> Lines | None:
    """A block never arrives."""
    return _with(lines, random.randrange(len(lines)))


def repeated_block(lines: Lines, random: Random) -> Lines | None:
    """A block arrives twice."""
    k = random.randrange(len(lines))
    return _with(lines, k, lines[k], lines[k])


def lines_swapped(lines: Lines, random: Random) -> Lines | None:
    """Two neighbouring blocks change places."""
    k = random.randrange(len(lines) - 1)
    return [*lines[:k], lines[k + 1], lines[k], *lines[k + 2 :]]


def cut_short(lines: Lines, random: Random) -> Lines | None:
    """The file ends in the middle of a line."""
    k = random.randrange(3, len(lines) - 1)
    return [*lines[:k], lines[k][: random.randrange(1, max(2, len(lines[k])))]]


def early_turn(lines: Lines, random: Random) -> Lines | None:
    """A turn is made before the retract that should come first."""
    turns = [k for k in range(1, len(lines)) if re.search(r"A-?[\d.]", lines[k])]
    if not turns:
        return None
    k = random.choice(turns)
    word = re.search(r"A-?[\d.]+", lines[k])
    assert word is not None
    low = max(1, k - random.randrange(1, 4))
    return [*lines[:low], f"G0 {word[0]}", *lines[low:]]


def cutters_swapped(lines: Lines, random: Random) -> Lines | None:
    """Two cutters sit in one another's places: T words changed, H words kept."""
    numbers = sorted({m[1] for line in lines for m in re.finditer(r"T(\d+)", line)})
    if len(numbers) < 2:
        return None
    a, b = random.sample(numbers, 2)
    return [re.sub(r"T(\d+)", lambda m: "T" + {a: b, b: a}.get(m[1], m[1]), line) for line in lines]


def _digits(pattern: str, factor: float) -> Way:
    return change(pattern, lambda m, random: f"{m[1]}{float(m[2]) * factor:.3f}".rstrip("0").rstrip("."))


def _shifted(letter: str) -> Way:
    return change_all(rf"(?<![A-Z]){letter}(-?[\d.]+)", lambda m: f"{letter}{float(m[1]) - 1.5:.3f}")


NUMBER = r"(-?\d*\.?\d+)"
WAYS: dict[str, Way] = {
    "minus sign dropped": change(r"(?<=[XYZAIJ])-(?=\d)", lambda m, r: ""),
    "minus sign added": change(r"(?<=[XYZAIJ])(?=[\d.])", lambda m, r: "-"),
    "retract missing": change(r"^(?:N\d+ )?(?:G90 )?G0 Z\d.*$", lambda m, r: ""),
    "retract too low": change(r"(?<=G0 Z)\d+\.?\d*", lambda m, r: r.choice(("2", "4.5", "7"))),
    "cutters swapped": cutters_swapped,
    "another cutter called": change(r"T(\d+)", lambda m, r: "T" + r.choice([n for n in "1239" if n != m[1]])),
    "work offset wrong": change(r"^(?:N\d+ )?(?=(S\d|G0 X|G1|T\d))", lambda m, r: "G55 "),
    "A sense reversed": change_all(r"A(-?)(?=[\d.])", lambda m: "A" if m[1] else "A-"),
    "feed missing": change(r" ?F[\d.]+", lambda m, r: ""),
    "every feed missing": change_all(r" ?F[\d.]+", lambda m: ""),
    "units word swapped": change(r"G21", lambda m, r: "G20"),
    "units word lost": change(r"G21 ?", lambda m, r: ""),
    "block lost": lost_block,
    "block repeated": repeated_block,
    "blocks change places": lines_swapped,
    "depth doubled": _digits(r"(Z)" + NUMBER, 0.5),
    "turn too early": early_turn,
    "decimal point lost": change(r"(?<=\d)\.(?=\d)", lambda m, r: ""),
    "zero too many": change(r"(?<=[XYZA])-?[1-9][\d.]*", lambda m, r: str(float(m[0]) * 10)),
    "X and Y changed about": change(r"[XY](?=-?[\d.])", lambda m, r: "Y" if m[0] == "X" else "X"),
    "X and Z changed about": change(r"[XZ](?=-?[\d.])", lambda m, r: "Z" if m[0] == "X" else "X"),
    "rapid for feed": change(r"G1(?!\d)", lambda m, r: "G0"),
    "feed for rapid": change(r"G0(?!\d)", lambda m, r: "G1"),
    "spindle never started": change(r" ?M3(?!\d)", lambda m, r: ""),
    "spindle stopped early": change(r"^(?=(G1|X|Y|A|G91))", lambda m, r: "M5 "),
    "spindle backward": change(r"M3(?!\d)", lambda m, r: "M4"),
    "spindle far too slow": change(r"S\d+", lambda m, r: "S900"),
    "length offset wrong": change(r"H(\d)", lambda m, r: "H" + r.choice([n for n in "1239" if n != m[1]])),
    "length offset lost": change(r"G43 H\d ?", lambda m, r: ""),
    "cutter change lost": change(r" ?M6(?!\d)", lambda m, r: ""),
    "Z shifted": _shifted("Z"),
    "X shifted": _shifted("X"),
    "Y shifted": _shifted("Y"),
    "A word lost": change(r" ?A-?[\d.]+", lambda m, r: ""),
    "Z word lost": change(r" ?Z-?[\d.]+", lambda m, r: ""),
    "absolute for steps": change(r"G91", lambda m, r: "G90"),
    "steps for absolute": change(r"G90", lambda m, r: "G91"),
    "arc turned about": change(r"G([23])(?!\d)", lambda m, r: "G3" if m[1] == "2" else "G2"),
    "arc centre wrong": change(r"(?<=[IJ])-?[\d.]+", lambda m, r: str(-float(m[0]) if float(m[0]) else 1.0)),
    "plane swapped": change(r"G17", lambda m, r: r.choice(("G18", "G19"))),
    "inverse time for units a minute": change(r"G94", lambda m, r: "G93"),
    "units a minute for inverse time": change(r"G93", lambda m, r: "G94"),
    "cycle not ended": change(r"G80", lambda m, r: ""),
    "file cut short": cut_short,
    "letter lost": change(r"[XYZAF](?=-?[\d.])", lambda m, r: ""),
    "digit changed": change(r"(?<=[XYZA])-?\d", lambda m, r: m[0][:-1] + r.choice("0123456789")),
}
