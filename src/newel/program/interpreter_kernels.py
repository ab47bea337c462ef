"""Kernels of the interpreter: runs of plain moves, arcs as chords, the feed rule. Whatever is not plain is handed back.

The report meant throughout is NISTIR 6556 (RS274/NGC, version 3, 2000).
"""

# mypy: ignore-errors

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numba import njit

# Places in the whole-number state of a run. Codes are the G numbers times ten.
MOTION, PLANE, DISTANCE, FEED_MODE, UNITS, SYSTEM, LENGTH_H, RETRACT, PATH = 0, 1, 2, 3, 4, 5, 6, 7, 8
WRAPPED = 9  # 1: an absolute A turns the shorter way
FEED_TOLD = 10  # 1: that the feed is missing has been told; rows without minutes may follow
GUARD = 11  # 1: hand back the first move that an unknown place would enter
ARC_ABSOLUTE = 12  # 1: I, J, K are places (G90.1); left to the full reader
UNITS_SAID = 13  # 1: G20 or G21 has been read; until then its word goes to the full reader
A_SCALED = 14  # 1: under G20 the A word is scaled like a length
N_INTS = 15

# Places in the float state: where the tip is (program coordinates, mm and degrees), what to add for the job's, the feed.
HERE = 0
SHIFT = 4
FEED = 8
CHORD_MM = 9
N_FLOATS = 10

DONE, HAND_BACK, ROOM_SPENT = 0, 1, 2
RAPID, FEED_ROW, ARC_ROW = 0, 1, 2
STILL_MM = 1e-9  # below this an axis counts as standing: far under any word's last digit


class RunWords(NamedTuple):
    """The words of a program as columns (see words.WordTable)."""

    kind: np.ndarray
    first: np.ndarray
    letters: np.ndarray
    values: np.ndarray


class RunRows(NamedTuple):
    """The columns that a run fills."""

    xyza: np.ndarray
    minutes: np.ndarray
    line: np.ndarray
    kind: np.ndarray


@njit(cache=True, error_model="numpy")
def feed_minutes(length_mm, turn_deg, feed, feed_mode, unit_mm):
    """Minutes of a fed move: 1/F (G93), else length over F, or turn over F where nothing but rotaries move [2.1.2.5]."""
    if feed_mode == 930:
        return 1.0 / feed
    if math.isnan(length_mm + turn_deg + feed):
        return math.nan
    if length_mm > STILL_MM:
        return length_mm / (feed * unit_mm)
    if turn_deg > 0.0:
        return turn_deg / feed
    return 0.0


@njit(cache=True, error_model="numpy")
def arc_centre_of_radius(a0, b0, a1, b1, radius, clockwise, slack):
    """Centre of an arc given by its radius [3.5.3.1]: (found, centre a, centre b); `slack` as for mismatched radii."""
    da, db = a1 - a0, b1 - b0
    half = 0.5 * math.sqrt(da * da + db * db)
    size = abs(radius)
    if half <= STILL_MM or half > size + slack:
        return False, 0.0, 0.0
    away = math.sqrt(max(size * size - half * half, 0.0))
    if (radius > 0.0) == clockwise:
        away = -away  # a short clockwise arc has its centre to the right of the chord
    return True, 0.5 * (a0 + a1) - away * db / (2.0 * half), 0.5 * (b0 + b1) + away * da / (2.0 * half)


@njit(cache=True, error_model="numpy")
def arc_sweep_rad(a0, b0, a1, b1, ca, cb, clockwise):
    """Signed sweep from start to end about the centre; a full turn where start and end are one [3.5.3.2]."""
    if abs(a1 - a0) < STILL_MM and abs(b1 - b0) < STILL_MM:
        sweep = 2.0 * math.pi
    else:
        u, v, s, t = a0 - ca, b0 - cb, a1 - ca, b1 - cb
        sweep = math.atan2(u * t - v * s, u * s + v * t)
        if clockwise:
            sweep = -sweep
        if sweep <= 0.0:
            sweep += 2.0 * math.pi
    return -sweep if clockwise else sweep


