"""Shaping passes: pieces of rows over the development that are worth cutting, their order, exact points along them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from newel.toolpaths.passes_kernels import nearest_order, thin

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]
Ints = NDArray[np.int64]

_MOST_ROUNDS = 12
_CLEARING_ROUNDS = 5
_CLEARING_STEP_MM = 0.2
_MOST_ASKED = 60  # places along one move
_LONGEST_TURN_DEG = 30.0
_LONGEST_X_MM = 60.0


@dataclass(frozen=True)
class Piece:
    """A run of places to be cut in one go: X and turn (unwrapped) of each, and its lowest tip heights (nan: not yet asked)."""

    x_mm: Floats
    turn_deg: Floats
    z_mm: Floats


@dataclass(frozen=True)
class Exactness:
    """How closely straight moves follow the lowest tip: never deeper than `below_mm`, never left higher than `above_mm`.

    `least_step_mm` is where halving ends, at walls.
    """

    below_mm: float
    above_mm: float
    least_step_mm: float


def pieces_of(x_mm: Floats, turn_deg: Floats, z_mm: Floats, wanted: Bools, closed: bool) -> list[Piece]:
    """Cut rows (k, n) into pieces where `wanted` is true; rows that are `closed` go once round and end where they began.

    A closed row's last place comes again at its end, a whole turn on.
    """
    pieces = []
    n = x_mm.shape[1]
    for row in np.flatnonzero(wanted.any(axis=1)):
        want = wanted[row]
        if not closed or want.all():
            index = np.arange(n)
            starts, ends = _runs(want)
            if closed:
                starts, ends = np.array([0]), np.array([n])
        else:
            # begin the row at a place that is not wanted, so that no piece is cut in two by the seam
            shift = int(np.flatnonzero(~want)[0])
            index = np.arange(shift, shift + n)
            starts, ends = _runs(np.roll(want, -shift))
        for a, b in zip(starts, ends):
            at = index[a:b]
            piece_turn = turn_deg[row, at % n] + 360.0 * (at // n)
            piece_x, piece_z = x_mm[row, at % n], z_mm[row, at % n]
            if closed and b - a == n:
                piece_x = np.append(piece_x, piece_x[0])
                piece_turn = np.append(piece_turn, piece_turn[0] + 360.0)
                piece_z = np.append(piece_z, piece_z[0])
            pieces.append(Piece(piece_x, piece_turn, piece_z))
    return pieces


def _runs(want: Bools) -> tuple[Ints, Ints]:
    edges = np.diff(np.concatenate([[False], want, [False]]).astype(np.int8))
    return np.flatnonzero(edges == 1), np.flatnonzero(edges == -1)


def widened(wanted: Bools, places: int, closed: bool) -> Bools:
    """Let every wanted stretch of rows (k, n) begin and end `places` earlier and later along its row."""
    out = wanted.copy()
    for shift in range(1, places + 1):
        if closed:
            out |= np.roll(wanted, shift, axis=1) | np.roll(wanted, -shift, axis=1)
        else:
            out[:, shift:] |= wanted[:, :-shift]
            out[:, :-shift] |= wanted[:, shift:]
    return out


def bridged(wanted: Bools, places: int, closed: bool) -> Bools:
    """Close gaps of up to `places` between wanted stretches of one row (k, n)."""
    if places < 1:
        return wanted
    half = (places + 1) // 2
    return ~widened(~widened(wanted, half, closed), half, closed) | wanted


def ordered(pieces: list[Piece], start_x_mm: float, start_turn_deg: float, same_way: bool) -> list[Piece]:
    """Order pieces by the nearest next beginning, turning pieces end for end where that is nearer unless `same_way`.

    Turns are unwrapped so that the bar goes the shorter way from each piece to the next.
    """
    if not pieces:
        return []
    x = np.array([[p.x_mm[0], p.x_mm[-1]] for p in pieces])
    turn = np.array([[p.turn_deg[0], p.turn_deg[-1]] for p in pieces])
    radius = np.array([max(float(np.abs(p.z_mm).mean()), 1.0) for p in pieces])
    alike = np.full(len(pieces), 1 if same_way else 0, dtype=np.int64)
    order, turned = nearest_order(x, turn, radius, alike, start_x_mm, start_turn_deg)
    out = []
    at = start_turn_deg
    for k in order:
        piece = pieces[k]
        if turned[k]:
            piece = Piece(piece.x_mm[::-1], piece.turn_deg[::-1], piece.z_mm[::-1])
        shift = 360.0 * np.round((at - piece.turn_deg[0]) / 360.0)
        piece = Piece(piece.x_mm, piece.turn_deg + shift, piece.z_mm)
        at = float(piece.turn_deg[-1])
        out.append(piece)
    return out


def straight(x_mm: tuple[float, float], turn_deg: tuple[float, float], step_mm: float, radius_mm: float) -> Piece:
    """Places on the straight way over the development between two places, both left out, at about even steps."""
    way = float(np.hypot(x_mm[1] - x_mm[0], np.radians(turn_deg[1] - turn_deg[0]) * max(radius_mm, 1.0)))
    count = max(2, int(np.ceil(way / step_mm)) + 1)
    part = np.linspace(0.0, 1.0, count)[1:-1]
    x = x_mm[0] + part * (x_mm[1] - x_mm[0])
    turn = turn_deg[0] + part * (turn_deg[1] - turn_deg[0])
    return Piece(x, turn, np.full(len(part), np.nan))


class Lowest(Protocol):
    """How low the tip may go at places (x, turn) of any one shape, in mm; none told lower than `over`, where that is given."""

    def __call__(self, x: Floats, turn: Floats, over: Floats | None = None, /) -> Floats:
        """Return the heights."""


def shaped(lowest: Lowest, pieces: list[Piece], exactness: Exactness) -> list[Piece]:
    """Ask the lowest tip along pieces, halve steps until straight moves follow it, and leave out what they follow anyway."""
    if not pieces:
        return []
    x = np.concatenate([p.x_mm for p in pieces])
    turn = np.concatenate([p.turn_deg for p in pieces])
    z = np.concatenate([p.z_mm for p in pieces])
    run = np.repeat(np.arange(len(pieces)), [len(p.x_mm) for p in pieces])
    unknown = np.isnan(z)
    if unknown.any():
        z[unknown] = lowest(x[unknown], turn[unknown])
    x, turn, z, run = _halved(lowest, (x, turn, z, run), exactness)
    half = 0.5
    limits = (half * exactness.below_mm, half * exactness.above_mm, 0.0005, 0.0005, _LONGEST_TURN_DEG, _LONGEST_X_MM)
    keep = thin(x, turn, z, run, limits)
    x, turn, z, run = _cleared(lowest, (x[keep], turn[keep], z[keep], run[keep]), exactness.below_mm)
    cuts = np.flatnonzero(np.diff(run)) + 1
    return [Piece(*columns) for columns in zip(np.split(x, cuts), np.split(turn, cuts), np.split(z, cuts))]


def _halved(
    lowest: Lowest, places: tuple[Floats, Floats, Floats, Ints], exactness: Exactness
) -> tuple[Floats, Floats, Floats, Ints]:
    """Halve steps until the lowest tip at each step's middle lies on the move; raise moves over what stays unresolved."""
    x, turn, z, run = places
    key = np.arange(len(x), dtype=float)
    a = np.flatnonzero(run[1:] == run[:-1])
    b = a + 1
    new: list[tuple[Floats, ...]] = []
    below, above = 0.5 * exactness.below_mm, 0.5 * exactness.above_mm
    ends = [np.stack([c[a], c[b]], axis=1) for c in (x, turn, z, key)]
    runs = run[a]
    for _ in range(_MOST_ROUNDS):
        xs, ts, zs, ks = ends
        if not len(xs):
            break
        mx, mt, mk = xs.mean(axis=1), ts.mean(axis=1), ks.mean(axis=1)
        mz = lowest(mx, mt)
        over = mz - zs.mean(axis=1)
        radius = np.maximum(np.abs(zs).max(axis=1), 1.0)
        long = np.hypot(xs[:, 1] - xs[:, 0], np.radians(ts[:, 1] - ts[:, 0]) * radius) > exactness.least_step_mm
        astray = (over > below) | (over < -above)
        split = astray & long
        # at a wall finer than the least step: stand on the higher of the two over the whole step
        stuck = np.flatnonzero((over > below) & ~long)
        if stuck.size:
            new.append(_stepped(xs[stuck], ts[stuck], zs[stuck], mz[stuck], ks[stuck], runs[stuck]))
        new.append((mx[split], mt[split], mz[split], mk[split], runs[split].astype(float)))
        ends = [
            np.concatenate([np.stack([e[split, 0], m[split]], axis=1), np.stack([m[split], e[split, 1]], axis=1)])
            for e, m in zip(ends, (mx, mt, mz, mk))
        ]
        runs = np.concatenate([runs[split], runs[split]])
    return _filled_in((x, turn, z, key, run), new)


