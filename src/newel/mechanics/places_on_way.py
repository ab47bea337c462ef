"""Where to ask on a cutter's way what its edge meets: in the rows asked for, with the blank as it stood a little before.

A blank of rays tells a surface that has just been cut neither as inside nor as outside. So an edge is asked not where the
cutting has come to, but further on. It is followed there along its own way, round circles and down helices: straight on it
would poke into walls that it never cuts. What it meets there is what it will meet, for nothing between has been cut.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from newel.mechanics.clock import tip_way_mm

Floats = NDArray[np.float64]
Rows = NDArray[np.intp]
Bools = NDArray[np.bool_]

AHEAD_PITCHES = 1.5  # at least: a surface just cut is neither inside nor outside of rays within one
SPARE = 1.1  # over what the circle asks for
LOOK_MM = 3.0  # a longer row is asked at so many mm of it, but at no more than MOST_LOOKS places
MOST_LOOKS = 8
STRAIGHT_SHARE = 0.8  # straight across over along the way: less in circles of less than 0.44 of what is looked ahead


@dataclass(frozen=True)
class Asked:
    """Rows (k,) of a way, rising, to ask in; the tip's speed over the work in each, mm a minute, and the spindle's, rpm."""

    row: Rows
    tip_speed_mm_per_min: Floats
    spindle_rpm: Floats


@dataclass(frozen=True)
class Places:
    """Where to ask along a way: (k,) places in order, each asked before the move to pose `row` of the way.

    `pose`, `rate_per_min` (k, 4): where the edge is asked, and how it moves there, mm and degrees a minute, with
    `spindle_rpm` (k,). `asked` (k,): the number, among the rows asked for, of the one that a place belongs to. A row where the
    way winds too tightly for the blank's grid has none.
    """

    row: Rows
    pose: Floats
    rate_per_min: Floats
    spindle_rpm: Floats
    asked: Rows

    def between(self, first: int, last: int) -> Places:
        """The places asked on the way from pose `first` to pose `last`, as places of that part of the way."""
        some = slice(*np.searchsorted(self.row, [first, last], side="right").tolist())
        return Places(
            self.row[some] - first, self.pose[some], self.rate_per_min[some], self.spindle_rpm[some], self.asked[some]
        )


class WayWithStops(NamedTuple):
    """A way (n, 4) with a pose put in wherever the cutting stops to be asked, the places, and where its own poses are now."""

    poses: Floats
    places: Places
    at: Rows


def way_ahead_mm(pitch_mm: float, radius_mm: float, step_in_mm: float) -> float:
    """How far on to ask: a place that much within the edge's side must be out of what the edge has swept (circles; derived)."""
    return max(AHEAD_PITCHES * pitch_mm, SPARE * math.sqrt(2.0 * radius_mm * step_in_mm))


def places_on(poses: Floats, fed: Bools, asked: Asked, on_mm: float) -> WayWithStops:
    """Lay places to ask in rows of a way of poses (n, 4); row k leads to pose k, and `fed` (n,) tells which rows cut.

    A place lies in its row, and is asked when the cutting has come to `on_mm` before it on the way, but no further back than
    where the feeding began.
    """
    way = np.concatenate([[0.0], np.cumsum(tip_way_mm(poses))])
    long = way[asked.row] - way[asked.row - 1]
    looks = np.clip(np.round(long / LOOK_MM).astype(int), 1, MOST_LOOKS)
    number = np.repeat(np.arange(len(asked.row)), looks)
    nth = np.arange(len(number)) - np.repeat(np.cumsum(looks) - looks, looks)
    row = asked.row[number]
    share = (nth + 0.5) / looks[number]
    step = poses[row] - poses[row - 1]
    stop = np.maximum(way[row - 1] + share * long[number] - on_mm, way[_feeding_began(fed)[row]])
    row_then = np.clip(np.searchsorted(way, stop, side="right"), 1, row)
    gone = (stop - way[row_then - 1]) / np.maximum(way[row_then] - way[row_then - 1], 1e-12)
    stops = poses[row_then - 1] + np.clip(gone, 0.0, 1.0)[:, None] * (poses[row_then] - poses[row_then - 1])
    pose = poses[row - 1] + share[:, None] * step
    rate = step * (asked.tip_speed_mm_per_min[number] / np.maximum(long[number], 1e-9))[:, None]
    tells = _apart_mm(stops, pose) >= STRAIGHT_SHARE * (way[row - 1] + share * long[number] - stop)
    row_then, number = row_then[tells], number[tells]
    then = row_then + np.arange(len(row_then)) + 1
    places = Places(then, pose[tells], rate[tells], asked.spindle_rpm[number], number)
    at = np.arange(len(poses)) + np.searchsorted(row_then, np.arange(len(poses)), side="right")
    return WayWithStops(np.insert(poses, row_then, stops[tells], axis=0), places, at)


def _apart_mm(pose: Floats, other: Floats) -> Floats:
    """How far apart two tips (k, 4) stand in the bar, straight across."""
    y, z, turn = pose[:, 1], pose[:, 2], np.radians(other[:, 3] - pose[:, 3])
    c, s = np.cos(turn), np.sin(turn)
    # the bar turns from the one to the other: the first is carried along with it
    return np.sqrt((other[:, 0] - pose[:, 0]) ** 2 + (other[:, 1] - c * y + s * z) ** 2 + (other[:, 2] - s * y - c * z) ** 2)


def _feeding_began(fed: Bools) -> Rows:
    """For each row (n,) the pose from which it and the fed rows straight before it led on."""
    rests = np.where(fed, 0, np.arange(len(fed)))
    return np.asarray(np.maximum.accumulate(rests), dtype=np.intp)
