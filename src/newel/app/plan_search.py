"""`newel plan --search`: the quickest proved way to a part, of those that other cutters, depths, widths and work offer.

Every way is the same job with a few fields of its job file overruled, so that the winner can be written down. Trials make all
passes with their feeds and ask the clock; finishing around is tried with passes set further apart. Trials are independent of
each other: workers may take them anywhere, and the answer does not depend on who took which.
"""

from __future__ import annotations

import hashlib
import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace

from newel.app.batch_work import one_line
from newel.app.inputs import JobFiles, shop_of, told_by_line
from newel.app.workers import Errand, Workers
from newel.core.errors import NewelError
from newel.core.job import Job, Work
from newel.core.plan import Cut, CutKind, Plan
from newel.core.units import duration, mm
from newel.geometry.meshes import ReadModel
from newel.mechanics.clock import toolpath_minutes
from newel.pipeline import cut, decide, make, read
from newel.planning.cutter_choice import ROUGH_FORMS, cusp_of
from newel.shop.catalogue import Shop
from newel.shop.cutters import Form

Progress = Callable[[str, float], None]

TRIAL_WIDTH = 4.0  # finishing passes around stand up to so much further apart in a trial, and count so many times
COARSEST_CUSP_MM = 0.25  # but leave no more than this: small balls could not leave more at all
OTHER_CUTTERS = 2  # of each purpose, the nearest in size
DEEPER = (1.0, 1.3, 1.6)  # of the depth a plan takes by itself
WIDER = (1.0, 1.3)
MOST_OF_APMX = 0.9
PROVED_AT_MOST = 3  # so many of the quickest are made and proved until one is
WORTH = 0.99  # a way that saves less than a hundredth is no reason to overrule a plan
ROUGHING = (CutKind.ROUGH_AROUND, CutKind.CLEAR, CutKind.FACE)
FINISHING_AROUND = (CutKind.FINISH_AROUND, CutKind.REST_AROUND)
FINISH_FORMS = (Form.BALL, Form.TAPERED_BALL, Form.BULL_NOSE)


@dataclass(frozen=True)
class Way:
    """What a trial overrules in a job; None leaves a field to the job file and the plan."""

    work: Work | None = None
    rough: str | None = None
    ap_mm: float | None = None
    ae_mm: float | None = None
    finish: str | None = None
    rest: str | None = None  # goes with `finish`: who names the one is asked for the other

    def applied(self, job: Job) -> Job:
        """Return the job with these fields overruled."""
        rough = replace(
            job.rough,
            cutter=self.rough or job.rough.cutter,
            ap_mm=self.ap_mm or job.rough.ap_mm,
            ae_mm=self.ae_mm or job.rough.ae_mm,
        )
        finish = replace(job.finish, cutter=self.finish or job.finish.cutter, rest_cutter=self.rest or job.finish.rest_cutter)
        return replace(job, work=self.work or job.work, rough=rough, finish=finish)

    def said(self) -> str:
        """Tell it in shop words."""
        parts = [self.work.value] if self.work else []
        parts += [f"rough with {self.rough}"] if self.rough else []
        parts += [f"ap {mm(self.ap_mm)}, ae {mm(self.ae_mm)}"] if self.ap_mm and self.ae_mm else []
        parts += [f"finish with {self.finish}{f' and {self.rest}' if self.rest else ''}"] if self.finish else []
        return ", ".join(parts) or "as planned"

    def job_lines(self) -> list[str]:
        """What to write into the job file."""
        lines = [f'work = "{self.work.value}"'] if self.work else []
        if self.rough or self.ap_mm:
            lines += ["[rough]", *([f'cutter = "{self.rough}"'] if self.rough else [])]
            lines += [f"ap_mm = {self.ap_mm:g}"] if self.ap_mm else []
            lines += [f"ae_mm = {self.ae_mm:g}"] if self.ae_mm else []
        lines += ["[finish]", f'cutter = "{self.finish}"'] if self.finish else []
        return lines + ([f'rest_cutter = "{self.rest}"'] if self.rest else [])


