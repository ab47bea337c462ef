"""Threads: the model shows a plain hole, the job asks for a thread in it. What is true there, and what has come of it.

Between the bore and the sharp corner of the profile's triangle material may be gone: that is the thread, and no gouge; what is
gone beyond it is one. The thread itself is measured on what the rays show: points of the wall are folded by the pitch into one
groove. Pitch and hand are those that fold best; the pitch diameter is where flanks of 30 degrees through the points leave
groove and ridge equally wide (ISO 68-1).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from newel.core.asked import ThreadedHole
from newel.core.findings import Finding
from newel.core.units import mm
from newel.proof.course import finding
from newel.proof.results import ThreadMeasured
from newel.shop.iso_threads import ThreadSizes, inside_limits, thread_name, thread_sizes

Floats = NDArray[np.float64]

MARGIN_MM = 0.02  # of measuring, on every diameter: what a gouge may be by default
END_PITCHES = 0.4  # of a hole are left out at either end
NEAR_MM = 0.3  # so far beyond the profile points still belong to the thread
ON_MODEL_MM = 0.05  # a place this near to the model's surface lies on it
LEAST_CONTRAST = 0.25  # of the folded groove, where 1 is a groove of no width; a full profile folds to about 0.6
PITCH_SEARCH = (0.6, 1.6)  # of the asked pitch
RUN_OUT_PITCHES = 2.0  # that a blind thread may end short of its hole (common practice)
FEWEST_POINTS = 60
_TAN_FLANK = math.tan(math.radians(30.0))  # ISO 68-1


def placed(hole: ThreadedHole, matrix: Floats) -> ThreadedHole:
    """Return a hole taken along by a rigid motion (4, 4)."""
    turn, shift = matrix[:3, :3], matrix[:3, 3]
    return replace(hole, point=turn @ hole.point + shift, axis=turn @ hole.axis)


def as_threaded(off_mm: Floats, points: Floats, holes: Sequence[ThreadedHole]) -> Floats:
    """Return deviations (k,) of points (k, 3) from the part with its threads; `off_mm` are those from the plain model.

    The allowed room is the cylinder of the profile's sharp corner over the hole's length: a gouge inside it is none, and beyond
    it only what lies beyond counts (distance to a solid less a cylinder). Where the model shows the hole wider than the
    thread's own bore, material down to that bore may stand.
    """
    off = np.array(off_mm, dtype=np.float64)
    for hole in holes:
        sizes = thread_sizes(hole.nominal_mm, hole.pitch_mm)
        along, r, _ = _seen(hole, points)
        out = np.maximum(r - 0.5 * inside_limits(sizes).major_mm[1], np.maximum(hole.from_mm - along, along - hole.to_mm))
        deep = off < 0.0
        off[deep] = np.maximum(off[deep], np.minimum(0.0, -out[deep]))
        if hole.bore_mm >= sizes.d2:
            high = (off > 0.0) & (out < 0.0)
            off[high] = np.minimum(off[high], np.maximum(0.0, 0.5 * sizes.D1 - r[high]))
    return off


def measure_threads(points: Floats, off_mm: Floats, holes: Sequence[ThreadedHole]) -> tuple[ThreadMeasured, ...]:
    """Measure every thread on points (k, 3) of the carved surface; holes and points in the bar frame.

    `off_mm` (k,): how far the points lie off the plain model, nan where that is next to nothing. A groove lies under the
    model's surface; what lies on it beside the bore is a wall or a round that the hole comes out of, and no thread.
    """
    return tuple(_measured(points, off_mm, hole) for hole in holes)


def thread_findings(threads: Sequence[ThreadMeasured]) -> list[Finding]:
    """Return what is wrong with threads: not there, wrong hand, pitch, diameters or length."""
    found: list[Finding] = []
    for thread in threads:
        where = f"{thread.name} in the bar at X {thread.x_mm:.2f}"
        if thread.missing:
            found.append(finding("thread-missing", f"{where}: {thread.missing}"))
            continue
        sizes = thread_sizes(thread.nominal_mm, thread.asked_pitch_mm)
        limits = inside_limits(sizes)
        # over the thread's length a wrong pitch must not shift a flank by more than the pitch diameter's tolerance allows
        off = (limits.pitch_mm[1] - limits.pitch_mm[0]) * _TAN_FLANK * sizes.pitch / max(thread.length_mm, sizes.pitch)
        checks = (
            ("pitch", thread.pitch_mm, (sizes.pitch - off, sizes.pitch + off), 0.0),
            ("pitch diameter", thread.pitch_diameter_mm, limits.pitch_mm, MARGIN_MM),
            ("major diameter", thread.major_mm, limits.major_mm, MARGIN_MM),
            ("length", thread.length_mm, (thread.hole_length_mm - RUN_OUT_PITCHES * sizes.pitch, math.inf), 0.0),
        )
        for what, value, (low, high), margin in checks:
            if not low - margin <= value <= high + margin:
                limit = low if value < low else high
                says = f"{where}: its {what} is {mm(value, 3)}, {mm(low, 3)} to {mm(high, 3)} it may be"
                found.append(finding("thread-size", says, measured=value, limit=limit, unit="mm"))
        low, high = limits.minor_mm
        if not low - MARGIN_MM <= thread.minor_mm <= high + MARGIN_MM:
            says = f"{where}: its bore is {mm(thread.minor_mm, 3)}, {mm(low, 3)} to {mm(high, 3)} it should be"
            found.append(finding("thread-bore", says, measured=thread.minor_mm, limit=high, unit="mm"))
    return found


def _seen(hole: ThreadedHole, points: Floats) -> tuple[Floats, Floats, Floats]:
    """Return how far along the axis, how far from it, and at what angle about it (radians) points (k, 3) lie."""
    first = np.cross(hole.axis, [1.0, 0.0, 0.0] if abs(hole.axis[0]) < 0.9 else [0.0, 1.0, 0.0])
    first /= np.linalg.norm(first)
    other = np.cross(hole.axis, first)
    away = points - hole.point
    along = away @ hole.axis
    u, v = away @ first, away @ other
    return along, np.hypot(u, v), np.arctan2(v, u)


def _measured(points: Floats, off_mm: Floats, hole: ThreadedHole) -> ThreadMeasured:
    sizes = thread_sizes(hole.nominal_mm, hole.pitch_mm)
    blank = ThreadMeasured(
        name=thread_name(sizes),
        x_mm=float((hole.point + 0.5 * (hole.from_mm + hole.to_mm) * hole.axis)[0]),
        nominal_mm=hole.nominal_mm,
        asked_pitch_mm=hole.pitch_mm,
        hole_length_mm=hole.to_mm - hole.from_mm,
    )
    along, r, angle = _seen(hole, points)
    least = 0.5 * min(sizes.D1, hole.bore_mm)
    # the faces at both ends, a floor and a bevel at the mouth are no thread
    near = np.abs(along - 0.5 * (hole.from_mm + hole.to_mm)) <= 0.5 * (hole.to_mm - hole.from_mm) - END_PITCHES * hole.pitch_mm
    near &= (r <= 0.5 * hole.bore_mm + ON_MODEL_MM) | (off_mm < -ON_MODEL_MM)
    near &= r >= least - NEAR_MM
    near &= r <= 0.5 * inside_limits(sizes).major_mm[1] + NEAR_MM
    along, r, angle = along[near], r[near], angle[near]
    if len(r) < FEWEST_POINTS:
        return replace(blank, missing="no hole is there")
    cut = np.maximum(r - (least + 0.1 * (0.5 * sizes.d - least)), 0.0)
    if np.mean(cut > 0.0) < 0.05:
        return replace(blank, missing="the hole is plain")
    pitch, contrast = _pitch(cut, along, angle, hole.pitch_mm)
    _, other_hand = _pitch(cut, along, -angle, hole.pitch_mm)
    if contrast < max(LEAST_CONTRAST, other_hand):
        why = "it is a left-hand one" if other_hand >= LEAST_CONTRAST else "no groove winds round the hole"
        return replace(blank, missing=why)
    for _ in range(2):
        # what the flanks drift along the hole is what the pitch is off
        beside = _fold(cut, along, angle, pitch)
        off = beside - np.sign(beside) * np.maximum(0.25 * pitch - (r - 0.5 * sizes.d2) * _TAN_FLANK, 0.0)
        flank = _flank(sizes, r) & (np.abs(off) < 0.15 * pitch)
        if flank.sum() < FEWEST_POINTS:
            break
        pitch *= 1.0 + float(np.polyfit(along[flank], off[flank], 1)[0])
    return _sized(blank, sizes, along, r, _fold(cut, along, angle, pitch), pitch)


def _pitch(cut: Floats, along: Floats, angle: Floats, asked_mm: float) -> tuple[float, float]:
    """Return the pitch by which the groove folds best, and how well: the share of the first harmonic."""
    length, low, high = max(float(np.ptp(along)), asked_mm), *(share * asked_mm for share in PITCH_SEARCH)

    def folded(per_mm: float) -> float:
        return float(abs(np.sum(cut * np.exp(1j * (2.0 * np.pi * per_mm * along - angle)))) / max(cut.sum(), 1e-12))

    step = 0.05 / length
    tried = np.arange(1.0 / high, 1.0 / low + step, step)
    values = np.array([folded(per_mm) for per_mm in tried])
    best = float(tried[int(np.argmax(values))])
    for _ in range(6):  # a parabola through three places finds the top of a smooth hill
        side = (folded(best - step), folded(best), folded(best + step))
        bend = side[0] - 2.0 * side[1] + side[2]
        if bend >= 0.0:
            break
        best += float(np.clip(0.5 * (side[0] - side[2]) / bend, -1.0, 1.0)) * step
        step *= 0.5
    return 1.0 / best, folded(best)


def _fold(cut: Floats, along: Floats, angle: Floats, pitch: float) -> Floats:
    """Return how far each point (k,) lies from the middle of its groove along the axis, within half a pitch."""
    turns = along / pitch - angle / (2.0 * np.pi)
    middle = np.angle(np.sum(cut * np.exp(2j * np.pi * turns))) / (2.0 * np.pi)
    return np.asarray(((turns - middle + 0.5) % 1.0 - 0.5) * pitch)


def _flank(sizes: ThreadSizes, r: Floats) -> NDArray[np.bool_]:
    """Tell which radii (k,) lie well on the profile's flanks."""
    deep = 0.5 * (sizes.d - sizes.D1)
    return np.asarray((r > 0.5 * sizes.D1 + 0.15 * deep) & (r < 0.5 * sizes.d - 0.15 * deep))


