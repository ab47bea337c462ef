"""The way a rapid takes where a control moves each axis at its own rapid instead of along a straight line: a dog-leg."""

from __future__ import annotations

from dataclasses import fields

import numpy as np
from numpy.typing import NDArray

from newel.core.motion import Motion, RowKind
from newel.shop.machines import Machine

Floats = NDArray[np.float64]


def with_dog_legs(motion: Motion, minutes: Floats, machine: Machine) -> tuple[Motion, Floats]:
    """Break every rapid where an axis arrives before the others; its minutes (n,) are shared out by the time each piece takes.

    A rapid from an unknown place stays as it is: nobody knows its way.
    """
    per_min = np.array(
        [machine.x.rapid_mm_per_min, machine.y.rapid_mm_per_min, machine.z.rapid_mm_per_min, machine.a.max_deg_per_min]
    )
    begin = motion.begins()
    takes = np.abs(motion.xyza - begin) / per_min
    broken = np.flatnonzero((motion.kind == RowKind.RAPID) & np.isfinite(takes).all(axis=1) & ((takes > 0.0).sum(axis=1) > 1))
    owner, ends, shares = [], [], []
    for i in broken:
        last = takes[i].max()
        moments = np.unique(takes[i][takes[i] > 0.0])
        if len(moments) < 2:
            continue
        done = np.minimum(1.0, moments[:-1, None] / np.where(takes[i] > 0.0, takes[i], np.inf))
        ends.append(begin[i] + np.where(takes[i] > 0.0, done, 1.0) * (motion.xyza[i] - begin[i]))
        owner.append(np.full(len(moments) - 1, i))
        shares.append(np.append(np.diff(np.concatenate([[0.0], moments[:-1]])), last - moments[-2]) / last)
    if not owner:
        return motion, minutes
    before = np.concatenate(owner)
    source = np.insert(np.arange(len(motion)), before, before)
    columns = {field.name: getattr(motion, field.name)[source] for field in fields(motion) if field.name != "start"}
    columns["xyza"] = np.insert(motion.xyza, before, np.vstack(ends), axis=0)
    whole = minutes[source].copy()
    for i, share in zip((rows[0] for rows in owner), shares):
        whole[source == i] *= share
    return Motion(start=np.array(motion.start, copy=True), **columns), whole
