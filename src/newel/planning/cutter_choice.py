"""Which cutters make a part that is carved all round: one to rough with, one to finish, and a finer one for the rest."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from newel.core.errors import BadInput, Infeasible
from newel.core.job import Job
from newel.core.plan import Decision
from newel.core.profile import CutterShape
from newel.core.units import mm
from newel.planning.feeds import CuttingData, Purpose, cutting_data
from newel.planning.reach import Standing, SurfaceSample, around_reach, lowest_tip
from newel.shop.cutters import Cutter, Form
from newel.shop.machines import Machine
from newel.shop.materials import Material
from newel.shop.rows import nearest_name

Floats = NDArray[np.float64]

ROUGH_FORMS = (Form.FLAT, Form.BULL_NOSE, Form.BALL)
FINISH_FORMS = (Form.BALL, Form.TAPERED_BALL)
CHANGE_MIN = 1.5  # a cutter change by hand with its length check (common practice)
STOUT_OVER_ROUGH = (
    0.3  # a tip finer than this share of the roughing cutter's radius breaks in what that leaves (common practice)
)
WORTH_PCT = 0.5  # a finer cutter must clean at least this share of the surface


@dataclass(frozen=True)
class Bench:
    """What cutters are chosen for and from: the shop's cutters with their shapes, the material, the machine, the part."""

    cutters: Mapping[str, Cutter]
    shapes: Mapping[str, CutterShape]
    material: Material
    machine: Machine
    part: Standing
    sample: SurfaceSample
    bar_area_mm2: float
    part_length_mm: float
    part_volume_mm3: float
    bar_radius_mm: float


@dataclass(frozen=True)
class ChosenCutters:
    """The names chosen and their cutting data; `rest` is None where the finishing cutter reaches enough by itself."""

    rough: str
    finish: str
    rest: str | None
    data: Mapping[str, CuttingData]
    decisions: tuple[Decision, ...]


def choose_cutters(job: Job, bench: Bench) -> ChosenCutters:
    """Choose the roughing, finishing and (where it pays) rest cutter, or take the job file's."""
    rough, rough_said = _choose_rough(job, bench)
    finish, rest, finish_said = _choose_finish(job, bench, bench.cutters[rough].DC / 2.0)
    data = {f"rough {rough}": _rough_data(job, bench, rough), f"finish {finish}": finish_data(job, bench, finish)}
    if rest is not None:
        data[f"finish {rest}"] = finish_data(job, bench, rest)
    return ChosenCutters(rough, finish, rest, data, (rough_said, *finish_said))


def _rough_data(job: Job, bench: Bench, name: str) -> CuttingData:
    cutter, radius = bench.cutters[name], bench.bar_radius_mm
    return cutting_data(cutter, bench.material, bench.machine, Purpose.ROUGH, asked=job.rough, bar_radius_mm=radius)


def finish_data(job: Job, bench: Bench, name: str) -> CuttingData:
    """Return the cutting data of a cutter that finishes."""
    cutter, radius = bench.cutters[name], bench.part.radius_mm
    return cutting_data(cutter, bench.material, bench.machine, Purpose.FINISH, asked=job.finish, bar_radius_mm=radius)


def cusp_of(job: Job) -> float:
    """Return the cusp that finishing may leave: the job file's, or 0.3 of the tolerance (room for bending and facets)."""
    return job.finish.cusp_mm if job.finish.cusp_mm is not None else 0.3 * job.finish.tolerance_mm


def _choose_rough(job: Job, bench: Bench) -> tuple[str, Decision]:
    if job.rough.cutter is not None:
        name = known(job.rough.cutter, bench, "[rough] cutter")
        return name, Decision("roughing cutter", name, "asked for", by="job file")
    minutes: dict[str, float] = {}
    names = [name for name, cutter in bench.cutters.items() if cutter.form in ROUGH_FORMS and bench.part_length_mm >= cutter.DC]
    if not names:
        raise Infeasible("no cutter in the shop can rough", where="cutters", remedy="add a flat, bull nose or ball cutter")
    lows = {name: _coarse_map(bench, bench.shapes[name]) for name in names}
    lowest = np.minimum.reduce(list(lows.values()))
    removed = bench.bar_area_mm2 * bench.part_length_mm - bench.part_volume_mm3
    for name in names:
        data = _rough_data(job, bench, name)
        rate = data.ap_mm * data.ae_mm * data.feed_mm_per_min
        # what this cutter is too stout to reach is left for the finishing cutter, which removes it about ten times as slowly
        left = float((lows[name] - lowest).mean()) / max(float(lowest.mean()), 1.0) * bench.part_volume_mm3
        minutes[name] = removed / rate + 10.0 * left / rate
    best = min(minutes, key=lambda name: (round(minutes[name], 3), name))
    others = sorted((name for name in names if name != best), key=lambda name: minutes[name])[:3]
    return best, Decision(
        "roughing cutter",
        best,
        f"quickest to the part plus allowance (about {minutes[best]:.0f} min, what it can't reach counted ten times over)",
        tuple(f"{name} (about {minutes[name]:.0f} min)" for name in others),
    )


