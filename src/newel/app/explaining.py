"""`newel plan --explain`: what limits each cut, and what would make it quicker."""

from __future__ import annotations

from collections.abc import Callable

from newel.app.inputs import JobFiles, told_by_line
from newel.core.plan import Cut, Plan
from newel.pipeline import cut, decide, read
from newel.planning.feed_reasons import reasons, reasons_text
from newel.planning.feed_schedule import Schedule
from newel.shop.catalogue import Shop
from newel.shop.machines import Machine

Progress = Callable[[str, float], None]


def explained_plan(files: JobFiles, shop: Shop, progress: Progress) -> tuple[Plan, Machine, str]:
    """Plan a job, make its passes with their feeds, and tell what limits each cut."""
    progress("read", 0.0)
    model = read(files.job, files.model, shop)
    progress("plan", 0.0)
    job = files.job
    found: list[tuple[Cut, Schedule]] = []
    material = shop.material(job.bar.material, where="[bar] material")
    with told_by_line(files):
        plan, machine, tools = decide(job, model, shop)
        plan, _ = cut(job, plan, model.mesh, machine, tools, progress, material, lambda each, done: found.append((each, done)))
    return plan, machine, reasons_text([reasons(each, done) for each, done in found])
