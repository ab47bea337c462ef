"""Removal rate, cutting power and spindle torque, and a handbook's unit-power form of them."""

from __future__ import annotations

import numpy as np

from newel.shop.machines import Spindle

# Exact: 550 ft lbf/s and the inch in metric units. 1 hp min/in3 = 2.7303239 J/mm3 (= kW per cm3/s).
J_PER_MM3_PER_HP_MIN_PER_IN3 = 550.0 * 0.3048 * 4.4482216152605 * 60.0 / 25.4**3

# Feed factor C over the feed per tooth in mm, power constant per unit of removal.
# From memory: Machinery's Handbook, "Machining Power", table 2 (not seen now): a band of plausibility, not an oracle.
HANDBOOK_FEED_FACTOR = ((0.02, 1.70), (0.05, 1.40), (0.07, 1.30), (0.10, 1.25), (0.15, 1.15), (0.20, 1.08), (0.30, 1.00))

# Unit power K_p in kW per cm3/s, sharp tools. From memory: Machinery's Handbook, tables 1a and 3 (not seen now).
HANDBOOK_UNIT_POWER = {
    "aluminium, cast": 0.68,
    "aluminium, hard or rolled": 0.90,
    "brass, soft": 0.68,
    "brass, medium": 1.36,
    "brass, hard": 2.27,
    "brass, leaded": 0.82,
    "bronze, medium": 1.36,
    "magnesium": 0.27,
}

# Wear factors W and efficiencies E of the drive. From memory: Machinery's Handbook, tables 4 and 5.
HANDBOOK_WEAR_SHARP = 1.00
HANDBOOK_WEAR_END_MILLING = 1.10
HANDBOOK_EFFICIENCY_BELT = 0.90


def removal_rate_mm3_per_min(ae_mm: float, ap_mm: float, feed_mm_per_min: float) -> float:
    """Removal rate: Q = ae ap vf. ISO 3002-3; exact for a straight cut."""
    return ae_mm * ap_mm * feed_mm_per_min


def cutting_power_W(removal_mm3_per_min: float, kc_N_per_mm2: float) -> float:
    """Cutting power: P = Q kc / 60 000, in W with Q in mm3/min and kc in N/mm2. ISO 3002-4; exact."""
    return removal_mm3_per_min * kc_N_per_mm2 / 60_000.0


def torque_from_power_Nm(power_W: float, spindle_rpm: float) -> float:
    """Torque at a speed: M = 60 P / (2 pi n) = 9.5493 P / n. Exact."""
    return power_W * 60.0 / (2.0 * np.pi * spindle_rpm)


def power_from_torque_W(torque_Nm: float, spindle_rpm: float) -> float:
    """Power at a speed: P = 2 pi n M / 60. Exact."""
    return torque_Nm * 2.0 * np.pi * spindle_rpm / 60.0


def mean_tangential_force_N(torque_Nm: float, diameter_mm: float) -> float:
    """Mean tangential force over a whole turn: the torque over the radius. Exact."""
    return 2000.0 * torque_Nm / diameter_mm


def spindle_power_at_W(spindle: Spindle, spindle_rpm: float) -> float:
    """Power a spindle has at a speed: its full power, or what its torque gives below the speed where that is less.

    Constant torque up to the corner speed, constant power above: common practice for driven spindles.
    """
    return min(spindle.power_W, power_from_torque_W(spindle.torque_Nm, spindle_rpm))


def spindle_torque_at_Nm(spindle: Spindle, spindle_rpm: float) -> float:
    """Torque a spindle has at a speed: see `spindle_power_at_W`."""
    return min(spindle.torque_Nm, torque_from_power_Nm(spindle.power_W, spindle_rpm))


def handbook_feed_factor(fz_mm: float) -> float:
    """Feed factor C at a feed per tooth, read between the table's rows, and its end rows beyond them."""
    feed, factor = zip(*HANDBOOK_FEED_FACTOR)
    return float(np.interp(fz_mm, feed, factor))


def handbook_power_W(unit_power_J_per_mm3: float, fz_mm: float, removal_mm3_per_min: float, wear: float = 1.0) -> float:
    """Power at the cutter: P = K_p C Q W. Machinery's Handbook, "Machining Power" (formula and factors from memory)."""
    return unit_power_J_per_mm3 * handbook_feed_factor(fz_mm) * removal_mm3_per_min * wear * 1000.0 / 60_000.0
