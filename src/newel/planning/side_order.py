"""In what order cuts are made: what must come first comes first, then fewest cutter changes, then fewest degrees of turning."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

from newel.planning.sides import apart_deg

MOST_STATES = 20_000  # of the exact search for the fewest changes; beyond it the next cutter with most to do is taken


@dataclass(frozen=True)
class Step:
    """One cut to be ordered: its cutter, its turn (None: the bar turns), a rank among equals, and what must come before it."""

    cutter: str
    turn_deg: float | None
    rank: int
    after: frozenset[int]


def ordered(steps: Sequence[Step]) -> list[int]:
    """Return the order (indices) with the fewest cutter changes, and within a cutter's run the nearest turn next.

    Raises ValueError where the steps wait for one another in a circle.
    """
    order: list[int] = []
    done: frozenset[int] = frozenset()
    at_deg = 0.0
    for cutter in _runs(steps):
        while ready := [k for k in _ready(steps, done) if steps[k].cutter == cutter]:
            k = min(ready, key=lambda k: (*_way(steps[k].turn_deg, at_deg), steps[k].rank, k))
            order.append(k)
            done |= {k}
            turn = steps[k].turn_deg
            at_deg = at_deg if turn is None else turn
    return order


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
