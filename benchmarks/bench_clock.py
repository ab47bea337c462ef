"""How long the clock takes over a million rows: first call with compiling told apart, and rows in four coordinates.

python benchmarks/bench_clock.py [ROWS]
"""

from __future__ import annotations

import os
import platform
import sys
import time

import numba
import numpy as np

from newel.core.motion import Motion, RowKind
from newel.mechanics.clock import row_minutes
from newel.shop.catalogue import load_shop, shipped_texts


def carving(rows: int) -> Motion:
    """A made-up carving: 0.1 mm steps around a turning bar of changing radius, 600 mm/min, seeded noise of a micrometre."""
    rng = np.random.default_rng(1)
    step = np.arange(rows)
    xyza = np.empty((rows, 4))
    xyza[:, 0] = step * 1e-4
    xyza[:, 1] = 0.0
    xyza[:, 2] = 15.0 + 3.0 * np.sin(step / 40.0) + rng.normal(size=rows) * 1e-3
    xyza[:, 3] = step * 0.4
    zeros = np.zeros(rows, np.uint8)
    return Motion(
        start=xyza[0].copy(),
        xyza=xyza,
        minutes=np.full(rows, 0.1 / 600.0),
        line=np.arange(1, rows + 1, dtype=np.int32),
        kind=np.full(rows, RowKind.FEED, np.uint8),
        spindle_rpm=np.full(rows, 12000, np.float32),
        cutter=np.ones(rows, np.int32),
        length_offset=np.ones(rows, np.int32),
        coolant=zeros.copy(),
        exact_stop=zeros.copy(),
        clamp=zeros.copy(),
    )


def main() -> None:
    rows = int(sys.argv[1]) if len(sys.argv) > 1 else 1_000_000
    shop = load_shop(shipped_texts())
    machine = shop.machine(next(iter(shop.machines)))
    print(f"{platform.python_version()}, numba {numba.__version__}, numpy {np.__version__}, {os.cpu_count()} cores (one used)")
    began = time.perf_counter()
    row_minutes(carving(10), machine)
    print(f"first call (compiled or read from the cache): {time.perf_counter() - began:.3f} s")
    motion = carving(rows)
    took = []
    for _ in range(5):
        began = time.perf_counter()
        timed = row_minutes(motion, machine)
        took.append(time.perf_counter() - began)
    print(f"{rows} rows, warm: best {min(took):.3f} s, worst {max(took):.3f} s of 5")
    print(f"the machine would take {timed.total_minutes:.1f} min")
    held = np.bincount(timed.held_by, minlength=4) / rows
    print("held by feed {:.0%}, axis speed {:.0%}, speeding up and slowing down {:.0%}, block rate {:.0%}".format(*held))


if __name__ == "__main__":
    main()
