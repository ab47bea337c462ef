"""Threads: which holes of the model get one, and the side and the thread mill that make it."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from newel.core.asked import ThreadedHole
from newel.core.errors import Infeasible
from newel.core.job import ThreadAsk
from newel.core.plan import Hole, Side
from newel.core.units import mm
from newel.geometry.drop import stands_clear
from newel.geometry.features import Features, RoundFace
from newel.geometry.profiles import grown
from newel.planning.side_bench import SideBench
from newel.planning.side_reach import BODY_CLEARANCE_MM
from newel.shop.cutters import Cutter, Form
from newel.shop.iso_threads import ThreadSizes, Tooth, misfit, path_radius_mm, thread_for_bore, thread_name

Floats = NDArray[np.float64]

WHOLE_DEG = 300.0  # a bore of less turn than this is a rounded corner, not a hole
SAME_MM = 0.05  # a hole is meant by the job file's diameter if it is this near: the tolerance of the bore
FLOOR_MM = 0.1  # kept between a thread mill's end and the floor of a blind hole (common practice)
WHERE = "[[thread]]"


def threaded_holes(features: Features, asked: Sequence[ThreadAsk]) -> tuple[ThreadedHole, ...]:
    """Return the holes that shall have a thread, in the features' frame.

    Raises Infeasible where a diameter is that of no hole; BadInput where a hole is the bore of no metric thread of its pitch.
    """
    found = []
    for thread in asked:
        mine = [bore for bore in features.rounds if _is_hole(bore) and asks_for(thread, bore)]
        if not mine:
            sizes = sorted({f"{2.0 * bore.radius_mm:.2f}" for bore in features.rounds if _is_hole(bore)})
            there = f"the round holes there are measure {', '.join(sizes)} mm" if sizes else "the model has no round hole"
            raise Infeasible(
                f"no hole of {mm(thread.hole_diameter_mm)} is there to be threaded",
                where=f"{WHERE} hole_diameter_mm",
                remedy=f"{there}: name one of these, or mend the model",
            )
        for bore in mine:
            sizes_of = thread_for_bore(2.0 * bore.radius_mm, thread.pitch_mm, where=f"{WHERE} pitch_mm")
            found.append(
                ThreadedHole(bore.point, bore.axis, bore.from_mm, bore.to_mm, 2.0 * bore.radius_mm, sizes_of.d, thread.pitch_mm)
            )
    return tuple(found)


def _is_hole(bore: RoundFace) -> bool:
    return bore.hollow and bore.around_deg >= WHOLE_DEG


def asks_for(thread: ThreadAsk, bore: RoundFace) -> bool:
    """Tell whether the job file's thread means this hole."""
    return abs(thread.hole_diameter_mm - 2.0 * bore.radius_mm) <= SAME_MM


def thread_mill(bench: SideBench, ways: Sequence[tuple[int, Hole]], sides: Sequence[Side]) -> tuple[int, str, Hole]:
    """Choose the side, the mill and the hole as it stands there, for a hole that is to be threaded.

    `ways`: the sides at which the hole is open above, and how it stands there. A thread is milled from one side in one go: two
    halves would not meet in step. The widest mill that fits is the stiffest. Raises Infeasible with what stands in the way.
    """
    mills = bench.named(Form.THREAD_MILL)
    if not ways:
        raise Infeasible(
            "a hole that is to be threaded stands upright at no side",
            where=WHERE,
            remedy="holes along the bar or askew to it can't be threaded here: leave this thread to a tap, or turn the part",
        )
    hole = ways[0][1]
    pitch = hole.pitch_mm or 0.0
    sizes = thread_for_bore(hole.diameter_mm, pitch, where=f"{WHERE} pitch_mm")
    why = [f"{name}: {_unfit(bench.cutters[name], sizes)}" for name in mills if _unfit(bench.cutters[name], sizes)]
    fitting = [name for name in mills if not _unfit(bench.cutters[name], sizes)]
    for name in fitting:
        for k, seen in ways:
            if _reaches(bench, name, sizes, seen, sides[k].turn_deg):
                return k, name, seen
        why.append(f"{name}: its holder or shank meets something before it is {mm(hole.top_z_mm - hole.floor_z_mm, 1)} deep")
    raise Infeasible(
        f"no thread mill at hand makes {thread_name(sizes)}" + (f" ({'; '.join(why)})" if why else ": the shop has none"),
        where=WHERE,
        remedy="add a thread mill to the shop (form 'thread mill', DC, DN, TP, LU), or leave this thread to a tap",
    )


def tooth_of_cutter(cutter: Cutter) -> Tooth:
    """Return the tooth of a thread mill from its row in the shop."""
    return Tooth(0.5 * cutter.DC, 0.5 * (cutter.DN or cutter.DC), cutter.tip_flat_mm, 0.5 * cutter.APMX)


def _unfit(cutter: Cutter, sizes: ThreadSizes) -> str:
    if (cutter.TP or 0.0) < sizes.pitch - 1e-9:
        return f"made for pitches up to {mm(cutter.TP or 0.0)}"
    return misfit(tooth_of_cutter(cutter), sizes)


def _reaches(bench: SideBench, name: str, sizes: ThreadSizes, hole: Hole, turn_deg: float) -> bool:
    """Tell whether the mill goes down the hole as far as the thread's end, on its ring too (there the body alone is asked)."""
    tooth = tooth_of_cutter(bench.cutters[name])
    low = hole.floor_z_mm + (FLOOR_MM if not hole.through else -tooth.middle_mm)
    if not bench.stands_clear(name, hole.x_mm, hole.y_mm, low, turn_deg):
        return False
    clear, ring = 0.1 * BODY_CLEARANCE_MM, path_radius_mm(tooth, sizes)
    body = grown(bench.shapes[name].body, clear)
    return all(
        bool(stands_clear(bench.grounds.held, body, hole.x_mm + ring * c, hole.y_mm + ring * s, low - clear, turn_deg))
        for c, s in ((1.0, 0.0), (0.0, 1.0), (-1.0, 0.0), (0.0, -1.0))
    )
