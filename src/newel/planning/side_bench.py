"""What cuts at sides are planned from: the part in its place, the shop's cutters with their figures, and what stands about."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from newel.core.job import Job
from newel.core.plan import Bar, Cut, Decision, Holding, Placement
from newel.core.profile import CutterShape
from newel.geometry.drop import stands_clear
from newel.geometry.features import Features
from newel.geometry.meshes import Mesh
from newel.geometry.profiles import grown
from newel.planning.feeds import CuttingData, Purpose, bounded_room_mm, cutting_data
from newel.planning.place import corner_radius_mm
from newel.planning.reach import SurfaceSample
from newel.planning.side_reach import BODY_CLEARANCE_MM, Grounds, SideReach, touched_at
from newel.shop.cutters import Cutter, Form
from newel.shop.machines import Machine
from newel.shop.materials import Material

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]
Indices = NDArray[np.intp]

DRILL_CHIP_PER_DC = 0.02  # feed a turn of small drills in wood, plastic and aluminium, over DC: common practice 0.01 to 0.03

CALLED_ANYWAY = 1.3  # what a cutter change saved is worth over the rate of removal: common practice for short jobs


@dataclass(frozen=True)
class DrillFigures:
    """What a drill runs at: speed, feed (also on entry), straight down, pecks of `ap_mm`, as wide as itself."""

    spindle_rpm: float
    feed_mm_per_min: float
    entry_feed_mm_per_min: float
    ramp_deg: float
    ap_mm: float
    ae_mm: float


@dataclass(frozen=True)
class SideBench:
    """All that cuts at sides are planned from; features and part in the bar frame. `figures` remembers cutting data."""

    job: Job
    cutters: Mapping[str, Cutter]
    shapes: Mapping[str, CutterShape]
    material: Material
    machine: Machine
    part: Mesh
    features: Features
    placed: Placement
    bar: Bar
    holding: Holding
    grounds: Grounds
    reach: SideReach
    tolerance_mm: float
    figures: dict[tuple[str, str, float], CuttingData] = field(default_factory=dict)
    reaches: dict[tuple[str, float], Bools] = field(default_factory=dict)
    called: set[str] = field(default_factory=set)  # cutters that holes call for anyway: choosing one of them saves a change

    @property
    def sample(self) -> SurfaceSample:
        """The places of the surface that reach was asked for."""
        return self.reach.sample

    def rough(self, name: str) -> CuttingData:
        """Return the roughing figures of a cutter."""
        return self._data(name, Purpose.ROUGH, 0.0)

    def finish(self, name: str, depth_mm: float) -> CuttingData:
        """Return the finishing figures of a cutter where this much is left to cut."""
        return self._data(name, Purpose.FINISH, round(depth_mm, 3))

    def _data(self, name: str, purpose: Purpose, depth_mm: float) -> CuttingData:
        key = (name, purpose.value, depth_mm)
        if key not in self.figures:
            radius = corner_radius_mm(self.bar.section, self.bar.size_mm)
            asked = self.job.rough if purpose is Purpose.ROUGH else self.job.finish
            self.figures[key] = cutting_data(
                self.cutters[name],
                self.material,
                self.machine,
                purpose,
                asked=asked,
                bar_radius_mm=radius,
                depth_mm=depth_mm or None,
            )
        return self.figures[key]

    def quickest(self, names: Sequence[str]) -> str:
        """Return the cutter that removes most a minute; one that is called for anyway may be a little slower."""

        def rate(name: str) -> float:
            data = self.rough(name)
            return data.ap_mm * data.ae_mm * data.feed_mm_per_min * (CALLED_ANYWAY if name in self.called else 1.0)

        return max(names, key=lambda name: (rate(name), name))

    def bounded_room_mm(self, name: str) -> tuple[float, float]:
        """Return how deep and how wide a cut with a held engagement may be; ap and ae where the job file names them."""
        data = self.rough(name)
        if self.job.rough.ap_mm is not None or self.job.rough.ae_mm is not None:
            return data.ap_mm, data.ae_mm
        radius = corner_radius_mm(self.bar.section, self.bar.size_mm)
        return bounded_room_mm(self.cutters[name], self.material, self.machine, data, radius)

    def drilling(self, name: str) -> DrillFigures:
        """Return the figures of a drill: half the middle of the material's speeds at its DC, a peck as deep as it is wide."""
        cutter, spindle = self.cutters[name], self.machine.spindle
        wanted = 1000.0 * 0.5 * sum(self.material.vc_m_per_min) / (np.pi * cutter.DC)
        most = min(spindle.max_rpm, cutter.max_rpm or spindle.max_rpm)
        # A drill can't lift its chips at a mill's full speed: half of what milling takes is common practice.
        rpm = float(np.clip(100.0 * np.floor(0.5 * wanted / 100.0), spindle.min_rpm, most))
        feed = min(rpm * DRILL_CHIP_PER_DC * cutter.DC, self.machine.z.max_feed_mm_per_min)
        return DrillFigures(rpm, feed, feed, 90.0, cutter.DC, cutter.DC)

    def touches(self, name: str, turn_deg: float) -> Bools:
        """Tell which sample places (n,) this cutter touches at a turn that has been looked at."""
        key = (name, turn_deg)
        if key not in self.reaches:
            any_cutter = self.touched_at(turn_deg)
            some = np.flatnonzero(any_cutter)
            found = np.zeros(len(any_cutter), bool)
            found[some] = touched_at(self.sample, some, self.grounds.held, self.shapes[name], turn_deg, self.tolerance_mm)
            self.reaches[key] = found
        return self.reaches[key]

    def touched_at(self, turn_deg: float) -> Bools:
        """Tell which sample places (n,) some cutter touches at a turn that has been looked at."""
        row = int(np.argmin(np.abs(self.reach.turns_deg - turn_deg)))
        return self.reach.touched[row]

    def stands_clear(self, name: str, x_mm: float, y_mm: float, z_mm: float, turn_deg: float) -> bool:
        """Tell whether the cutter may stand with its tip at a place of the table frame."""
        shape = self.shapes[name]
        body = grown(shape.body, BODY_CLEARANCE_MM)  # which is told from a tip that is so much lower
        asked = ((shape.edge, z_mm + 1e-6), (body, z_mm - BODY_CLEARANCE_MM + 1e-6))
        return all(bool(stands_clear(self.grounds.held, p, x_mm, y_mm, z, turn_deg)) for p, z in asked)

    def named(self, *forms: Form) -> list[str]:
        """Return the cutters of these forms, the widest first."""
        names = [name for name, cutter in self.cutters.items() if cutter.form in forms]
        return sorted(names, key=lambda name: (-self.cutters[name].DC, -self.cutters[name].RE, name))

    def said(self, cuts: Sequence[Cut], names: Sequence[str]) -> tuple[Decision, ...]:
        """Return what was decided about speeds and feeds of the cuts that came to be, each thing once."""
        used = {(names[cut.cutter - 1], cut.spindle_rpm, cut.feed_mm_per_min) for cut in cuts}
        seen: dict[str, Decision] = {}
        for (name, _, _), data in self.figures.items():
            if (name, data.spindle_rpm, data.feed_mm_per_min) in used:
                for decision in data.decisions:
                    seen.setdefault(decision.what, decision)
        return tuple(item for what, item in seen.items() if not what.startswith("feed near the axis"))
