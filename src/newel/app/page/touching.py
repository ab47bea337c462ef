"""Probing on the page: where to touch, in numbers that a drawing is made from, and the fit of what was read."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np

from newel.app.documents import tidy
from newel.app.inputs import read_job_files, read_shop
from newel.app.probe_work import bench_of
from newel.core.errors import BadInput
from newel.core.setup import SetUp
from newel.pipeline import Progress
from newel.probing.fit_report import fit_text, words_for
from newel.probing.machine_fit import Reading, fit_machine
from newel.probing.readings import Table
from newel.probing.routines import SAYS, Kind, Probe, Routine, describe, plan_routine
from newel.probing.touches import bar_as_planned

KINDS = {kind.value: SAYS[kind] for kind in Kind if kind.value not in ("length-check",)}  # a block's place is asked on paper


def routine(
    job: str, shop_files: tuple[str, ...], given: dict[str, Any], progress: Progress
) -> tuple[dict[str, Any], tuple[SetUp, Routine, Probe]]:
    """Return the touches of a routine as the page lists and draws them, and what the fit will need."""
    if given["kind"] not in KINDS:
        raise BadInput(f"there is no routine {given['kind']!r}", remedy=f"the routines are {', '.join(KINDS)}")
    bench = bench_of(read_job_files(Path(job)), read_shop(tuple(Path(item) for item in shop_files)), progress)
    probe = Probe()
    planned = plan_routine(Kind(given["kind"]), bench.setup, probe, wind_up_deg=bench.machine.a.wind_up_deg)
    zero = np.asarray(bench.setup.table_from_program_mm)
    touches = [
        {
            "name": touch.name,
            "says": describe(touch, bench.setup),
            "axis": touch.axis,
            "way": touch.way,
            "at_mm": tidy([float(a + b) for a, b in zip(touch.at_mm, zero)]),
            "expected_mm": tidy(touch.expected_mm),
            "contact_mm": tidy(touch.expected_mm + float(zero["XYZ".index(touch.axis)])),
            "turn_deg": tidy(bench.setup.a_sense * (touch.a_deg + bench.setup.a_zero_deg)),
            "a_deg": tidy(touch.a_deg),
        }
        for touch in planned.touches
    ]
    said = {"kind": given["kind"], "says": KINDS[given["kind"]], "touches": touches, "bar": tidy(bench.setup.bar)}
    said["ball_mm"] = probe.ball_diameter_mm
    return said, (bench.setup, planned, probe)


def fitted(kept: tuple[SetUp, Routine, Probe], values: dict[str, float]) -> dict[str, Any]:
    """Fit readings by the names of their touches; blanks are left out. Raises BadInput where too little was read."""
    setup, planned, probe = kept
    readings = tuple(Reading(touch, float(values[touch.name])) for touch in planned.touches if touch.name in values)
    if len(readings) < 3:
        raise BadInput("too few readings to fit anything", remedy="fill in three or more")
    found = fit_machine(readings, setup, bar_as_planned(setup.bar, probe.ball_diameter_mm / 2.0))
    blank = tuple(touch.name for touch in planned.touches if touch.name not in values)
    estimates = [
        {
            "says": words_for(item.name),
            "unit": item.unit,
            "value": tidy(item.value, decimals=7),
            "band": tidy(item.band_all, decimals=7),
        }
        for item in found.fit.estimates
        if item.told
    ]
    out = {item.index for item in found.fit.outliers}
    residuals = [
        {
            "name": reading.touch.name,
            "off_mm": tidy(float(off)),
            "from_planned_mm": tidy(reading.value_mm - reading.touch.expected_mm),
            "stands_out": k in out,
        }
        for k, (reading, off) in enumerate(zip(readings, found.fit.residuals))
    ]
    text = fit_text(found, Table(readings, (), (), blank), setup, probe)
    return {"estimates": estimates, "residuals": residuals, "text": text, "spread_mm": tidy(found.fit.reading_spread)}