def _coarse_map(bench: Bench, shape: CutterShape) -> Floats:
    """Return the lowest tip heights over the part on a coarse development (2 mm by 6 degrees)."""
    x = np.arange(bench.sample.points[:, 0].min(), bench.sample.points[:, 0].max(), 2.0)
    grid_x, grid_turn = np.meshgrid(x, np.arange(0.0, 360.0, 6.0), indexing="ij")
    x, turn = grid_x.ravel(), grid_turn.ravel()
    return np.maximum(lowest_tip(bench.part, shape, x, np.zeros_like(x), turn), 0.0)


def _choose_finish(job: Job, bench: Bench, rough_radius_mm: float) -> tuple[str, str | None, tuple[Decision, ...]]:
    tolerance, cusp = job.finish.tolerance_mm, cusp_of(job)
    if job.finish.cutter is not None:
        first = known(job.finish.cutter, bench, "[finish] cutter")
        rest = known(job.finish.rest_cutter, bench, "[finish] rest_cutter") if job.finish.rest_cutter else None
        said = Decision("finishing cutter", first, "asked for", by="job file")
        return (
            (first, None, (said,))
            if job.finish.rest is False or rest is None
            else (first, rest, (said, _rest_said(rest, "asked for", "job file")))
        )
    names = [name for name, cutter in bench.cutters.items() if cutter.form in FINISH_FORMS and cusp < cutter.RE]
    if not names:
        raise Infeasible("no cutter in the shop can finish", where="cutters", remedy="add a ball or tapered ball cutter")
    names.sort(key=lambda name: (-bench.cutters[name].RE, name))
    clean = {
        name: around_reach(bench.sample, bench.part, bench.shapes[name], bench.cutters[name].RE) <= tolerance for name in names
    }
    any_clean = np.logical_or.reduce(list(clean.values()))
    stout = [name for name in names if STOUT_OVER_ROUGH * rough_radius_mm <= bench.cutters[name].RE] or names[:1]
    ways: list[tuple[int, float, str, str | None]] = []
    for first in stout:
        minutes = _finish_minutes(job, bench, first, cusp, 1.0)
        ways.append((int(clean[first].sum()), minutes, first, None))
        for second in names if job.finish.rest is not False else ():
            if bench.cutters[second].RE < bench.cutters[first].RE:
                both = clean[first] | clean[second]
                more = CHANGE_MIN + _finish_minutes(job, bench, second, cusp, 2.0 * float((both & ~clean[first]).mean()))
                ways.append((int(both.sum()), minutes + more, first, second))
    enough = max(count for count, *_ in ways) - WORTH_PCT / 100.0 * len(any_clean)
    pairs = [(minutes, first, second) for count, minutes, first, second in ways if count >= enough]
    chosen = min(pairs, key=lambda pair: (round(pair[0], 3), pair[1], pair[2] or ""))
    return chosen[1], chosen[2], _finish_said(bench, clean, any_clean, pairs, chosen, job)


def _finish_minutes(job: Job, bench: Bench, name: str, cusp_mm: float, share: float) -> float:
    data = finish_data(job, bench, name)
    radius = bench.cutters[name].RE
    step = 2.0 * np.sqrt(max(2.0 * radius * cusp_mm - cusp_mm**2, 1e-9))
    return share * bench.sample.area_mm2 / (step * data.feed_mm_per_min)


def _finish_said(
    bench: Bench,
    clean: Mapping[str, NDArray[np.bool_]],
    any_clean: NDArray[np.bool_],
    pairs: Sequence[tuple[float, str, str | None]],
    chosen: tuple[float, str, str | None],
    job: Job,
) -> tuple[Decision, ...]:
    minutes, first, second = chosen
    tolerance = mm(job.finish.tolerance_mm, 3)
    reached = 100.0 * float(clean[first].mean())
    others = tuple(
        f"{a}{' then ' + b if b else ''} (about {m:.0f} min)"
        for m, a, b in sorted(pairs, key=lambda pair: pair[0])
        if (a, b) != (first, second)
    )[:3]
    said = [
        Decision(
            "finishing cutter",
            first,
            f"touches {reached:.1f} % of the surface to within {tolerance}; of the choices that leave nothing "
            f"a shop cutter could reach, the quickest (about {minutes:.0f} min in all)",
            others,
        )
    ]
    if second is not None:
        gained = 100.0 * float((clean[second] & ~clean[first]).mean())
        said.append(
            _rest_said(
                second,
                f"cleans another {gained:.1f} % of the surface, only where the first left more than {tolerance}",
                "Newel",
            )
        )
    never = 100.0 * float((~any_clean).mean())
    if never > 0.05:
        said.append(
            Decision(
                "what stays uncut",
                f"about {never:.1f} % of the surface",
                "no ball or tapered ball in the shop reaches it while the bar turns",
            )
        )
    return tuple(said)


def _rest_said(name: str, because: str, by: str) -> Decision:
    return Decision("rest cutter", name, because, ("one finishing cutter only",), by)


def known(name: str, bench: Bench, where: str) -> str:
    """Return the name if the shop (or the job's choice of cutters) has it; else refuse with the nearest one."""
    if name in bench.cutters:
        return name
    raise BadInput(f"no cutter named {name!r} is at hand", where=where, remedy=nearest_name(name, bench.cutters))
