"""Kernels that shape passes: thinning what a straight move follows anyway, and the order in which pieces are cut."""

from __future__ import annotations

import numpy as np
from numba import njit


@njit(cache=True, error_model="numpy")
def thin(x, turn, z, run, limits):
    """Mark the points to keep so that straight moves between kept points stay on the dropped ones.

    `limits`: (below_mm, above_mm, aside_mm, aside_deg, most_deg, most_mm): how far a move may pass below or above a left-out
    point and beside it, and the longest move that may come of it. Points of one run follow each other; runs are not joined.
    """
    n = len(x)
    keep = np.ones(n, dtype=np.bool_)
    below, above, aside_x, aside_turn, most_turn, most_x = limits
    anchor = 0
    while anchor < n:
        reached = anchor + 1
        end = anchor + 2
        while end < n and run[end] == run[anchor]:
            dx, dt, dz = x[end] - x[anchor], turn[end] - turn[anchor], z[end] - z[anchor]
            if abs(dt) > most_turn or abs(dx) > most_x or (dx == 0.0 and dt == 0.0):
                break
            by_turn = abs(dt) * most_x > abs(dx) * most_turn
            fits = True
            before = 0.0
            for k in range(anchor + 1, end):
                part = (turn[k] - turn[anchor]) / dt if by_turn else (x[k] - x[anchor]) / dx
                if part <= before or part >= 1.0:
                    fits = False
                    break
                before = part
                gap = z[anchor] + part * dz - z[k]
                if gap < -below or gap > above:
                    fits = False
                    break
                if abs(x[anchor] + part * dx - x[k]) > aside_x or abs(turn[anchor] + part * dt - turn[k]) > aside_turn:
                    fits = False
                    break
            if not fits:
                break
            reached = end
            end += 1
        for k in range(anchor + 1, min(reached, n)):
            keep[k] = False
        anchor = reached
    return keep


@njit(cache=True, error_model="numpy")
def nearest_order(x, turn, radius, ends_alike, start_x, start_turn):
    """Order pieces so that each next one begins nearest to where the last one ended.

    `x`, `turn` (n, 2): first and last place of each piece; `radius` (n,): mm a radian of turn is worth there. Turns are
    compared the shorter way round. Where `ends_alike` is 0 a piece may be cut from its far end. Returns order (n,) and,
    by piece, turned (n,).
    """
    n = len(x)
    order = np.empty(n, np.int64)
    turned = np.zeros(n, np.bool_)
    done = np.zeros(n, np.bool_)
    at_x, at_turn = start_x, start_turn
    for step in range(n):
        best, best_piece, best_end = np.inf, -1, 0
        for p in range(n):
            if done[p]:
                continue
            for end in range(2):
                if end == 1 and ends_alike[p] != 0:
                    continue
                dx = abs(x[p, end] - at_x)
                if dx >= best:
                    continue
                dt = (turn[p, end] - at_turn) % 360.0
                if dt > 180.0:
                    dt = 360.0 - dt
                way = np.hypot(dx, dt * np.pi / 180.0 * radius[p])
                if way < best:
                    best, best_piece, best_end = way, p, end
        done[best_piece] = True
        order[step] = best_piece
        turned[best_piece] = best_end == 1
        at_x, at_turn = x[best_piece, 1 - best_end], turn[best_piece, 1 - best_end]
    return order, turned