def _sized(blank: ThreadMeasured, sizes: ThreadSizes, along: Floats, r: Floats, beside: Floats, pitch: float) -> ThreadMeasured:
    ways = [_flank(sizes, r) & (beside * way > 0.0) for way in (1.0, -1.0)]
    if min(int(way.sum()) for way in ways) < 10:
        return replace(blank, missing="its groove has no flanks")
    # on a flank of the profile |beside| = P/4 - (r - d2/2) tan 30; the mean of both flanks does not mind where the middle is
    across = [float(np.median(2.0 * (r[way] + (np.abs(beside[way]) - 0.25 * pitch) / _TAN_FLANK))) for way in ways]
    full = r >= 0.5 * sizes.d - 0.05 * (sizes.d - sizes.D1)
    bins = np.floor((along - along.min()) / pitch).astype(np.int64)
    ridge = np.abs(beside) > 0.45 * pitch
    return replace(
        blank,
        pitch_mm=pitch,
        pitch_diameter_mm=0.5 * (across[0] + across[1]),
        major_mm=2.0 * float(r.max()),
        minor_mm=2.0 * float(np.median(r[ridge])) if ridge.any() else 2.0 * float(r.min()),
        length_mm=min(pitch * len(np.unique(bins[full])) + 2.0 * END_PITCHES * pitch, blank.hole_length_mm),
    )
