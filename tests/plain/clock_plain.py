"""The slow twin of the clock: one row at a time, in plain Python, by the rules of newel.mechanics.clock's head.

It handles moves only (no dwells, no unknown rows): a list of pieces with their limits goes in, seconds come out.
"""

from __future__ import annotations

import math
from dataclasses import dataclass


@dataclass
class Piece:
    """A straight piece: way in weighted mm (4 numbers), seconds asked (0: none), shortest seconds, rapid or not, stop after."""

    way: tuple[float, float, float, float]
    asked_s: float = 0.0
    block_s: float = 0.0
    rapid: bool = False
    stop_after: bool = False


@dataclass
class Axes:
    """Weighted limits of the four axes."""

    feed: list[float]
    rapid: list[float]
    acceleration: list[float]


def seconds_of(pieces: list[Piece], axes: Axes, deviation: float) -> list[float]:
    """Return the seconds of every piece: sweeps of the speeds at the joints until nothing changes any more."""
    n = len(pieces)
    length = [math.dist((0, 0, 0, 0), piece.way) for piece in pieces]
    unit = [[w / l for w in piece.way] for piece, l in zip(pieces, length)]
    top = [_top(piece, u, l, axes) for piece, u, l in zip(pieces, unit, length)]
    grow = [min(a / abs(u) for a, u in zip(axes.acceleration, us) if u != 0.0) for us in unit]
    joint = [0.0] * (n + 1)  # speed between piece i - 1 and piece i
    for i in range(1, n):
        if not pieces[i - 1].stop_after:
            joint[i] = min(top[i - 1], top[i], _corner(i, unit, length, pieces, axes, deviation))
    changed = True
    while changed:
        changed = False
        for i in range(n):
            reach = 2.0 * grow[i] * length[i]
            for one, other in ((i, i + 1), (i + 1, i)):
                bound = math.sqrt(joint[one] ** 2 + reach)
                if joint[other] > bound:
                    joint[other] = bound
                    changed = True
    return [_trapezoid(length[i], joint[i], joint[i + 1], top[i], grow[i]) for i in range(n)]


def _top(piece: Piece, unit: list[float], length: float, axes: Axes) -> float:
    speeds = axes.rapid if piece.rapid else axes.feed
    top = min(v / abs(u) for v, u in zip(speeds, unit) if u != 0.0)
    for seconds in (piece.asked_s, piece.block_s):
        if seconds > 0:
            top = min(top, length / seconds)
    return top


def _straight(before: list[float], after: list[float]) -> bool:
    return sum((b - a) ** 2 for a, b in zip(before, after)) < 1e-11


def _run(i: int, step: int, unit: list[list[float]], length: list[float], pieces: list[Piece]) -> float:
    """Return the whole straight line that piece i is the end of, walking by `step`."""
    total = length[i]
    while 0 <= i + step < len(length):
        first = min(i, i + step)
        if pieces[first].stop_after or not _straight(unit[first], unit[first + 1]):
            break
        i += step
        total += length[i]
    return total


def _corner(i: int, unit: list[list[float]], length: list[float], pieces: list[Piece], axes: Axes, deviation: float) -> float:
    before, after = unit[i - 1], unit[i]
    if _straight(before, after):
        return math.inf
    cosine = max(-1.0, min(1.0, sum(a * b for a, b in zip(before, after))))
    turn = math.acos(cosine)
    if math.pi - turn < 1e-9:
        return 0.0
    radius = deviation * math.cos(turn / 2) / (1.0 - math.cos(turn / 2))
    room = 0.5 * min(_run(i - 1, -1, unit, length, pieces), _run(i, 1, unit, length, pieces))
    radius = min(radius, room / math.tan(turn / 2))
    # walk all round the corner's plane: whichever way the acceleration points there, each axis must bear its part
    square = [a - cosine * b for a, b in zip(after, before)]
    norm = math.sqrt(sum(s * s for s in square))
    square = [s / norm for s in square]
    bound = math.inf
    for k in range(4):
        worst = 0.0
        for step in range(2001):
            angle = math.pi * step / 2000
            worst = max(worst, abs(math.cos(angle) * before[k] + math.sin(angle) * square[k]))
        if worst > 1e-15:
            bound = min(bound, axes.acceleration[k] / worst)
    return math.sqrt(bound * radius)


def _trapezoid(length: float, speed_in: float, speed_out: float, top: float, grow: float) -> float:
    peak = min(top, math.sqrt(grow * length + 0.5 * (speed_in**2 + speed_out**2)))
    rising = (peak**2 - speed_in**2) / (2.0 * grow)
    falling = (peak**2 - speed_out**2) / (2.0 * grow)
    cruise = max(length - rising - falling, 0.0)
    return (peak - speed_in) / grow + (peak - speed_out) / grow + cruise / peak
