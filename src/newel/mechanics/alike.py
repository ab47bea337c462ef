"""Stretches of cuts that are alike: which of them to look at, and what those that were not looked at are taken for.

To look at all that a cutter meets costs too much. Stretches near one another, of like area, are of one kind: some of each kind,
the hardest first, stand for the others.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from scipy.spatial import cKDTree

Floats = NDArray[np.float64]
Rows = NDArray[np.intp]

ALIKE_MM, ALIKE_AREA = 2.0, 0.5  # stretches are of a kind within 2 mm along X and half an octave of area
NEIGHBOURS = 3  # a stretch is taken as hard for its volume as the middle one of so many that are most like it
LEAST_AREA_MM2 = 1e-6


def likeness(x_mm: Floats, area_mm2: Floats, *others: Floats) -> Floats:
    """Put stretches (n,) where like ones are near: X, area, and other columns that tell them apart by whole numbers, (n, c)."""
    return np.stack([x_mm / ALIKE_MM, np.log2(np.maximum(area_mm2, LEAST_AREA_MM2)) / ALIKE_AREA, *others], axis=1)


def some_of_each_kind(alike: Floats, hardness: Floats, each: int, most: int) -> Rows:
    """Pick the hardest stretches, `each` of a kind at most and `most` in all, from what `likeness` tells of them (n, c)."""
    hardest = np.argsort(-hardness, kind="stable")
    _, kind = np.unique(np.floor(alike[hardest]), axis=0, return_inverse=True)
    order = np.argsort(kind.ravel(), kind="stable")
    kinds = kind.ravel()[order]
    nth = np.empty(len(hardest), dtype=np.int64)
    nth[order] = np.arange(len(hardest)) - np.searchsorted(kinds, kinds)
    return np.asarray(hardest[nth < each][:most], dtype=np.intp)


def as_those_alike(seen: Floats, found: Floats, alike: Floats) -> Floats:
    """For every stretch (n, c) the middle one of what was `found` (k,) at the NEIGHBOURS `seen` ones (k, c) most like it."""
    _, near = cKDTree(seen).query(alike, k=min(NEIGHBOURS, len(seen)))
    return np.asarray(np.median(found[near.reshape(len(alike), -1)], axis=1), dtype=np.float64)
