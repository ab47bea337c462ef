"""Feeds along a cut: as quick as force, torque, bending and chip allow at every stretch, instead of one feed for the worst.

What each row removes is known from carving the planner's blank. A volume does not tell a slot from a tall thin cut, so
the blank is asked what the edge really meets in every stretch. In a long cut it is asked in some, and every other stretch is
taken as hard for its volume as the asked ones most like it. A stretch's feed is then the largest within every limit.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from newel.core.motion import MoveKind, Toolpath
from newel.core.plan import Cut, CutKind, Decision
from newel.core.profile import CutterShape, Profile
from newel.core.units import duration
from newel.geometry.blank import Blank, carve, copy_of
from newel.geometry.profiles import radius_at
from newel.mechanics.alike import as_those_alike, likeness, some_of_each_kind
from newel.mechanics.bar_sections import LIGHT_SUPPORT, BarState, SliceFigures, bar_figures, bar_state
from newel.mechanics.chip import engagement_angle_deg, largest_chip_mm, mean_chip_mm
from newel.mechanics.clock import HeldBy, tip_way_mm, toolpath_timed
from newel.mechanics.cutter_bending import allowed_force_N, cutter_compliance_mm_per_N
from newel.mechanics.engagement import (
    CuttingLaw,
    Engagement,
    engagement_along,
    hardest_in_each,
    joined_engagements,
    look_ahead_mm,
    scaled_to_volume,
    shape_alone,
)
from newel.mechanics.places_on_way import Asked, places_on
from newel.mechanics.power import spindle_power_at_W, torque_from_power_Nm
from newel.planning.feeds import (
    BENDING_FINISH_MM,
    BENDING_ROUGH_MM,
    ENTRY_SHARE,
    GRIP_SHARE,
    MOST_THINNING,
    ROTARY_SHARE,
    SPINDLE_SHARE,
)
from newel.shop.cutters import Cutter, Form
from newel.shop.machines import Machine
from newel.shop.materials import Material

Floats = NDArray[np.float64]
Rows = NDArray[np.intp]

STRETCH_MM = 3.0  # shorter stretches are lost in the grid of the planner's blank, and a machine does not change speed in them
MOST_ASKED = 3000  # stretches of a cut in which the edge's engagement is asked: a third of a millisecond each
ALIKE = 3  # where a cut has more: so many of a kind
LEVEL = 0.85  # from one feed to the next lower one; few levels keep a program of plain feeds small
LEVELS = 20
BAR_BENDING_ROUGH_MM = 0.1  # common practice: well inside an allowance of 0.3 mm
BAR_BENDING_FINISH_MM = 0.015  # common practice: a third of a usual tolerance of 0.05 mm
FEED_MARK_SHARE = 0.2  # of the cusp that a tooth's marks along a finishing pass may reach: they must not show beside it
SLOT_HARDNESS = 2.0  # where nothing could be asked: what slots come to (recorded: 1.9 to 2.2 over balls in slots)
SURE_MM3 = 1.0  # some 15 cells of the planner's blank
AT_WALL_MM = 0.05  # a ring this near to a bore's wall is the one that makes it: others leave twice as much
MAY_RUB_MM = 1.0  # over so short a way a chip may be too thin: where the cutter steps aside against a tall wall
OUTLINE_STEPS = 64  # of an edge's outline, to find its area
THIN_MM2 = 1e-4  # less than this across the motion is no cut

# These keep their feed: what rules them is no side force on an edge that runs along the work, or, in a bevel, hardly any.
_KEEP_FEED = (CutKind.DRILL, CutKind.THREAD, CutKind.BEVEL)


@dataclass(frozen=True)
class Met:
    """What a cut met while the blank was carved: volume of each row (n,), and the edge's engagement at some rows (k,)."""

    removed_mm3: Floats
    row: Rows
    found: Engagement


@dataclass(frozen=True)
class Duty:
    """One cut as the schedule sees it: cutter and its shape, material, machine, the bar's corner radius and its stiffness."""

    cutter: Cutter
    shape: CutterShape
    material: Material
    machine: Machine
    corner_radius_mm: float
    bar: BarState | None


