"""Kernels of the writer: how long a move's path over the turning work is, and rows of counts as lines of bytes."""

# mypy: ignore-errors

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


@njit(cache=True, error_model="numpy")
def root_integral(a, b, c):
    """Integral of sqrt(a s^2 + b s + c) over s from 0 to 1, for a quadratic that is nowhere negative."""
    if a <= 1e-3 * c:  # the root bends by a few parts in a hundred at most: Simpson's rule is good to 1e-7
        return (math.sqrt(c) + 4.0 * math.sqrt(max(0.25 * a + 0.5 * b + c, 0.0)) + math.sqrt(max(a + b + c, 0.0))) / 6.0
    if a == 0.0:
        return 0.0
    # With u = s + b / 2a it is sqrt(a) times the integral of sqrt(u^2 + k^2), which has a closed form.
    u0 = 0.5 * b / a
    u1 = u0 + 1.0
    k2 = max(c / a - u0 * u0, 0.0)
    total = u1 * math.sqrt(u1 * u1 + k2) - u0 * math.sqrt(u0 * u0 + k2)
    if k2 > 1e-18:
        k = math.sqrt(k2)
        total += k2 * (math.asinh(u1 / k) - math.asinh(u0 / k))
    return 0.5 * math.sqrt(a) * total


@njit(cache=True, error_model="numpy")
def path_over_work_mm(y, z, dx, dy, dz, turn_rad):
    """Length of the tip's path over the turning bar, for moves that begin at y, z (from the rotary axis); all shape (n,).

    In the bar's frame the tip runs at (dx, dy + turn z, dz - turn y): y and z are linear along the move, so the square of
    its speed is a quadratic.
    """
    n = len(y)
    length = np.empty(n)
    for i in range(n):
        t = turn_rad[i]
        across = dy[i] + t * z[i]
        up = dz[i] - t * y[i]
        a = t * t * (dy[i] * dy[i] + dz[i] * dz[i])
        b = 2.0 * t * (across * dz[i] - up * dy[i])
        length[i] = root_integral(a, b, dx[i] * dx[i] + across * across + up * up)
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
