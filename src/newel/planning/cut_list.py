"""The cut list: which pieces to saw from which bar so that the least length of stock is used."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import Bounds, LinearConstraint, milp

from newel.core.errors import Infeasible
from newel.core.units import mm

# Bounded by work and not by the clock, so that the same pieces are sawn alike anywhere.
MOST_WAYS = 20_000  # ways to fill one bar that are weighed against each other; with more, first fit decides
MOST_LOOKS = 400_000  # steps of the search for those ways
EXACT_NODES = 20_000  # of the whole-number search
_HAIR_MM = 1e-9

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


@dataclass(frozen=True)
class Sawn:
    """One piece to be sawn off."""

    name: str
    length_mm: float


@dataclass(frozen=True)
class Stock:
    """Bars of one length: so many at hand, or as many as are needed (None)."""

    length_mm: float
    count: int | None = None


@dataclass(frozen=True)
class SawnBar:
    """One bar of the stock: its length, its pieces, longest first, and what is left of it after the last saw cut."""

    stock_mm: float
    pieces: tuple[Sawn, ...]
    left_mm: float


@dataclass(frozen=True)
class Sawing:
    """How all pieces are sawn; `least`: no other way uses less stock, which the quick rule cannot always promise."""

    bars: tuple[SawnBar, ...]
    least: bool

    @property
    def stock_mm(self) -> float:
        """The length of all bars together."""
        return sum(bar.stock_mm for bar in self.bars)


def sawing(pieces: Sequence[Sawn], stock: Sequence[Stock], kerf_mm: float) -> Sawing:
    """Share pieces out over bars of the stock; every piece costs its length and one saw kerf (but the last of a bar).

    First-fit decreasing (Johnson 1973), from each stock length and the shortest bar that holds what it got; where that may
    not be the least, all ways to fill a bar are weighed by whole-number programming (Gilmore and Gomory 1961), if they are
    not too many. Raises Infeasible for a piece longer than the stock, or for more than the bars at hand give.
    """
    order = sorted(pieces, key=lambda piece: (-piece.length_mm, piece.name))
    if not order:
        return Sawing((), True)
    lengths = sorted(stock, key=lambda one: (one.length_mm, one.count is None, one.count or 0))
    longest = max((one.length_mm for one in lengths if one.count != 0), default=0.0)
    if order[0].length_mm > longest + _HAIR_MM:
        raise Infeasible(
            f"{order[0].name} needs {mm(order[0].length_mm, 1)} of bar, the stock is {mm(longest, 1)} long",
            measured=order[0].length_mm,
            limit=longest,
            unit="mm",
            remedy="saw from longer stock",
        )
    # A kerf after the last piece is not sawn: lengthen bar and pieces by one kerf alike.
    sizes = np.array([piece.length_mm + kerf_mm for piece in order])
    quick = _first_fits(sizes, lengths, kerf_mm)
    if quick is not None and len(lengths) == 1 and len(quick) <= math.ceil(sizes.sum() / (longest + kerf_mm) - _HAIR_MM):
        return Sawing(_bars(order, quick, kerf_mm), True)
    exact, least = _exact(sizes, lengths, kerf_mm)
    if exact is not None and (quick is None or _used(exact) < _used(quick) - _HAIR_MM):
        quick = exact
    if quick is None:
        raise Infeasible(
            f"{len(order)} pieces of {mm(float(sizes.sum()) - kerf_mm, 0)} with the saw do not come out of the bars at hand",
            measured=float(sizes.sum()) - kerf_mm,
            limit=sum(one.length_mm * (one.count or 0) for one in lengths),
            unit="mm",
            remedy="name a length that can be bought, too",
        )
    return Sawing(_bars(order, quick, kerf_mm), least)


# A bar while it is filled: its length and the places (in the falling order of sizes) of the pieces in it.
_Filled = tuple[float, list[int]]


def _bars(order: Sequence[Sawn], filled: Sequence[_Filled], kerf_mm: float) -> tuple[SawnBar, ...]:
    bars = []
    for length, places in sorted(filled, key=lambda bar: min(bar[1])):
        mine = tuple(order[k] for k in sorted(places))
        left = length - sum(piece.length_mm + kerf_mm for piece in mine)
        bars.append(SawnBar(length, mine, max(0.0, left)))
    return tuple(bars)


def _used(filled: Sequence[_Filled]) -> float:
    return sum(length for length, _ in filled)


def _first_fits(sizes: Floats, stock: Sequence[Stock], kerf_mm: float) -> list[_Filled] | None:
    """Return the best of the first fits: bars at hand first, then bars of one length after the other; None if none does."""
    bought: list[float | None] = [one.length_mm for one in stock if one.count is None]
    found = [_first_fit(sizes, stock, length, kerf_mm) for length in bought or [None]]
    return min((one for one in found if one is not None), key=_used, default=None)


def _first_fit(sizes: Floats, stock: Sequence[Stock], bought_mm: float | None, kerf_mm: float) -> list[_Filled] | None:
    at_hand = [one.length_mm for one in stock for _ in range(one.count or 0)]
    buyable = [one.length_mm for one in stock if one.count is None]
    bars: list[_Filled] = []
    left: list[float] = []
    for k, size in enumerate(sizes):
        fits = next((b for b, free in enumerate(left) if free >= size - _HAIR_MM), None)
        if fits is None:
            enough = [length for length in at_hand if length + kerf_mm >= size - _HAIR_MM]
            if enough:
                at_hand.remove(enough[0])
            elif bought_mm is None:
                return None
            else:
                enough = [length for length in (bought_mm, *buyable) if length + kerf_mm >= size - _HAIR_MM]
                if not enough:
                    return None
            bars.append((enough[0], []))
            left.append(enough[0] + kerf_mm)
            fits = len(bars) - 1
        bars[fits][1].append(k)
        left[fits] -= size
    return [_in_the_shortest(bar, free, buyable) for bar, free in zip(bars, left, strict=True)]


def _in_the_shortest(bar: _Filled, free: float, buyable: Sequence[float]) -> _Filled:
    """Take the shortest bar that can be bought and holds what this one got (Friesen and Langston 1986)."""
    length, places = bar
    return min([length, *(one for one in buyable if one >= length - free - _HAIR_MM)]), places


def _exact(sizes: Floats, stock: Sequence[Stock], kerf_mm: float) -> tuple[list[_Filled] | None, bool]:
    """Return the bars that use the least stock, and whether that is certain; None where the ways are too many, or none does."""
    kinds, which, asked = np.unique(-np.round(sizes, 6), return_inverse=True, return_counts=True)
    ways: list[Ints] = []
    of: list[int] = []
    for index, one in enumerate(stock):
        found = None if one.count == 0 else _ways(-kinds, asked, one.length_mm + kerf_mm, MOST_WAYS - len(ways))
        if one.count != 0:
            if found is None:
                return None, False
            ways += found
            of += [index] * len(found)
    fills = np.array(ways).T  # (kinds, ways)
    kind_of_way = np.array(of)
    lengths = np.array([stock[index].length_mm for index in of])
    rules = [LinearConstraint(fills, asked, np.inf)]
    for index, one in enumerate(stock):
        if one.count:
            rules.append(LinearConstraint((kind_of_way == index).astype(float)[None], 0, one.count))
    # of two ways with the same length the one with fewer bars: a bar counts as a thousandth of a millimetre more
    solved = milp(
        lengths + 1e-3 if len(stock) > 1 else np.ones(len(of)),
        constraints=rules,
        integrality=np.ones(len(of)),
        bounds=Bounds(0.0, float(asked.sum())),
        options={"node_limit": EXACT_NODES, "mip_rel_gap": 0.0},
    )
    if solved.x is None:
        return None, solved.status == 2  # 2: there is no way at all
    waiting = [list(np.flatnonzero(which.ravel() == kind)) for kind in range(len(kinds))]
    filled: list[_Filled] = []
    for way in np.repeat(np.arange(len(of)), np.rint(solved.x).astype(np.int64)):
        places = [
            int(waiting[kind].pop(0)) for kind in range(len(kinds)) for _ in range(min(fills[kind, way], len(waiting[kind])))
        ]
        if places:
            filled.append((float(lengths[way]), places))
    return filled, solved.status == 0


def _ways(kinds: Floats, asked: Ints, room: float, most: int) -> list[Ints] | None:
    """Return all fullest ways to fill one bar with pieces of falling sizes `kinds`, at most `asked` of each; None: too many."""
    found: list[Ints] = []
    counts = np.zeros(len(kinds), np.int64)
    looks = 0

    def fill(kind: int, left: float) -> bool:
        nonlocal looks
        looks += 1
        if looks > MOST_LOOKS or len(found) > most:
            return False
        if kind == len(kinds):
            more = (counts < asked) & (kinds <= left + _HAIR_MM)
            if counts.any() and not more.any():
                found.append(counts.copy())
            return True
        for count in range(min(int(asked[kind]), int((left + _HAIR_MM) / kinds[kind])), -1, -1):
            counts[kind] = count
            if not fill(kind + 1, left - count * kinds[kind]):
                return False
        return True

    return found if fill(0, room) else None
