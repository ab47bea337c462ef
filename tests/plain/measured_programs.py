"""Programs and a set-up for correcting: one written by the package's own writer, one as a person would write it by hand."""

from __future__ import annotations

import numpy as np

from newel.core.dialect import Dialect, ReadTraits, WriteTraits
from newel.core.job import FeedWords, Section
from newel.core.motion import Motion, MoveKind, Toolpath
from newel.core.profile import CutterShape, outline
from newel.core.setup import KeepOut, SetUp, SetUpBar, SetUpCutter
from newel.geometry.blank import Blank, bar_blank, carve
from newel.geometry.blank_surface import blank_mesh
from newel.program.interpreter import interpret
from newel.program.writer import WrittenCut, write_program

BALL = SetUpCutter(
    1,
    "6 mm ball",
    CutterShape(outline((0, 0), (3, 3, 0, 3), (3, 25)), outline((3, 25), (3, 40), (12, 40), (12, 60))),
    True,
    25.0,
    None,
    60.0,
)
FLAT = SetUpCutter(
    2,
    "4 mm flat",
    CutterShape(outline((0, 0), (2, 0), (2, 20)), outline((2, 20), (2, 40), (12, 40), (12, 60))),
    True,
    20.0,
    None,
    60.0,
)
JAWS = (KeepOut("jaws", -20.0, 0.0, 30.0, True), KeepOut("live centre", 100.0, 132.0, 7.0, True))


def set_up(sense: int = -1, along: int = 1, section: Section = Section.SQUARE) -> SetUp:
    """Return a set-up with a 30 mm bar of 100 mm between jaws and centre, the chuck at either end, A in either sense."""
    ends = sorted((along * -15.0, along * 100.0))
    keep_out = tuple(KeepOut(k.name, *sorted((along * k.from_x_mm, along * k.to_x_mm)), k.radius_mm, k.turns) for k in JAWS)
    return SetUp(
        bar=SetUpBar(section, (30.0,), ends[0], ends[1], 0.0),
        bar_from_model=None,
        table_from_program_mm=(along * 10.0, 0.0, 0.0),
        a_zero_deg=0.0,
        a_sense=sense,
        along_x=along,
        work_offset="G54",
        cutters=(BALL, FLAT),
        keep_out=keep_out,
        stays_standing=(),
        table_below_axis_mm=65.0,
        machine_from_table_mm=(150.0, 85.0, -180.0),
    )


def by_newel(setup: SetUp, feed_words: FeedWords = FeedWords.INVERSE_TIME) -> str:
    """Return a helical finishing cut round the bar, as the package's writer writes it: radius 11 to 13, two waves a turn."""
    rows = np.arange(0, 721)
    turn = rows * 5.0
    x = 20.0 + rows * (50.0 / 720.0)
    z = 12.0 + np.sin(np.radians(2.0 * turn))
    pose = np.column_stack([x, np.zeros_like(x), z, turn])
    pose = np.vstack([[20.0, 0.0, 30.0, 0.0], pose, [70.0, 0.0, 30.0, turn[-1]]])
    feed = np.concatenate([[0.0, 200.0], np.full(720, 600.0), [0.0]])
    kind = np.where(feed > 0.0, MoveKind.CUT, MoveKind.RAPID).astype(np.uint8)
    cut = WrittenCut("finish around", 1, 12000.0, Toolpath(pose, feed, kind))
    traits = WriteTraits(feed_words=feed_words)
    files = write_program(
        [cut], setup, traits, name="wave", work_offset="G54", fastest_per_min=(2000.0, 2000.0, 1500.0, 3600.0), safe_z_mm=35.0
    )
    return files[0].text


def by_hand(along: int = 1) -> str:
    """Return a program in another hand: sides at A0, A-90 and A-180, steps in G91, an arc, a drilling cycle, a turn back."""
    s = along
    return f"""%
(bracket, sides by hand)
N10 G21 G90 G17 G40 G80 G94
N20 T2 M6
N30 S9000 M3
N40 G0 G43 H2 Z40
N50 G0 X{15 * s} Y-20 A0
N60 Z13
N70 G1 Y20 F400 (side 1)
N80 G91 G1 X{3 * s}
N90 Y-40
N100 X{3 * s}
N110 Y40
N120 G90 G0 Z40
N130 A-90
N140 X{30 * s} Y-8 Z18
N150 G1 Z12.5 F150
N160 G{3 if s > 0 else 2} X{46 * s} Y-8 I{8 * s} J0 F350 ; half a circle
N170 G1 X{30 * s} M8
N180 G0 Z40 M9
N190 A-180
N200 G98 G81 X{40 * s} Y0 Z10 R18 F120
N210 X{48 * s}
N220 G80
N230 G0 Z40
N240 X{62 * s} Y0
N250 Z20
N260 G1 Z12 F150
N270 A-540 F1800
N280 X{66 * s} F200
N290 A-180 F1800
N300 G0 Z40
N310 M5
N320 M30
%
"""


def motion_of(text: str, setup: SetUp) -> Motion:
    """Return what a program does, and refuse one with findings."""
    read = interpret(text, ReadTraits(), work_offset="G54", machine_from_offset_mm=[160.0, 85.0, -180.0])
    assert not read.findings, read.findings[0]
    return read.motion


def dialect(feed_words: FeedWords = FeedWords.INVERSE_TIME) -> Dialect:
    """Return a plain dialect with the feed words asked for."""
    return Dialect(writes=WriteTraits(feed_words=feed_words))


def carved(setup: SetUp, motion: Motion, poses: np.ndarray, owners: np.ndarray, pitch_mm: float) -> Blank:
    """Carve the bar by poses, each with the cutter of the program's row that it belongs to."""
    bar = setup.bar
    blank = bar_blank(bar.section, bar.size_mm, bar.from_x_mm, bar.to_x_mm, bar.turned_deg, pitch_mm)
    number = motion.cutter[owners]
    breaks = np.flatnonzero(np.diff(number)) + 1
    for some in np.split(np.arange(len(poses)), breaks):
        cutter = next((c for c in setup.cutters if c.number == number[some[0]]), None)
        if cutter is not None:
            carve(blank, cutter.shape, poses[some], np.arange(len(some), dtype=np.int32))
    return blank


def surface(blank: Blank) -> tuple[np.ndarray, np.ndarray]:
    """Return the blank's surface as vertices and faces."""
    vertices, faces = blank_mesh(blank, 1)
    return np.asarray(vertices, dtype=np.float64), np.asarray(faces, dtype=np.int64)
