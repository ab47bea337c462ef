"""The cut list: which pieces to saw from which bar so that the fewest bars are used."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.optimize import Bounds, LinearConstraint, milp

from newel.core.errors import Infeasible
from newel.core.units import mm

EXACT_UP_TO = 24  # pieces; beyond it the exact search may take long, and the quick rule is seldom a bar off
EXACT_NODES = 20_000  # of the search: bounded by work and not by the clock, so that the same pieces are sawn alike anywhere


@dataclass(frozen=True)
class Sawn:
    """One piece to be sawn off."""

    name: str
    length_mm: float


@dataclass(frozen=True)
class SawnBar:
    """One bar of the stock: its pieces, longest first, and what is left of it."""

    pieces: tuple[Sawn, ...]
    left_mm: float


def sawing(pieces: Sequence[Sawn], stock_mm: float, kerf_mm: float) -> list[SawnBar]:
    """Share pieces out over bars of one stock length; every piece costs its length and one saw kerf (but the last of a bar).

    First-fit decreasing, at most 11/9 of the fewest bars and one more (Johnson 1973); where that is more than the sum of
    lengths asks for and the pieces are few, the exact cover by whole-number programming. Raises Infeasible for a piece longer
    than the stock.
    """
    order = sorted(pieces, key=lambda piece: (-piece.length_mm, piece.name))
    if order and order[0].length_mm > stock_mm:
        raise Infeasible(
            f"{order[0].name} needs {mm(order[0].length_mm, 1)} of bar, the stock is {mm(stock_mm, 1)} long",
            measured=order[0].length_mm,
            limit=stock_mm,
            unit="mm",
            remedy="saw from longer stock",
        )
    # A kerf after the last piece is not sawn: lengthen bar and pieces by one kerf alike.
    room = stock_mm + kerf_mm
    sizes = np.array([piece.length_mm + kerf_mm for piece in order])
    bin_of = _first_fit(sizes, room)
    least = int(np.ceil(sizes.sum() / room - 1e-9))
    if len(order) and bin_of.max() + 1 > least and len(order) <= EXACT_UP_TO:
        bin_of = _exact(sizes, room, bin_of, least)
    bars = []
    for number in dict.fromkeys(bin_of.tolist()):
        mine = tuple(piece for piece, b in zip(order, bin_of, strict=True) if b == number)
        left = room - sum(piece.length_mm + kerf_mm for piece in mine)
        bars.append(SawnBar(mine, max(0.0, float(left))))
    return bars


def _first_fit(sizes: np.ndarray, room: float) -> np.ndarray:
    left: list[float] = []
    where = np.zeros(len(sizes), dtype=np.int64)
    for k, size in enumerate(sizes):
        fits = [b for b, free in enumerate(left) if free >= size - 1e-9]
        if not fits:
            left.append(room)
            fits = [len(left) - 1]
        left[fits[0]] -= size
        where[k] = fits[0]
    return where


def _exact(sizes: np.ndarray, room: float, known: np.ndarray, least: int) -> np.ndarray:
    """Look for fewer bars than `known` uses; piece i goes into one of bars 0..i, and bars are used from the first."""
    n, most = len(sizes), int(known.max())
    for bars in range(least, most + 1):
        # x[i, b] = 1: piece i from bar b
        one_each = np.kron(np.eye(n), np.ones(bars))
        loads = np.kron(sizes[None, :], np.eye(bars))
        upper = np.array([1.0 if b <= i else 0.0 for i in range(n) for b in range(bars)])
        found = milp(
            np.zeros(n * bars),
            constraints=[LinearConstraint(one_each, 1, 1), LinearConstraint(loads, 0, room + 1e-9)],
            integrality=np.ones(n * bars),
            bounds=Bounds(0.0, upper),
            options={"node_limit": EXACT_NODES},
        )
        if found.status == 0 and found.x is not None:
            return np.argmax(found.x.reshape(n, bars), axis=1).astype(np.int64)
    return known
