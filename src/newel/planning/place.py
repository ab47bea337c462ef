"""Where the part lies in the bar: which of its axes runs along the bar, which end to the chuck, turned by how much."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import linprog
from scipy.spatial import ConvexHull

from newel.core.errors import BadInput, Infeasible
from newel.core.job import PlaceAsk, Section
from newel.core.plan import Decision, Placement
from newel.core.units import degrees, mm

Floats = NDArray[np.float64]

SKIN_MM = 0.2  # least material outside the part: bars are never quite true to size (common practice)
COARSE_TURN_DEG = 3.0  # turns are tried in these steps, then in whole degrees about the best
OWN_AXIS_MM = 0.05
LIE_DECISION = "how the part lies in the bar"  # what the decision about the axis is called
AXIS_NAMES = ("x", "-x", "y", "-y", "z", "-z")


@dataclass(frozen=True)
class Lie:
    """One way the part could lie: the axis that runs toward the tailstock, its length, and the skin around it.

    `skin_mm` is the least distance from the part to the bar's skin (negative: the part sticks out).
    """

    axis: str
    turn_deg: float
    length_mm: float
    skin_mm: float
    radius_mm: float
    bar_from_model: Floats


def place(
    vertices: Floats,
    asked: PlaceAsk,
    section: Section,
    size_mm: tuple[float, ...],
    holds: Callable[[Floats], bool] | None = None,
) -> tuple[Placement, tuple[Decision, ...]]:
    """Lay the part in the bar with the least bar used; the part then begins at X = 0 (hold moves it along).

    `vertices` (n, 3) in mm, model frame. `holds` tells of a way to lie (bar_from_model (4, 4), the part's end at the chuck at
    X = 0) whether a stub can hold the part there: ways that can be held go first.
    Raises Infeasible where no way of laying it fits inside the section, naming the scale that would fit, and BadInput for an
    axis that is none.
    """
    lies = ways_to_lie(vertices, section, size_mm, asked)
    fitting = [lie for lie in lies if lie.skin_mm >= SKIN_MM]
    if not fitting:
        best = max(lies, key=lambda lie: lie.skin_mm)
        scale = fitting_scale(best, section, size_mm)
        raise Infeasible(
            f"the part does not fit into the {section.value} bar: it sticks out by {mm(SKIN_MM - best.skin_mm)} at best",
            measured=best.skin_mm,
            limit=SKIN_MM,
            unit="mm",
            where=f"model laid with its {_spoken(best.axis)} along the bar",
            remedy=f"take a larger bar, or scale the model by {scale:.3f}",
        )
    held = [lie for lie in fitting if holds is None or holds(lie.bar_from_model)]
    least, chosen = _least_bar(fitting, vertices), _least_bar(held or fitting, vertices)
    others = tuple(f"{_spoken(lie.axis)} ({mm(lie.length_mm, 1)} of bar)" for lie in fitting if lie.axis[-1] != chosen.axis[-1])
    by = "Newel" if asked.axis is None else "job file"
    decision = Decision(
        what=LIE_DECISION,
        chosen=f"the model's {_spoken(chosen.axis)} toward the tailstock, turned {degrees(chosen.turn_deg, 1)}",
        because=f"needs {mm(chosen.length_mm, 1)} of bar, leaves {mm(chosen.skin_mm)} of skin; {_end_words(least, chosen)}",
        instead_of=others,
        by=by,
    )
    placement = Placement(chosen.bar_from_model, 0.0, chosen.length_mm, chosen.radius_mm)
    return placement, (decision,)


def ways_to_lie(vertices: Floats, section: Section, size_mm: tuple[float, ...], asked: PlaceAsk) -> list[Lie]:
    """Return every way of laying the part with a model axis along the bar, best turn and sideways place of each."""
    if asked.axis is not None and asked.axis.lstrip("+") not in AXIS_NAMES:
        raise BadInput(
            f"{asked.axis!r} is not an axis of the model", where="[place] axis", remedy=f"write one of {', '.join(AXIS_NAMES)}"
        )
    hull = vertices[ConvexHull(vertices).vertices]
    names = AXIS_NAMES if asked.axis is None else (asked.axis.lstrip("+"),)
    return [_lie(hull, name, section, size_mm, asked.turn_deg) for name in names]


def fitting_scale(lie: Lie, section: Section, size_mm: tuple[float, ...]) -> float:
    """Return the scale at which a part that lies so would keep the least skin (0.1 % under, to be sure)."""
    reach = min(size_mm) / 2.0
    return max(0.0, (reach - SKIN_MM) / (reach - lie.skin_mm)) * 0.999


def section_sides(section: Section, size_mm: tuple[float, ...]) -> tuple[Floats, Floats]:
    """Return the section's sides as outward normals (k, 2) in (Y, Z) and distances (k,) from the axis; round: 90 tangents."""
    if section is Section.ROUND:
        angles = np.arange(90) * 4.0
        distances = np.full(90, size_mm[0] / 2.0)
    elif section is Section.HEXAGON:
        angles = 90.0 + np.arange(6) * 60.0
        distances = np.full(6, size_mm[0] / 2.0)
    else:
        width, height = (size_mm[0], size_mm[0]) if section is Section.SQUARE else (size_mm[0], size_mm[1])
        angles = np.arange(4) * 90.0
        distances = np.array([width, height, width, height]) / 2.0
    rad = np.radians(angles)
    return np.column_stack([np.cos(rad), np.sin(rad)]), distances


