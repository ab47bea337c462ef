"""Arcs and helices of one line: their centre, their errors, their chords (NISTIR 6556, 3.5.3)."""

from __future__ import annotations

import math

import numpy as np

from newel.program import interpreter_kernels as kernels
from newel.program.reader import Block
from newel.program.rules import RefusedError
from newel.program.state import MOST_CHORDS, LostPlaceError, State, TooManyRowsError

# Plane: its two axes in the order that turns counter-clockwise, its normal, and their offset words [3.5.3, 4.3.6.1].
PLANES: dict[int, tuple[int, int, int, str, str, str]] = {
    170: (0, 1, 2, "i", "j", "k"),
    180: (2, 0, 1, "k", "i", "j"),
    190: (1, 2, 0, "j", "k", "i"),
}


def arc_centre(state: State, block: Block, target: np.ndarray, clockwise: bool) -> tuple[float, float]:
    """Return the centre, in the plane's two axes, of the arc from where the tip is to `target`; refuse what is no arc."""
    ia, ib, _, letter_a, letter_b, letter_c = PLANES[state.mode(kernels.PLANE)]
    words, unit = block.words, state.unit_mm
    if not any("xyz"[axis] in words for axis in (ia, ib)):
        raise RefusedError("arc-words", "an arc needs an axis word of its plane")
    if letter_c in words:
        raise RefusedError("arc-words", f"the {letter_c.upper()} word does not belong to this plane")
    here = state.here
    a0, b0, a1, b1 = float(here[ia]), float(here[ib]), float(target[ia]), float(target[ib])
    if math.isnan(a0 + b0 + a1 + b1):
        if state.lost & {ia, ib}:
            state.lose([axis for axis in range(3) if "xyz"[axis] in words])
            raise LostPlaceError
        raise RefusedError("place-unknown", "an arc begins where the tip's place is not known")
    slack = 0.0002 * 25.4 if unit != 1.0 else 0.002  # 3.5.3.2
    if "r" in words:
        if letter_a in words or letter_b in words:
            raise RefusedError("arc-words", "an arc has a radius or a centre, not both")
        found, ca, cb = kernels.arc_centre_of_radius(a0, b0, a1, b1, words["r"] * unit, clockwise, slack)
        if not found:
            chord = math.hypot(a1 - a0, b1 - b0)
            says = "no arc of this radius spans the ends"
            if chord <= kernels.STILL_MM:
                says = "an arc by its radius must not end where it begins"
            raise RefusedError("arc-no-solution", says, measured=chord, limit=2 * abs(words["r"] * unit), unit="mm")
        return ca, cb
    if letter_a not in words and letter_b not in words:
        raise RefusedError("arc-words", f"an arc needs {letter_a.upper()} or {letter_b.upper()} or R")
    if state.ints[kernels.ARC_ABSOLUTE]:
        if letter_a not in words or letter_b not in words:
            raise RefusedError("arc-words", f"with G90.1 an arc needs both {letter_a.upper()} and {letter_b.upper()}")
        return words[letter_a] * unit, words[letter_b] * unit
    ca, cb = a0 + words.get(letter_a, 0.0) * unit, b0 + words.get(letter_b, 0.0) * unit
    return ca, cb


def arc_of_block(state: State, block: Block, target: np.ndarray, code: int) -> tuple[np.ndarray, float]:
    """Return the arc as the kernel takes it, and its length in mm along the helix."""
    clockwise = code == 20
    ia, ib, ic, *_ = PLANES[state.mode(kernels.PLANE)]
    ca, cb = arc_centre(state, block, target, clockwise)
    here = state.here
    a0, b0, a1, b1 = float(here[ia]), float(here[ib]), float(target[ia]), float(target[ib])
    r0 = abs(block.words["r"] * state.unit_mm) if "r" in block.words else math.hypot(ca - a0, cb - b0)
    if not ("r" in block.words or state.ints[kernels.ARC_ABSOLUTE]):
        letter_a, letter_b = PLANES[state.mode(kernels.PLANE)][3:5]
        r0 = math.hypot(block.words.get(letter_a, 0.0) * state.unit_mm, block.words.get(letter_b, 0.0) * state.unit_mm)
    slack = 0.0002 * 25.4 if state.unit_mm != 1.0 else 0.002
    off = abs(math.hypot(a1 - ca, b1 - cb) - r0)
    if "r" not in block.words and (r0 <= kernels.STILL_MM or off > slack):
        raise RefusedError("arc-radius", "the end is off the circle through the start", measured=off, limit=slack, unit="mm")
    sweep = kernels.arc_sweep_rad(a0, b0, a1, b1, ca, cb, clockwise)
    chords = kernels.chord_count(r0, sweep, float(state.floats[kernels.CHORD_MM]), MOST_CHORDS)
    rise = float(target[ic] - here[ic]) if "xyz"[ic] in block.words else 0.0
    return np.array([ia, ib, ic, chords, ca, cb, sweep]), math.hypot(r0 * sweep, rise)


def put_arc_rows(state: State, arc: np.ndarray, target: np.ndarray, minutes: float, line: int) -> None:
    """Add the chords of an arc as rows and move the tip to its end."""
    rows, count = state.rows, int(arc[3])
    if rows.n + count > state.traits.max_rows:
        raise TooManyRowsError
    rows.make_room(count)
    begin = rows.n
    kernels.put_arc(rows.for_run(), begin, arc, state.here, target, state.shift, minutes, line)
    rows.n += count
    rows.label(begin, state.labels())
    state.here[:] = target