@dataclass(frozen=True)
class Trial:
    """One way of one job, for a worker anywhere."""

    way: Way
    files: JobFiles
    shop_texts: Mapping[str, str]

    @property
    def name(self) -> str:
        """The way in words: no two of a search are alike."""
        return self.way.said()

    def key(self) -> str:
        """Return the fingerprint of what the trial depends on, within one search."""
        return hashlib.sha256(
            repr((self.way, self.files.text, sorted(self.shop_texts.items()))).encode() + self.files.model_bytes
        ).hexdigest()


@dataclass(frozen=True)
class Tried:
    """What the clock says of a way: its minutes, or inf and why it was refused."""

    minutes: float
    says: str = ""


def searched_plan(files: JobFiles, shop_texts: Mapping[str, str], workers: Workers, progress: Progress) -> str:
    """Try other ways by the clock, then make and prove the quickest of them; return what came out, in words."""
    shop = shop_of(shop_texts)
    progress("read", 0.0)
    model = read(files.job, files.model, shop)
    with told_by_line(files):
        plan, _, _ = decide(files.job, model, shop)
    tried: dict[Way, Tried] = {}

    def attempt(ways: Sequence[Way], begins: float, ends: float) -> None:
        trials = [Trial(way, files, shop_texts) for way in dict.fromkeys(ways) if way not in tried]
        for count, (trial, came) in enumerate(workers(TRIALS, trials), start=1):
            tried[trial.way] = came
            progress("plan", begins + (ends - begins) * count / len(trials))

    attempt(first_ways(files.job, plan, shop), 0.0, 0.5)
    best = _best_of_each(tried)
    attempt([best, *_deeper_and_wider(best, files.job, model, shop)], 0.5, 1.0)
    order = sorted(tried, key=lambda way: (round(tried[way].minutes, 2), way.said()))
    least = WORTH * tried[Way()].minutes
    lines = ["ways to make it, the quickest first (the clock, on trials)"]
    lines += [f"  {way.said()}: {_found(tried[way])}" for way in order]
    return "\n".join([*lines, *_proved([way for way in order if tried[way].minutes < least], files, shop, progress)])


def first_ways(job: Job, plan: Plan, shop: Shop) -> list[Way]:
    """Return the plan itself and every way that differs from it in one thing that the job file leaves open."""
    names = dict(plan.cutters)
    ways = [Way()]
    rough = _first(plan, ROUGHING)
    if rough is not None and job.rough.cutter is None:
        ways += [Way(rough=name) for name in _nearest(names[rough.cutter], ROUGH_FORMS, shop, job)]
    finish = _first(plan, FINISHING_AROUND)
    if finish is not None and job.finish.cutter is None:
        after = [each for each in plan.cuts if each.kind is CutKind.FINISH_AROUND and each.rest_over_mm is not None]
        rest = names[after[0].cutter] if after and job.finish.rest_cutter is None else None
        others = _nearest(names[finish.cutter], FINISH_FORMS, shop, job)
        ways += [Way(finish=name, rest=rest) for name in others if name != rest]
    if job.work is None and job.sides.angles_deg is None:
        ways += [Way(work=work) for work in (Work.AROUND if plan.sides else Work.SIDES, Work.MIXED)]
    return ways


def _first(plan: Plan, kinds: Sequence[CutKind]) -> Cut | None:
    return next((each for each in plan.cuts if each.kind in kinds), None)


def _nearest(name: str, forms: Sequence[Form], shop: Shop, job: Job) -> list[str]:
    """Return the cutters nearest to one in diameter and tip, nearest first, no two of one size."""
    mine = shop.cutter(name)
    others = [other for other in (job.cutters or tuple(shop.cutters)) if shop.cutter(other).form in forms and other != name]
    others.sort(
        key=lambda other: (abs(shop.cutter(other).DC - mine.DC) + abs(shop.cutter(other).RE - mine.RE), other),
    )
    sizes = {(mine.DC, mine.RE)}
    kept = []
    for other in others:
        size = (shop.cutter(other).DC, shop.cutter(other).RE)
        if size not in sizes:
            sizes.add(size)
            kept.append(other)
    return kept[:OTHER_CUTTERS]


