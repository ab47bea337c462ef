"""A million blocks read, interpreted and timed: the share of each, and the memory that all of it takes.

    python benchmarks/bench_million.py [blocks]

A made-up cut around (seeded): 0.5 degree steps, a waving radius, every hundredth block an arc; inverse time, as the package
writes turning moves. First call (compiling, or loading compiled kernels) and best of two warm ones apart. The text stands in
memory as bytes; reading is the splitting into words, interpretation all the rest up to rows of motion, the clock
what each row takes on a small mill. Peak memory is the whole process's, the text included.
"""

from __future__ import annotations

import os
import platform
import resource
import sys
import time
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]
sys.path.insert(0, str(ROOT / "tests"))

from newel.app.kernel_cache import use_kernel_cache  # noqa: E402

use_kernel_cache("benchmarks")

import numba  # noqa: E402
import numpy as np  # noqa: E402

from faults.proof_bench import MACHINE  # noqa: E402
from newel.core.dialect import ReadTraits  # noqa: E402
from newel.mechanics.clock import row_minutes  # noqa: E402
from newel.program.interpreter import interpret  # noqa: E402
from newel.program.words import split_text  # noqa: E402


def program(blocks: int) -> bytes:
    """Return the text of a program of `blocks` blocks."""
    rng = np.random.default_rng(7)
    i = np.arange(blocks - 10)
    x, z, a = 5.0 + i * 4e-5, 15.0 + 2.0 * np.sin(i / 37.0) + rng.normal(0.0, 1e-3, len(i)), i * 0.5
    lines = ["G21 G17 G40 G49 G80 G90 G94", "G53 G0 Z110", "T1 M6", "S10000 M3", "G0 X5 Y0 A0", "G43 H1 Z30", "G93"]
    for k in range(len(i)):
        if k % 100 == 99:
            lines.append(f"G19 G2 Y0 Z{z[k - 1]:.4f} J0.05 K0 F600.")  # a full turn back to where it began
        else:
            lines.append(f"G1 X{x[k]:.4f} Z{z[k]:.4f} A{a[k]:.3f} F900.")
    return "\n".join([*lines, "G94", "G0 Z30", "M30", ""]).encode()


def main() -> None:
    """Print the shares."""
    blocks = int(sys.argv[1]) if len(sys.argv) > 1 else 1_000_000
    print(f"Python {platform.python_version()}, numba {numba.__version__}, numpy {np.__version__}, {os.cpu_count()} cores")
    text = program(blocks)
    traits = ReadTraits()
    start = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    best = (np.inf,) * 3
    for k in range(3):
        t0 = time.perf_counter()
        split_text(text, traits)
        t1 = time.perf_counter()
        read = interpret(text, traits, machine_from_offset_mm=(0.0, 0.0, 0.0))
        t2 = time.perf_counter()
        timed = row_minutes(read.motion, MACHINE)
        t3 = time.perf_counter()
        assert len(read.motion) >= blocks - 20
        spent = (t1 - t0, max(t2 - t1 - (t1 - t0), 0.0), t3 - t2)
        if k == 0:
            print(f"first: read and interpreted {t2 - t0:.2f} s, clock {t3 - t2:.2f} s")
        elif sum(spent) < sum(best):
            best = spent
    shares = ", ".join(
        f"{name} {seconds:.2f} s ({100 * seconds / sum(best):.0f} %)"
        for name, seconds in zip(("reading", "interpretation", "clock"), best)
    )
    print(f"warm:  {sum(best):.2f} s: {shares}")
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    print(
        f"{len(text) / 1e6:.0f} MB of text, {len(text.splitlines())} lines, {len(read.motion)} rows, "
        f"{len(read.findings)} findings, {timed.total_minutes:.0f} min on the machine"
    )
    print(f"peak memory {peak:.0f} MiB, of it {start:.0f} MiB before reading (the text, and what made it)")


if __name__ == "__main__":
    main()