def _cleared(
    lowest: Lowest, places: tuple[Floats, Floats, Floats, Ints], below_mm: float
) -> tuple[Floats, Floats, Floats, Ints]:
    """Ask the lowest tip closely along every move and lift those that pass below it by more than `below_mm`.

    Halving asks middles only, and a ridge can hide from those. A move found too low gets its worst place as a point; one
    that is still too low after some rounds of that goes up, over and down instead.
    """
    x, turn, z, run = places
    key = np.arange(len(x), dtype=float)
    a = np.flatnonzero(run[1:] == run[:-1])
    ends = [np.stack([c[a], c[a + 1]], axis=1) for c in (x, turn, z, key)]
    runs = run[a]
    new: list[tuple[Floats, ...]] = []
    for left in range(_CLEARING_ROUNDS, -1, -1):
        xs, ts, zs, ks = ends
        if not len(xs):
            break
        move, share = _closely(xs, ts, zs)
        sx, st, sz, sk = (e[move, 0] + share * (e[move, 1] - e[move, 0]) for e in ends)
        low = lowest(sx, st, sz)  # how far it lies below the move is of no interest
        first = np.flatnonzero(np.diff(move, prepend=-1))
        worst = np.maximum.reduceat(low - sz, first)
        bad = np.flatnonzero(worst > below_mm)
        if not left:
            top = np.maximum.reduceat(low, first)[bad]
            new.append(_stepped(xs[bad], ts[bad], zs[bad], top, ks[bad], runs[bad]))
            break
        at = np.array(
            [f + int(np.argmax((low - sz)[f:t])) for f, t in zip(first[bad], np.append(first[1:], len(low))[bad])], int
        )
        middle = (sx[at], st[at], low[at], sk[at])
        new.append((*middle, runs[bad].astype(float)))
        ends = [
            np.concatenate([np.stack([e[bad, 0], m], axis=1), np.stack([m, e[bad, 1]], axis=1)]) for e, m in zip(ends, middle)
        ]
        runs = np.concatenate([runs[bad], runs[bad]])
    return _filled_in((x, turn, z, key, run), new)