@dataclass(frozen=True)
class Schedule:
    """A cut with its feeds: the path, minutes with them, minutes at the constant feed that no stretch is too hard for.

    `limits`: (what rules, share of the fed time), the largest first. `force_N`: largest side force expected.
    """

    path: Toolpath
    minutes: float
    constant_feed_mm_per_min: float
    constant_minutes: float
    limits: tuple[tuple[str, float], ...]
    force_N: float
    met: Met
    duty: Duty

    def decision(self, cut: Cut) -> Decision:
        """Say what was decided and why."""
        fed = self.path.feed_mm_per_min[self.path.kind == MoveKind.CUT]
        ruled = ", ".join(f"{name} {share:.0%}" for name, share in self.limits[:3])
        saved = 1.0 - self.minutes / self.constant_minutes if self.constant_minutes > 0.0 else 0.0
        return Decision(
            f"feeds along '{cut.name}'",
            f"{fed.min():.0f} to {fed.max():.0f} mm/min",
            f"each stretch as fast as its force allows (at most {self.force_N:.0f} N); what rules, by time: {ruled}",
            (
                f"{self.constant_feed_mm_per_min:.0f} mm/min throughout, for the hardest stretch "
                f"({duration(self.constant_minutes)} instead of {duration(self.minutes)}, {saved:.0%} less)",
            ),
        )


def law_of(cutter: Cutter, material: Material) -> CuttingLaw:
    """Kienzle's law of a cutter in a material, at the hard end of its band."""
    return CuttingLaw(material.kc11_N_per_mm2[1], material.mc, cutter.ZEFP)


def feeds_along(
    cut: Cut, path: Toolpath, blank: Blank, duty: Duty, most_feed_mm_per_min: float | None = None
) -> tuple[Toolpath, Schedule | None]:
    """Carve the blank, in place, by a cut, and return its path with a feed for every stretch.

    The schedule is None where the kind of cut keeps the feed it has.
    """
    asks = asks_schedule(cut, duty.cutter) and bool(np.any(path.kind == MoveKind.CUT))
    before = copy_of(blank) if asks else blank
    removed = carve(blank, duty.shape, path.pose, np.arange(len(path), dtype=np.int32)).removed_mm3
    if not asks:
        return path, None
    rows = _moments(_stretches(path, removed, duty), cut, duty)
    met = Met(removed, rows, ask_at(before, path, rows, cut, duty))
    done = schedule(cut, path, met, duty, most_feed_mm_per_min)
    return done.path, done


def standing_bar(
    blank: Blank, far_x_mm: float, material: Material, known: dict[bytes, SliceFigures] | None = None
) -> BarState | None:
    """Return the bar as it stands, None where the material gives no stiffness. `known`: as of `bar_figures`."""
    if material.E_N_per_mm2 is None or material.G_N_per_mm2 is None or material.density_kg_per_m3 is None:
        return None
    figures = bar_figures(blank, far_x_mm, known=known)
    return bar_state(figures, material.E_N_per_mm2, material.G_N_per_mm2, material.density_kg_per_m3, LIGHT_SUPPORT)


def ask_at(blank: Blank, path: Toolpath, asked: Rows, cut: Cut, duty: Duty) -> Engagement:
    """Carve the blank (Y and Z rays), in place, to the last of the rows asked for, and ask in each what the edge meets."""
    if len(asked) == 0:
        return joined_engagements([])
    edge, last = duty.shape.edge, asked[-1] + 1
    rows = Asked(asked, np.full(len(asked), cut.feed_mm_per_min), np.full(len(asked), cut.spindle_rpm))
    way = places_on(path.pose[:last], _fed(path)[:last], rows, look_ahead_mm(edge, blank.pitch_mm))
    found = engagement_along(blank, edge, way.poses, way.places, law_of(duty.cutter, duty.material))
    return hardest_in_each(found, way.places.asked, len(asked))


def _fed(path: Toolpath) -> NDArray[np.bool_]:
    fed = (path.feed_mm_per_min > 0.0) & (path.kind != MoveKind.RAPID)
    fed[0] = False
    return np.asarray(fed)