@njit(cache=True, error_model="numpy")
def chord_count(radius, sweep_rad, chord_mm, most):
    """How many chords keep an arc within `chord_mm` of its circle, at most `most`."""
    if radius <= chord_mm:
        return 4 if abs(sweep_rad) > math.pi else 2
    step = 2.0 * math.acos(1.0 - chord_mm / radius)
    if step * most <= abs(sweep_rad):
        return most
    return int(max(math.ceil(abs(sweep_rad) / step), 1.0))


@njit(cache=True, error_model="numpy")
def put_arc(rows, row, arc, here, target, shift, minutes, line):
    """Fill an arc's chords from `row` on. `arc`: axis a, axis b, normal, chords; centre a, b; sweep. The end is exact."""
    ia, ib, ic, n = int(arc[0]), int(arc[1]), int(arc[2]), int(arc[3])
    ca, cb, sweep = arc[4], arc[5], arc[6]
    r0 = math.hypot(here[ia] - ca, here[ib] - cb)
    r1 = math.hypot(target[ia] - ca, target[ib] - cb)
    t0 = math.atan2(here[ib] - cb, here[ia] - ca)
    for k in range(n):
        s = (k + 1.0) / n
        if k == n - 1:
            for axis in range(4):
                rows.xyza[row + k, axis] = target[axis] + shift[axis]
        else:
            r = r0 + (r1 - r0) * s
            t = t0 + sweep * s
            rows.xyza[row + k, ia] = ca + r * math.cos(t) + shift[ia]
            rows.xyza[row + k, ib] = cb + r * math.sin(t) + shift[ib]
            rows.xyza[row + k, ic] = here[ic] + (target[ic] - here[ic]) * s + shift[ic]
            rows.xyza[row + k, 3] = here[3] + (target[3] - here[3]) * s + shift[3]
        rows.minutes[row + k] = minutes / n
        rows.line[row + k] = line
        rows.kind[row + k] = ARC_ROW


@njit(cache=True, error_model="numpy")
def wrapped_target(value, here):
    """The place nearest to `here` that a wrapped control calls `value` degrees; nan where it is half a turn off."""
    if math.isnan(here):
        return value
    off = value - here
    turns = math.floor(off / 360.0 + 0.5)
    off -= 360.0 * turns
    if abs(abs(off) - 180.0) < 1e-6:
        return math.nan
    return value - 360.0 * turns


@njit(cache=True, error_model="numpy")
def is_in_force(code, ints):
    """Group bit of a G code that changes nothing because it is in force already; 0 for every other code."""
    if code == ints[FEED_MODE]:
        return 32
    if code == ints[UNITS] and ints[UNITS_SAID] == 1:
        return 64
    if code == 400:
        return 128
    if code == 490 and ints[LENGTH_H] == 0:
        return 256
    if code == ints[RETRACT]:
        return 1024
    if code == ints[SYSTEM]:
        return 4096
    if code == ints[PATH]:
        return 8192
    return 0


@njit(cache=True, error_model="numpy")
def read_codes(words, i, ints, block):
    """Read line i's G words into `block`: motion or -1, then the plane and the distance mode; False: hand back."""
    block[0] = -1.0
    block[8] = ints[PLANE]
    block[9] = ints[DISTANCE]
    groups = 0
    for w in range(words.first[i], words.first[i + 1]):
        if words.letters[w] != 6:
            continue
        value = words.values[w]
        code = int(np.rint(value * 10.0))
        if abs(value * 10.0 - code) > 1e-3:
            return False
        if code == 0 or code == 10 or code == 20 or code == 30:
            group = 1
            block[0] = code
        elif code == 170 or code == 180 or code == 190:
            group = 2
            block[8] = code
        elif code == 900 or code == 910:
            group = 8
            block[9] = code
        else:
            group = is_in_force(code, ints)
        if group == 0 or groups & group:
            return False
        groups |= group
    return True