def _best_of_each(tried: dict[Way, Tried]) -> Way:
    """Put together the quickest work, the quickest roughing and the quickest finishing."""
    best = Way()
    for field in ("work", "rough", "finish"):
        ways = [way for way in tried if way == Way() or getattr(way, field) is not None]
        quickest = min(ways, key=lambda way: (round(tried[way].minutes, 2), way.said()))
        best = replace(best, **{field: getattr(quickest, field)})
        best = replace(best, rest=quickest.rest) if field == "finish" else best
    return best


def _deeper_and_wider(way: Way, job: Job, model: ReadModel, shop: Shop) -> list[Way]:
    job = way.applied(job)
    if job.rough.ap_mm is not None or job.rough.ae_mm is not None:
        return []
    try:
        plan, _, _ = decide(job, model, shop)
    except NewelError:
        return []
    rough = _first(plan, ROUGHING)
    if rough is None:
        return []
    most = MOST_OF_APMX * shop.cutter(dict(plan.cutters)[rough.cutter]).APMX
    sizes = [(round(min(deep * rough.ap_mm, most), 2), round(wide * rough.ae_mm, 2)) for deep in DEEPER for wide in WIDER]
    return [replace(way, ap_mm=ap, ae_mm=ae) for ap, ae in sizes[1:]]


def _try(trial: Trial) -> Tried:
    """Make the passes of a way and ask the clock, finishing around with passes further apart."""
    job, shop = trial.way.applied(trial.files.job), shop_of(trial.shop_texts)
    # passes so many times further apart leave cusps the square of it higher
    wider = min(TRIAL_WIDTH, max(1.0, math.sqrt(COARSEST_CUSP_MM / cusp_of(job))))
    coarse = replace(job, finish=replace(job.finish, cusp_mm=wider**2 * cusp_of(job)))
    try:
        model = read(coarse, trial.files.model, shop)
        plan, machine, tools = decide(coarse, model, shop)
        material = shop.material(coarse.bar.material, where="[bar] material")
        plan, paths = cut(coarse, plan, model.mesh, machine, tools, lambda stage, share: None, material)
    except NewelError as refused:
        return Tried(math.inf, one_line(refused))
    counts = [wider if each.kind in FINISHING_AROUND else 1.0 for each in plan.cuts]
    return Tried(sum(times * toolpath_minutes(path, machine) for times, path in zip(counts, paths, strict=True)))


TRIALS = Errand(_try, lambda trial, why: Tried(math.inf, why))


def _found(tried: Tried) -> str:
    return f"about {duration(tried.minutes)}" if math.isfinite(tried.minutes) else f"refused: {tried.says}"


def _proved(ways: Sequence[Way], files: JobFiles, shop: Shop, progress: Progress) -> list[str]:
    """Make and prove the quickest ways in turn until one is proved; no two that finish alike, for they leave the same."""
    if not ways:
        return ["none is quicker than the plan as it is: keep it"]
    not_proved: list[str] = []
    failed: set[tuple[Work | None, str | None]] = set()
    for way in ways:
        if (way.work, way.finish) in failed:
            continue
        if len(failed) == PROVED_AT_MOST:
            break
        made = make(way.applied(files.job), files.model, shop, progress)
        if str(made.proof.verdict) == "proved":
            said = f"made and proved: {way.said()}, {duration(made.proof.time_min)} on the machine. Write into the job file:"
            return [*not_proved, said, *(f"  {line}" for line in way.job_lines())]
        why = next((found.says for found in made.proof.findings if found.severity == "obstacle"), "")
        failed.add((way.work, way.finish))
        not_proved.append(f"made, but not proved: {way.said()}{f' ({why})' if why else ''}")
    return [*not_proved, "none of the quickest could be proved: keep the plan as it is"]
