"""The smallest set of angles at which a part can be cut: what each angle reaches, covered exactly.

Candidates are the angles that bring a flat or a bore square to the cutter, and a regular fan. The choice is a set cover
(Frank, Wysk, Joshi 2006 use one for rotary set-ups), solved exactly as a mixed-integer program: a side costs 1, an angle of
the fan a little more; surface that stays uncut, and flats or bores that no side brings square, cost by their area.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import Bounds, LinearConstraint, milp

from newel.core.errors import BadInput
from newel.core.frames import turn_about_x
from newel.core.plan import Decision, Side
from newel.core.units import degrees
from newel.geometry.features import Features
from newel.planning.side_reach import SideReach, Why

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

# What is worth a side of its own (a turn, a clamping and their links, about as long as a cutter change): common practice.
WORTH_SHARE = 0.002  # of the surface, if it would stay uncut
SQUARE_SHARE = 0.005  # of the surface, if it would be cut askew
MOST_FOR_SQUARE = 3.0  # sides
FAN_COST = 0.05  # an angle of the fan costs this much more: of two equal choices the one with a reason is taken
FAN_STEP_DEG = 15.0
SAME_DEG = 0.05
OUTSIDE_MM = 0.02
SQUARE_DEG = 0.1
NAMED = "named in the job file"
ACROSS = 0.002  # sine of the lean along X up to which a flat or bore still counts as square to the axis


@dataclass(frozen=True)
class Candidate:
    """An angle that may become a side, and why it is one."""

    turn_deg: float
    because: str
    of_fan: bool = False


@dataclass(frozen=True)
class Squared:
    """A flat or bore that likes to be square to the cutter: at which turns it is, and what share of the surface it is.

    `seen_deg`: for flats also the turns at which it is a wall square to the table, which the flank finishes as well.
    """

    square_deg: tuple[float, ...]
    seen_deg: tuple[float, ...]
    share: float
    name: str


def candidates(features: Features, step_deg: float = FAN_STEP_DEG) -> tuple[Candidate, ...]:
    """Return the angles that features (bar frame) suggest, largest area first, and those of a regular fan between them."""
    asked: list[tuple[float, float, str]] = []
    for flat in features.flats:
        if abs(flat.normal[0]) <= ACROSS:
            asked.append((flat.area_mm2, up_deg(flat.normal), "a flat lies square to the cutter"))
    for bore in features.rounds:
        if bore.hollow and abs(bore.axis[0]) <= ACROSS:
            area = 2.0 * np.pi * bore.radius_mm * (bore.to_mm - bore.from_mm)
            asked += [(area, up_deg(way * bore.axis), "a bore stands upright") for way in (1.0, -1.0)]
    asked.sort(key=lambda row: (-round(row[0], 3), round(row[1], 4)))
    found: list[Candidate] = []
    for _, turn, because in asked:
        if all(apart_deg(turn, other.turn_deg) > SAME_DEG for other in found):
            found.append(Candidate(turn, because))
    for turn in np.arange(0.0, 360.0, step_deg):
        if all(apart_deg(float(turn), other.turn_deg) > 0.3 * step_deg for other in found):
            found.append(Candidate(float(turn), "of a regular fan", True))
    return tuple(sorted(found, key=lambda item: item.turn_deg))


def squared(features: Features, area_mm2: float, vertices: Floats) -> tuple[Squared, ...]:
    """Return the flats and bores that should be square to the cutter, with their shares of the whole surface.

    A flat on the part's outside (nothing of its `vertices` (n, 3) stands over it) is faced in a moment where it is square and
    laboriously gone round where it stands upright; the walls of pockets and slots are finished well by a flank.
    """
    found = []
    for flat in features.flats:
        if abs(flat.normal[0]) <= ACROSS:
            turn = up_deg(flat.normal)
            outside = float((vertices @ flat.normal).max()) <= flat.offset_mm + OUTSIDE_MM
            seen = () if outside else ((turn + 90.0) % 360.0, (turn - 90.0) % 360.0)
            found.append(Squared((turn,), seen, flat.area_mm2 / area_mm2, flat.name or "flat"))
    for bore in features.rounds:
        if bore.hollow and abs(bore.axis[0]) <= ACROSS:
            area = np.radians(bore.around_deg) * bore.radius_mm * (bore.to_mm - bore.from_mm)
            turns = (up_deg(bore.axis), up_deg(-bore.axis))
            found.append(Squared(turns, (), area / area_mm2, bore.name or f"bore of {2.0 * bore.radius_mm:.2f} mm"))
    return tuple(found)


def up_deg(direction: Floats) -> float:
    """Return the turn, 0 to 360, that brings a direction of the bar frame (square to X) upright."""
    return round(float(90.0 - np.degrees(np.arctan2(direction[2], direction[1]))) % 360.0, 6) % 360.0


def apart_deg(one: float, other: float) -> float:
    """Return how far two turns are apart, 0 to 180."""
    return abs((one - other + 180.0) % 360.0 - 180.0)


def choose_sides(
    reach: SideReach, asked: Sequence[Candidate], squares: Sequence[Squared], named_deg: Sequence[float] | None = None
) -> tuple[tuple[Side, ...], tuple[Decision, ...]]:
    """Choose the sides among the candidates (rows of `reach.touched`, in order), or take those the job file names.

    Raises BadInput where no side reaches anything.
    """
    whole = len(reach.sample.points)
    if named_deg is not None:
        chosen = [_row_of(turn, asked) for turn in named_deg]
    else:
        patterns, back = np.unique(reach.touched, axis=1, return_inverse=True)
        share = np.bincount(np.ravel(back), minlength=patterns.shape[1]) / whole
        some = patterns.any(axis=0)
        chosen = cover(patterns[:, some], share[some] / WORTH_SHARE, *_square_rows(asked, squares), _costs(asked))
    if not chosen or not reach.touched[chosen].any():
        raise BadInput("no side reaches anything of the part", where="[sides] angles_deg", remedy="leave the angles out")
    chosen.sort(key=lambda k: asked[k].turn_deg)
    seen: Bools = np.logical_or.reduce(reach.touched[chosen], axis=0)
    sides = tuple(
        Side(asked[k].turn_deg, float(np.mean(reach.touched[k])), asked[k].because if named_deg is None else NAMED)
        for k in chosen
    )
    return sides, _said(reach, chosen, seen, asked, squares, named_deg is not None)


def cover(patterns: Bools, worth: Floats, square: Bools, square_worth: Floats, cost: Floats) -> list[int]:
    """Return the cheapest choice of rows, exactly.

    `patterns` (k, m): which row covers which piece; `worth` (m,): the cost of a piece left uncovered. `square` (k, f): which
    row serves which feature; `square_worth` (f,): the cost of one not served. `cost` (k,): of the rows themselves.
    """
    k, m = patterns.shape
    f = square.shape[1]
    serves = np.hstack([patterns, square]).T.astype(float)  # a row of the program for each piece and feature
    objective = np.concatenate([cost, worth, square_worth])
    whole = np.concatenate([np.ones(k), np.zeros(m + f)])
    solved = milp(
        objective,
        constraints=LinearConstraint(np.hstack([serves, np.eye(m + f)]), lb=1.0),
        integrality=whole,
        bounds=Bounds(0.0, 1.0),
        options={"mip_rel_gap": 0.0},
    )
    return [int(j) for j in np.flatnonzero(solved.x[:k] > 0.5)] if solved.x is not None else []


def _costs(asked: Sequence[Candidate]) -> Floats:
    # the last term breaks ties between equal choices the same way every time
    return np.array([1.0 + FAN_COST * item.of_fan + 1e-5 * j for j, item in enumerate(asked)])


def _square_rows(asked: Sequence[Candidate], squares: Sequence[Squared]) -> tuple[Bools, Floats]:
    serves = np.zeros((len(asked), len(squares)), bool)
    for f, feature in enumerate(squares):
        for k, item in enumerate(asked):
            serves[k, f] = any(
                apart_deg(item.turn_deg, turn) <= SQUARE_DEG for turn in (*feature.square_deg, *feature.seen_deg)
            )
    worth = np.array([min(feature.share / SQUARE_SHARE, MOST_FOR_SQUARE) for feature in squares])
    return serves, worth


def _row_of(turn_deg: float, asked: Sequence[Candidate]) -> int:
    return min(range(len(asked)), key=lambda k: (apart_deg(turn_deg, asked[k].turn_deg), k))


def _said(
    reach: SideReach, chosen: Sequence[int], seen: Bools, asked: Sequence[Candidate], squares: Sequence[Squared], named: bool
) -> tuple[Decision, ...]:
    any_side = reach.touched.any(axis=0)
    square = sum(
        any(apart_deg(asked[k].turn_deg, turn) <= SQUARE_DEG for k in chosen for turn in feature.square_deg)
        for feature in squares
    )
    turns = ", ".join(degrees(asked[k].turn_deg, 1) for k in chosen)
    because = (
        f"reach {100.0 * float(seen.mean()):.1f} % of the surface, of {100.0 * float(any_side.mean()):.1f} % that any of "
        f"{len(asked)} angles tried could reach; {square} of {len(squares)} flats and bores stand square to the cutter"
    )
    if not named:
        because += "; no smaller set is cheaper (solved exactly)"
    said = [Decision("sides", f"{len(chosen)}, at {turns}", because, by="job file" if named else "Newel")]
    return tuple(said)


def hidden_said(why: NDArray[np.uint8], words: dict[Why, str]) -> tuple[Decision, ...]:
    """Say what no side reaches, and why."""
    parts = [
        f"{100.0 * float((why == reason).mean()):.1f} % {words[reason]}" for reason in words if (why == reason).mean() >= 0.0005
    ]
    if not parts:
        return ()
    total = 100.0 * float((why != Why.REACHED).mean())
    return (Decision("what no side reaches", f"{total:.1f} % of the surface", "; ".join(parts)),)


def turned(points: Floats, turn_deg: float) -> Floats:
    """Return points or directions (n, 3) of the bar frame as they stand at a turn."""
    return points @ turn_about_x(turn_deg).T