@njit(cache=True, error_model="numpy")
def read_plain(words, i, here, ints, target, block):
    """Read line i into `target` (X Y Z A) and `block`; False: hand back.

    `block`: motion or -1, axis bits, offset bits, R, F, I, J, K, plane, distance mode; R and F nan where there is none.
    """
    if not read_codes(words, i, ints, block):
        return False
    unit = 25.4 if ints[UNITS] == 200 else 1.0
    incremental = block[9] == 910.0
    block[1] = block[2] = block[5] = block[6] = block[7] = 0.0
    block[3] = block[4] = math.nan
    axes = 0
    offsets = 0
    for axis in range(4):
        target[axis] = here[axis]
    for w in range(words.first[i], words.first[i + 1]):
        letter = int(words.letters[w])
        value = words.values[w]
        if letter == 0:  # A
            axes |= 8
            if ints[A_SCALED] == 1:
                value *= unit
            if incremental:
                target[3] = here[3] + value
            elif ints[WRAPPED] == 1:
                target[3] = wrapped_target(value, here[3])
            else:
                target[3] = value
            if math.isnan(target[3]):
                return False
        elif letter >= 23:  # X Y Z
            axis = letter - 23
            axes |= 1 << axis
            target[axis] = here[axis] + value * unit if incremental else value * unit
            if math.isnan(target[axis]):
                return False
        elif letter == 5:  # F
            if value <= 0.0:
                return False
            block[4] = value
        elif 8 <= letter <= 10:  # I J K
            offsets |= 1 << (letter - 8)
            block[letter - 3] = value * unit
        elif letter == 17:  # R
            block[3] = value * unit
        elif letter != 6 and letter != 13:  # G, N
            return False
    block[1] = axes
    block[2] = offsets
    return True


@njit(cache=True, error_model="numpy")
def plain_arc(here, target, block, ints, chord_mm, most_chords, arc):
    """Fill `arc` as put_arc takes it for a line with I J K or R; return its length in mm along the helix, nan: hand back."""
    axes = int(block[1])
    offsets = int(block[2])
    plane = block[8]
    if plane == 170.0:
        ia, ib, ic = 0, 1, 2
    elif plane == 180.0:
        ia, ib, ic = 2, 0, 1
    else:
        ia, ib, ic = 1, 2, 0
    has_radius = not math.isnan(block[3])
    if ints[ARC_ABSOLUTE] == 1 or offsets & (1 << ic) or (offsets == 0) != has_radius:
        return math.nan
    if axes & ((1 << ia) | (1 << ib)) == 0:
        return math.nan
    slack = 0.0002 * 25.4 if ints[UNITS] == 200 else 0.002  # 3.5.3.2
    clockwise = block[0] == 20.0
    a0, b0, a1, b1 = here[ia], here[ib], target[ia], target[ib]
    if math.isnan(a0 + b0 + a1 + b1):
        return math.nan
    if has_radius:
        found, ca, cb = arc_centre_of_radius(a0, b0, a1, b1, block[3], clockwise, slack)
        if not found:
            return math.nan
        r0 = abs(block[3])
    else:
        ca, cb = a0 + block[5 + ia], b0 + block[5 + ib]
        r0 = math.hypot(block[5 + ia], block[5 + ib])
        if r0 <= STILL_MM or abs(math.hypot(a1 - ca, b1 - cb) - r0) > slack:
            return math.nan
    sweep = arc_sweep_rad(a0, b0, a1, b1, ca, cb, clockwise)
    arc[0], arc[1], arc[2] = ia, ib, ic
    arc[3] = chord_count(r0, sweep, chord_mm, most_chords)
    arc[4], arc[5], arc[6] = ca, cb, sweep
    rise = target[ic] - here[ic] if axes & (1 << ic) else 0.0
    if math.isnan(rise):
        return math.nan
    return math.hypot(r0 * sweep, rise)


@njit(cache=True, error_model="numpy")
def straight_length(here, target, axes):
    """Length in mm of a straight move; an axis that no word moves stands still, also where its place is unknown."""
    square = 0.0
    for axis in range(3):
        if axes & (1 << axis):
            square += (target[axis] - here[axis]) * (target[axis] - here[axis])
    return math.sqrt(square)


