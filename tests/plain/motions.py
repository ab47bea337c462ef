"""Small motions and a small mill by hand, for tests that need no program and no shop file."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from newel.core.motion import Motion, RowKind
from newel.shop.machines import Chuck, LinearAxis, Machine, RotaryAxis, Spindle


def small_mill(
    speed_mm_per_s: float = 50.0, acceleration: float = 500.0, deviation_mm: float = 0.02, block_rate_per_s: float = 0.0
) -> Machine:
    """A mill with the figures of the motion closed forms: 50 mm/s, 500 mm/s2, A 3600 degrees/min, 500 degrees/s2."""
    speed = 60.0 * speed_mm_per_s
    axis = LinearAxis(0.0, 300.0, speed, speed, acceleration)
    return Machine(
        name="test mill",
        x=axis,
        y=axis,
        z=axis,
        a=RotaryAxis(1, 3600.0, 500.0, 5.0, 3.0, 0.02, None),
        spindle=Spindle(3000.0, 24000.0, 500.0, 0.3, 50.0, 60.0),
        chuck=Chuck(80.0, 60.0, 100.0, 20.0, 20.0, 5.0, 60.0, 4, 45.0, 2000.0, 0.15),
        tailstock=None,
        chuck_end="left",
        jaw_face_on_axis_mm=(0.0, 0.0, 0.0),
        table_below_axis_mm=60.0,
        corner_deviation_mm=deviation_mm,
        block_rate_per_s=block_rate_per_s,
        source="invented for the demo: a test",
    )


def motion_of(xyza, minutes=0.0, kind=RowKind.FEED, start=(0.0, 0.0, 0.0, 0.0), exact_stop=0, line=None) -> Motion:
    """A motion through points (n, 4); minutes, kind and exact_stop are one value or one a row."""
    xyza = np.array(xyza, dtype=float).reshape(-1, 4)
    n = len(xyza)

    def column(value, dtype):
        return np.array(np.broadcast_to(value, n), dtype=dtype)

    return Motion(
        start=np.array(start, dtype=float),
        xyza=xyza,
        minutes=column(minutes, np.float64),
        line=np.arange(1, n + 1, dtype=np.int32) if line is None else column(line, np.int32),
        kind=column(kind, np.uint8),
        spindle_rpm=column(0, np.float32),
        cutter=column(0, np.int32),
        length_offset=column(0, np.int32),
        coolant=column(0, np.uint8),
        exact_stop=column(exact_stop, np.uint8),
        clamp=column(0, np.uint8),
    )


def with_dog_leg(machine: Machine) -> Machine:
    """The same mill with rapids that run each axis by itself."""
    return replace(machine, dialect=replace(machine.dialect, reads=replace(machine.dialect.reads, rapid_dog_leg=True)))
