"""Kernels of the writer: how long a move's path over the turning work is, and rows of counts as lines of bytes."""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numba import njit


class LineStyle(NamedTuple):
    """How lines are written, as whole numbers: counts are last digits of a word."""

    decimals: int
    a_decimals: int
    a_wrap: int  # counts in a whole turn, 0 to let A grow
    per_minute: int  # 1: F is units a minute, 0: inverse time
    drop_counts: int  # with per_minute: X, Y, Z steps up to this many counts wait while A turns
    numbers: int  # 1: lines have numbers


# Eight points of Gauss and Legendre on 0..1 (Abramowitz and Stegun, table 25.4): exact to the square root's smoothness.
_NODES = np.array(
    [
        0.0198550717512319,
        0.1016667612931866,
        0.2372337950418355,
        0.4082826787521751,
        0.5917173212478249,
        0.7627662049581645,
        0.8983332387068134,
        0.9801449282487681,
    ]
)
_WEIGHTS = np.array(
    [
        0.0506142681451881,
        0.1111905172266872,
        0.1568533229389437,
        0.1813418916891810,
        0.1813418916891810,
        0.1568533229389437,
        0.1111905172266872,
        0.0506142681451881,
    ]
)


@njit(cache=True, error_model="numpy")
def path_over_work_mm(y, z, dx, dy, dz, turn_rad, nodes, weights):
    """Length of the tip's path over the turning bar, for moves that begin at y, z (from the rotary axis); all shape (n,)."""
    n = len(y)
    length = np.empty(n)
    for i in range(n):
        total = 0.0
        for k in range(len(nodes)):
            s = nodes[k]
            across = dy[i] + turn_rad[i] * (z[i] + dz[i] * s)
            up = dz[i] - turn_rad[i] * (y[i] + dy[i] * s)
            total += weights[k] * math.sqrt(dx[i] * dx[i] + across * across + up * up)
        length[i] = total
    return length


@njit(cache=True, error_model="numpy")
def put_count(out, p, letter, count, decimals):
    """Write a letter and `count` last digits as a number with one decimal at least, trailing zeros dropped; return the end."""
    out[p] = letter
    p += 1
    if count < 0:
        out[p] = 45
        p += 1
        count = -count
    while decimals > 1 and count % 10 == 0:
        count //= 10
        decimals -= 1
    digits = 1
    power = np.int64(10)
    while count >= power and digits < 18:
        power *= 10
        digits += 1
    if digits <= decimals:
        digits = decimals + 1
    size = digits + (1 if decimals > 0 else 0)
    q = p + size - 1
    for k in range(digits):
        if k == decimals and decimals > 0:
            out[q] = 46
            q -= 1
        out[q] = 48 + count % 10
        count //= 10
        q -= 1
    return p + size


@njit(cache=True, error_model="numpy")
def feed_count(feed):
    """Five figures of a feed or more: (count of last digits, decimals); never 0."""
    decimals = 1
    scale = 10.0
    while feed * scale < 10000.0 and decimals < 9:
        scale *= 10.0
        decimals += 1
    count = np.int64(np.rint(feed * scale))
    if count < 1:
        count = np.int64(1)
    return count, decimals


@njit(cache=True, error_model="numpy")
def put_rows(counts, minutes, style, state, span, out):
    """Write rows span[0]..span[1] as lines into `out`; return (next row, bytes). It stops early where `out` is nearly full.

    `counts` (n, 4): X Y Z A as counts of the last digit; `minutes` (n,): nan for a rapid. `state`: X Y Z A as last
    written, G code last written (-1 none), feed count and decimals last written, last line number.
    """
    p = 0
    unit = 10.0 ** (-style.decimals)
    a_unit = 10.0 ** (-style.a_decimals)
    for i in range(span[0], span[1]):
        if p + 160 > len(out):
            return i, p
        rapid = math.isnan(minutes[i])
        turn = counts[i, 3] - state[3]
        square = 0.0
        largest = np.int64(0)
        for axis in range(3):
            step = counts[i, axis] - state[axis]
            square += float(step) * float(step)
            largest = max(largest, abs(step))
        if largest == 0 and turn == 0:
            continue
        hold = style.per_minute == 1 and not rapid and turn != 0 and largest <= style.drop_counts
        if style.numbers == 1:
            state[7] = state[7] % 99999 + 1
            p = put_count(out, p, 78, state[7], 0)
            out[p] = 32
            p += 1
        code = 0 if rapid else 1
        spaced = False
        if code != state[4]:
            out[p] = 71
            out[p + 1] = 48 + code
            p += 2
            state[4] = code
            spaced = True
        for axis in range(3):
            if counts[i, axis] != state[axis] and not hold:
                if spaced:
                    out[p] = 32
                    p += 1
                p = put_count(out, p, 88 + axis, counts[i, axis], style.decimals)
                state[axis] = counts[i, axis]
                spaced = True
        if turn != 0:
            if spaced:
                out[p] = 32
                p += 1
            value = counts[i, 3] if style.a_wrap == 0 else counts[i, 3] % style.a_wrap
            p = put_count(out, p, 65, value, style.a_decimals)
            state[3] = counts[i, 3]
        if not rapid:
            if style.per_minute == 0:
                feed = 1.0 / minutes[i]
            elif largest > 0 and not hold:
                feed = math.sqrt(square) * unit / minutes[i]
            else:
                feed = abs(turn) * a_unit / minutes[i]
            count, decimals = feed_count(feed)
            if style.per_minute == 0 or count != state[5] or decimals != state[6]:
                out[p] = 32
                p = put_count(out, p + 1, 70, count, decimals)
                state[5] = count
                state[6] = decimals
        out[p] = 10
        p += 1
    return span[1], p
