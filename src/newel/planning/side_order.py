"""In what order cuts are made: what must come first comes first, then fewest cutter changes, then the stiffest bar.

Among the sides that may come next, the one after which the bar gives least where it is still to be cut; of sides that differ
hardly, the nearest turn.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from newel.planning.sides import apart_deg

Floats = NDArray[np.float64]

MOST_STATES = 20_000  # of the exact search for the fewest changes; beyond it the next cutter with most to do is taken


@dataclass(frozen=True)
class Step:
    """One cut to be ordered: its cutter, its turn (None: the bar turns), a rank among equals, and what must come before it."""

    cutter: str
    turn_deg: float | None
    rank: int
    after: frozenset[int]


Gives = Callable[[frozenset[int], Sequence[int]], Floats]  # how far the bar gives where some steps work, others being done
SAME_SHARE = 0.02  # sides after which the bar gives alike within this are told apart by the turn


def ordered(steps: Sequence[Step], gives: Gives | None = None) -> list[int]:
    """Return the order (indices) with the fewest cutter changes; within a cutter's run, the side that leaves the bar stiffest.

    Without `gives` the nearest turn is next. Raises ValueError where the steps wait for one another in a circle.
    """
    order: list[int] = []
    done: frozenset[int] = frozenset()
    at_deg = 0.0
    for cutter in _runs(steps):
        while ready := [k for k in _ready(steps, done) if steps[k].cutter == cutter]:
            ready = _stiffest(steps, done, ready, at_deg, gives) if gives is not None else ready
            k = min(ready, key=lambda k: (*_way(steps[k].turn_deg, at_deg), steps[k].rank, k))
            order.append(k)
            done |= {k}
            turn = steps[k].turn_deg
            at_deg = at_deg if turn is None else turn
    return order


def stiffest_order(steps: Sequence[Step], gives: Gives | None) -> list[int]:
    """Return the better of two orders: the stiffest side next, or the nearest turn next, by how the bar gives on average."""
    nearest = ordered(steps)
    if gives is None:
        return nearest
    stiff = ordered(steps, gives)
    return stiff if mean_give(steps, stiff, gives) < mean_give(steps, nearest, gives) * (1.0 - 1e-9) else nearest


def mean_give(steps: Sequence[Step], order: Sequence[int], gives: Gives) -> float:
    """Return how far the bar gives a newton where each clamped cut works, as it stands then, on average over the cuts."""
    done: frozenset[int] = frozenset()
    found = []
    for k in order:
        if steps[k].turn_deg is not None:
            found.append(float(gives(done, [k])[0]))
        done |= {k}
    return float(np.mean(found)) if found else 0.0


def _stiffest(steps: Sequence[Step], done: frozenset[int], ready: list[int], at_deg: float, gives: Gives) -> list[int]:
    """Keep of the ready steps those of the sides after which the bar gives least; the clamped side is finished first."""
    here = [k for k in ready if steps[k].turn_deg == at_deg]
    if here:
        return here
    sides = {steps[k].turn_deg for k in ready if steps[k].turn_deg is not None}
    if len(sides) < 2:
        return ready
    soft: dict[float | None, float] = {}
    for side in sides:
        then = done | {k for k in ready if steps[k].turn_deg == side}
        left = [k for k in range(len(steps)) if k not in then and steps[k].turn_deg is not None]
        soft[side] = float(gives(then, left).max(initial=0.0))
    most = (1.0 + SAME_SHARE) * min(soft.values())
    return [k for k in ready if soft.get(steps[k].turn_deg, math.inf) <= most]


def changes(steps: Sequence[Step], order: Sequence[int]) -> int:
    """Count the cutter changes of an order, the first cutter's own not counted."""
    return sum(steps[a].cutter != steps[b].cutter for a, b in pairwise(order))


def turns(steps: Sequence[Step], order: Sequence[int]) -> int:
    """Count how often an order clamps the bar at another turn than before."""
    return sum(steps[a].turn_deg != steps[b].turn_deg for a, b in pairwise(order))


def _runs(steps: Sequence[Step]) -> list[str]:
    """Return the cutters, run by run, with the fewest runs: a breadth-first search over what is done after each run."""
    start: frozenset[int] = frozenset()
    everything = frozenset(range(len(steps)))
    front: dict[frozenset[int], list[str]] = {start: []}
    seen = {start}
    while front:
        following: dict[frozenset[int], list[str]] = {}
        for done, run in front.items():
            if done == everything:
                return run
            for cutter in sorted({steps[k].cutter for k in _ready(steps, done)}):
                then = _closed(steps, done, cutter)
                if then not in seen:
                    seen.add(then)
                    following[then] = [*run, cutter]
        if len(seen) > MOST_STATES:
            best = max(following, key=lambda done: (len(done), sorted(done)))
            following = {best: following[best]}
        front = following
    raise ValueError("the cuts wait for one another in a circle")


def _closed(steps: Sequence[Step], done: frozenset[int], cutter: str) -> frozenset[int]:
    while more := [k for k in _ready(steps, done) if steps[k].cutter == cutter]:
        done = done.union(more)
    return done


def _ready(steps: Sequence[Step], done: frozenset[int]) -> list[int]:
    return [k for k, step in enumerate(steps) if k not in done and step.after <= done]


def _way(turn_deg: float | None, at_deg: float) -> tuple[float, float]:
    """Return how far a turn is from where the bar stands; of two equally near ones, the one further on."""
    if turn_deg is None:
        return 360.0, 0.0
    return round(apart_deg(turn_deg, at_deg), 3), 0.0 if (turn_deg - at_deg) % 360.0 <= 180.0 else 1.0
