"""What a trial cut tells of a material: its specific cutting force, with what the reading leaves uncertain.

A trial is a slot as wide as the cutter, at one depth, whose feed rises step by step. Kienzle's law gives torque, force and
what a lever on the bar would weigh in proportion to kc1.1, so each reading gives kc1.1 by a division.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from newel.core.errors import BadInput
from newel.mechanics.edges import working_edge
from newel.mechanics.force import kienzle_mean_torque_Nm, kienzle_peak_force_N
from newel.mechanics.power import power_from_torque_W
from newel.shop.cutters import Cutter

Floats = NDArray[np.float64]

DRIVE_EFFICIENCY = (0.7, 0.9)  # of the power a small drive draws, what arrives at the cutter: common practice
WATT_ERROR = 0.1  # of a plug-in power meter's difference between two readings: common practice
GRAM_ERROR = 0.1  # of a kitchen scale's reading under a shaking lever: common practice
MC_BAND = 0.05  # how far the exponent mc may be off: from memory, 0.2 to 0.3 in the stuff of small mills
SLOT = (0.0, 180.0)
GRAVITY = 9.81  # m/s2
FLAT_STEPS = 3600


@dataclass(frozen=True)
class TrialSlot:
    """A slot of a trial: depth (mm), spindle speed, distance of its middle from the rotary axis, feed of each step."""

    ap_mm: float
    spindle_rpm: float
    radius_mm: float
    feeds_mm_per_min: tuple[float, ...]

    def fz_mm(self, cutter: Cutter, step: int) -> float:
        """Feed per tooth of a step, counted from 1."""
        if not 1 <= step <= len(self.feeds_mm_per_min):
            raise BadInput(f"the trial has steps 1 to {len(self.feeds_mm_per_min)}, not {step}")
        return self.feeds_mm_per_min[step - 1] / (self.spindle_rpm * cutter.ZEFP)


@dataclass(frozen=True)
class Band:
    """A figure with the least and the most it may be by one reading; the most is infinite where nothing bounds it."""

    what: str
    low: float
    middle: float
    high: float


def from_watts(cutter: Cutter, slot: TrialSlot, mc: float, step: int, cutting_W: float) -> Band:
    """kc1.1 from the power that cutting added at a step (spindle idling taken off)."""
    if not cutting_W > 0.0:
        raise BadInput(f"at step {step} cutting should draw more than idling: {cutting_W:g} W more is none")

    def kc(efficiency: float, exponent: float, error: float) -> float:
        return cutting_W * error * efficiency / power_from_torque_W(_torque(cutter, slot, exponent, step), slot.spindle_rpm)

    efficiency = 0.5 * sum(DRIVE_EFFICIENCY)
    ends = [kc(e, mc + d, 1.0 + w) for e in DRIVE_EFFICIENCY for d in (-MC_BAND, MC_BAND) for w in (-WATT_ERROR, WATT_ERROR)]
    return Band(f"{cutting_W:g} W at step {step}", min(ends), kc(efficiency, mc, 1.0), max(ends))


def from_grams(cutter: Cutter, slot: TrialSlot, mc: float, step: int, grams: float, arm_mm: float) -> Band:
    """kc1.1 from a scale under a lever on the bar, the axis free to turn: mean force across the slot times its radius."""
    if not (grams > 0.0 and arm_mm > 0.0):
        raise BadInput("a reading and its lever must be greater than 0")
    torque = grams * 1e-3 * GRAVITY * arm_mm / 1000.0

    def kc(exponent: float, error: float) -> float:
        return torque * error * 1000.0 / (slot.radius_mm * mean_across_N(cutter, slot, exponent, step))

    ends = [kc(mc + d, 1.0 + g) for d in (-MC_BAND, MC_BAND) for g in (-GRAM_ERROR, GRAM_ERROR)]
    return Band(f"{grams:g} g at step {step}", min(ends), kc(mc, 1.0), max(ends))


def from_stall(cutter: Cutter, slot: TrialSlot, mc: float, step: int, torque_Nm: float) -> Band:
    """kc1.1 from the step at which the spindle stalled: that step asks more than it has, the step before did not."""
    return _between(cutter, slot, mc, step, torque_Nm, _torque, f"stalled at step {step}")


def from_slip(cutter: Cutter, slot: TrialSlot, mc: float, step: int, holding_Nm: float) -> Band:
    """kc1.1 from the step at which the rotary axis slipped: the peak force on the slot's radius passed what it holds."""

    def moment(cutter: Cutter, slot: TrialSlot, exponent: float, step: int) -> float:
        edge = working_edge(cutter, slot.ap_mm)
        fz = slot.fz_mm(cutter, step)
        peak = kienzle_peak_force_N(1.0, exponent, edge.length_mm, edge.thinning * fz, SLOT, cutter.ZEFP)
        return peak * slot.radius_mm / 1000.0

    return _between(cutter, slot, mc, step, holding_Nm, moment, f"slipped at step {step}")


def together(bands: list[Band]) -> tuple[float, float, float]:
    """Put readings together: low, middle and high of kc1.1.

    Readings that agree narrow the band to what they share; where they do not, it spans all of them.
    """
    if not bands:
        raise BadInput("a fit needs at least one reading", remedy="give --watts, --stalled-at, --slipped-at or --grams")
    low, high = max(band.low for band in bands), min(band.high for band in bands)
    if low > high:
        low, high = min(band.low for band in bands), max(band.high for band in bands if math.isfinite(band.high))
    middle = float(np.exp(np.mean([math.log(band.middle) for band in bands])))
    if not math.isfinite(high):
        high = 2.0 * max(low, middle)
    return low, min(max(middle, low), high), high


def mean_across_N(cutter: Cutter, slot: TrialSlot, mc: float, step: int) -> float:
    """Mean force across a full slot for kc1.1 = 1: z / (2 pi) * integral of b (fz sin a)^(1 - mc) sin a da. Derived."""
    edge = working_edge(cutter, slot.ap_mm)
    angle = (np.arange(FLAT_STEPS) + 0.5) * math.pi / FLAT_STEPS
    tangential = edge.length_mm * (edge.thinning * slot.fz_mm(cutter, step) * np.sin(angle)) ** (1.0 - mc)
    return float(cutter.ZEFP / (2.0 * math.pi) * (tangential * np.sin(angle)).sum() * math.pi / FLAT_STEPS)


def _torque(cutter: Cutter, slot: TrialSlot, mc: float, step: int) -> float:
    edge = working_edge(cutter, slot.ap_mm)
    chip = edge.thinning * slot.fz_mm(cutter, step)
    return kienzle_mean_torque_Nm(1.0, mc, edge.length_mm, chip, SLOT, cutter.ZEFP, edge.diameter_mm)


def _between(cutter: Cutter, slot: TrialSlot, mc: float, step: int, limit: float, load: object, what: str) -> Band:
    assert callable(load)
    enough = limit / load(cutter, slot, mc, step)
    most = math.inf if step == 1 else limit / load(cutter, slot, mc, step - 1)
    middle = enough if math.isinf(most) else math.sqrt(enough * most)
    return Band(what, enough, middle, most)