@njit(cache=True, error_model="numpy")
def must_hand_back(code, block, ints, floats, target):
    """Tell whether a line that was read needs the full interpreter: no move, a feed that is missing, an unknown place."""
    if code != 0 and code != 10 and code != 20 and code != 30:
        return True
    if ints[GUARD] == 1 and math.isnan(target[0] + target[1] + target[2] + target[3]):
        return True
    if (code == 0 or code == 10) and (block[2] != 0.0 or not math.isnan(block[3])):
        return True
    if code != 0:
        if ints[FEED_MODE] == 930 and math.isnan(block[4]):
            return True
        if math.isnan(block[4]) and math.isnan(floats[FEED]) and ints[FEED_TOLD] == 0:
            return True
        if math.isnan(block[4]) and floats[FEED] <= 0.0:
            return True
    return False


@njit(cache=True, error_model="numpy")
def keep_modes(block, floats, ints):
    """Put a line's feed, plane and distance mode in force once nothing can hand it back any more."""
    if not math.isnan(block[4]):
        floats[FEED] = block[4]
        ints[FEED_TOLD] = 0
    ints[PLANE] = int(block[8])
    ints[DISTANCE] = int(block[9])


@njit(cache=True, error_model="numpy")
def run_plain(words, rows, floats, ints, span, row, most_chords):
    """Run lines span[0]..span[1] from `row` on: (next line, next row, why). A line it can't do is left untouched.

    Done here: N, G0 to G3 (I J K from the start point, or R), G17 to G19, G90, G91, X Y Z A, F, and G words that change
    nothing. Any error, any unknown place that matters and any other word hands the line back to the full interpreter.
    """
    target = np.empty(4)
    block = np.empty(10)
    arc = np.empty(7)
    room = len(rows.minutes)
    unit = 25.4 if ints[UNITS] == 200 else 1.0
    here = floats[HERE : HERE + 4]
    shift = floats[SHIFT : SHIFT + 4]
    for i in range(span[0], span[1]):
        if words.kind[i] == 0:
            continue
        if words.kind[i] != 1 or not read_plain(words, i, here, ints, target, block):
            return i, row, HAND_BACK
        feed = block[4]
        axes = int(block[1])
        if axes == 0:
            if block[0] >= 0.0 or block[2] != 0.0 or not math.isnan(block[3]):
                return i, row, HAND_BACK
            keep_modes(block, floats, ints)
            continue
        code = int(block[0]) if block[0] >= 0.0 else ints[MOTION]
        if must_hand_back(code, block, ints, floats, target):
            return i, row, HAND_BACK
        use = feed if not math.isnan(feed) else floats[FEED]
        turn = abs(target[3] - here[3]) if axes & 8 else 0.0
        if code == 0 or code == 10:
            if row >= room:
                return i, row, ROOM_SPENT
            rows.minutes[row] = math.nan
            if code == 10:
                rows.minutes[row] = feed_minutes(straight_length(here, target, axes), turn, use, ints[FEED_MODE], unit)
            for axis in range(4):
                rows.xyza[row, axis] = target[axis] + shift[axis]
            rows.line[row] = i + 1
            rows.kind[row] = RAPID if code == 0 else FEED_ROW
            row += 1
        else:
            block[0] = code
            length = plain_arc(here, target, block, ints, floats[CHORD_MM], most_chords, arc)
            if math.isnan(length):
                return i, row, HAND_BACK
            if row + int(arc[3]) > room:
                return i, row, ROOM_SPENT
            minutes = feed_minutes(length, turn, use, ints[FEED_MODE], unit)
            put_arc(rows, row, arc, here, target, shift, minutes, i + 1)
            row += int(arc[3])
        keep_modes(block, floats, ints)
        ints[MOTION] = code
        for axis in range(4):
            here[axis] = target[axis]
    return span[1], row, DONE