def _closely(xs: Floats, ts: Floats, zs: Floats) -> tuple[Ints, Floats]:
    """Return places to ask along moves, ends (k, 2) given: the move of each place and its share of the way."""
    radius = np.maximum(np.abs(zs).max(axis=1), 1.0)
    way = np.hypot(np.hypot(xs[:, 1] - xs[:, 0], zs[:, 1] - zs[:, 0]), np.radians(ts[:, 1] - ts[:, 0]) * radius)
    count = np.clip(np.ceil(way / _CLEARING_STEP_MM), 2, _MOST_ASKED).astype(np.int64)
    move = np.repeat(np.arange(len(count)), count)
    nth = np.arange(len(move)) - np.repeat(np.cumsum(count) - count, count) + 1
    return move, nth / (count[move] + 1.0)


def _filled_in(
    places: tuple[Floats, Floats, Floats, Floats, Ints], new: list[tuple[Floats, ...]]
) -> tuple[Floats, Floats, Floats, Ints]:
    """Sort new places (x, turn, z, key, run) in among the old ones by their keys."""
    x, turn, z, key, run = places
    if new:
        x, turn, z, key = (np.concatenate([old, *[rows[i] for rows in new]]) for i, old in enumerate((x, turn, z, key)))
        run = np.concatenate([run, *[rows[4].astype(run.dtype) for rows in new]])
        order = np.argsort(key, kind="stable")
        x, turn, z, run = x[order], turn[order], z[order], run[order]
    return x, turn, z, run


def _stepped(xs: Floats, ts: Floats, zs: Floats, mz: Floats, ks: Floats, runs: Ints) -> tuple[Floats, ...]:
    """Two more points for each step, at its two ends and at the height of the highest of ends and middle."""
    top = np.maximum(zs.max(axis=1), mz)
    gap = ks[:, 1] - ks[:, 0]
    return (
        xs.ravel(),
        ts.ravel(),
        np.repeat(top, 2),
        np.stack([ks[:, 0] + 0.25 * gap, ks[:, 1] - 0.25 * gap], axis=1).ravel(),
        np.repeat(runs, 2).astype(float),
    )
