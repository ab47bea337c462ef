"""`newel plan --explain` and `--search`: what limits each cut, what would make it quicker, and the quickest of some ways."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

from newel.app.inputs import JobFiles, told_by_line
from newel.core.job import Direction, Job
from newel.core.plan import Cut, CutKind, Plan
from newel.core.units import duration, mm
from newel.geometry.meshes import ReadModel
from newel.pipeline import cut, decide, make, read
from newel.planning.cutter_choice import ROUGH_FORMS
from newel.planning.feed_reasons import reasons, reasons_text
from newel.planning.feed_schedule import Schedule
from newel.shop.catalogue import Shop
from newel.shop.machines import Machine

Progress = Callable[[str, float], None]

TRIAL_WIDTH = 4.0  # finishing passes of a trial stand so much further apart, and count so many times
OTHER_CUTTERS = 2
DEEPER = (1.3, 1.6)  # of the depth a plan takes by itself
WIDER = (1.0, 1.3)
MOST_OF_APMX = 0.9
PROVED_AT_MOST = 3  # so many of the quickest are made and proved until one is


@dataclass(frozen=True)
class Trial:
    """One way to rough, and what the clock says of it with a coarse finish."""

    cutter: str
    direction: Direction | None
    ap_mm: float | None
    ae_mm: float | None
    minutes: float

    def said(self) -> str:
        """Tell it in shop words."""
        how = self.direction.value if self.direction else "as the clock chooses"
        depth = f", ap {mm(self.ap_mm)}, ae {mm(self.ae_mm)}" if self.ap_mm and self.ae_mm else ""
        return f"{self.cutter}, {how}{depth}: about {duration(self.minutes)}"

    def job_lines(self) -> list[str]:
        """What to write into the job file."""
        lines = ["[rough]", f'cutter = "{self.cutter}"']
        lines += [f'direction = "{self.direction.value}"'] if self.direction else []
        lines += [f"ap_mm = {self.ap_mm:g}"] if self.ap_mm else []
        return lines + ([f"ae_mm = {self.ae_mm:g}"] if self.ae_mm else [])


def explained_plan(files: JobFiles, shop: Shop, progress: Progress) -> tuple[Plan, Machine, str]:
    """Plan a job, make its passes with their feeds, and tell what limits each cut."""
    progress("read", 0.0)
    model = read(files.job, files.model, shop)
    progress("plan", 0.0)
    with told_by_line(files):
        plan, machine, found = _cut_hearing(files.job, model, shop, progress)
    return plan, machine, reasons_text([reasons(each, done) for each, done in found])


def searched_plan(files: JobFiles, shop: Shop, progress: Progress) -> str:
    """Try other cutters, depths, widths and directions for roughing by the clock, and prove the quickest."""
    job = files.job
    progress("read", 0.0)
    model = read(job, files.model, shop)
    with told_by_line(files):
        plan, _, _ = decide(job, model, shop)
    rough = [each for each in plan.cuts if each.kind is CutKind.ROUGH_AROUND]
    if plan.sides or not rough:
        return "search    nothing to search: only jobs that are roughed around have other ways that are worth a trial"
    names = dict(plan.cutters)
    pinned = _pinned(job, plan, names)
    tried: list[Trial] = []

    def attempt(cutter: str, direction: Direction | None, ap: float | None, ae: float | None) -> None:
        progress("plan", len(tried) / (2.0 + OTHER_CUTTERS + len(DEEPER) * len(WIDER)))
        tried.append(_trial(pinned, model, shop, (cutter, direction, ap, ae)))

    first = names[rough[0].cutter]
    for name in [first, *_others(first, shop, job)]:
        attempt(name, None, None, None)
    best = min(tried, key=_order)
    data = _rough_of(pinned, model, shop, best.cutter)
    most = MOST_OF_APMX * shop.cutter(best.cutter).APMX
    for deep in DEEPER:
        for wide in WIDER:
            attempt(best.cutter, best.direction, round(min(deep * data.ap_mm, most), 2), round(wide * data.ae_mm, 2))
    tried.sort(key=_order)
    return _search_text(tried, *_proved(files, tried, shop, progress))


def _order(trial: Trial) -> tuple[float, str, float, float]:
    return (round(trial.minutes, 3), trial.cutter, trial.ap_mm or 0.0, trial.ae_mm or 0.0)


def _cut_hearing(
    job: Job, model: ReadModel, shop: Shop, progress: Progress
) -> tuple[Plan, Machine, list[tuple[Cut, Schedule]]]:
    plan, machine, tools = decide(job, model, shop)
    found: list[tuple[Cut, Schedule]] = []
    material = shop.material(job.bar.material, where="[bar] material")
    plan, _ = cut(job, plan, model.mesh, machine, tools, progress, material, lambda each, done: found.append((each, done)))
    return plan, machine, found


def _pinned(job: Job, plan: Plan, names: dict[int, str]) -> Job:
    """The job with its finishing cutter and direction as planned, its passes far apart and no rest cut: for trials."""
    finish = next(each for each in plan.cuts if each.kind is CutKind.FINISH_AROUND)
    coarse = TRIAL_WIDTH**2 * finish.cusp_mm
    asked = replace(job.finish, cutter=names[finish.cutter], rest=False, rest_cutter=None, cusp_mm=coarse)
    return replace(job, finish=replace(asked, direction=asked.direction or finish.direction))


def _with_rough(job: Job, way: tuple[str, Direction | None, float | None, float | None]) -> Job:
    cutter, direction, ap, ae = way
    rough = replace(job.rough, cutter=cutter, ap_mm=ap or job.rough.ap_mm, ae_mm=ae or job.rough.ae_mm)
    return replace(job, rough=replace(rough, direction=direction or job.rough.direction))


def _trial(pinned: Job, model: ReadModel, shop: Shop, way: tuple[str, Direction | None, float | None, float | None]) -> Trial:
    plan, _, found = _cut_hearing(_with_rough(pinned, way), model, shop, lambda stage, share: None)
    minutes = sum(done.minutes * (1.0 if each.kind is CutKind.ROUGH_AROUND else TRIAL_WIDTH) for each, done in found)
    rough = next(each for each in plan.cuts if each.kind is CutKind.ROUGH_AROUND)
    return Trial(way[0], rough.direction, way[2], way[3], minutes)


def _rough_of(pinned: Job, model: ReadModel, shop: Shop, cutter: str) -> Cut:
    plan, _, _ = decide(_with_rough(pinned, (cutter, None, None, None)), model, shop)
    return next(each for each in plan.cuts if each.kind is CutKind.ROUGH_AROUND)


def _others(first: str, shop: Shop, job: Job) -> list[str]:
    """Roughing cutters nearest in diameter to the planned one, one of each diameter."""
    mine = shop.cutter(first)
    names = [name for name in (job.cutters or tuple(shop.cutters)) if shop.cutter(name).form in ROUGH_FORMS and name != first]
    names.sort(key=lambda name: (abs(shop.cutter(name).DC - mine.DC), shop.cutter(name).form is not mine.form, name))
    return names[:OTHER_CUTTERS]


def _proved(files: JobFiles, tried: list[Trial], shop: Shop, progress: Progress) -> tuple[Trial | None, float]:
    """Make and prove the quickest ways in turn until one is proved; return it and its minutes."""
    for trial in tried[:PROVED_AT_MOST]:
        way = (trial.cutter, trial.direction, trial.ap_mm, trial.ae_mm)
        made = make(_with_rough(files.job, way), files.model, shop, progress)
        if str(made.proof.verdict) == "proved":
            return trial, made.proof.time_min
    return None, 0.0


def _search_text(tried: list[Trial], proved: Trial | None, minutes: float) -> str:
    lines = ["ways to rough, the quickest first (whole job by coarse trials)", *(f"  {trial.said()}" for trial in tried)]
    if proved is None:
        return "\n".join([*lines, "none of the quickest could be proved: keep the plan as it is"])
    lines.append(f"made and proved: {duration(minutes)} on the machine. Write into the job file:")
    return "\n".join([*lines, *(f"  {line}" for line in proved.job_lines())])