def corner_radius_mm(section: Section, size_mm: tuple[float, ...]) -> float:
    """Return the circle that the bar's corners swing on as it turns (references: a / sqrt 2 for a square bar)."""
    if section is Section.ROUND:
        return size_mm[0] / 2.0
    if section is Section.HEXAGON:
        return size_mm[0] / np.sqrt(3.0)
    width, height = (size_mm[0], size_mm[0]) if section is Section.SQUARE else (size_mm[0], size_mm[1])
    return float(np.hypot(width, height) / 2.0)


def laid_as(bar_from_model: Floats) -> PlaceAsk:
    """Return the axis and turn that lay a part the way a placement does."""
    rotation = bar_from_model[:3, :3] / np.cbrt(np.linalg.det(bar_from_model[:3, :3]))
    axis = max(AXIS_NAMES, key=lambda name: float(_rows_along(name)[0] @ rotation[0]))
    about_x = rotation @ _rows_along(axis).T
    return PlaceAsk(axis, float(np.degrees(np.arctan2(about_x[2, 1], about_x[1, 1]))))


def _lie(hull: Floats, axis: str, section: Section, size_mm: tuple[float, ...], turn_deg: float | None) -> Lie:
    turned = hull @ _rows_along(axis).T
    normals, distances = section_sides(section, size_mm)
    flat = turned[ConvexHull(turned[:, 1:]).vertices, 1:]
    period = {Section.ROUND: 1.0, Section.SQUARE: 90.0, Section.RECTANGLE: 180.0, Section.HEXAGON: 60.0}[section]
    if turn_deg is not None:
        best = _seat(flat, turn_deg, normals, distances)
    else:
        coarse = [_seat(flat, turn, normals, distances) for turn in np.arange(0.0, period, COARSE_TURN_DEG)]
        at = max(coarse, key=lambda seat: round(seat[0], 3))[1]
        near = [_seat(flat, at + aside, normals, distances) for aside in (-2.0, -1.0, 1.0, 2.0)] if period > 1.0 else []
        best = max([*coarse, *near], key=lambda seat: round(seat[0], 3))
    skin, turn, shift = best
    c, s = np.cos(np.radians(turn)), np.sin(np.radians(turn))
    matrix = np.eye(4)
    matrix[:3, :3] = np.array([[1.0, 0.0, 0.0], [0.0, c, -s], [0.0, s, c]]) @ _rows_along(axis)
    matrix[1:3, 3] = shift
    matrix[0, 3] = -float(turned[:, 0].min())
    placed = turned[:, 1:] @ np.array([[c, s], [-s, c]]) + shift
    return Lie(axis, float(turn), float(np.ptp(turned[:, 0])), skin, float(np.linalg.norm(placed, axis=1).max()), matrix)


def _seat(flat: Floats, turn_deg: float, normals: Floats, distances: Floats) -> tuple[float, float, Floats]:
    """Return (skin, turn, shift): the sideways place with the most skin, by a linear program over the section's sides."""
    c, s = np.cos(np.radians(turn_deg)), np.sin(np.radians(turn_deg))
    points = flat @ np.array([[c, s], [-s, c]])
    reach = (points @ normals.T).max(axis=0)
    own = float((distances - reach).min())
    solved = linprog(
        c=[0.0, 0.0, -1.0],
        A_ub=np.column_stack([normals, np.ones(len(normals))]),
        b_ub=distances - reach,
        bounds=[(None, None)] * 3,
        method="highs",
    )
    skin = float(solved.x[2])
    # The model's own axis is kept where it serves as well as the best sideways place: drawn parts turn about it.
    if own >= skin - OWN_AXIS_MM:
        return own, turn_deg, np.zeros(2)
    return skin, turn_deg, np.asarray(solved.x[:2])


def _least_bar(fitting: list[Lie], vertices: Floats) -> Lie:
    shortest = min(lie.length_mm for lie in fitting)
    near = [lie for lie in fitting if lie.length_mm <= shortest * 1.001 + 0.01]
    return max(near, key=lambda lie: round(_stoutness_at_chuck(lie, vertices), 3))


def _end_words(least: Lie, chosen: Lie) -> str:
    """Say of the end at the chuck why it is that one."""
    if chosen is least:
        return "the stouter end at the chuck"
    if chosen.axis[-1] == least.axis[-1]:
        return "the end at the chuck that a stub can hold: at the other the part is open about the axis"
    return (
        f"{_spoken(least.axis)} would need {mm(least.length_mm, 1)}, but the part is open there about the axis, "
        "where a stub should hold it"
    )


def _stoutness_at_chuck(lie: Lie, vertices: Floats) -> float:
    """Return how much stouter the chuck's tenth of the part is than the tailstock's, in mm of radius."""
    points = vertices @ lie.bar_from_model[:3, :3].T + lie.bar_from_model[:3, 3]
    radius = np.hypot(points[:, 1], points[:, 2])
    low = points[:, 0] <= 0.1 * lie.length_mm
    high = points[:, 0] >= 0.9 * lie.length_mm
    return float(radius[low].max() - radius[high].max())


def _rows_along(axis: str) -> Floats:
    """Return the proper rotation (3, 3) that lays the named model axis along +X."""
    index = "xyz".index(axis[-1])
    rows = np.roll(np.eye(3), -index, axis=0)
    if axis.startswith("-"):
        rows = np.diag([-1.0, -1.0, 1.0]) @ rows
    return rows


def _spoken(axis: str) -> str:
    return f"{'-' if axis.startswith('-') else '+'}{axis[-1].upper()}"
