"""Motion as columns: never an object a move, for a program can have a million blocks.

`Toolpath` is what the toolpath room makes (poses of the tip, before any program exists). `Motion` is what the
interpreter reads back out of a program's text. They share no code on purpose: one is asked for, the other is found.
"""

from __future__ import annotations

from dataclasses import dataclass, fields
from enum import IntEnum

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int32]
Bytes = NDArray[np.uint8]


class MoveKind(IntEnum):
    """What a planned move is for."""

    RAPID = 0
    LINK = 1
    ENTRY = 2
    CUT = 3


@dataclass(frozen=True)
class Toolpath:
    """The passes and links of one cut, one row a straight move that ends at the row's pose.

    `pose` (n, 4): x, y, z of the tip in the table frame in mm, and the bar's turn theta in degrees (unwrapped; the
    move is linear in all four). `feed_mm_per_min` (n,): speed of the tip over the turning work, 0 for a rapid.
    `kind` (n,): MoveKind. Row 0 is the pose the cut starts from, reached by a rapid.
    """

    pose: Floats
    feed_mm_per_min: Floats
    kind: Bytes

    def __len__(self) -> int:
        """The number of rows."""
        return len(self.pose)


class RowKind(IntEnum):
    """What a row of an interpreted program does."""

    RAPID = 0
    FEED = 1
    ARC = 2  # a chord of a fed arc or helix
    PROBE = 3
    DWELL = 4  # no motion, only minutes
    CHANGE = 5  # a cutter is called into the spindle; no motion


@dataclass(frozen=True)
class Motion:
    """A program as the machine would run it: one row a straight piece (or the chord of an arc).

    `start` (4,): where the first row begins, nan where the program does not say. `xyza` (n, 4): where each row ends:
    the tip in mm, in the coordinates of the job's work offset, and A in degrees, unwrapped. `minutes` (n,): what the
    feed words ask for the row (nan for rapids, which the clock times; nan too where a feed is missing). `line` (n,):
    line of the text, from 1. `kind`: RowKind. `spindle_rpm`: + clockwise (M3), - the other way (M4), 0 standing.
    `cutter`: number in the spindle, 0 none called yet. `length_offset`: the H in force, 0 none. `coolant`: bit 1 mist,
    bit 2 flood. `exact_stop`: 1 where the path must stop at the row's end (G61.1, or a stop before the next row). `clamp`:
    1 the rotary axis is clamped, 2 released, 0 the program has not said.
    """

    start: Floats
    xyza: Floats
    minutes: Floats
    line: Ints
    kind: Bytes
    spindle_rpm: NDArray[np.float32]
    cutter: Ints
    length_offset: Ints
    coolant: Bytes
    exact_stop: Bytes
    clamp: Bytes

    def __post_init__(self) -> None:
        """Make the columns read-only."""
        for field in fields(self):
            getattr(self, field.name).setflags(write=False)

    def __len__(self) -> int:
        """The number of rows."""
        return len(self.xyza)

    def begins(self) -> Floats:
        """Return where each row begins, shape (n, 4)."""
        return np.vstack([self.start[None, :], self.xyza[:-1]])
