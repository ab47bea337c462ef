"""The order in which places are visited: the shortest tour for a few of them, near the shortest for many.

Up to EXACT_UP_TO places the tour is proved shortest by dynamic programming over subsets (Held and Karp 1962). Beyond, tours
begun at the nearest neighbour of several places are improved by reversing stretches (2-opt: Croes 1958) and by moving up to
three places elsewhere (Or 1976) until neither helps. A tour is open: it begins and ends where it likes.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

EXACT_UP_TO = 11
_BEGINNINGS = 12  # nearest-neighbour tours that are tried
_GAIN_MM = 1e-9
_LONGEST_MOVED = 3  # places that Or's exchange moves together


def short_tour(points: Floats) -> Ints:
    """Return the order (n,) in which to visit places (n, d), in mm, by a short open way; the same input, the same order."""
    n = len(points)
    if n < 3:
        return np.arange(n, dtype=np.int64)
    way = np.linalg.norm(points[:, None, :] - points[None, :, :], axis=2)
    if n <= EXACT_UP_TO:
        return _shortest(way)
    begins = np.unique(np.linspace(0, n - 1, min(_BEGINNINGS, n)).astype(np.int64))
    tours = [_improved(_nearest_next(way, int(first)), way) for first in begins]
    lengths = [float(way[tour[:-1], tour[1:]].sum()) for tour in tours]
    return tours[int(np.argmin(lengths))]


def tour_length_mm(points: Floats, order: Ints) -> float:
    """Return the length of an open tour over places (n, d)."""
    return float(np.linalg.norm(np.diff(points[order], axis=0), axis=1).sum())


def _shortest(way: Floats) -> Ints:
    """Dynamic programming over subsets: the shortest way through each set that ends at each of its members."""
    n = len(way)
    best = np.full((1 << n, n), np.inf)
    before = np.full((1 << n, n), -1, dtype=np.int64)
    best[1 << np.arange(n), np.arange(n)] = 0.0
    for members in range(1, 1 << n):
        inside = (members >> np.arange(n) & 1).astype(bool)
        from_here = np.flatnonzero(inside)
        for k in np.flatnonzero(~inside):
            reach = best[members, from_here] + way[from_here, k]
            at = int(np.argmin(reach))
            more = members | (1 << int(k))
            if reach[at] < best[more, k]:
                best[more, k], before[more, k] = reach[at], from_here[at]
    members, last = (1 << n) - 1, int(np.argmin(best[-1]))
    order = [last]
    while before[members, last] >= 0:
        members, last = members & ~(1 << last), int(before[members, last])
        order.append(last)
    return np.array(order[::-1], dtype=np.int64)


def _nearest_next(way: Floats, first: int) -> Ints:
    n = len(way)
    order, left = [first], np.ones(n, dtype=bool)
    left[first] = False
    for _ in range(n - 1):
        nearest = int(np.argmin(np.where(left, way[order[-1]], np.inf)))
        order.append(nearest)
        left[nearest] = False
    return np.array(order, dtype=np.int64)


def _improved(order: Ints, way: Floats) -> Ints:
    """Reverse and move stretches while that makes the open tour shorter."""
    while True:
        order, reversed_one = _one_reversed(order, way)
        order, moved_one = _one_moved(order, way)
        if not (reversed_one or moved_one):
            return order


def _one_reversed(order: Ints, way: Floats) -> tuple[Ints, bool]:
    """Make the best reversal of a stretch i..j of the tour, if one helps."""
    n = len(order)
    i, j = np.triu_indices(n, 1)
    before, after = order[np.maximum(i - 1, 0)], order[np.minimum(j + 1, n - 1)]
    has_before, has_after = i > 0, j < n - 1
    gain = has_before * (way[before, order[i]] - way[before, order[j]])
    gain = gain + has_after * (way[order[j], after] - way[order[i], after])
    best = int(np.argmax(gain))
    if gain[best] <= _GAIN_MM:
        return order, False
    out = order.copy()
    out[i[best] : j[best] + 1] = out[i[best] : j[best] + 1][::-1]
    return out, True


def _one_moved(order: Ints, way: Floats) -> tuple[Ints, bool]:
    """Move the stretch of up to three places whose move helps most, either end first, if one helps."""
    n = len(order)
    best_gain, best_order = _GAIN_MM, order
    for length in range(1, min(_LONGEST_MOVED, n - 1) + 1):
        for i in range(n - length + 1):
            piece, rest = order[i : i + length], np.concatenate([order[:i], order[i + length :]])
            saved = (way[order[i - 1], piece[0]] if i > 0 else 0.0) + (way[piece[-1], rest[i]] if i < len(rest) else 0.0)
            saved -= way[order[i - 1], rest[i]] if 0 < i < len(rest) else 0.0
            between = way[rest[:-1], rest[1:]]
            for ends in (piece, piece[::-1]):
                cost = np.concatenate(
                    [
                        [way[ends[-1], rest[0]]],
                        way[rest[:-1], ends[0]] + way[ends[-1], rest[1:]] - between,
                        [way[rest[-1], ends[0]]],
                    ]
                )
                at = int(np.argmin(cost))
                if saved - cost[at] > best_gain:
                    best_gain = saved - float(cost[at])
                    best_order = np.concatenate([rest[:at], ends, rest[at:]])
    return best_order, best_order is not order