def asks_schedule(cut: Cut, cutter: Cutter) -> bool:
    """Tell whether feeds along a cut follow its force."""
    return cut.kind not in _KEEP_FEED and cutter.form in (
        Form.FLAT,
        Form.BALL,
        Form.BULL_NOSE,
        Form.TAPERED_BALL,
        Form.V,
    )


def _moments(stretch: _Stretches, cut: Cut, duty: Duty) -> Rows:
    """Rows to ask in: every stretch's, or in a long cut the hardest by volume, few of a kind, and as many spread over it."""
    cuts = np.flatnonzero(stretch.area_mm2 > THIN_MM2)
    if len(cuts) > MOST_ASKED:
        tooth = _by_volume(stretch.area_mm2[cuts], duty, cut.spindle_rpm)[0]
        alike = likeness(stretch.x_mm[cuts], stretch.area_mm2[cuts])
        hardest = some_of_each_kind(alike, tooth, ALIKE, MOST_ASKED // 2)
        spread = np.unique(np.linspace(0, len(cuts) - 1, MOST_ASKED // 2).astype(int))
        cuts = cuts[np.union1d(hardest, spread)]
    return np.asarray(np.unique(stretch.hard_row[cuts]), dtype=np.intp)


@dataclass(frozen=True)
class _Stretches:
    """Runs of fed rows: stretch of each row (n,), -1 for none.

    Of each stretch (s,): the row that removes most, whether it is a short hard move, area of cut, distance from the axis, X.
    """

    of_row: NDArray[np.int64]
    hard_row: Rows
    short: NDArray[np.bool_]
    area_mm2: Floats
    radius_mm: Floats
    x_mm: Floats


def schedule(cut: Cut, path: Toolpath, met: Met, duty: Duty, most_feed_mm_per_min: float | None = None) -> Schedule:
    """Set the feed of every row of a cut. `most_feed_mm_per_min`: an upper bound of its own, where there is one."""
    stretch = _stretches(path, met.removed_mm3, duty)
    limit, force, ruled = _feeds(cut, stretch, met, duty, _rings(cut, path, stretch.of_row, duty))
    top = min(duty.machine.x.max_feed_mm_per_min, duty.machine.y.max_feed_mm_per_min, most_feed_mm_per_min or math.inf)
    cuts = stretch.area_mm2 > THIN_MM2
    # slow down before the hard part: each stretch as slow as the slower of its neighbours, but for short moves
    beside = np.where(stretch.short, np.inf, limit)
    eased = np.minimum(limit, np.minimum(np.append(beside[1:], np.inf), np.insert(beside[:-1], 0, np.inf)))
    steps = np.ceil(np.log(np.maximum(np.minimum(eased, top), 1e-9) / top) / math.log(LEVEL) - 1e-9)
    levelled = top * LEVEL ** np.clip(steps, 0, LEVELS - 1)
    feeds = np.where(cuts | (levelled < top), levelled, top)
    floor = top * LEVEL ** (LEVELS - 1)
    done = _with_feeds(path, stretch.of_row, feeds)
    constant = float(max(limit[cuts].min(initial=top), floor))
    at_constant = _with_feeds(path, stretch.of_row, np.full(len(feeds), min(constant, top)))
    timed = toolpath_timed(done, duty.machine)
    return Schedule(
        path=done,
        minutes=timed.total_minutes,
        constant_feed_mm_per_min=min(constant, top),
        constant_minutes=toolpath_timed(at_constant, duty.machine).total_minutes,
        limits=_ruling(done, stretch.of_row, ruled, eased >= top, timed.minutes, timed.held_by),
        force_N=float((force * feeds ** (1.0 - duty.material.mc)).max(initial=0.0)),
        met=met,
        duty=duty,
    )


def most_area_mm2(edge: Profile) -> float:
    """Return the largest area a cutter can cut at once: its edge's outline seen from beside, or from beneath where larger.

    What a very short step takes off over its length may be more: the grid of the blank is coarser than the step.
    """
    low, high = float(edge.h_mm[0]), edge.top_mm
    middles = low + (np.arange(OUTLINE_STEPS) + 0.5) / OUTLINE_STEPS * (high - low)
    return max(2.0 * float(radius_at(edge, middles).mean()) * (high - low), math.pi * edge.radius_mm**2)


def _stretches(path: Toolpath, removed_mm3: Floats, duty: Duty) -> _Stretches:
    way = np.concatenate([[0.0], tip_way_mm(path.pose)])
    fed = _fed(path)
    of_row = np.full(len(path), -1, dtype=np.int64)
    rows = np.flatnonzero(fed)
    if len(rows) == 0:
        return _Stretches(of_row, np.zeros(0, dtype=np.intp), np.zeros(0, dtype=bool), *(np.zeros(0) for _ in range(3)))
    run = np.cumsum(np.diff(rows, prepend=rows[0]) > 1)
    gone = np.cumsum(way[rows]) - way[rows]
    gone -= gone[np.searchsorted(run, run)]
    key = run * np.int64(1 << 32) + np.floor(gone / STRETCH_MM).astype(np.int64)
    # a short hard move is a stretch of its own, where its volume is large enough for the grid to tell
    sure = (removed_mm3[rows] > SURE_MM3) & (way[rows] < MAY_RUB_MM)
    number = np.cumsum((np.diff(key, prepend=key[0]) != 0) | (np.diff(sure, prepend=sure[0])))
    of_row[rows] = number
    count = int(number[-1]) + 1
    length = np.bincount(number, way[rows], count)
    volume = np.bincount(number, removed_mm3[rows], count)
    area = np.minimum(np.where(length > 1e-6, volume / np.maximum(length, 1e-6), 0.0), most_area_mm2(duty.shape.edge))
    radius = np.zeros(count)
    np.maximum.at(
        radius,
        number,
        np.minimum(np.hypot(path.pose[rows, 1], path.pose[rows, 2]) + np.sqrt(area)[number], duty.corner_radius_mm),
    )
    x = np.bincount(number, path.pose[rows, 0], count) / np.maximum(np.bincount(number, minlength=count), 1)
    order = np.lexsort((-removed_mm3[rows], number))
    hard_row = rows[order[np.diff(number[order], prepend=-1) > 0]]
    short = np.bincount(number, sure, count) > 0
    return _Stretches(of_row, hard_row, short, area, radius, x)


def _by_volume(area_mm2: Floats, duty: Duty, rpm: float) -> tuple[Floats, Floats, Floats, Floats]:
    """What a cut as wide as deep of that area would be at 1 mm/min: tooth force, mean torque, mean and largest chip.

    Force and torque grow with the feed to the power 1 - mc, chips with the feed.
    """
    law = law_of(duty.cutter, duty.material)
    size = np.sqrt(area_mm2)
    diameter = 2.0 * np.maximum(radius_at(duty.shape.edge, size), 0.05)
    width = np.minimum(np.maximum(size, 1e-6), diameter)
    fz = 1.0 / (rpm * law.teeth)
    mean = np.maximum(mean_chip_mm(fz, width, diameter), 1e-12)
    torque = area_mm2 * fz * law.teeth / (2.0 * math.pi) * law.kc11_N_per_mm2 * mean**-law.mc * 1e-3
    share = np.maximum(1.0, 360.0 / (law.teeth * np.maximum(engagement_angle_deg(width, diameter), 1.0)))
    return 2000.0 * torque / diameter * share, torque, mean, largest_chip_mm(fz, width, diameter)


def _hardness(cut: Cut, stretch: _Stretches, met: Met, duty: Duty) -> tuple[Floats, Floats]:
    """How much harder each stretch is, in side force and in torque, than its volume alone says, (s,) each.

    As it was found, where it was asked; else as the middle one of the asked stretches that are nearest to it in X and area.
    """
    n = len(stretch.area_mm2)
    number = stretch.of_row[met.row]
    area, met_area = stretch.area_mm2[number], met.found.area_mm2
    told = (area > THIN_MM2) & (met_area > 0.0)
    if not told.any():
        return np.full(n, SLOT_HARDNESS), np.ones(n)
    tooth, torque, _, _ = _by_volume(area[told], duty, cut.spindle_rpm)
    grown = cut.feed_mm_per_min ** (1.0 - duty.material.mc)
    more_side, more_turn = scaled_to_volume(area, met_area)
    side = (met.found.side_N * more_side)[told] / (tooth * grown)
    turn = (met.found.spindle_Nm * more_turn)[told] / (torque * grown)
    seen, alike = likeness(stretch.x_mm[number][told], area[told]), likeness(stretch.x_mm, stretch.area_mm2)
    shapes = (shape_alone(found, area[told], met_area[told]) for found in (side, turn))
    of_side, of_turn = (np.maximum(as_those_alike(seen, shape, alike), 1.0) for shape in shapes)
    of_side[number[told]], of_turn[number[told]] = side, turn
    return of_side, of_turn


POWER, TORQUE, ROTARY, GRIP = "spindle power", "spindle torque", "rotary axis", "jaws' grip"
CUTTER, STRENGTH, BAR = "cutter bending", "cutter strength", "bar bending"
CHIP, MARKS, RUBBING, SPEED = "chip load", "feed marks", "thinnest chip", "machine speed"
_HARD = (POWER, TORQUE, ROTARY, GRIP, STRENGTH)


def _rings(cut: Cut, path: Toolpath, of_row: NDArray[np.int64], duty: Duty) -> tuple[Floats, NDArray[np.bool_]]:
    """Return for each stretch (s,) how much faster the edge goes along a bore's wall than the tip, and whether it may bend.

    (r + R) / r with the tip's radius r about the hole (plane geometry); 1 in cuts that are no bores. It may bend as far as in
    roughing where something is left: with an allowance, and in a bore in all rings but the one at the wall.
    """
    rows = np.flatnonzero(of_row >= 0)
    count = int(of_row.max(initial=-1)) + 1
    if cut.kind is not CutKind.BORE or not cut.holes or not len(rows):
        # a face is made by the tip: how far the cutter or the bar bends sideways does not show in it
        return np.ones(count), np.full(count, cut.allowance_mm > 0.0 or cut.kind is CutKind.FACE)
    radius = duty.shape.edge.radius_mm
    holes = np.array([[hole.x_mm, hole.y_mm] for hole in cut.holes])
    away = np.linalg.norm(path.pose[rows, None, :2] - holes[None], axis=2)
    nearest = away.argmin(axis=1)
    wall = np.array([0.5 * hole.diameter_mm for hole in cut.holes])[nearest] - cut.allowance_mm - radius
    circle, short = np.zeros(count), np.full(count, np.inf)
    np.maximum.at(circle, of_row[rows], away.min(axis=1))
    np.minimum.at(short, of_row[rows], wall - away.min(axis=1))
    leaves = (short > AT_WALL_MM) | (cut.allowance_mm > 0.0)
    return 1.0 + radius / np.maximum(circle, 0.05 * radius), leaves


def _feeds(
    cut: Cut, stretch: _Stretches, met: Met, duty: Duty, rings: tuple[Floats, NDArray[np.bool_]]
) -> tuple[Floats, Floats, NDArray[np.str_]]:
    """Return for each stretch its largest feed, its side force at 1 mm/min, and what rules it."""
    machine, material, cutter = duty.machine, duty.material, duty.cutter
    side, turn = _hardness(cut, stretch, met, duty)
    tooth, torque, mean, most = _by_volume(stretch.area_mm2, duty, cut.spindle_rpm)
    tooth, torque = side * tooth, turn * torque
    rim_over_tip, leaves = rings
    rough = cut.allowance_mm > 0.0
    height = min(0.5 * cut.ap_mm, 0.5 * cutter.APMX) if cutter.form in (Form.V, Form.TAPERED_BALL) else 0.0
    power = 1.0 / (1.0 - material.mc)

    def feed_for(load: Floats, allowed: Floats | float) -> Floats:
        return np.asarray((allowed / np.maximum(load, 1e-12)) ** power)

    allowed_Nm = SPINDLE_SHARE * machine.spindle.torque_Nm
    allowed_W = SPINDLE_SHARE * spindle_power_at_W(machine.spindle, cut.spindle_rpm)
    grip = GRIP_SHARE * machine.chuck.jaws * machine.chuck.jaw_friction * machine.chuck.grip_force_N
    holds_Nm = machine.a.moving_torque_Nm if cut.turn_deg is None else machine.a.holding_torque_Nm
    chip_top = material.fz_per_DC[1] * _chart_width(cutter, met)
    limits = {
        POWER: feed_for(torque, torque_from_power_Nm(allowed_W, cut.spindle_rpm)),
        TORQUE: feed_for(torque, allowed_Nm),
        ROTARY: feed_for(tooth, 1000.0 * ROTARY_SHARE * holds_Nm / np.maximum(stretch.radius_mm, 1.0)),
        GRIP: feed_for(tooth, grip),
        STRENGTH: feed_for(tooth, allowed_force_N(cutter, height)),
        CUTTER: feed_for(
            tooth, np.where(leaves, BENDING_ROUGH_MM, BENDING_FINISH_MM) / cutter_compliance_mm_per_N(cutter, height)
        ),
        CHIP: np.minimum(chip_top / np.maximum(most, 1e-300), MOST_THINNING * chip_top * cut.spindle_rpm * cutter.ZEFP)
        / rim_over_tip,
    }
    if duty.bar is not None:
        gives = duty.bar.sideways_mm_per_N(np.abs(stretch.x_mm))
        limits[BAR] = feed_for(tooth, np.where(leaves, BAR_BENDING_ROUGH_MM, BAR_BENDING_FINISH_MM) / gives)
    if not rough and cutter.RE > 0.0:
        mark = math.sqrt(8.0 * cutter.RE * FEED_MARK_SHARE * cut.cusp_mm)
        limits[MARKS] = np.full(len(tooth), mark * cut.spindle_rpm * cutter.ZEFP)
    names = np.array(list(limits))
    table = np.stack(list(limits.values()))
    feed, ruled = table.min(axis=0), names[table.argmin(axis=0)]
    # A chip that rubs is worse than a cutter or bar that bends (but over a short way), and better than a machine that stalls.
    least = material.hm_min_mm / np.maximum(mean, 1e-300)
    hard = np.stack([limits[name] for name in _HARD]).min(axis=0)
    rubs = (feed < least) & (stretch.area_mm2 > THIN_MM2) & ~stretch.short
    feed = np.where(rubs, np.maximum(feed, np.minimum(least, hard)), feed)
    return feed, tooth, np.where(rubs & (feed >= least), RUBBING, ruled)


def _chart_width(cutter: Cutter, met: Met) -> float:
    """The diameter that a chip chart speaks of: DC, or for a pointed cutter what of it is in the work."""
    if cutter.form not in (Form.V, Form.TAPERED_BALL):
        return cutter.DC
    wide = met.found.ae_mm[met.found.area_mm2 > 0.0]
    return float(np.clip(np.quantile(wide, 0.5) if len(wide) else cutter.DC, 2.0 * cutter.RE, cutter.DC))


def _with_feeds(path: Toolpath, of_row: NDArray[np.int64], feeds: Floats) -> Toolpath:
    feed = path.feed_mm_per_min.copy()
    rows = of_row >= 0
    mine = feeds[of_row[rows]]
    # a helix whose turns take off no more than the cut does was planned at nearly its feed: what it bears it is let have
    entry = np.minimum(mine, np.maximum(feed[rows], ENTRY_SHARE * mine))
    feed[rows] = np.where(path.kind[rows] == MoveKind.ENTRY, entry, mine)
    link = path.kind == MoveKind.LINK
    feed[link] = path.feed_mm_per_min[link]
    return replace(path, feed_mm_per_min=feed)


def _ruling(
    path: Toolpath,
    of_row: NDArray[np.int64],
    ruled: NDArray[np.str_],
    free: NDArray[np.bool_],
    minutes: Floats,
    held: NDArray[np.uint8],
) -> tuple[tuple[str, float], ...]:
    """Share of the fed time by what ruled it: the machine where it was slower than asked, else the stretch's limit."""
    rows = np.flatnonzero(of_row >= 0)
    total = max(float(minutes[rows].sum()), 1e-12)
    name = np.where(free[of_row[rows]], SPEED, ruled[of_row[rows]])
    name = np.where(np.isin(held[rows], (HeldBy.AXIS_SPEED, HeldBy.ACCELERATION, HeldBy.BLOCK_RATE)), SPEED, name)
    shares = [(str(one), float(minutes[rows][name == one].sum()) / total) for one in np.unique(name)]
    return tuple(sorted(shares, key=lambda item: (-item[1], item[0])))
