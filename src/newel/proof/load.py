"""Load: how hard the programs work spindle, cutter, rotary axis, jaws and bar, from what each stretch really removed.

A stretch is a run of fed rows of one cutter at least STRETCH_MM of tip way long: shorter ones are lost in the grid. Its
removal rate Q = volume / time gives the power Q kc (ISO 3002-4), kc by Kienzle's law at the upper end of the material's
band. A volume does not tell width from depth: stretches are looked at again (proof/load_moments.py), all of them or, in long
programs, so many that they tell how much harder those are that are like them than their volume says.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from newel.core.findings import Finding
from newel.core.profile import CutterShape
from newel.core.setup import SetUp, SetUpCutter
from newel.geometry.blank import Blank
from newel.geometry.profiles import radius_at
from newel.mechanics.alike import as_those_alike, likeness, some_of_each_kind
from newel.mechanics.bar_sections import bar_figures, bar_state, natural_frequency_Hz
from newel.mechanics.chip import engagement_angle_deg, mean_chip_mm
from newel.mechanics.cutter_bending import ALLOWED_STRESS_N_PER_MM2, E_N_PER_MM2, FLUTED_SHARE
from newel.mechanics.engagement import scaled_to_volume, shape_alone
from newel.mechanics.force import specific_force_N_per_mm2
from newel.mechanics.power import cutting_power_W
from newel.proof.course import Course
from newel.proof.limits import tip_way_mm
from newel.proof.load_limits import load_findings
from newel.proof.load_moments import LIGHT_SUPPORT, Moments, look_again, teeth_of
from newel.proof.results import CutLoad, Load, LoadSeries, Measured, Standing
from newel.proof.strikes import frustums
from newel.shop.machines import Machine
from newel.shop.materials import Material

Floats = NDArray[np.float64]
Rows = NDArray[np.intp]

STRETCH_MM = 3.0
LEAST_RADIUS_MM = 0.05
MOST_SEEN = 8_000  # stretches looked at: a third of a millisecond each
OF_A_KIND = 3  # where there are more: so many of a kind, the hardest by volume, and as many spread over all
BLOCKS = 20  # parts of what a cutter cuts, from its first stretch to its last: those of different parts are less alike
SIDE_OVER_TANGENT = math.hypot(1.0, 0.7)  # tangential and radial force together, where nothing was looked at (as engagement)
LEAST_AREA_MM2 = 1e-3
CONE_SLICE_MM = 0.25
BAND_QUANTILE = 0.95


@dataclass(frozen=True)
class StretchLoads:
    """The loads of stretches, (k,) each: first row, force N, torque N m, power W, bending of cutter and bar mm."""

    row: Rows
    force_N: Floats
    torque_Nm: Floats
    power_W: Floats
    cutter_bends_mm: Floats
    bar_bends_mm: Floats


@dataclass(frozen=True)
class Stretches:
    """Runs of fed rows that cut, (k,) each. `hard_row`: the row that removes most of each; `cutter`: its number.

    `tooth_N`: tangential force of a tooth by volume alone; `watts` likewise; `radius_mm`: distance from the axis.
    """

    row: Rows
    last: Rows
    hard_row: Rows
    cutter: NDArray[np.int32]
    area_mm2: Floats
    height_mm: Floats
    x_mm: Floats
    radius_mm: Floats
    rpm: Floats
    watts: Floats
    tooth_N: Floats


def load_of(
    course: Course,
    removed_mm3: Floats,
    blank: Blank,
    setup: SetUp,
    machine: Machine,
    material: Material | None,
) -> tuple[Load, list[Finding], LoadSeries | None]:
    """Return the hardest moments of the whole course (nan for all where no material is given), cautions, and the series.

    `blank`: as the programs leave it.
    """
    if material is None:
        return Load(), [], None
    stretches = stretches_of(course, removed_mm3, material)
    if len(stretches.row) == 0:
        return Load(*(0.0,) * 5), [], None
    moments = look_again(course, setup, _rows_to_see(stretches), blank.pitch_mm, material)
    series = series_of(course, stretches, moments, setup)
    found, extremes = load_findings(course, series, setup, machine)
    bar = moments.bars[-1] if moments.bars else None
    load = Load(
        float(series.force_N.max()),
        float(series.torque_Nm.max()),
        float(series.cutter_bends_mm.max()),
        float(np.nan_to_num(series.bar_bends_mm, nan=-1.0).max()) if bar else math.nan,
        float(series.power_W.max()),
        thrust_max_N=extremes.thrust_N,
        grip_used_max=extremes.grip_used,
        cutter_stress_share_max=float(series.cutter_stress_share.max()),
        centre_force_max_N=extremes.centre_N,
        bar_twist_max_deg=float(series.bar_twists_deg.max()) if bar else math.nan,
        bar_frequency_Hz=natural_frequency_Hz(bar) if bar else math.nan,
        weakest_x_mm=_weakest_x_mm(moments, setup),
        cuts=_peaks(course, series),
    )
    return load, found, series


def stretch_loads(
    course: Course, removed_mm3: Floats, blank: Blank, setup: SetUp, material: Material
) -> Iterator[StretchLoads]:
    """Yield the loads of every stretch that cuts, cutter by cutter, by volume alone: quick, and a little too kind."""
    stretches = stretches_of(course, removed_mm3, material)
    if len(stretches.row) == 0:
        return
    far = setup.bar.to_x_mm if setup.along_x > 0 else setup.bar.from_x_mm
    stiff = material.E_N_per_mm2
    gives = np.full(len(stretches.row), math.nan)
    if stiff is not None and abs(far) > 1e-6:
        bar = bar_state(bar_figures(blank, far), stiff, stiff / 2.7, 1000.0, LIGHT_SUPPORT)
        gives = bar.sideways_mm_per_N(np.abs(stretches.x_mm))
    side = SIDE_OVER_TANGENT * stretches.tooth_N
    for number, cutter in sorted(course.cutters.items()):
        mine = stretches.cutter == number
        if mine.any():
            bends = side[mine] * cutter_flexibility_mm_per_N(cutter.shape, stretches.height_mm[mine], cutter.substance)
            torque = side[mine] * stretches.radius_mm[mine] * 1e-3
            yield StretchLoads(stretches.row[mine], side[mine], torque, stretches.watts[mine], bends, side[mine] * gives[mine])


def stretches_of(course: Course, removed_mm3: Floats, material: Material) -> Stretches:
    """Sum rows to stretches and tell their load by volume; those that cut nothing are left out."""
    found = []
    for number, cutter in sorted(course.cutters.items()):
        rows = np.flatnonzero(course.fed & course.known & (course.motion.cutter == number) & (course.motion.spindle_rpm != 0))
        if len(rows):
            found.append(_of_cutter(course, removed_mm3, rows, cutter, material))
    columns = {name: [getattr(one, name) for one in found] for name in Stretches.__dataclass_fields__}
    if not found:
        none, nowhere = np.zeros(0), np.zeros(0, dtype=np.intp)
        return Stretches(nowhere, nowhere, nowhere, np.zeros(0, np.int32), none, none, none, none, none, none, none)
    whole = {name: np.concatenate(parts) for name, parts in columns.items()}
    order = np.argsort(whole["row"], kind="stable")
    return Stretches(**{name: column[order] for name, column in whole.items()})


def _of_cutter(course: Course, removed_mm3: Floats, rows: Rows, cutter: SetUpCutter, material: Material) -> Stretches:
    begin, end = course.begin[rows], course.end[rows]
    way = tip_way_mm(begin, end)
    minutes = np.nan_to_num(course.minutes[rows])
    far = np.diff(rows, prepend=rows[0]) > 1
    block = np.cumsum(far)
    along = np.cumsum(way)
    along -= np.concatenate([[0.0], along])[np.searchsorted(block, block)]
    key = block * 4_000_000_000 + np.floor(np.maximum(along - way, 0.0) / STRETCH_MM).astype(np.int64)
    number = np.cumsum(np.diff(key, prepend=key[0]) != 0)
    first = np.flatnonzero(np.diff(key, prepend=key[0] - 1))
    volume, spent, length = (np.add.reduceat(column, first) for column in (removed_mm3[rows], minutes, way))
    hardest = first.copy()
    order = np.lexsort((-removed_mm3[rows], number))
    hardest[number[order][np.diff(number[order], prepend=-1) > 0]] = order[np.diff(number[order], prepend=-1) > 0]
    cuts = (volume > 0.0) & (spent > 0.0) & (length > 0.0)
    volume, spent, length, first, hardest = volume[cuts], spent[cuts], length[cuts], first[cuts], hardest[cuts]
    last = np.append(np.flatnonzero(np.diff(key)), len(rows) - 1)[cuts]
    area = volume / length
    size = np.sqrt(area)
    teeth = teeth_of(cutter)
    rpm = np.abs(course.motion.spindle_rpm[rows][first]).astype(np.float64)
    diameter = 2.0 * np.maximum(radius_at(cutter.shape.edge, size), LEAST_RADIUS_MM)
    width = np.minimum(size, diameter)
    chip = np.maximum(mean_chip_mm(length / spent / (rpm * teeth), width, diameter), material.hm_min_mm)
    kc = specific_force_N_per_mm2(material.kc11_N_per_mm2[1], material.mc, chip)
    watts = cutting_power_W(1.0, 1.0) * (volume / spent) * kc
    mean = watts * 60.0 / (math.pi * diameter * 1e-3 * rpm)
    tooth = mean * np.maximum(1.0, 360.0 / (teeth * np.maximum(engagement_angle_deg(width, diameter), 1.0)))
    radius = np.maximum(np.hypot(begin[:, 1], begin[:, 2]), np.hypot(end[:, 1], end[:, 2]))
    radius = np.minimum(np.maximum.reduceat(radius, np.flatnonzero(np.diff(key, prepend=key[0] - 1)))[cuts], course.swing_mm)
    return Stretches(
        row=rows[first],
        last=rows[last],
        hard_row=rows[hardest],
        cutter=course.motion.cutter[rows[first]],
        area_mm2=area,
        height_mm=np.minimum(size, 0.5 * cutter.shape.edge.top_mm),
        x_mm=end[first, 0],
        radius_mm=radius,  # there is no material to push against further out than the bar's corners
        rpm=rpm,
        watts=watts,
        tooth_N=tooth,
    )


def _rows_to_see(stretches: Stretches) -> Rows:
    """The rows to look at again: all, or of each cutter the hardest stretches of every kind and some spread over its own."""
    if len(stretches.row) <= MOST_SEEN:
        return np.unique(stretches.hard_row)
    chosen: list[Rows] = []
    for number in np.unique(stretches.cutter):
        mine = np.flatnonzero(stretches.cutter == number)
        half = max(1, MOST_SEEN // 2 * len(mine) // len(stretches.row))
        hard = some_of_each_kind(_likeness(stretches, mine), stretches.tooth_N[mine], OF_A_KIND, half)
        chosen += [mine[hard], mine[np.unique(np.linspace(0, len(mine) - 1, half).astype(int))]]
    return np.unique(stretches.hard_row[np.concatenate(chosen)])


def _likeness(stretches: Stretches, mine: Rows) -> Floats:
    """Stretches of one cutter are alike that are near in X, in area, and in the course of what it cuts."""
    return likeness(stretches.x_mm[mine], stretches.area_mm2[mine], np.linspace(0.0, BLOCKS, len(mine), endpoint=False))


def series_of(course: Course, stretches: Stretches, moments: Moments, setup: SetUp) -> LoadSeries:
    """Lay what was seen at moments over the loads by volume; seen stretches take what was seen, others are like those."""
    n = len(stretches.row)
    place = np.searchsorted(moments.row, stretches.hard_row)
    seen = (place < len(moments.row)) & (moments.row[np.minimum(place, max(len(moments.row) - 1, 0))] == stretches.hard_row)
    found = moments.found
    seen[seen] = found.area_mm2[place[seen]] > 0.0
    at, here = place[seen], np.flatnonzero(seen)
    more_side, more_turn = scaled_to_volume(stretches.area_mm2[here], found.area_mm2[at])
    side, watts = SIDE_OVER_TANGENT * stretches.tooth_N, stretches.watts.copy()
    torque = side * stretches.radius_mm * 1e-3
    height, axes = stretches.height_mm.copy(), np.full((n, 3), math.nan)
    hardness = found.side_N[at] * more_side / side[here]
    harder = _harder_than_volume(stretches, here, shape_alone(hardness, stretches.area_mm2[here], found.area_mm2[at]))
    side, torque = side * harder, torque * harder
    side[here] = found.side_N[at] * more_side
    torque[here] = found.rotary_Nm[at] * more_side
    watts[here] = found.spindle_Nm[at] * more_turn * 2.0 * math.pi * stretches.rpm[here] / 60.0
    height[here] = found.height_mm[at]
    axes[here] = found.axes_N[at] * more_side[:, None]
    bends, stress = np.zeros(n), np.zeros(n)
    for number, cutter in course.cutters.items():
        mine = stretches.cutter == number
        if mine.any():
            bends[mine] = side[mine] * cutter_flexibility_mm_per_N(cutter.shape, height[mine], cutter.substance)
            stress[mine] = side[mine] * cutter_stress_share_per_N(cutter.shape, height[mine], cutter.substance)
    sags, twists = np.full(n, math.nan), np.full(n, math.nan)
    standing = moments.bar_at(stretches.row) if moments.bars else np.zeros(n, dtype=np.intp)
    for b, bar in enumerate(moments.bars):
        mine = standing == b
        sags[mine] = side[mine] * bar.sideways_mm_per_N(np.abs(stretches.x_mm[mine]))
        twists[mine] = bar.twist_deg(np.abs(stretches.x_mm[mine]), torque[mine])
    return LoadSeries(
        row=stretches.row,
        last_row=stretches.last,
        cutter=stretches.cutter,
        seen=np.isfinite(axes[:, 0]),
        area_mm2=stretches.area_mm2,
        x_mm=stretches.x_mm,
        radius_mm=stretches.radius_mm,
        rpm=stretches.rpm,
        force_N=side,
        axes_N=axes,
        torque_Nm=torque,
        power_W=watts,
        cutter_bends_mm=bends,
        cutter_stress_share=stress,
        bar_bends_mm=sags,
        bar_twists_deg=twists,
        bar_index=standing,
        bars=moments.bars,
    )


def _harder_than_volume(stretches: Stretches, seen: Rows, found: Floats) -> Floats:
    """How much harder each stretch is than its volume alone says, from what was `found` at the seen ones most like it."""
    harder = np.ones(len(stretches.row))
    sure = stretches.area_mm2[seen] > LEAST_AREA_MM2
    for number in np.unique(stretches.cutter):
        mine = np.flatnonzero(stretches.cutter == number)
        told = sure & (stretches.cutter[seen] == number)
        if told.any():
            alike = _likeness(stretches, mine)
            among = np.searchsorted(mine, seen[told])
            harder[mine] = np.maximum(as_those_alike(alike[among], found[told], alike), 1.0)
    return harder


def cutter_flexibility_mm_per_N(shape: CutterShape, load_height_mm: Floats, substance: str = "carbide") -> Floats:
    """Return how far a cutter gives for 1 N at heights (k,) over its tip, in mm per N; the machine's spindle is taken as rigid.

    A stepped cantilever: sum of (b^3 - a^3) / (3 E I) over slices of its outline (derived from Euler
    and Bernoulli's beam). The edge counts as fluted.
    """
    pieces, radius = _stiff_radii(shape)
    stiff = 3.0 * E_N_PER_MM2.get(substance, E_N_PER_MM2["HSS"]) * math.pi * radius**4 / 4.0
    top = np.maximum(pieces[None, :, 1] - load_height_mm[:, None], 0.0)
    low = np.maximum(pieces[None, :, 0] - load_height_mm[:, None], 0.0)
    return np.asarray(((top**3 - low**3) / stiff).sum(axis=1), dtype=np.float64)


def cutter_stress_share_per_N(shape: CutterShape, load_height_mm: Floats, substance: str = "carbide") -> Floats:
    """Return the share of its allowed bending stress that 1 N at heights (k,) puts a cutter under: 32 M / (pi d^3). Exact."""
    pieces, radius = _stiff_radii(shape)
    arm = np.maximum(pieces[None, :, 1] - load_height_mm[:, None], 0.0)
    arm = np.where(arm > radius, arm, 0.0)  # nearer to the force than its own radius a slice is no beam
    stress = 4.0 * arm / (math.pi * radius[None, :] ** 3)
    allowed = ALLOWED_STRESS_N_PER_MM2.get(substance, ALLOWED_STRESS_N_PER_MM2["carbide"])
    return np.asarray(stress.max(axis=1) / allowed, dtype=np.float64)


def _stiff_radii(shape: CutterShape) -> tuple[Floats, Floats]:
    """Slices of a cutter (s, 2): from, to height, and the radius (s,) that each bends with; cones are cut into thin ones."""
    low, top, r0, r1 = frustums(shape).T
    count = np.where(np.abs(r1 - r0) > 1e-9, np.ceil((top - low) / CONE_SLICE_MM), 1.0).clip(1.0).astype(int)
    piece = np.repeat(np.arange(len(low)), count)
    share = (np.arange(len(piece)) - np.repeat(np.cumsum(count) - count, count)) / count[piece]
    width = (top - low)[piece] / count[piece]
    begins = low[piece] + share * (top - low)[piece]
    radius = np.maximum(r0[piece] + (share + 0.5 / count[piece]) * (r1 - r0)[piece], LEAST_RADIUS_MM)
    radius = np.where(begins + width <= shape.edge.top_mm + 1e-9, FLUTED_SHARE * radius, radius)
    return np.stack([begins, begins + width], axis=1), radius


def _weakest_x_mm(moments: Moments, setup: SetUp) -> float:
    """X of the slice that bends most easily when all is done."""
    if not moments.bars:
        return math.nan
    figures = moments.bars[-1].figures
    k = figures.thinnest
    return float(0.5 * (figures.x_mm[k] + figures.x_mm[k + 1])) * setup.along_x


def with_bending(load: Load, course: Course, series: LoadSeries | None, measured: Measured | None) -> Load:
    """Carry the bending into the deviation: how far cutter and bar together gave where `measured`, the surface, was made.

    An upper bound: the side force of the hardest moment, as if all of it pushed square to the surface.
    """
    if series is None or measured is None or not np.isfinite(series.bar_bends_mm).any():
        return load
    bend = np.zeros(len(course))
    gives = series.cutter_bends_mm + np.nan_to_num(series.bar_bends_mm)
    for first, last, value in zip(series.row, series.last_row, gives):
        bend[first : last + 1] = value
    made = (measured.row >= 0) & (measured.standing != Standing.NOT_PART)
    if not made.any():
        return load
    band = bend[measured.row[made]]
    deviation = measured.deviation_mm[made]
    reached = measured.standing[made] != Standing.UNREACHABLE
    over = float((deviation + band)[reached].max()) if reached.any() else math.nan
    return replace(
        load,
        surface_bending_mm=float(np.quantile(band, BAND_QUANTILE)),
        gouge_with_bending_mm=max(0.0, -float((deviation - band).min())),
        leftover_with_bending_mm=over,
    )


def _peaks(course: Course, series: LoadSeries) -> tuple[CutLoad, ...]:
    """The hardest of each run of one cutter in one program."""
    program = course.program[series.row]
    begins = np.flatnonzero(np.diff(program, prepend=-1).astype(bool) | np.diff(series.cutter, prepend=-1).astype(bool))
    peaks = []
    for a, b in zip(begins.tolist(), [*begins[1:].tolist(), len(series.row)]):
        k = a + int(series.force_N[a:b].argmax())
        cutter = course.cutters.get(int(series.cutter[a]))
        name, line = course.place(int(series.row[k]))
        peaks.append(
            CutLoad(
                cutter=int(series.cutter[a]),
                name=cutter.name if cutter else "",
                program=name,
                line=line,
                force_N=float(series.force_N[a:b].max()),
                rotary_torque_Nm=float(series.torque_Nm[a:b].max()),
                power_W=float(series.power_W[a:b].max()),
                cutter_bending_mm=float(series.cutter_bends_mm[a:b].max()),
                bar_bending_mm=float(np.nan_to_num(series.bar_bends_mm[a:b]).max()),
            )
        )
    return tuple(peaks)
